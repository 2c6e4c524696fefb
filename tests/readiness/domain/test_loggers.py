"""What samples may say: days made of them, the few that count as readings, and when a logger is not believed."""

from typing import Any

import numpy as np
import pytest

from readiness.domain.chemistry import chemistries, chemistry_column
from readiness.domain.loggers import LoggedDays, LoggerState, evidence, logger_states
from readiness.domain.sample_days import DAY_US, MOST_REST_H, REACH_DAYS, REST_GAP_H, Banks, sample_days
from readiness.domain.samples import Series, chem_of

DAY0 = 20_000
NAN = np.nan


def banks(chemistry: str = "vrla_gel", cells: int = 12, capacity_ah: float = 200.0) -> Banks:
    return Banks(
        np.array([1]), np.array([chem_of(chemistry)]), np.array([float(cells)]), np.array([capacity_ah])
    )


def series(hours: Any, *, volts: Any = NAN, amps: Any = NAN, temp: Any = NAN, soc: Any = NAN) -> Series:
    at = DAY0 * DAY_US + (np.asarray(hours) * 3.6e9).astype(np.int64)
    n = len(at)
    values = np.stack(
        [np.broadcast_to(np.asarray(one, dtype=float), (n,)) for one in (volts, amps, temp, soc, NAN)], 1
    )
    return Series.of(np.ones(n, dtype=np.int64), at, values, np.arange(n))


def test_no_chemistry_asks_for_more_rest_than_a_day_can_know() -> None:
    rest = chemistry_column("ocv_rest_min_h")
    assert np.nanmax(rest) <= MOST_REST_H <= 24.0 * REACH_DAYS - REST_GAP_H
    assert len(rest) == len(chemistries())


def test_a_rested_voltage_needs_the_rest_of_its_chemistry_without_a_gap() -> None:
    every = np.arange(0, 48, 1.0)
    for code, first_h in (("vrla_gel", 24), ("vrla_agm", 16)):
        days = sample_days(series(every, volts=25.6, amps=0.0), banks(code))
        assert np.isnan(days.rest_v[0]) == (first_h >= 24)
        assert days.rest_v[1] == 25.6
    # A current at noon of the second day begins the rest anew, as an hour nobody measured does.
    amps = np.where(every == 36, -5.0, 0.0)
    assert np.isnan(sample_days(series(every[:47], volts=25.6, amps=amps[:47]), banks()).rest_v[0])
    shown = sample_days(series(every, volts=25.6, amps=amps), banks())
    assert shown.rest_us[1] == (DAY0 + 1) * DAY_US + 11 * 3_600_000_000
    gap = every[(every < 20) | (every > 23)]
    assert np.isnan(sample_days(series(gap, volts=25.6, amps=0.0), banks()).rest_v[1])
    # Who does not measure the current does not know that nothing flowed.
    assert np.isnan(sample_days(series(every, volts=25.6), banks()).rest_v).all()


def test_the_current_at_which_a_bank_rests_is_a_thousandth_of_its_capacity() -> None:
    every = np.arange(0, 48, 1.0)
    assert sample_days(series(every, volts=25.6, amps=-0.2), banks(capacity_ah=200)).rest_v[1] == 25.6
    assert np.isnan(sample_days(series(every, volts=25.6, amps=-0.21), banks(capacity_ah=200)).rest_v[1])


@pytest.mark.parametrize(
    ("code", "cells", "held_v", "free_v"),
    [("vrla_gel", 12, 12 * 2.19, 12 * 2.17), ("lfp", 8, 8 * 3.46, 8 * 3.44), ("nmc", 7, 7 * 4.26, 7 * 4.19)],
)
def test_what_only_a_charger_holds_is_no_rest_voltage(
    code: str, cells: int, held_v: float, free_v: float
) -> None:
    every = np.arange(0, 48, 1.0)
    assert np.isnan(sample_days(series(every, volts=held_v, amps=0.0), banks(code, cells)).rest_v).all()
    assert sample_days(series(every, volts=free_v, amps=0.0), banks(code, cells)).rest_v[1] == pytest.approx(
        free_v
    )


def test_nickel_voltages_say_nothing() -> None:
    every = np.arange(0, 48, 1.0)
    assert np.isnan(sample_days(series(every, volts=25.0, amps=0.0), banks("nimh", 20)).rest_v).all()


def test_the_rested_voltage_of_a_day_is_its_middle_one_so_that_a_spike_says_nothing() -> None:
    every = np.arange(0, 48, 1.0)
    volts = np.where(every == 40, 23.0, 25.6)
    assert sample_days(series(every, volts=volts, amps=0.0), banks()).rest_v[1] == 25.6


def test_a_counter_counts_only_while_current_passed_lately() -> None:
    every = np.arange(0, 72, 1.0)
    amps = np.where(every == 5, -10.0, 0.0)
    days = sample_days(series(every, amps=amps, soc=0.9), banks())
    assert (days.counter_us >= 0).tolist() == [True, True, False]
    assert days.counter_us[1] == DAY0 * DAY_US + 29 * 3_600_000_000  # 24 h after the current
    assert (sample_days(series(every, amps=0.0, soc=1.0), banks()).counter_us == -1).all()


def weeks(**columns: Any) -> Any:
    n = len(columns["day"])
    given = {
        "rest_v": [NAN] * n,
        "counter_us": [-1] * n,
        "counter_soc": [NAN] * n,
        "synced_us": [-1] * n,
        **columns,
    }
    day = np.array(given.pop("day"))
    arrays = {
        name: np.array(value, dtype=float if name in ("rest_v", "counter_soc") else np.int64)
        for name, value in given.items()
    }
    return evidence(np.zeros(n, dtype=np.int64), day, **arrays)


def test_one_voltage_a_week_counts_the_lowest() -> None:
    monday = 4 + 7 * 2900
    assert (np.datetime64("1970-01-01") + monday).item().weekday() == 0
    found = weeks(day=[monday, monday + 3, monday + 6, monday + 7], rest_v=[25.5, 25.3, 25.4, 25.45])
    assert found.voltage.tolist() == [1, 3]
    assert weeks(day=[monday, monday + 1], rest_v=[25.3, 25.3]).voltage.tolist() == [0]


def test_a_counter_that_was_not_full_for_a_month_is_not_believed() -> None:
    at = [(20_000 + n) * DAY_US for n in (0, 30, 31)]
    found = weeks(
        day=[20_000, 20_030, 20_031],
        counter_us=at,
        counter_soc=[1.0, 0.8, 0.7],
        synced_us=[at[0], -1, -1],
    )
    assert found.counter.tolist() == [0, 1]
    assert not len(weeks(day=[20_000], counter_us=[at[0]], counter_soc=[0.8]).counter)


def logged(
    mean: list[float],
    low: Any = None,
    high: Any = None,
    day: Any = None,
    quarters: int = 4,
    expected: float = 15.0,
) -> LoggedDays:
    means = np.array(mean, dtype=float)
    n = len(means)
    return LoggedDays(
        bank=np.zeros(n, dtype=np.int64),
        day=np.arange(DAY0, DAY0 + n) if day is None else np.array(day),
        quarters=np.full(n, quarters),
        mean_c=means,
        low_c=means - 1 if low is None else np.array(low, dtype=float),
        high_c=means + 1 if high is None else np.array(high, dtype=float),
        expected_c=np.full(n, expected),
    )


def judged(
    days: LoggedDays,
    *,
    last_h: float = 1.0,
    seen: float | None = None,
    expected_min: float = 60.0,
    off: float = NAN,
) -> tuple[LoggerState, float]:
    at = float(days.day[-1]) + 0.5 if seen is None else seen
    told = logger_states(
        days,
        last_temp=np.array([at - last_h / 24.0]),
        expected_min=np.array([expected_min]),
        off=np.array([off]),
        seen=np.array([at]),
    )
    return LoggerState(int(told.state[0])), float(told.since[0])


def test_a_plausible_day_replaces_the_climate_once_it_is_over() -> None:
    days = logged([12, 13, 14])
    assert days.usable(DAY0 + 2.5).tolist() == [True, True, False]
    assert judged(days)[0] == LoggerState.LIVE


def test_a_logger_is_silent_after_three_of_its_intervals() -> None:
    days = logged([12, 13, 14])
    assert judged(days, last_h=3.0)[0] == LoggerState.LIVE
    state, since = judged(days, last_h=3.01)
    assert state == LoggerState.SILENT
    assert since == pytest.approx(DAY0 + 2.5 - 3.01 / 24)
    assert judged(days, last_h=3.01, expected_min=61)[0] == LoggerState.LIVE


def test_the_same_value_for_three_days_is_stuck_and_none_of_them_counts() -> None:
    flat = [12.0, 20.0, 20.0, 20.0]
    days = logged(flat, low=[11, 20, 20, 20], high=[13, 20, 20, 20])
    assert days.usable(DAY0 + 9).tolist() == [True, False, False, False]
    assert judged(days) == (LoggerState.STUCK, DAY0 + 1)
    two = logged(flat[:3], low=[11, 20, 20], high=[13, 20, 20])
    assert two.usable(DAY0 + 9).all()
    assert judged(two)[0] == LoggerState.LIVE
    # A day nobody logged in between, or another value, ends the stretch.
    apart = logged(
        flat, low=[11, 20, 20, 20], high=[13, 20, 20, 20], day=[DAY0, DAY0 + 1, DAY0 + 2, DAY0 + 4]
    )
    assert apart.usable(DAY0 + 9).all()
    moved = logged([20, 20, 21], low=[20, 20, 21], high=[20, 20, 21])
    assert moved.usable(DAY0 + 9).all()


def test_a_stuck_logger_that_moves_again_is_live_and_its_stuck_days_stay_out() -> None:
    days = logged([20, 20, 20, 18], low=[20, 20, 20, 17], high=[20, 20, 20, 19])
    assert judged(days)[0] == LoggerState.LIVE
    assert days.usable(DAY0 + 9).tolist() == [False, False, False, True]


@pytest.mark.parametrize(("mean", "fine"), [(40.0, True), (40.01, False), (-10.0, True), (-10.01, False)])
def test_further_than_25_kelvin_from_what_is_expected_there_is_implausible(mean: float, fine: bool) -> None:
    days = logged([14, mean])
    assert days.usable(DAY0 + 9).tolist() == [True, fine]
    assert (judged(days)[0] == LoggerState.LIVE) == fine


def test_where_no_climate_is_on_file_nothing_can_be_implausible() -> None:
    assert logged([44.0], expected=NAN).usable(DAY0 + 9).all()


def test_too_few_values_a_day_make_no_mean() -> None:
    assert not logged([14, 14], quarters=2).usable(DAY0 + 9).any()
    assert judged(logged([14, 14], quarters=2))[0] == LoggerState.SPARSE
    assert judged(logged([14, 14], quarters=3))[0] == LoggerState.LIVE


def test_never_a_temperature_and_taken_off() -> None:
    told = logger_states(
        logged([]),
        last_temp=np.array([NAN, NAN]),
        expected_min=np.array([60.0, 60.0]),
        off=np.array([NAN, DAY0 - 1.0]),
        seen=np.array([DAY0, DAY0], dtype=float),
    )
    assert told.state.tolist() == [LoggerState.NO_TEMPERATURE, LoggerState.OFF]
