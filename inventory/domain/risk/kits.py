"""A unit is ready only if all its items are there: joint chances, units that can be fielded, spares, pooling,
confidence (5.2, 5.3, 6).

Needs of items come from the same deployments, so their shortages come together: product of the item chances <= joint
<= smallest (Esary, Proschan & Walkup 1967; memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats


@dataclass(frozen=True, slots=True)
class KitAvailability:
    """P(no shortage) of each item, of all together, and the bounds."""

    item: dict[str, float]
    joint: float
    product_bound: float
    min_bound: float
    bonferroni_bound: float


def kit_availability(
    *,
    events_mean: float,
    probability: Sequence[float],
    use: Mapping[str, Sequence[int]],
    stock: Mapping[str, int],
) -> KitAvailability:
    """Exact: Poisson starts of several types, each with its own use of every item; sums that exceed a stock are cut.

    `probability` (types,), `use` pieces of each item a type, `stock` usable pieces. The joint distribution is kept on
    the grid of stocks, so it is for a handful of items; use the futures for whole bills.
    """
    if events_mean < 0 or abs(sum(probability) - 1.0) > 1e-6:
        raise NotPlannable(
            "kits.types", "Starts must be 0 or more, and the probabilities of the types sum to 1."
        )
    items = list(stock)
    single = {name: _no_shortage(events_mean, probability, [use[name]], [stock[name]]) for name in items}
    # an item whose use never exceeds what is there in any combination need not be on the grid
    joint = _no_shortage(
        events_mean, probability, [use[name] for name in items], [stock[name] for name in items]
    )
    chances = list(single.values())
    return KitAvailability(
        single,
        joint,
        math.prod(chances),
        min(chances),
        max(0.0, 1.0 - sum(1.0 - chance for chance in chances)),
    )


def _no_shortage(
    events_mean: float, probability: Sequence[float], use: Sequence[Sequence[int]], stock: Sequence[int]
) -> float:
    """P(total use <= stock in every item): one Poisson type after the other (thinning), each added by its multiples."""
    shape = tuple(pieces + 1 for pieces in stock)
    now = np.zeros(shape)
    now[(0,) * len(stock)] = 1.0
    for k, share in enumerate(probability):
        step = [row[k] for row in use]
        rate = events_mean * share
        if not any(step):
            continue
        most = min(pieces // size for pieces, size in zip(stock, step, strict=True) if size)
        total = np.zeros(shape)
        for n in range(most + 1):
            weight = float(stats.poisson.pmf(n, rate))
            source = tuple(slice(0, side - n * size) for side, size in zip(shape, step, strict=True))
            target = tuple(slice(n * size, side) for side, size in zip(shape, step, strict=True))
            total[target] += weight * now[source]
        now = total
    return float(now.sum())


@dataclass(frozen=True, slots=True)
class Fieldable:
    """Units that can leave with full kits, and the items that stand in the way of one more."""

    units: int
    limiting: tuple[str, ...]


def units_fieldable(*, stock: Mapping[str, float], per_unit: Mapping[str, float]) -> Fieldable:
    """min over items of floor(usable stock / per unit); what is not in stock counts as 0."""
    needed = {name: each for name, each in per_unit.items() if each > 0}
    if not needed:
        raise NotPlannable("kits.nothing_needed", "The kit is empty: state what a unit must carry.")
    units = {name: math.floor(stock.get(name, 0.0) / each + 1e-9) for name, each in needed.items()}
    fewest = min(units.values())
    return Fieldable(fewest, tuple(name for name, count in units.items() if count == fewest))


@dataclass(frozen=True, slots=True)
class SparePart:
    """A part that is renewed from a pipeline: mean pieces under way, spares, pieces a unit carries."""

    pipeline_mean: float
    spares: int
    per_unit: int


@dataclass(frozen=True, slots=True)
class FleetAvailability:
    """Expected missing pieces an item; share of units up without taking parts from each other; P(at most y down) with it."""

    expected_backorders: tuple[float, ...]
    availability: float
    at_most_down: tuple[float, ...]


def fleet_availability(*, units: int, parts: Sequence[SparePart], most_down: int = 2) -> FleetAvailability:
    """Sherbrooke, Optimal Inventory Modeling of Systems 2nd ed. 2004 (memory): EBO, product of (1 - EBO / (N Z))^Z, full
    cannibalisation P(at most y down) = product of P(X <= s + y Z), X Poisson of the pipeline."""
    if units < 1 or any(part.pipeline_mean < 0 or part.spares < 0 or part.per_unit < 1 for part in parts):
        raise NotPlannable(
            "fleet.parts", "A fleet has units, and each part a pipeline and spares of 0 or more."
        )
    backorders = tuple(_expected_backorders(part.spares, part.pipeline_mean) for part in parts)
    available = math.prod(
        max(1.0 - missing / (units * part.per_unit), 0.0) ** part.per_unit
        for missing, part in zip(backorders, parts, strict=True)
    )
    down = tuple(
        math.prod(
            float(stats.poisson.cdf(part.spares + y * part.per_unit, part.pipeline_mean)) for part in parts
        )
        for y in range(most_down + 1)
    )
    return FleetAvailability(backorders, available, down)


def _expected_backorders(spares: int, mean: float) -> float:
    return float((mean - spares) * stats.poisson.sf(spares, mean) + mean * stats.poisson.pmf(spares, mean))


@dataclass(frozen=True, slots=True)
class Pooling:
    """Safety stock held apart and pooled, in units, and pooled over apart."""

    separate: float
    pooled: float
    ratio: float


def pooling(*, sds: Sequence[float], correlation: float, z: float) -> Pooling:
    """Safety stock z sd of depots held apart against pooled (Eppen 1979; memory). Assumes normal demand; lumps depart
    from it."""
    spreads = np.array(sds, dtype=np.float64)
    if not len(spreads) or (spreads < 0).any() or not -1 <= correlation <= 1:
        raise NotPlannable(
            "pooling.spread", "Pooling needs spreads of 0 or more and a correlation between -1 and 1."
        )
    together = float((spreads**2).sum() + correlation * (spreads.sum() ** 2 - (spreads**2).sum()))
    separate, pooled = z * float(spreads.sum()), z * math.sqrt(max(together, 0.0))
    return Pooling(separate, pooled, pooled / separate if separate else 1.0)


def sample_size(*, probability: float, half_width: float, confidence: float = 0.95) -> tuple[float, int]:
    """(z, runs) that settle a probability to +/- half_width: n = z^2 p (1 - p) / h^2 (Law, Simulation Modeling and
    Analysis; memory)."""
    if not (0 <= probability <= 1 and half_width > 0 and 0 < confidence < 1):
        raise NotPlannable(
            "runs.accuracy", "State a probability, an accuracy above 0 and a level between 0 and 1."
        )
    z = float(stats.norm.ppf(0.5 + confidence / 2.0))
    return z, math.ceil(z**2 * probability * (1.0 - probability) / half_width**2 - 1e-9)


def wilson_interval(hits: Floats | int, runs: int, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Interval of a share (Wilson 1927), also at 0 hits; arrays of hits give arrays."""
    counts = np.asarray(hits, dtype=np.float64)
    if runs < 1 or (counts < 0).any() or (counts > runs).any():
        raise NotPlannable(
            "runs.hits", "Hits lie between 0 and the number of runs, of which there is at least one."
        )
    z = float(stats.norm.ppf(0.5 + confidence / 2.0))
    share = counts / runs
    middle = share + z**2 / (2 * runs)
    half = z * np.sqrt(share * (1.0 - share) / runs + z**2 / (4.0 * runs**2))
    scale = 1.0 + z**2 / runs
    return np.clip((middle - half) / scale, 0.0, 1.0), np.clip((middle + half) / scale, 0.0, 1.0)
