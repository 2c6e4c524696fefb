"""Demand of deployments and histories: published examples, simulated days, edges, and forecasts row by row."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.domain.demand.deployments import (
    Duration,
    erlang_loss,
    mean_remaining_days,
    predicted_starts,
    season_moments,
    start_rate_interval,
    starts_look_poisson,
    window_moments,
)
from inventory.domain.demand.history import (
    bootstrap_demand,
    classify,
    croston,
    fitting_forecast,
    period_moments,
    pinball_loss,
    sba,
    tsb,
)
from inventory.domain.errors import NotPlannable

# Monthly lubricant orders: Hyndman & Athanasopoulos, Forecasting: Principles and Practice 2nd ed. (2018), sec. 12.2.
LUBRICANT = [
    0,
    2,
    0,
    1,
    0,
    11,
    0,
    0,
    0,
    0,
    2,
    0,
    6,
    3,
    0,
    0,
    0,
    0,
    0,
    7,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    3,
    1,
    0,
    0,
    1,
    0,
    1,
    0,
    0,
]
DURATION = Duration.of_table({7: 0.3, 14: 0.4, 30: 0.2, 60: 0.1})
NAN = float("nan")


def played(
    duration: Duration, *, running: bool, starts: float, use: dict[int, float], window: float
) -> tuple[float, float]:
    """Deployments thrown onto a time line: mean and variance of the use in the window, 60,000 times."""
    rng = np.random.default_rng(4)
    runs, before = 60_000, (150.0 if running else 0.0)
    count = rng.poisson(starts * (window + before), runs)
    run = np.repeat(np.arange(runs), count)
    begin = rng.uniform(-before, window, len(run))
    if duration.exponential_mean is not None:
        days = rng.exponential(duration.exponential_mean, len(run))
    else:
        days = rng.choice(duration.days, len(run), p=duration.probability)
    inside = np.clip(np.minimum(begin + days, window) - np.maximum(begin, 0.0), 0.0, None)
    rate = rng.choice(list(use), len(run), p=list(use.values()))
    total = np.bincount(run, inside * rate, minlength=runs)
    return float(total.mean()), float(total.var())


@pytest.mark.parametrize("duration", [DURATION, Duration(exponential_mean=18.0)])
@pytest.mark.parametrize("running", [True, False])
def test_window_moments_agree_with_deployments_thrown_onto_a_time_line(
    duration: Duration, running: bool
) -> None:
    setting: dict[str, Any] = {"starts": 0.05, "use": {2: 0.7, 4: 0.3}, "window": 45.0}
    told = window_moments(
        starts_per_day=0.05,
        use_per_day={2: 0.7, 4: 0.3},
        duration=duration,
        window_days=45.0,
        running=running,
    )
    mean, variance = played(duration, running=running, **setting)
    assert told.mean == pytest.approx(mean, rel=0.02)
    assert told.variance == pytest.approx(variance, rel=0.03)


def test_what_has_lasted_is_likely_to_last() -> None:
    """reference/replenishment.md 1.5: at day 10, 25.1 in all against 19.7 at the start."""
    assert DURATION.mean == pytest.approx(19.7)
    assert 10 + mean_remaining_days(DURATION, 10) == pytest.approx(25.14, abs=0.01)
    assert mean_remaining_days(DURATION, 30) == pytest.approx(30.0)
    with pytest.raises(NotPlannable, match="day of return"):
        mean_remaining_days(DURATION, 60)


def test_seasons_run_over_the_end_of_the_year() -> None:
    rates = [float(month) for month in range(1, 13)]
    told = season_moments(
        starts_per_month=rates, first_month=11, months=4, size_mean=2.0, size_second_moment=5.0
    )
    assert told.events_mean == 11 + 12 + 1 + 2
    assert (told.mean, told.variance) == (52.0, 130.0)


def test_a_record_without_starts_still_has_an_upper_end() -> None:
    """None in 5 years: at most 0.74 a year (Garwood 1936; memory)."""
    told = start_rate_interval(starts=0, years=5)
    assert (told.rate, told.low) == (0.0, 0.0)
    assert told.high == pytest.approx(0.74, abs=0.005)


def test_the_predicted_count_is_drawn_as_it_says() -> None:
    rng = np.random.default_rng(5)
    rates = rng.gamma(36.5, 1 / 8, 400_000)
    counts = rng.poisson(rates * 0.25)
    told = predicted_starts(starts=36, years=8, horizon_years=0.25, level=0.95)
    assert counts.mean() == pytest.approx(told.mean, rel=0.01)
    assert counts.var() == pytest.approx(told.variance, rel=0.01)
    assert told.rate_cv == pytest.approx(rates.std() / rates.mean(), rel=0.01)


def test_yearly_counts_of_the_example_do_not_object_to_poisson() -> None:
    """3, 5, 2, 8, 4, 4, 7, 3: index 6.67 on 7 degrees, p 0.46 (reference/replenishment.md 1.3)."""
    assert starts_look_poisson([3, 5, 2, 8, 4, 4, 7, 3]) == pytest.approx(0.46, abs=0.005)
    assert starts_look_poisson([0, 0, 20, 0, 0]) < 0.001


def test_calls_that_find_no_unit() -> None:
    """n = 8, a = 3.2: 1.12 %; n = 4: 22.8 % (1.3)."""
    assert erlang_loss(units=4, offered_load=3.2) == pytest.approx(0.228, abs=5e-4)
    assert erlang_loss(units=0, offered_load=3.2) == 1.0


@pytest.mark.parametrize(
    ("demand", "name"),
    [
        ([4, 5, 4, 0, 5, 4, 6, 4, 5, 5, 4, 5], "smooth"),
        ([1, 0, 1, 0, 1, 0], "intermittent"),
        ([1, 9, 1, 9, 1, 9, 1, 9], "erratic"),
        (LUBRICANT, "lumpy"),
        ([0, 0, 0], "no_demand"),
    ],
)
def test_the_boxes(demand: list[int], name: str) -> None:
    assert classify(demand).name[0] == name


def test_ties_go_to_the_right_and_lower_box() -> None:
    """p of exactly 1.32 is intermittent, v of exactly 0.49 erratic (Syntetos, Boylan & Croston 2005, cut-offs)."""
    thirty_three = [1.0] * 25 + [0.0] * 8
    assert classify(thirty_three).adi[0] == pytest.approx(1.32)
    assert classify(thirty_three).name[0] == "intermittent"
    assert classify([3.0, 17.0]).cv2[0] == pytest.approx(0.49)
    assert classify([3.0, 17.0]).name[0] == "erratic"


def test_missing_periods_are_not_zero() -> None:
    whole = croston([0, 2, 0, 4])
    gap = croston([NAN, 0, NAN, 2, 0, NAN, 4])
    assert gap.per_period[0] == pytest.approx(whole.per_period[0])
    assert classify([NAN, 0, NAN, 2, 0, NAN, 4]).adi[0] == classify([0, 2, 0, 4]).adi[0]


histories = st.lists(
    st.lists(st.one_of(st.integers(0, 9).map(float), st.just(NAN)), min_size=14, max_size=14),
    min_size=1,
    max_size=5,
)


@given(histories)
def test_a_fleet_of_items_agrees_with_one_item_at_a_time(rows: list[list[float]]) -> None:
    at_once = fitting_forecast(rows)
    for n, row in enumerate(rows):
        alone = fitting_forecast(row)
        assert alone.method[0] == at_once.method[n]
        assert alone.per_period[0] == pytest.approx(at_once.per_period[n], nan_ok=True)
        assert 0 <= at_once.per_period[n] <= 9.0


def test_the_fitting_forecast_by_class() -> None:
    told = fitting_forecast(
        [[4, 5, 4, 5] * 3, [0, 3, 0, 0] * 3, [0] * 12, [0, 3, 0, 0] * 3], dying=np.array([0, 0, 0, 1], bool)
    )
    assert told.method.tolist() == ["croston", "sba", "none", "tsb"]
    assert told.per_period[2] == 0


def test_a_dying_item_decays_under_tsb_only() -> None:
    dead = [0, 2, 0, 2, 0, 2, 0, 2] + [0] * 24
    alive = dead[:8]
    assert croston(dead).per_period[0] == croston(alive).per_period[0]
    assert tsb(dead).per_period[0] < 0.35 * tsb(alive).per_period[0]


def test_sba_takes_the_bias_out_of_croston() -> None:
    """Bias to first order at p = 3.27, b = 0.1: Croston +3.7 %, SBA -1.5 % (reference/replenishment.md 2)."""
    rng = np.random.default_rng(6)
    demand = np.where(rng.random((3000, 400)) < 1 / 3.27, 2.0, 0.0)
    true = 2 / 3.27
    assert croston(demand).per_period.mean() / true - 1 == pytest.approx(0.037, abs=0.006)
    assert sba(demand).per_period.mean() / true - 1 == pytest.approx(-0.015, abs=0.006)


def test_moments_of_a_period() -> None:
    told = period_moments(LUBRICANT)[0]
    assert told.mean == pytest.approx(np.mean(LUBRICANT))
    assert told.variance == pytest.approx(np.var(LUBRICANT))
    assert period_moments([0, 0])[0].variance == 0


def test_the_bootstrap_keeps_the_mean_and_repeats_with_its_seed() -> None:
    runs = {"periods": 4, "runs": 40_000}
    one = bootstrap_demand(LUBRICANT, **runs, rng=np.random.default_rng(1), jitter=False)
    two = bootstrap_demand(LUBRICANT, **runs, rng=np.random.default_rng(1), jitter=False)
    np.testing.assert_array_equal(one, two)
    assert one.mean() == pytest.approx(4 * np.mean(LUBRICANT), rel=0.1)
    jittered = bootstrap_demand(LUBRICANT, **runs, rng=np.random.default_rng(1))
    assert len(np.unique(jittered)) > len(np.unique(one)), "sizes never seen come up too"
    assert (bootstrap_demand([0, 0, 0], periods=3, runs=5, rng=np.random.default_rng(1)) == 0).all()


def test_the_pinball_is_least_at_the_quantile() -> None:
    actual = np.arange(1.0, 101.0)
    losses = {q: pinball_loss(actual, np.full(100, q), 0.9) for q in (70.0, 90.0, 99.0)}
    assert min(losses, key=lambda q: losses[q]) == 90.0


def test_returns_are_not_demand() -> None:
    with pytest.raises(NotPlannable, match="row 2"):
        classify([[1, 2], [1, -2]])
