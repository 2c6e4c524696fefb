"""Lot sizes and reorder points against stockpyl 1.0.2 over a random grid, brute force, and published edges.

`tests/data/stockpyl_grid.csv` holds stockpyl's answers (Snyder & Shen, Fundamentals of Supply Chain Theory 2nd ed.),
made once, so that the tests need no further package.
"""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.domain.demand.compound import fill_rate, poisson_demand, size_pmf
from inventory.domain.errors import NotPlannable
from inventory.domain.policy.dynamic_lots import best_lots, cost_of, silver_meal
from inventory.domain.policy.lot_size import (
    PriceBreak,
    eoq,
    eoq_all_units,
    eoq_backorders,
    eoq_incremental,
    joint_order,
    order_quantities,
    power_of_two,
)
from inventory.domain.policy.one_chance import (
    implied_cost_ratio,
    life_window,
    most_at_waste_risk,
    newsvendor_normal,
    newsvendor_pmf,
    newsvendor_poisson,
)
from inventory.domain.policy.reorder import (
    normal_loss,
    poisson_loss,
    reorder_point_cycle_service,
    reorder_point_fill_rate,
    reorder_point_lumpy,
    rq_expected_level,
    rq_poisson,
    ss_exact,
    ss_power_approximation,
    standard_normal_loss,
)

GRID = Path(__file__).parents[3] / "data" / "stockpyl_grid.csv"
RUNNING = size_pmf({14: 0.21, 28: 0.37, 56: 0.12, 60: 0.14, 120: 0.13, 240: 0.03})


def lot(told: Any) -> list[float]:
    return [told.quantity, told.cost]


def tiered(told: Any) -> list[float]:
    return [told.quantity, told.tier, told.cost]


def level_policy(i: dict[str, Any]) -> list[float]:
    lead, sd = i.pop("lead_time"), i.pop("demand_sd")
    told = rq_expected_level(**i, lead_mean=i["demand_mean"] * lead, lead_sd=sd * math.sqrt(lead))
    return [told.reorder_point, told.quantity, told.cost]


def exact_policy(i: dict[str, Any]) -> list[float]:
    told = ss_exact(pmf=poisson_demand(i.pop("demand_mean_poisson"))(1.0), **i)
    assert told.cost is not None
    return [told.s, told.S, told.cost]


def rq(told: Any) -> list[float]:
    return [told.reorder_point, told.quantity, told.cost]


def power(i: dict[str, Any]) -> list[float]:
    told = ss_power_approximation(**i)
    return [told.s, told.S]


def waiting(i: dict[str, Any]) -> list[float]:
    told = eoq_backorders(**i)
    return [told.quantity, told.backordered_fraction, told.cost]


OURS: dict[str, Callable[[dict[str, Any]], list[float]]] = {
    "eoq": lambda i: lot(eoq(**i)),
    "eoq_backorders": waiting,
    "eoq_all_units": lambda i: tiered(eoq_all_units(**i)),
    "eoq_incremental": lambda i: tiered(eoq_incremental(**i)),
    "newsvendor_normal": lambda i: lot(newsvendor_normal(**i)),
    "newsvendor_poisson": lambda i: lot(newsvendor_poisson(**i)),
    "rq_poisson": lambda i: rq(rq_poisson(**i)),
    "rq_expected_level": level_policy,
    "ss_power_approximation": power,
    "ss_exact": exact_policy,
    "best_lots": lambda i: [best_lots(**i).cost],
    "poisson_loss": lambda i: [poisson_loss(**i)],
    "normal_loss": lambda i: [normal_loss(**i)],
}


def grid() -> list[Any]:
    with GRID.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        pytest.param(
            row["method"], json.loads(row["inputs"]), json.loads(row["answer"]), id=f"{row['method']}-{n}"
        )
        for n, row in enumerate(rows)
    ]


@pytest.mark.parametrize(("method", "inputs", "answer"), grid())
def test_agrees_with_stockpyl(method: str, inputs: dict[str, Any], answer: list[float]) -> None:
    rel = 1e-3 if method == "rq_expected_level" else 1e-6
    assert OURS[method](dict(inputs)) == pytest.approx(answer, rel=rel, abs=1e-6)


def test_a_flat_optimum() -> None:
    """reference/replenishment.md 3.1: off by 0.7 or 1.43 costs 6.4 % more, by 2 a quarter."""
    best = eoq(fixed_cost=8, holding_cost=0.225, demand_rate=1300)
    for factor, more in ((0.7, 1.064), (1.43, 1.064), (2.0, 1.25)):
        q = best.quantity * factor
        assert (8 * 1300 / q + 0.225 * q / 2) / best.cost == pytest.approx(more, abs=1e-3)


@given(st.floats(0.02, 20.0), st.floats(0.01, 1.0))
def test_a_power_of_two_is_never_more_than_6_1_percent_dearer(interval: float, base: float) -> None:
    """Snyder & Shen 3.3: bound 3 / (2 sqrt 2) = 1.0607."""
    told = power_of_two(optimal_interval=interval, base_interval=base)
    assert told.cost_ratio <= 1.0607
    assert math.log2(told.interval / base) == pytest.approx(round(math.log2(told.interval / base)), abs=1e-9)


def brute_quantity(
    demand: float,
    cost: float,
    rate: float,
    breaks: list[PriceBreak],
    moq: float,
    pack: float,
    life: float | None,
) -> float:
    best = math.inf
    for n in range(1, 2000):
        q = n * pack
        if q < max(moq, breaks[0].min_qty):
            continue
        price = [b.price for b in breaks if b.min_qty <= q][-1]
        if life is None or q <= demand * life:
            best = min(best, cost * demand / q + price * demand + rate * price * q / 2)
        else:
            best = min(best, (cost + price * q) / life + rate * price * (q - demand * life / 2))
    return best


@given(
    st.floats(5.0, 500.0),
    st.floats(0.0, 200.0),
    st.floats(0.02, 0.4),
    st.integers(1, 24),
    st.integers(0, 150),
    st.one_of(st.none(), st.floats(0.1, 3.0)),
    st.lists(st.integers(2, 400), unique=True, max_size=2),
)
def test_the_constrained_quantity_is_the_best_of_all(
    demand: float, cost: float, rate: float, pack: int, moq: int, life: float | None, starts: list[int]
) -> None:
    prices = [18.0, 16.0, 14.5]
    breaks = [PriceBreak(q, p) for q, p in zip([1, *sorted(starts)], prices, strict=False)]
    told = order_quantities(
        demand_per_year=demand,
        order_cost=cost,
        holding_rate_per_year=rate,
        price_breaks=breaks,
        moq=moq,
        pack=pack,
        usable_life_years=life,
    )
    assert told[0].annual_cost == pytest.approx(
        brute_quantity(demand, cost, rate, breaks, moq, pack, life), rel=1e-9
    )
    assert all(one.annual_cost <= two.annual_cost + 1e-6 for one, two in itertools.pairwise(told))
    assert told[0].quantity % pack == 0
    assert told[0].quantity >= moq


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"price_breaks": [PriceBreak(100, 16), PriceBreak(1, 18)]}, "breaks.order"),
        ({"price_breaks": []}, "breaks.none"),
        ({"price_breaks": [PriceBreak(1, -18)]}, "breaks.price"),
        ({"usable_life_years": 0.0}, "life.no_days_left"),
        ({"demand_per_year": 0.0}, "quantity.not_positive"),
        ({"pack": 0.0}, "quantity.not_positive"),
    ],
)
def test_offers_that_cannot_be_are_refused(change: dict[str, Any], key: str) -> None:
    given_offer = {
        "demand_per_year": 240.0,
        "order_cost": 60.0,
        "holding_rate_per_year": 0.2,
        "price_breaks": [PriceBreak(1, 18)],
        "moq": 0.0,
        "pack": 1.0,
        "usable_life_years": None,
    }
    with pytest.raises(NotPlannable) as refused:
        order_quantities(**{**given_offer, **change})
    assert refused.value.key == key
    assert refused.value.sentence.endswith(".")


def test_a_quantity_cap_below_the_least_leaves_nothing() -> None:
    assert not order_quantities(
        demand_per_year=240.0,
        order_cost=60.0,
        holding_rate_per_year=0.2,
        price_breaks=[PriceBreak(1, 18)],
        moq=24,
        pack=12,
        usable_life_years=None,
        most=20,
    )


needs = st.lists(st.integers(0, 60), min_size=1, max_size=8)


@given(needs, st.lists(st.integers(1, 150), min_size=8, max_size=8), st.floats(0.0, 3.0), st.integers(1, 8))
def test_the_dynamic_lots_are_the_best_of_all_plans(
    demand: list[int], setups: list[int], holding: float, life: int
) -> None:
    """Every set of order periods tried, each order covering until the next (Wagner & Whitin 1958: orders only at zero
    stock)."""
    setup = setups[: len(demand)]
    told = best_lots(demand, setup, holding, usable_periods=life)
    best = math.inf
    for chosen in itertools.product((False, True), repeat=len(demand)):
        points = [t for t, on in enumerate(chosen) if on]
        orders = [0.0] * len(demand)
        fits = sum(demand[: points[0]] if points else demand) == 0
        for start, end in itertools.pairwise([*points, len(demand)] if points else []):
            last = max((t for t in range(start, end) if demand[t]), default=start)
            fits &= last - start + 1 <= life
            orders[start] = float(sum(demand[start:end]))
        if fits:
            best = min(best, cost_of(orders, demand, setup, holding))
    assert told.cost == pytest.approx(best)
    assert cost_of(told.orders, demand, setup, holding) == pytest.approx(told.cost)
    level = best_lots(demand, 50.0, holding)
    assert level.cost <= silver_meal(demand, 50.0, holding).cost + 1e-6


def test_joint_order_heuristic_is_near_the_best() -> None:
    """Silver 1976: within 5 % of the best by enumeration on random items."""
    rng = np.random.default_rng(6)
    for _ in range(30):
        costs = {
            "shared_fixed_cost": float(rng.uniform(20, 200)),
            "item_fixed_costs": rng.uniform(5, 100, 3).tolist(),
            "holding_costs": rng.uniform(0.5, 5, 3).tolist(),
            "demand_rates": rng.uniform(10, 500, 3).tolist(),
        }
        best = joint_order(**costs, most_multiple=8)
        assert best.cost - 1e-9 <= joint_order(**costs).cost <= 1.05 * best.cost


@pytest.mark.parametrize(
    ("level", "z", "loss"),
    [
        (0.90, 1.282, 0.0473),
        (0.95, 1.645, 0.0209),
        (0.98, 2.054, 0.0073),
        (0.99, 2.326, 0.0034),
        (0.995, 2.576, 0.0016),
    ],
)
def test_the_table_of_service(level: float, z: float, loss: float) -> None:
    """reference/replenishment.md 3.3."""
    told = reorder_point_cycle_service(lead_mean=0.0, lead_sd=1.0, cycle_service=level)
    assert told.z == pytest.approx(z, abs=6e-4)
    assert standard_normal_loss(told.z) == pytest.approx(loss, abs=6e-5)


def test_fill_rate_can_ask_for_less_than_the_mean() -> None:
    """A low fill rate and a large order: z below zero, and the equation still holds."""
    told = reorder_point_fill_rate(lead_mean=100, lead_sd=25, order_quantity=500, fill_rate=0.8)
    assert told.z < 0
    assert 25 * standard_normal_loss(told.z) == pytest.approx(0.2 * 500)


def test_fill_rates_of_the_running_example() -> None:
    """reference/replenishment.md 3.3: 95, 98, 99 % of units need 302, 377, 432."""
    from inventory.domain.demand.compound import compound_demand

    use = compound_demand(2.4, RUNNING)
    for level, stock in ((0.95, 302), (0.98, 377), (0.99, 432)):
        assert fill_rate(use, stock) >= level > fill_rate(use, stock - 2)


def test_the_lumpy_point_of_the_running_example_and_what_makes_it_rise() -> None:
    """0.8 starts a month, lead 60 + review 30 days, 95 %: 334 and an undershoot of 46 (1.4, 3.3)."""
    base = {"events_per_day": 2.4 / 90, "pmf": RUNNING, "review_days": 30.0, "level": 0.95}
    told = reorder_point_lumpy(**base, lead_days=60.0)
    assert (told.quantile, told.reorder_point) == (334, 380)
    assert told.undershoot == pytest.approx(45.97, abs=0.01)
    assert told.window_mean == pytest.approx(122.9, abs=0.1)
    assert told.window_sd == pytest.approx(107.5, abs=0.1)
    spread = reorder_point_lumpy(**base, lead_days=[30.0, 90.0])
    assert spread.reorder_point > told.reorder_point
    assert spread.window_mean == pytest.approx(told.window_mean, rel=1e-6)
    assert reorder_point_lumpy(**base, lead_days=60.0, fixed_need=12.0).reorder_point == 392
    assert reorder_point_lumpy(**base, lead_days=60.0, rate_cv=0.5).quantile == 370
    assert reorder_point_lumpy(**{**base, "events_per_day": 0.0}, lead_days=60.0).reorder_point == 0


@pytest.mark.parametrize(("level", "ratio"), [(0.9, 9), (0.95, 19), (0.98, 49), (0.99, 99)])
def test_a_level_says_a_cost_ratio(level: float, ratio: float) -> None:
    assert implied_cost_ratio(level) == pytest.approx(ratio)


@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=12), st.floats(0.1, 20.0), st.floats(0.1, 20.0))
def test_the_newsvendor_is_the_cheapest_of_all_quantities(weights: list[float], h: float, b: float) -> None:
    pmf = np.array(weights) / sum(weights)
    told = newsvendor_pmf(holding_cost=h, stockout_cost=b, pmf=pmf)
    sizes = np.arange(len(pmf))
    costs = [
        float(pmf @ (h * np.maximum(y - sizes, 0) + b * np.maximum(sizes - y, 0)))
        for y in range(len(pmf) + 1)
    ]
    assert told.cost == pytest.approx(min(costs))


def test_the_most_at_a_risk_of_waste() -> None:
    """P(D < y) <= w: Poisson of 16.2; 10 % lets 12 pieces through, no risk at all only what is used for certain."""
    pmf = poisson_demand(16.2)(1.0)
    most = most_at_waste_risk(pmf, 0.1)
    below = np.concatenate([[0.0], np.cumsum(pmf)])
    assert below[most] <= 0.1 < below[most + 1]
    assert most_at_waste_risk(np.array([0.0, 0.0, 0.5, 0.5]), 0.0) == 2
    assert most_at_waste_risk(np.array([1.0]), 0.05) == 0


@pytest.mark.parametrize(
    "call",
    [
        lambda: eoq(fixed_cost=8, holding_cost=0, demand_rate=1),
        lambda: reorder_point_cycle_service(lead_mean=1, lead_sd=1, cycle_service=1.0),
        lambda: reorder_point_lumpy(events_per_day=1, pmf=RUNNING, lead_days=[], review_days=1, level=0.9),
        lambda: life_window(pmf=np.ones(1), unit_cost=5, disposal_cost=1, shortage_cost=5),
        lambda: best_lots([1, -1], 5, 1),
        lambda: rq_expected_level(
            holding_cost=9, stockout_cost=0.1, fixed_cost=5, demand_mean=1, lead_mean=1, lead_sd=1
        ),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(call: Callable[[], Any]) -> None:
    with pytest.raises(NotPlannable) as refused:
        call()
    assert refused.value.sentence.endswith(".")
