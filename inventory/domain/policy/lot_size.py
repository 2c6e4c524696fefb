"""How much at a time: economic quantities, price breaks, packs, least quantities and shelf life together.

Formulas and worked examples: the reference facts on replenishment 3.1 and 3.2. `fixed_cost` money an order, `holding_cost`
money a unit and year, `holding_rate` share of the price a year, `demand_rate` units a year (any period does, if all
use the same). Quantities are in base units.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from inventory.domain.errors import NotPlannable


@dataclass(frozen=True, slots=True)
class LotSize:
    """An order quantity and what it costs a year; `tier` counts price breaks from 0."""

    quantity: float
    cost: float
    tier: int = 0


def eoq(*, fixed_cost: float, holding_cost: float, demand_rate: float) -> LotSize:
    """Q = sqrt(2KD/h), cost sqrt(2KDh) (Harris; Snyder & Shen 2nd ed., Example 3.1)."""
    _positive(fixed_cost, holding_cost, demand_rate)
    quantity = math.sqrt(2.0 * fixed_cost * demand_rate / holding_cost)
    return LotSize(quantity, math.sqrt(2.0 * fixed_cost * demand_rate * holding_cost))


def eoq_all_units(
    *,
    fixed_cost: float,
    holding_rate: float,
    demand_rate: float,
    breakpoints: Sequence[float],
    unit_costs: Sequence[float],
) -> LotSize:
    """The lower price holds for all units from its breakpoint: the best quantity that fits its own range, against each
    break.

    Cost includes the goods. Snyder & Shen 2nd ed., Example 3.5; Nahmias, Production and Operations Analysis, Example 4.4.
    """
    _check_breaks(breakpoints, unit_costs)
    _positive(fixed_cost, holding_rate, demand_rate)
    best: LotSize | None = None
    for tier, (start, price) in enumerate(zip(breakpoints, unit_costs, strict=True)):
        end = breakpoints[tier + 1] if tier + 1 < len(breakpoints) else math.inf
        free = math.sqrt(2.0 * fixed_cost * demand_rate / (holding_rate * price))
        quantity = max(free, start)
        if quantity >= end:
            continue
        cost = (
            price * demand_rate + fixed_cost * demand_rate / quantity + holding_rate * price * quantity / 2.0
        )
        if best is None or cost < best.cost:
            best = LotSize(quantity, cost, tier)
    assert best is not None
    return best


def eoq_incremental(
    *,
    fixed_cost: float,
    holding_rate: float,
    demand_rate: float,
    breakpoints: Sequence[float],
    unit_costs: Sequence[float],
) -> LotSize:
    """The lower price holds only for the units above its breakpoint (Nahmias, Example 4.5)."""
    _check_breaks(breakpoints, unit_costs)
    _positive(fixed_cost, holding_rate, demand_rate)
    best: LotSize | None = None
    paid = 0.0
    for tier, (start, price) in enumerate(zip(breakpoints, unit_costs, strict=True)):
        if tier:
            paid += unit_costs[tier - 1] * (start - breakpoints[tier - 1])
        end = breakpoints[tier + 1] if tier + 1 < len(breakpoints) else math.inf
        surplus = paid - price * start
        quantity = math.sqrt(2.0 * (fixed_cost + surplus) * demand_rate / (holding_rate * price))
        if not start <= quantity < end:
            continue
        cost = (
            price * demand_rate
            + (fixed_cost + surplus) * demand_rate / quantity
            + holding_rate * surplus / 2.0
            + holding_rate * price * quantity / 2.0
        )
        if best is None or cost < best.cost:
            best = LotSize(quantity, cost, tier)
    if best is None:
        raise NotPlannable("breaks.no_quantity", "No quantity fits its own price. Check the price breaks.")
    return best


@dataclass(frozen=True, slots=True)
class Backorders:
    """Order quantity, share of demand that waits, and cost."""

    quantity: float
    backordered_fraction: float
    cost: float


def eoq_backorders(
    *, fixed_cost: float, holding_cost: float, stockout_cost: float, demand_rate: float
) -> Backorders:
    """Planned waiting (Snyder & Shen 2nd ed., Example 3.8): for workshop parts, rarely for what grounds a unit."""
    _positive(fixed_cost, holding_cost, stockout_cost, demand_rate)
    both = holding_cost + stockout_cost
    quantity = math.sqrt(2.0 * fixed_cost * demand_rate * both / (holding_cost * stockout_cost))
    cost = math.sqrt(2.0 * fixed_cost * demand_rate * holding_cost * stockout_cost / both)
    return Backorders(quantity, holding_cost / both, cost)


@dataclass(frozen=True, slots=True)
class PowerOfTwo:
    """Order interval T_B 2^k and its cost over that of the best interval."""

    interval: float
    cost_ratio: float


def power_of_two(*, optimal_interval: float, base_interval: float) -> PowerOfTwo:
    """The smallest k with 2^k >= T* / (sqrt 2 T_B): never more than 6.1 % above the best (Snyder & Shen, 3.3; memory)."""
    _positive(optimal_interval, base_interval)
    k = math.ceil(math.log2(optimal_interval / (math.sqrt(2.0) * base_interval)) - 1e-12)
    interval = base_interval * 2.0**k
    ratio = interval / optimal_interval
    return PowerOfTwo(interval, (ratio + 1.0 / ratio) / 2.0)


@dataclass(frozen=True, slots=True)
class PriceBreak:
    """From `min_qty` on, every unit costs `price`."""

    min_qty: float
    price: float


@dataclass(frozen=True, slots=True)
class ConstrainedQuantity:
    """What to order at a time, and what it costs for each unit that is really used."""

    quantity: float
    unit_price: float
    wasted_per_order: float
    annual_cost: float
    cost_per_used_unit: float


def order_quantities(
    *,
    demand_per_year: float,
    order_cost: float,
    holding_rate_per_year: float,
    price_breaks: Sequence[PriceBreak],
    moq: float,
    pack: float,
    usable_life_years: float | None,
    most: float | None = None,
) -> list[ConstrainedQuantity]:
    """All quantities worth a thought, the cheapest first (ties to the smaller): multiples of the pack, at least `moq`.

    q <= D m: K D/q + c D + i c q/2, nothing wasted. q > D m: the rest is thrown away after the usable life m: (K + c
    q)/m + i c (q - D m/2) a year, q - D m wasted. `most` caps the quantity (money, room).
    """
    _positive(demand_per_year, pack)
    if order_cost < 0 or holding_rate_per_year < 0 or moq < 0:
        raise NotPlannable("quantity.negative", "Costs and least quantities must be 0 or more.")
    if usable_life_years is not None and usable_life_years <= 0:
        raise NotPlannable(
            "life.no_days_left",
            "The goods have no usable day left when they arrive. Ask for a longer life on arrival or another supplier.",
        )
    if not price_breaks:
        raise NotPlannable("breaks.none", "There is no price. Add an offer of a supplier.")
    _check_breaks([b.min_qty for b in price_breaks], [b.price for b in price_breaks], falling=False)
    starts = np.array([b.min_qty for b in price_breaks])
    prices = np.array([b.price for b in price_breaks])
    least = max(moq, starts[0], pack)
    floor_packs = max(math.ceil(least / pack - 1e-9), 1)
    # beyond the largest free quantity of the lowest price, the last break and the need of the life, cost only rises
    cheapest = max(float(prices.min()), 1e-12)
    free = math.sqrt(
        2.0 * max(order_cost, 1e-12) * demand_per_year / max(holding_rate_per_year * cheapest, 1e-12)
    )
    free = min(free, 20.0 * demand_per_year)
    life_need = demand_per_year * usable_life_years if usable_life_years else 0.0
    top = max(free, float(starts.max()), min(life_need, free), floor_packs * pack) + pack
    q = np.arange(floor_packs, math.ceil(top / pack) + 1) * pack
    if most is not None:
        q = q[q <= most + 1e-9]
    if not len(q):
        return []
    price = prices[np.searchsorted(starts, q + 1e-9, side="right") - 1]
    hold = holding_rate_per_year * price
    used_of_life = demand_per_year * usable_life_years if usable_life_years is not None else np.inf
    life = usable_life_years if usable_life_years is not None else 1.0
    within = q <= used_of_life + 1e-9
    lasting = order_cost * demand_per_year / q + price * demand_per_year + hold * q / 2.0
    expiring = (order_cost + price * q) / life + hold * (q - min(used_of_life, 1e300) / 2.0)
    annual = np.where(within, lasting, expiring)
    waste = np.where(within, 0.0, q - (used_of_life if np.isfinite(used_of_life) else 0.0))
    order = np.lexsort((q, np.round(annual, 9)))
    return [
        ConstrainedQuantity(
            float(q[k]),
            float(price[k]),
            float(waste[k]),
            float(annual[k]),
            float(annual[k]) / demand_per_year,
        )
        for k in order.tolist()
    ]


@dataclass(frozen=True, slots=True)
class JointOrder:
    """Order all items each `cycle`, item i every `multiples[i]` cycles, at `cost` a unit of time."""

    cycle: float
    multiples: tuple[int, ...]
    cost: float


def joint_order(
    *,
    shared_fixed_cost: float,
    item_fixed_costs: Sequence[float],
    holding_costs: Sequence[float],
    demand_rates: Sequence[float],
    most_multiple: int = 0,
) -> JointOrder:
    """One freight for several items. `most_multiple` 0: Silver's heuristic 1976; above 0: the best of all multiples up
    to it.

    Cost (K0 + sum k_i / m_i) / T + T/2 sum m_i h_i d_i. Enumeration is for few items.
    """
    k, h, d = (
        np.array(values, dtype=np.float64) for values in (item_fixed_costs, holding_costs, demand_rates)
    )
    if not len(k) or min(h.min(), d.min(), shared_fixed_cost) <= 0 or k.min() < 0:
        raise NotPlannable(
            "joint.costs", "A joint order needs items with demand and holding cost, and its own cost."
        )

    def best_cycle(m: np.ndarray) -> JointOrder:
        fixed = shared_fixed_cost + float((k / m).sum())
        hold = float((m * h * d).sum())
        return JointOrder(
            math.sqrt(2.0 * fixed / hold), tuple(int(x) for x in m), math.sqrt(2.0 * fixed * hold)
        )

    if most_multiple:
        grids = np.stack(np.meshgrid(*[np.arange(1, most_multiple + 1)] * len(k), indexing="ij"), -1).reshape(
            -1, len(k)
        )
        costs = (shared_fixed_cost + (k / grids).sum(axis=1)) * (grids * h * d).sum(axis=1)
        return best_cycle(grids[int(costs.argmin())])
    ratio = k / (h * d)
    first = int(ratio.argmin())
    multiples = np.sqrt(ratio * h[first] * d[first] / (shared_fixed_cost + k[first]))
    low = np.maximum(np.floor(multiples), 1.0)
    # the whole number m for which sqrt(m (m + 1)) first exceeds the ratio
    m = np.where(np.sqrt(low * (low + 1.0)) >= multiples, low, low + 1.0)
    m[first] = 1.0
    return best_cycle(m)


def _positive(*values: float) -> None:
    if any(not value > 0 for value in values):
        raise NotPlannable("quantity.not_positive", "Demand, costs, packs and intervals must be above 0.")


def _check_breaks(starts: Sequence[float], prices: Sequence[float], *, falling: bool = True) -> None:
    if len(starts) != len(prices) or not len(starts):
        raise NotPlannable("breaks.uneven", "Every price needs the quantity from which it holds.")
    if any(b <= a for a, b in itertools.pairwise(starts)):
        raise NotPlannable(
            "breaks.order",
            "The price breaks are out of order: {starts}. List each quantity once, the smallest first.",
            starts=", ".join(f"{start:g}" for start in starts),
        )
    if min(prices) < 0 or (falling and any(b > a for a, b in itertools.pairwise(prices))):
        raise NotPlannable(
            "breaks.price",
            "A price for more is higher than for less, or below 0. Check the price breaks of the offer.",
        )
