"""One chance to order: the newsvendor, for a surge kit before a season or goods that live for one life (3.5, 4.5).

Order the smallest y with P(D <= y) >= b / (b + h). `holding_cost` h is what a piece too many costs, `stockout_cost` b
a piece too few.
Sources: Snyder & Shen, Fundamentals of Supply Chain Theory 2nd ed. 2019, Examples 4.2 to 4.4;
the reference facts on replenishment 3.5, 4.5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from inventory.domain.demand.compound import poisson_demand
from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats


@dataclass(frozen=True, slots=True)
class OneChance:
    """Quantity, expected cost of too many and too few, and the ratio it rests on."""

    critical_ratio: float
    quantity: float
    cost: float


def critical_ratio(holding_cost: float, stockout_cost: float) -> float:
    """b / (b + h), the share of chances in which the quantity should be enough."""
    if not (holding_cost > 0 and stockout_cost > 0):
        raise NotPlannable(
            "one_chance.costs", "What a piece too many and a piece too few cost must both be above 0."
        )
    return stockout_cost / (stockout_cost + holding_cost)


def implied_cost_ratio(level: float) -> float:
    """The b / h that a level of service says without saying it: 9, 19, 49, 99 for 90, 95, 98, 99 %."""
    if not 0 < level < 1:
        raise NotPlannable("level.out_of_range", "A level of service lies between 0 and 1; never exactly 1.")
    return level / (1.0 - level)


def newsvendor_normal(*, holding_cost: float, stockout_cost: float, mean: float, sd: float) -> OneChance:
    """Normal demand; cost (h + b) sd phi(z)."""
    ratio = critical_ratio(holding_cost, stockout_cost)
    z = float(stats.norm.ppf(ratio))
    return OneChance(ratio, mean + z * sd, (holding_cost + stockout_cost) * sd * float(stats.norm.pdf(z)))


def newsvendor_pmf(*, holding_cost: float, stockout_cost: float, pmf: Floats) -> OneChance:
    """Whole demand with probabilities of 0, 1, 2 ...; the smallest quantity of least cost."""
    ratio = critical_ratio(holding_cost, stockout_cost)
    quantity = int(np.searchsorted(np.cumsum(pmf), ratio - 1e-12))
    sizes = np.arange(len(pmf))
    over = float(pmf @ np.maximum(quantity - sizes, 0))
    under = float(pmf @ np.maximum(sizes - quantity, 0))
    return OneChance(ratio, quantity, holding_cost * over + stockout_cost * under)


def newsvendor_poisson(*, holding_cost: float, stockout_cost: float, mean: float) -> OneChance:
    """Poisson demand."""
    return newsvendor_pmf(
        holding_cost=holding_cost, stockout_cost=stockout_cost, pmf=poisson_demand(mean)(1.0)
    )


def newsvendor_profit(
    *, revenue: float, unit_cost: float, salvage: float, mean: float, sd: float
) -> tuple[float, float]:
    """(quantity, expected profit) with normal demand: too few costs revenue - cost, too many cost - salvage."""
    base = newsvendor_normal(
        holding_cost=unit_cost - salvage, stockout_cost=revenue - unit_cost, mean=mean, sd=sd
    )
    return base.quantity, (revenue - unit_cost) * mean - base.cost


def base_stock_normal(
    *,
    holding_cost: float,
    stockout_cost: float,
    mean: float,
    sd: float,
    lead_time: float,
    review_period: float,
) -> OneChance:
    """Order up to this at every review; the window is lead time + one review period."""
    if lead_time < 0 or review_period < 0:
        raise NotPlannable("lead.negative", "Demand, lead time and their variances must be 0 or more.")
    window = lead_time + review_period
    return newsvendor_normal(
        holding_cost=holding_cost,
        stockout_cost=stockout_cost,
        mean=mean * window,
        sd=sd * math.sqrt(window),
    )


@dataclass(frozen=True, slots=True)
class LifeWindow:
    """How many to buy of goods that must be used within one life, with what is thrown away and what it costs."""

    critical_ratio: float
    quantity: int
    expected_waste: float
    expected_cost: float


def life_window(*, pmf: Floats, unit_cost: float, disposal_cost: float, shortage_cost: float) -> LifeWindow:
    """Smallest y with P(D(life) <= y) >= (b - c) / (b + w). Valid when no second order comes in that life, else an
    upper limit.

    `pmf` of the demand in the usable life. Cost = c y + w E[(y - D)+] + b E[(D - y)+].
    """
    if not (shortage_cost > unit_cost >= 0 and disposal_cost >= 0):
        raise NotPlannable(
            "life_window.costs", "A piece too few must cost more than a piece; otherwise none is bought."
        )
    ratio = (shortage_cost - unit_cost) / (shortage_cost + disposal_cost)
    quantity = int(np.searchsorted(np.cumsum(pmf), ratio - 1e-12))
    sizes = np.arange(len(pmf))
    waste = float(pmf @ np.maximum(quantity - sizes, 0))
    short = float(pmf @ np.maximum(sizes - quantity, 0))
    return LifeWindow(
        ratio, quantity, waste, unit_cost * quantity + disposal_cost * waste + shortage_cost * short
    )


def most_at_waste_risk(pmf: Floats, most_risk: float) -> int:
    """Largest quantity whose last piece expires with at most this probability: P(D(life) < y) <= w."""
    if not 0 <= most_risk < 1:
        raise NotPlannable("waste.risk", "The risk that the last piece expires lies between 0 and 1.")
    below = np.concatenate([[0.0], np.cumsum(pmf)])
    return int(np.searchsorted(below, most_risk + 1e-12, side="right")) - 1
