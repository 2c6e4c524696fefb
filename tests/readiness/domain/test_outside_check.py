"""Outside check: a real hourly temperature year (a weather file that pvlib ships) against step-by-step integration."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from readiness.domain.bank_forecast import forecast
from readiness.domain.bank_records import Supply
from readiness.domain.learning import predict
from readiness.domain.self_discharge import equiv_days, kinetic_mean_temp, soc_after
from readiness.domain.thermal import Sites
from readiness.domain.upkeep import interval_used
from tests.readiness.domain.fleet_of_banks import DAY0, bank, charge, meter, one, records, supply

# Sand Point, Alaska and Greensboro, North Carolina: typical meteorological years, 8760 hours each.
FILES = {"cold": "703165TY.csv", "warm": "723170TYA.CSV"}
FIRST_DAY = 20089.0  # 2025-01-01, so that calendar months and the file's months are the same


@pytest.fixture(scope="module", params=sorted(FILES))
def hourly_c(request: pytest.FixtureRequest) -> np.ndarray:
    path = Path(pvlib.__file__).parent / "data" / FILES[request.param]
    hours = pd.read_csv(path, skiprows=1)["Dry-bulb (C)"].to_numpy(dtype=float)
    assert hours.size == 8760
    return hours


def step_by_step_soc(hours_c: np.ndarray, pct_month: float, load_per_day: float, first_order: bool) -> float:
    """Explicit small steps of five minutes: nothing in common with the closed forms under test."""
    soc = 1.0
    step_days = 5.0 / 1440.0
    for temp in hours_c:
        rate = pct_month / 100 / 30 * 2.0 ** ((temp - 20.0) / 10.0)
        for _ in range(12):
            soc -= (rate * (soc if first_order else 1.0) + load_per_day) * step_days
    return soc


def test_equivalent_days_of_a_real_year(hourly_c: np.ndarray) -> None:
    steps = sum(2.0 ** ((temp - 20.0) / 10.0) / 24.0 for temp in hourly_c)
    assert equiv_days(np.full(8760, 1 / 24), hourly_c, doubling_k=10.0) == pytest.approx(steps, rel=1e-9)


@pytest.mark.parametrize("decay", ["constant", "first_order"])
def test_charge_state_after_a_real_year(hourly_c: np.ndarray, decay: str) -> None:
    load_ma = 5.0
    mine = soc_after(
        1.0,
        np.full(8760, 1 / 24),
        hourly_c,
        pct_per_month_ref=3.0,
        capacity_ah=600.0,
        decay=decay,
        parasitic_ma=load_ma,
    )
    steps = step_by_step_soc(hourly_c, 3.0, load_ma * 24e-3 / 600.0, decay == "first_order")
    assert mine == pytest.approx(steps, abs=5e-5)


def test_kinetic_mean_lies_above_the_plain_mean_and_gives_the_same_loss(hourly_c: np.ndarray) -> None:
    mean = kinetic_mean_temp(np.full(8760, 1 / 24), hourly_c, ea_kj_mol=51.2)
    whole = equiv_days([365.0], [mean], law="arrhenius", ea_kj_mol=51.2)
    hourly = equiv_days(np.full(8760, 1 / 24), hourly_c, law="arrhenius", ea_kj_mol=51.2)
    assert mean > hourly_c.mean()
    assert whole == pytest.approx(hourly, rel=1e-6)


def test_the_fleet_estimate_on_logged_days_is_the_step_by_step_sum(hourly_c: np.ndarray) -> None:
    """Logged daily means: the estimate and a plain loop over the days give one number."""
    daily = hourly_c.reshape(365, 24).mean(axis=1)
    days = (FIRST_DAY + np.arange(365)).astype(np.int64)
    sites = Sites(
        np.full((1, 12), 20.0), np.zeros(1), np.zeros(1), np.zeros(365, dtype=np.int64), days, daily
    )
    start = FIRST_DAY - DAY0
    answer = one(bank(), supply(start, Supply.ISOLATED), charge(start), day=start + 365, sites=sites)
    loss = sum(0.02 / 30 * 2.0 ** ((temp - 20.0) / 10.0) for temp in daily)
    spent = sum(1.0 / min(365.0, 180.0 * 2.0 ** ((20.0 - temp) / 10.0)) for temp in daily)
    assert answer.soc[0] == pytest.approx(1.0 - loss, abs=1e-6)
    assert answer.used[0] == pytest.approx(spent, rel=1e-9)
    assert interval_used(np.ones(365), daily, base_days=180.0) == pytest.approx(spent, rel=1e-9)


def test_monthly_climate_with_its_swing_stands_in_for_the_real_hours(hourly_c: np.ndarray) -> None:
    """Monthly means and one daily swing, as a depot has them on file, against the hours as they were."""
    calendar = pd.date_range("2025-01-01", periods=8760, freq="h")
    months = pd.Series(hourly_c).groupby(calendar.month).mean().to_numpy()
    by_day = hourly_c.reshape(365, 24)
    swing = float((by_day.max(axis=1) - by_day.min(axis=1)).mean() / 2)
    sites = Sites(months[None, :], np.zeros(1), np.array([swing]))
    start = FIRST_DAY - DAY0
    answer = one(bank(), supply(start, Supply.ISOLATED), charge(start), day=start + 365, sites=sites)
    hourly_loss = 0.02 / 30 * equiv_days(np.full(8760, 1 / 24), hourly_c, doubling_k=10.0)
    assert 1.0 - answer.soc[0] == pytest.approx(hourly_loss, rel=0.05)


def test_what_is_learnt_from_a_real_year_forecasts_its_next_months(hourly_c: np.ndarray) -> None:
    """A bank that loses twice what is published, read each month for eight months of real hours; known are monthly means.

    What the hours then do to it 90 days ahead lies within two sigma of the forecast.
    """
    calendar = pd.date_range("2025-01-01", periods=8760, freq="h")
    months = pd.Series(hourly_c).groupby(calendar.month).mean().to_numpy()
    by_day = hourly_c.reshape(365, 24)
    swing = float((by_day.max(axis=1) - by_day.min(axis=1)).mean() / 2)
    sites = Sites(months[None, :], np.zeros(1), np.array([swing]))
    lost = np.cumsum(0.04 / 30 / 24 * 2.0 ** ((hourly_c - 20.0) / 10.0))
    start = FIRST_DAY - DAY0
    looks = [meter(start + day, round(float(1.0 - lost[24 * day]), 2)) for day in range(30, 241, 30)]
    events = records(supply(start, Supply.ISOLATED), charge(start), *looks)
    asked = FIRST_DAY + 241.0
    own = forecast(bank(), events, sites, asked)
    ahead = predict(bank(), events, sites, asked, asked + 90.0, np.array([2]), np.array([0.05]))
    truth = 1.0 - lost[24 * 331]
    assert own.learned.total_low[0] <= 4.0 * 1.05
    assert own.learned.total_high[0] >= 4.0 * 0.95
    assert abs(ahead.soc[0] - truth) < 2.0 * ahead.soc_sigma[0] < 0.15
