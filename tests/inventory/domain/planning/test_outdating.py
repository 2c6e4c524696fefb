"""Expected loss and risk of shortage against worked examples, bounds and simulated days; dates against their sources."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.domain.demand.compound import (
    compound_demand,
    compound_demand_per_day,
    compound_moments,
    fill_rate,
    panjer,
    poisson_demand,
    quantile,
    size_pmf,
)
from inventory.domain.errors import NotPlannable
from inventory.domain.netting.dates import (
    gs1_expiry,
    lead_longer_than_life,
    order_release,
    receipt_acceptance,
)
from inventory.domain.netting.outdating import (
    expected_outdating,
    expected_waste_bounds,
    no_shortage_probability,
)

RUNNING = size_pmf({14: 0.21, 28: 0.37, 56: 0.12, 60: 0.14, 120: 0.13, 240: 0.03})
QTY, LAST = [5, 8, 10], [60, 120, 300]


def test_bounds_of_the_worked_example() -> None:
    """reference/replenishment.md 4.4: total 3.85, bounds 3.65 and 6.09."""
    low, high = expected_waste_bounds(QTY, LAST, poisson_demand(0.08))
    assert (round(low, 2), round(high, 2)) == (3.65, 6.09)
    assert low <= expected_outdating(QTY, LAST, poisson_demand(0.08)).total <= high


def simulated(qty: list[int], last: list[int], days: int, runs: int = 20_000) -> tuple[float, float]:
    """Day by day with single pieces, first expiry first: mean loss, share of runs without shortage through day 150."""
    rng = np.random.default_rng(3)
    stock = np.tile(np.array(qty), (runs, 1))
    fine = np.ones(runs, dtype=bool)
    for day in range(1, days + 1):
        want = rng.poisson(0.08, runs)
        for k, end in enumerate(last):
            if end >= day:
                got = np.minimum(stock[:, k], want)
                stock[:, k] -= got
                want -= got
        if day <= 150:
            fine &= want == 0
    return float(stock.sum(axis=1).mean()), float(fine.mean())


def test_days_played_one_by_one_agree() -> None:
    loss, fine = simulated(QTY, LAST, 300)
    assert loss == pytest.approx(expected_outdating(QTY, LAST, poisson_demand(0.08)).total, abs=0.08)
    assert fine == pytest.approx(
        no_shortage_probability(QTY, LAST, poisson_demand(0.08), until_day=150), abs=0.003
    )


lots = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 200)), min_size=1, max_size=4)


@given(lots, st.floats(0.0, 0.2), st.integers(0, 3), st.integers(0, 5), st.integers(0, 60))
def test_more_stock_less_risk_longer_life_less_loss(
    rows: list[tuple[int, int]], rate: float, which: int, more: int, longer: int
) -> None:
    qty, last = [row[0] for row in rows], [row[1] for row in rows]
    at = which % len(rows)
    demand = poisson_demand(rate)
    base = no_shortage_probability(qty, last, demand, until_day=90)
    fuller = [*qty[:at], qty[at] + more, *qty[at + 1 :]]
    later = [*last[:at], last[at] + longer, *last[at + 1 :]]
    assert no_shortage_probability(fuller, last, demand, until_day=90) >= base - 1e-9
    assert no_shortage_probability(qty, later, demand, until_day=90) >= base - 1e-9
    lost = expected_outdating(qty, last, demand)
    assert expected_outdating(qty, later, demand).total <= lost.total + 1e-9
    low, high = expected_waste_bounds(qty, last, demand)
    assert low - 1e-9 <= lost.total <= high + 1e-9
    assert all(
        -1e-12 <= loss <= pieces + 1e-9
        for loss, (_, pieces) in zip(lost.by_lot, sorted((day, q) for q, day in rows), strict=True)
    ) or len(set(last)) < len(last)


@given(
    st.dictionaries(st.integers(0, 30), st.floats(0.01, 1.0), min_size=1, max_size=5),
    st.floats(0.0, 30.0),
    st.sampled_from([0.0, 0.3, 1.0]),
)
def test_transform_and_recursion_agree(table: dict[int, float], events: float, cv: float) -> None:
    total = sum(table.values())
    pmf = size_pmf({size: share / total for size, share in table.items()})
    by_transform = compound_demand(events, pmf, rate_cv=cv)
    upto = min(len(by_transform) - 1, 150)
    np.testing.assert_allclose(by_transform[: upto + 1], panjer(events, pmf, upto, rate_cv=cv), atol=1e-9)
    sizes = np.arange(len(by_transform))
    moments = compound_moments(events, pmf)
    assert by_transform.sum() == pytest.approx(1.0, abs=1e-8)
    assert by_transform @ sizes == pytest.approx(moments.mean, rel=1e-5, abs=1e-5)
    variance = moments.variance + (cv * moments.mean) ** 2
    assert by_transform @ sizes**2 - moments.mean**2 == pytest.approx(variance, rel=1e-3, abs=1e-3)


def test_the_table_of_stocks_of_the_running_example() -> None:
    """reference/replenishment.md 1.4: what a stock covers and its fill rate; with a year effect of 0.5 the stocks rise."""
    use = compound_demand(2.4, RUNNING)
    for stock, cover, served in ((141, 65.2, 71.7), (300, 93.0, 94.9), (335, 95.0, 96.6), (334, 95.04, 96.6)):
        assert 100 * use[: stock + 1].sum() == pytest.approx(cover, abs=0.06)
        assert 100 * fill_rate(use, stock) == pytest.approx(served, abs=0.06)
    uneven = compound_demand(2.4, RUNNING, rate_cv=0.5)
    assert (quantile(uneven, 0.95), quantile(uneven, 0.99)) == (370, 536)


def test_lumps_per_day_agree_with_the_case_by_poisson_of_lumps() -> None:
    per_day = compound_demand_per_day(0.01, size_pmf({10: 0.5, 20: 0.3, 40: 0.2}))
    np.testing.assert_allclose(np.convolve(per_day(30.0), per_day(60.0))[:60], per_day(90.0)[:60], atol=1e-10)


@pytest.mark.parametrize(
    ("code", "day"),
    [
        ("260200", date(2026, 2, 28)),
        ("280200", date(2028, 2, 29)),
        ("261231", date(2026, 12, 31)),
    ],
)
def test_gs1_dates(code: str, day: date) -> None:
    """GS1 General Specifications, AI (17): day 00 is the last of the month."""
    assert gs1_expiry(code) == day


def test_gs1_century() -> None:
    """GS1 General Specifications 7.12: 51 to 99 years ahead is the century before, 50 or more behind the next."""
    assert gs1_expiry("990100", read_in=2026) == date(1999, 1, 31)
    assert gs1_expiry("760131", read_in=2026) == date(2076, 1, 31)
    assert gs1_expiry("770131", read_in=2026) == date(1977, 1, 31)
    assert gs1_expiry("010131", read_in=2060) == date(2101, 1, 31)


@pytest.mark.parametrize("code", ["2602", "26023a", "261300", "260230", "²60131"])
def test_what_is_no_code_is_refused(code: str) -> None:
    with pytest.raises(NotPlannable):
        gs1_expiry(code)


def test_release_edges() -> None:
    at = {"first_short": date(2026, 8, 1), "lead_days": 75, "safety_days": 14}
    assert order_release(**at, today=date(2026, 5, 3)).order_now is False
    on_the_day = order_release(**at, today=date(2026, 5, 4))
    assert (on_the_day.order_now, on_the_day.late_days) == (True, 0)
    assert order_release(**at, today=date(2026, 5, 14)).late_days == 10


def test_acceptance_edges_and_refusals() -> None:
    made, end = date(2026, 1, 1), date(2026, 4, 11)
    on_edge = receipt_acceptance(
        manufactured=made, expiry=end, received=date(2026, 1, 26), least_fraction=0.75
    )
    assert (on_edge.remaining_fraction, on_edge.accept) == (0.75, True)
    day_later = receipt_acceptance(
        manufactured=made, expiry=end, received=date(2026, 1, 27), least_fraction=0.75
    )
    assert not day_later.accept
    with pytest.raises(NotPlannable, match="Read both dates"):
        receipt_acceptance(manufactured=end, expiry=made, received=made, least_fraction=0.75)


def test_a_life_shorter_than_the_lead_time_is_said_with_what_to_do() -> None:
    assert (
        "at least 2 orders open"
        in lead_longer_than_life(lead_days=150, usable_days=100, demand_per_day=0.4).sentence
    )
    with pytest.raises(NotPlannable, match="another supplier"):
        lead_longer_than_life(lead_days=10, usable_days=0, demand_per_day=1)


def test_pieces_are_whole_in_the_exact_calculation() -> None:
    with pytest.raises(NotPlannable):
        expected_outdating([1.5], [10], poisson_demand(0.1))
