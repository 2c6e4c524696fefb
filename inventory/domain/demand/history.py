"""Forecasts from a history of issues, where no deployments can be told apart: classes, Croston, SBA, TSB, bootstrap.

The history is one row an item and place, one column a period of about a lead time, oldest first (N, T). NaN: out of
stock or before the item was held; such a period is missing, not zero. Transfers, write-offs and returns are not demand.

Sources: Croston 1972, Operational Research Quarterly 23(3):289-303; Syntetos & Boylan 2005, Int. J. Forecasting
21:303-314; Teunter, Syntetos & Babai 2011, EJOR 214 (memory); classes: Syntetos, Boylan & Croston 2005, J. Oper. Res.
Soc. 56:495-503; bootstrap: Willemain, Smart & Schwarz 2004, Int. J. Forecasting 20:375-387. None of the three
forecasts gives a distribution: see `period_moments`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inventory.domain.demand.compound import Moments
from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats
from inventory.domain.netting.columns import Bools

ADI_CUT, CV2_CUT = 1.32, 0.49
NO_DEMAND, SMOOTH, INTERMITTENT, ERRATIC, LUMPY = "no_demand", "smooth", "intermittent", "erratic", "lumpy"
SMOOTHING = 0.1


@dataclass(frozen=True, slots=True)
class Classes:
    """Mean interval between demands [periods] and squared coefficient of variation of their sizes; NaN without demand."""

    adi: Floats
    cv2: Floats
    name: NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Per period and row: `size` of a demand, `interval` between two or `probability` of one (NaN without demand),
    `per_period`."""

    size: Floats
    interval: Floats
    probability: Floats
    per_period: Floats


def read_history(demand: ArrayLike) -> Floats:
    """A history as (N, T); raises NotPlannable naming the row of a negative demand."""
    history = np.atleast_2d(np.asarray(demand, dtype=np.float64))
    wrong = (history < 0) | np.isinf(history)
    if wrong.any():
        raise NotPlannable(
            "history.negative",
            "History, row {row}: a demand below 0 is a return; leave returns out of the history.",
            row=int(np.argwhere(wrong)[0][0]) + 1,
        )
    return history


def classify(demand: ArrayLike, *, adi_cut: float = ADI_CUT, cv2_cut: float = CV2_CUT) -> Classes:
    """The four boxes; p = periods / demands, v with the population variance, ties to the right and lower box.

    The class picks a formula for the mean by mean square error; it does not set stock.
    """
    history = read_history(demand)
    known, hit = ~np.isnan(history), history > 0
    number = hit.sum(axis=1)
    sizes = np.where(hit, history, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        adi = np.where(number > 0, known.sum(axis=1) / number, np.nan)
        mean = sizes.sum(axis=1) / number
        cv2 = ((sizes - mean[:, None]) ** 2 * hit).sum(axis=1) / number / mean**2
    rare, uneven = adi >= adi_cut, cv2 >= cv2_cut
    name = np.select(
        [number == 0, rare & uneven, rare, uneven], [NO_DEMAND, LUMPY, INTERMITTENT, ERRATIC], SMOOTH
    )
    return Classes(adi, cv2, name)


def croston(
    demand: ArrayLike, *, alpha_size: float = SMOOTHING, alpha_interval: float = SMOOTHING
) -> Forecasts:
    """Size and interval smoothed when demand occurs; forecast size / interval. Starts with the first demand and first
    gap."""
    history = read_history(demand)
    _share(alpha_size, alpha_interval)
    rows = len(history)
    size, interval = np.full(rows, np.nan), np.full(rows, np.nan)
    gap = np.zeros(rows)
    for period in history.T:
        gap += ~np.isnan(period)
        hit = period > 0
        new = hit & np.isnan(size)
        size = np.where(new, period, np.where(hit, size + alpha_size * (period - size), size))
        interval = np.where(new, gap, np.where(hit, interval + alpha_interval * (gap - interval), interval))
        gap = np.where(hit, 0.0, gap)
    return Forecasts(size, interval, 1.0 / interval, np.nan_to_num(size / interval))


def sba(demand: ArrayLike, *, alpha_size: float = SMOOTHING, alpha_interval: float = SMOOTHING) -> Forecasts:
    """Croston without most of its bias: (1 - b/2) size / interval."""
    base = croston(demand, alpha_size=alpha_size, alpha_interval=alpha_interval)
    return Forecasts(
        base.size, base.interval, base.probability, base.per_period * (1.0 - alpha_interval / 2.0)
    )


def tsb(
    demand: ArrayLike,
    *,
    alpha_size: float = SMOOTHING,
    beta_probability: float = SMOOTHING / 2,
    size_start: ArrayLike | None = None,
    probability_start: ArrayLike | None = None,
) -> Forecasts:
    """Probability smoothed every period, size when demand occurs: decays when an item dies, for superseded parts.

    Without start values it starts from the mean size and the share of periods with demand in the row's first year (12
    periods).
    """
    history = read_history(demand)
    _share(alpha_size, beta_probability)
    hit = history > 0
    begin = history[:, :12]
    known = np.maximum((~np.isnan(begin)).sum(axis=1), 1)
    if probability_start is None:
        chance = (begin > 0).sum(axis=1) / known
    else:
        chance = np.broadcast_to(np.asarray(probability_start, float), (len(history),)).copy()
    if size_start is None:
        number = np.maximum(hit[:, :12].sum(axis=1), 1)
        size = np.where(begin > 0, begin, 0.0).sum(axis=1) / number
    else:
        size = np.broadcast_to(np.asarray(size_start, float), (len(history),)).copy()
    for period in history.T:
        there = ~np.isnan(period)
        occurs = period > 0
        first = occurs & (size == 0)
        size = np.where(first, period, np.where(occurs, size + alpha_size * (period - size), size))
        chance = np.where(there, chance + beta_probability * (occurs - chance), chance)
    with np.errstate(divide="ignore"):
        interval = 1.0 / chance
    return Forecasts(size, interval, chance, size * chance)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The forecast that fits each row's class, and why (`croston`, `sba`, `tsb`, `none`)."""

    per_period: Floats
    method: NDArray[np.str_]
    classes: Classes
    forecasts: Forecasts


def fitting_forecast(demand: ArrayLike, *, dying: Bools | None = None) -> Fitted:
    """Croston for smooth demand, SBA for the three other boxes, TSB for what is being replaced (`dying`); 0 without
    demand."""
    history = read_history(demand)
    classes = classify(history)
    base, corrected, fading = croston(history), sba(history), tsb(history)
    ends = np.zeros(len(history), dtype=bool) if dying is None else dying
    method = np.select(
        [classes.name == NO_DEMAND, ends, classes.name == SMOOTH], ["none", "tsb", "croston"], "sba"
    )

    def chosen(name: str) -> Floats:
        return np.select(
            [method == "none", method == "tsb", method == "croston"],
            [
                np.zeros(len(history)) if name == "per_period" else np.full(len(history), np.nan),
                getattr(fading, name),
                getattr(base, name),
            ],
            getattr(corrected, name),
        )

    forecasts = Forecasts(*(chosen(name) for name in Forecasts.__slots__))
    return Fitted(forecasts.per_period, method, classes, forecasts)


def period_moments(demand: ArrayLike) -> list[Moments]:
    """Mean and variance of a period's demand of each row: u / p, s^2 / p + u^2 (1/p)(1 - 1/p)."""
    history = read_history(demand)
    told = []
    for row in history:
        sizes = row[row > 0]
        periods = int((~np.isnan(row)).sum())
        if not len(sizes):
            told.append(Moments(0.0, 0.0))
            continue
        chance = len(sizes) / periods
        mean, variance = float(sizes.mean()), float(sizes.var())
        told.append(Moments(mean * chance, variance * chance + mean**2 * chance * (1.0 - chance)))
    return told


def bootstrap_demand(
    demand: ArrayLike, *, periods: int, runs: int, rng: np.random.Generator, jitter: bool = True
) -> Floats:
    """Total demand of `periods` to come, (runs,), of one history: two-state Markov chain of zero and non-zero from the
    history, sizes drawn from the past, each jittered to 1 + int(X + Z sqrt(X)), or X itself where that is not above 0
    (memory).

    Better, where deployments are known: resample whole deployments (`inventory.domain.risk.futures`), which keeps
    items together.
    """
    row = read_history(demand)[0]
    if periods < 0 or runs < 1:
        raise NotPlannable("bootstrap.runs", "The bootstrap needs 0 or more periods and at least one run.")
    row = row[~np.isnan(row)]
    sizes = row[row > 0]
    if not len(sizes):
        return np.zeros(runs)
    hit = row > 0
    before, after = hit[:-1], hit[1:]
    overall = hit.mean()

    def chance(state: bool) -> float:
        seen = before == state
        # one observation of the overall share, so that a short history does not make a state last for ever
        return float((after[seen].sum() + overall) / (seen.sum() + 1.0))

    to_hit = np.array([chance(False), chance(True)])
    state = np.full(runs, int(hit[-1]))
    total = np.zeros(runs)
    for _ in range(periods):
        state = (rng.random(runs) < to_hit[state]).astype(np.int64)
        drawn = rng.choice(sizes, runs)
        if jitter:
            near = 1.0 + np.trunc(drawn + rng.standard_normal(runs) * np.sqrt(drawn))
            drawn = np.where(near > 0, near, drawn)
        total += np.where(state == 1, drawn, 0.0)
    return total


def pinball_loss(actual: ArrayLike, forecast: ArrayLike, level: float) -> float:
    """Mean pinball loss of quantile forecasts at the level that is stocked to; judge forecasts by this, not by
    percentages."""
    miss = np.asarray(actual, float) - np.asarray(forecast, float)
    return float(np.maximum(level * miss, (level - 1.0) * miss).mean())


def _share(*values: float) -> None:
    if any(not 0 < value <= 1 for value in values):
        raise NotPlannable("forecast.smoothing", "A smoothing constant lies above 0 and is at most 1.")
