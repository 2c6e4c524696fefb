"""What machine samples may say: which of their days replace the climate, and which few of them count as readings.

**Temperature.** A logged day replaces the climate where it is complete, has a temperature in at least three of its four
quarters, is not further from the climate than PLAUSIBLE_K, and is no part of a stuck stretch: STUCK_DAYS days or more in
which every value is the same. Any other day has the climate's monthly mean and the enclosure's heat allowance, at once.

**Charge state.** The errors of a meter repeat themselves, so thousands of samples are not thousands of readings. Of each
week (Monday to Sunday, UTC) one rested voltage counts, the lowest of its days: the end at which harm is done, so a bank that
sags is seen the day after. A counter counts, once a week and at its lowest, only while it can know: within
COUNTER_MOVED_H hours of a current through it, for it does not see self-discharge, and within SYNCED_DAYS days of having
shown full, for it drifts. What the chemistry's voltage may say at all, and the bands, are those of any reading
(`reading_values.py`).

The numbers are own rules (common practice, no published source); rest before a voltage counts is that of
`tables/battery_chemistries.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np

from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.sample_days import DAY_US

PLAUSIBLE_K = 25.0
STUCK_DAYS = 3
LEAST_QUARTERS = 3
SILENT_AFTER = 3.0
SYNCED_DAYS = 30.0
# 1970-01-05 was a Monday.
_FIRST_MONDAY = 4


class LoggerState(IntEnum):
    """How far a logger can be believed now, the gravest first that applies; only LIVE replaces the climate."""

    LIVE = 0
    OFF = 1
    NO_TEMPERATURE = 2
    SILENT = 3
    STUCK = 4
    IMPLAUSIBLE = 5
    SPARSE = 6


@dataclass(frozen=True)
class LoggedDays:
    """Temperatures of logged days, one row a bank and day, sorted by both. `bank` is a row number; `expected_c` what climate
    and allowance come to there on that day (NaN: no climate on file)."""

    bank: IntArray
    day: IntArray
    quarters: IntArray
    mean_c: FloatArray
    low_c: FloatArray
    high_c: FloatArray
    expected_c: FloatArray

    @property
    def stuck(self) -> BoolArray:
        """Days in a stretch of STUCK_DAYS or more, without a day between them missing, on which the value never moved."""
        same: BoolArray = np.isfinite(self.mean_c) & (self.low_c == self.high_c)
        if not len(self.bank):
            return same
        goes_on = np.r_[
            False,
            (np.diff(self.bank) == 0)
            & (np.diff(self.day) == 1)
            & same[1:]
            & same[:-1]
            & (np.diff(self.low_c) == 0),
        ]
        run = np.cumsum(~goes_on) - 1
        stuck: BoolArray = same & (np.bincount(run)[run] >= STUCK_DAYS)
        return stuck

    @property
    def implausible(self) -> BoolArray:
        far: BoolArray = np.abs(self.mean_c - self.expected_c) > PLAUSIBLE_K
        return far

    @property
    def sparse(self) -> BoolArray:
        return np.isfinite(self.mean_c) & (self.quarters < LEAST_QUARTERS)

    def usable(self, seen_day: Any) -> BoolArray:
        """Days that replace the climate, of those before `seen_day` (days since 1970, one or per row), which is not over."""
        whole = self.day < np.floor(np.asarray(seen_day, dtype=np.float64))
        usable: BoolArray = whole & np.isfinite(self.mean_c) & ~self.sparse & ~self.implausible & ~self.stuck
        return usable


@dataclass(frozen=True)
class LoggerStates:
    """Per logger: `state` (LoggerState), `since` the instant from which it holds (days since 1970; NaN not known),
    `value_c` the last daily mean [degC], `expected_c` what climate and allowance come to on that day."""

    state: IntArray
    since: FloatArray
    value_c: FloatArray
    expected_c: FloatArray


def silent_after_days(expected_min: Any) -> FloatArray:
    """Days without a new value after which a logger is silent: SILENT_AFTER times its expected interval."""
    return np.asarray(expected_min, dtype=np.float64) * SILENT_AFTER / 1440.0


def logger_states(
    days: LoggedDays, *, last_temp: FloatArray, expected_min: FloatArray, off: FloatArray, seen: FloatArray
) -> LoggerStates:
    """What is believed of each logger at `seen`; `days.bank` are its rows. Instants in days since 1970, NaN for none.

    `last_temp` its latest temperature up to then, `off` when it was taken off. Days after `seen` must not be in `days`.
    """
    count = len(last_temp)
    state = np.full(count, int(LoggerState.LIVE), dtype=np.int64)
    since = np.full(count, np.nan)
    value, expected = np.full(count, np.nan), np.full(count, np.nan)
    measured = np.flatnonzero(np.isfinite(days.mean_c))
    value[days.bank[measured]] = days.mean_c[measured]
    expected[days.bank[measured]] = days.expected_c[measured]
    whole = measured[days.day[measured] < np.floor(seen[days.bank[measured]])]
    last_whole = np.full(count, -1, dtype=np.int64)
    last_whole[days.bank[whole]] = whole
    latest = np.full(count, -1, dtype=np.int64)
    latest[days.bank[measured]] = measured
    for code, flags, at in (
        (LoggerState.SPARSE, days.sparse, last_whole),
        (LoggerState.IMPLAUSIBLE, days.implausible, latest),
        (LoggerState.STUCK, days.stuck, latest),
    ):
        bad = (at >= 0) & _flag_at(flags, at)
        state[bad] = int(code)
        since[bad] = _run_start(days, flags)[at[bad]]
    quiet_at = last_temp + silent_after_days(expected_min)
    silent = np.isfinite(last_temp) & (seen > quiet_at)
    state[silent], since[silent] = int(LoggerState.SILENT), last_temp[silent]
    never = ~np.isfinite(last_temp)
    state[never], since[never] = int(LoggerState.NO_TEMPERATURE), np.nan
    gone = np.isfinite(off) & (off <= seen)
    state[gone], since[gone] = int(LoggerState.OFF), off[gone]
    return LoggerStates(state, since, value, expected)


def _flag_at(flags: BoolArray, at: IntArray) -> BoolArray:
    return flags[np.maximum(at, 0)] if len(flags) else np.zeros(len(at), dtype=bool)


def _run_start(days: LoggedDays, flags: BoolArray) -> FloatArray:
    """The first day of the unbroken stretch of flagged rows that each row belongs to."""
    if not len(flags):
        return np.zeros(0)
    starts = np.r_[True, (np.diff(days.bank) != 0) | (flags[1:] != flags[:-1])]
    index = np.maximum.accumulate(np.where(starts, np.arange(len(flags)), 0))
    return days.day[index].astype(np.float64)


@dataclass(frozen=True)
class Evidence:
    """Which rows of the day table count as readings: indices, of a rested voltage and of a counter."""

    voltage: IntArray
    counter: IntArray


def evidence(
    bank: IntArray,
    day: IntArray,
    *,
    rest_v: FloatArray,
    counter_us: IntArray,
    counter_soc: FloatArray,
    synced_us: IntArray,
) -> Evidence:
    """The few days that count, of day rows sorted by bank and day: one voltage and one counter a bank and week at most."""
    week = (day - _FIRST_MONDAY) // 7
    synced = _latest_before(bank, synced_us)
    fresh = (counter_us >= 0) & (synced >= 0) & (counter_us - synced <= SYNCED_DAYS * DAY_US)
    return Evidence(
        _lowest(bank, week, np.where(np.isfinite(rest_v), rest_v, np.nan)),
        _lowest(bank, week, np.where(fresh, counter_soc, np.nan)),
    )


def _latest_before(bank: IntArray, at_us: IntArray) -> IntArray:
    """The latest instant of the same bank up to and with each row; -1 where there is none."""
    if not len(bank):
        return at_us
    index = np.maximum.accumulate(np.where(at_us >= 0, np.arange(len(bank)), -1))
    same = (index >= 0) & (bank[np.maximum(index, 0)] == bank)
    return np.where(same, at_us[np.maximum(index, 0)], -1)


def _lowest(bank: IntArray, week: IntArray, value: FloatArray) -> IntArray:
    """Index of the lowest value of each bank and week, the earliest of equal ones, in order of rows."""
    chosen = np.flatnonzero(np.isfinite(value))
    if not len(chosen):
        return chosen
    order = chosen[np.lexsort((chosen, value[chosen], week[chosen], bank[chosen]))]
    first = np.r_[True, (np.diff(bank[order]) != 0) | (np.diff(week[order]) != 0)]
    return np.sort(order[first])
