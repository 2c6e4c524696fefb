"""When to order: reorder points by cycle service or fill rate, (r,Q) and (s,S) policies, loss functions (3.3).

Cycle service is the share of cycles without shortage, fill rate the share of units served: always say which a number
is. Lead-time demand is normal where only mean and spread are given; lumpy demand needs `reorder_point_lumpy`. Worked
examples: Snyder & Shen 2nd ed. 2019; Nahmias, Production and Operations Analysis (Harvey example). Costs:
`holding_cost` a unit and period, `stockout_cost` a unit short.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from inventory.domain.demand.compound import compound_demand, mean_undershoot, poisson_demand, quantile
from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats


def standard_normal_loss(z: float) -> float:
    """L(z) = phi(z) - z (1 - Phi(z)) = E[(Z - z)+]."""
    return float(stats.norm.pdf(z) - z * stats.norm.sf(z))


def normal_loss(x: float, mean: float, sd: float) -> float:
    """E[(D - x)+] of a normal demand."""
    return sd * standard_normal_loss((x - mean) / sd)


def poisson_loss(x: int, mean: float) -> float:
    """E[(D - x)+] of a Poisson demand."""
    return float((mean - x) * stats.poisson.sf(x, mean) + mean * stats.poisson.pmf(x, mean))


def negative_binomial_loss(x: int, mean: float, sd: float) -> float:
    """E[(D - x)+] of a negative binomial of this mean and spread, r = mean squared / (variance - mean)."""
    if sd**2 <= mean:
        raise NotPlannable(
            "negative_binomial.variance",
            "The variance must be larger than the mean, and the mean above 0; take a Poisson demand instead.",
        )
    r, p = mean**2 / (sd**2 - mean), mean / sd**2
    k = np.arange(x + 1)
    # E[(D - x)+] = E[D] - x + E[(x - D)+]
    return float(mean - x + (stats.nbinom.pmf(k, r, p) * (x - k)).sum())


@dataclass(frozen=True, slots=True)
class ReorderPoint:
    """Safety factor and reorder point; `loss` L(z) where it was asked for by fill rate."""

    z: float
    reorder_point: float
    loss: float | None = None


def reorder_point_cycle_service(*, lead_mean: float, lead_sd: float, cycle_service: float) -> ReorderPoint:
    """Quantile of the demand in lead time + review."""
    _level(cycle_service)
    z = float(stats.norm.ppf(cycle_service))
    return ReorderPoint(z, lead_mean + z * lead_sd)


def reorder_point_fill_rate(
    *, lead_mean: float, lead_sd: float, order_quantity: float, fill_rate: float
) -> ReorderPoint:
    """sd L(z) = (1 - beta) Q, solved for z."""
    _level(fill_rate)
    if not (lead_sd > 0 and order_quantity > 0):
        raise NotPlannable("reorder.spread", "A fill rate needs an order quantity and a spread above 0.")
    loss = (1.0 - fill_rate) * order_quantity / lead_sd
    z = float(optimize.brentq(lambda at: standard_normal_loss(at) - loss, -loss - 10.0, 40.0))
    return ReorderPoint(z, lead_mean + z * lead_sd, loss)


@dataclass(frozen=True, slots=True)
class LumpyPoint:
    """Reorder point of deployment-driven demand: quantile of the window, and how far a lump falls below the point."""

    reorder_point: int
    quantile: int
    undershoot: float
    window_mean: float
    window_sd: float


def reorder_point_lumpy(
    *,
    events_per_day: float,
    pmf: Floats,
    lead_days: ArrayLike,
    review_days: float,
    level: float,
    fixed_need: float = 0.0,
    rate_cv: float = 0.0,
) -> LumpyPoint:
    """Quantile of fixed needs + compound demand over lead time + review, plus the mean undershoot, in whole pieces.

    `lead_days`: equally likely lead times (the supplier's record, or quantiles of a fit), so that the spread of the
    lead time counts whole.
    """
    leads = np.atleast_1d(np.asarray(lead_days, dtype=np.float64))
    _level(level)
    if not len(leads) or (leads < 0).any() or review_days < 0 or fixed_need < 0 or events_per_day < 0:
        raise NotPlannable("lead.negative", "Demand, lead time and their variances must be 0 or more.")
    windows = [compound_demand(events_per_day * (lead + review_days), pmf, rate_cv=rate_cv) for lead in leads]
    total = np.zeros(max(len(window) for window in windows))
    for window in windows:
        total[: len(window)] += window / len(leads)
    sizes = np.arange(len(total))
    mean = float(total @ sizes)
    under = mean_undershoot(pmf) if events_per_day > 0 else 0.0
    enough = quantile(total, level)
    return LumpyPoint(
        math.ceil(fixed_need + enough + under - 1e-9),
        enough,
        under,
        mean + fixed_need,
        math.sqrt(max(float(total @ sizes**2) - mean**2, 0.0)),
    )


@dataclass(frozen=True, slots=True)
class ReorderPolicy:
    """Reorder point r (or s), order quantity Q, and cost a period."""

    reorder_point: float
    quantity: float
    cost: float


def rq_expected_level(
    *,
    holding_cost: float,
    stockout_cost: float,
    fixed_cost: float,
    demand_mean: float,
    lead_mean: float,
    lead_sd: float,
) -> ReorderPolicy:
    """Fixed point of Q = sqrt(2 D (K + p n(r)) / h) and 1 - F(r) = Q h / (p D), n(r) = E[(D_L - r)+], normal lead-time
    demand.

    Cost h (r - D_L + Q/2) + K D/Q + p D n(r)/Q (Snyder & Shen 5.2, expected inventory level approximation; Nahmias (Q,R)).
    """
    if min(holding_cost, stockout_cost, fixed_cost, demand_mean, lead_sd) <= 0:
        raise NotPlannable("quantity.not_positive", "Demand, costs, packs and intervals must be above 0.")
    quantity = math.sqrt(2.0 * fixed_cost * demand_mean / holding_cost)
    point = lead_mean
    for _ in range(1000):
        tail = quantity * holding_cost / (stockout_cost * demand_mean)
        if tail >= 1.0:
            raise NotPlannable(
                "reorder.shortage_too_cheap",
                "A shortage costs so little that waiting is always cheaper. State a level of service instead.",
            )
        point = lead_mean + float(stats.norm.isf(tail)) * lead_sd
        short = normal_loss(point, lead_mean, lead_sd)
        fresh = math.sqrt(2.0 * demand_mean * (fixed_cost + stockout_cost * short) / holding_cost)
        if abs(fresh - quantity) < 1e-10 * fresh:
            quantity = fresh
            break
        quantity = fresh
    short = normal_loss(point, lead_mean, lead_sd)
    cost = holding_cost * (point - lead_mean + quantity / 2.0)
    cost += (fixed_cost + stockout_cost * short) * demand_mean / quantity
    return ReorderPolicy(point, quantity, cost)


def rq_poisson(
    *, holding_cost: float, stockout_cost: float, fixed_cost: float, demand_rate: float, lead_time: float
) -> ReorderPolicy:
    """Exact (r, Q) of Poisson demand with waiting, position uniform on r + 1 .. r + Q (Federgruen & Zheng 1992; Snyder
    & Shen 5.8).

    `stockout_cost` a unit and period of waiting. Takes the positions in the order of their cost as long as the mean falls.
    """
    if min(holding_cost, stockout_cost, demand_rate) <= 0 or fixed_cost < 0 or lead_time < 0:
        raise NotPlannable("quantity.not_positive", "Demand, costs, packs and intervals must be above 0.")
    demand = poisson_demand(demand_rate)(lead_time)
    mean = demand_rate * lead_time

    def cost_at(position: int) -> float:
        sizes = np.arange(len(demand))
        over = float(demand @ np.maximum(position - sizes, 0))
        return holding_cost * over + stockout_cost * (over - position + mean)

    best = quantile(demand, stockout_cost / (stockout_cost + holding_cost))
    low, high = best - 1, best
    total = fixed_cost * demand_rate + cost_at(best)
    mean_cost = total
    while True:
        below, above = cost_at(low), cost_at(high + 1)
        if min(below, above) >= mean_cost:
            return ReorderPolicy(low, high - low, mean_cost)
        if below <= above:
            low -= 1
        else:
            high += 1
        total += min(below, above)
        mean_cost = total / (high - low)


@dataclass(frozen=True, slots=True)
class OrderUpTo:
    """Order up to `S` when the position is at `s` or below; `cost` a period where it is known."""

    s: float
    S: float
    cost: float | None = None


def ss_exact(
    *, holding_cost: float, stockout_cost: float, fixed_cost: float, pmf: Floats, most: int | None = None
) -> OrderUpTo:
    """Best (s, S) of whole demand `pmf` a period with waiting, no lead time, costs at the end of the period.

    Renewal reward over the positions above s: c(s, S) = (K + sum m(j) G(S - j)) / sum m(j) (Veinott & Wagner 1965;
    Zheng & Federgruen 1991), every pair up to `most` tried (found from the demand when None). Ties to the smallest S.
    """
    if min(holding_cost, stockout_cost) <= 0 or fixed_cost < 0 or pmf[0] >= 1.0:
        raise NotPlannable("quantity.not_positive", "Demand, costs, packs and intervals must be above 0.")
    sizes = np.arange(len(pmf))
    mean = float(pmf @ sizes)
    free = math.sqrt(2.0 * fixed_cost * mean / holding_cost)
    top = most if most is not None else len(pmf) + math.ceil(2.0 * free) + 10
    low = -math.ceil(2.0 * mean + free * holding_cost / stockout_cost) - 10
    renewal = np.zeros(top - low)
    renewal[0] = 1.0 / (1.0 - pmf[0])
    for j in range(1, len(renewal)):
        reach = min(j, len(pmf) - 1)
        renewal[j] = float(pmf[1 : reach + 1] @ renewal[j - np.arange(1, reach + 1)]) / (1.0 - pmf[0])
    positions = np.arange(low, top + 1)
    over = np.array([float(pmf @ np.maximum(position - sizes, 0)) for position in positions])
    cost_at = holding_cost * over + stockout_cost * (over - positions + mean)
    best = OrderUpTo(0, 0, math.inf)
    for S in range(low + 1, top + 1):
        above = cost_at[S - low :: -1][: len(renewal)]
        weights = renewal[: len(above)]
        mean_costs = (fixed_cost + np.cumsum(weights * above)) / np.cumsum(weights)
        k = int(mean_costs.argmin())
        assert best.cost is not None
        if mean_costs[k] < best.cost - 1e-12:
            best = OrderUpTo(S - k - 1, S, float(mean_costs[k]))
    return best


def ss_power_approximation(
    *,
    holding_cost: float,
    stockout_cost: float,
    fixed_cost: float,
    demand_mean: float,
    demand_sd: float,
    lead_time: float = 0.0,
) -> OrderUpTo:
    """Ehrhardt & Mosier 1984 in Snyder & Shen's form: good within some percent where orders are large against the demand.

    Their rule caps both by the newsvendor quantity where the order is under 1.5 periods of demand (memory); that is
    not done here.
    """
    if min(holding_cost, stockout_cost, fixed_cost, demand_mean, demand_sd) <= 0 or lead_time < 0:
        raise NotPlannable("quantity.not_positive", "Demand, costs, packs and intervals must be above 0.")
    mean, sd = demand_mean * (lead_time + 1.0), demand_sd * math.sqrt(lead_time + 1.0)
    size = (
        1.30
        * demand_mean**0.494
        * (fixed_cost / holding_cost) ** 0.506
        * (1.0 + (sd / demand_mean) ** 2) ** 0.116
    )
    z = math.sqrt(size * holding_cost / (sd * stockout_cost))
    s = 0.973 * mean + sd * (0.183 / z + 1.063 - 2.192 * z)
    return OrderUpTo(s, s + size)


def _level(level: float) -> None:
    if not 0 < level < 1:
        raise NotPlannable("level.out_of_range", "A level of service lies between 0 and 1; never exactly 1.")
