"""What the samples of a bank on one day come to: the day's temperature, its rested voltage, and what its counter showed.

A day is worked out from the samples of that day and of the two before it, and from nothing else, in whatever order they
came.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np

from readiness.domain.chemistry import chemistry_column
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.rest_voltage import LEAD_SURFACE_CHARGE_V_CELL, is_lead, is_lfp, is_nickel
from readiness.domain.samples import VALUES, Series

DAY_US = 86_400_000_000
HOUR_US = 3_600_000_000
# Days before a day whose samples bear on it, and days after it on which its own bear.
REACH_DAYS = 2
# Hours of rest that are told at most: less than the reach, so that no day knows more than it may.
MOST_REST_H = 36.0
# Longer without a sample, and a load or a charger may have run unseen (own rule).
REST_GAP_H = 2.0
# Current at or under which a bank counts as resting, as a share of its capacity per hour: C/1000, which takes a day to move
# 2.4 % of it (common practice, no source).
REST_C = 0.001
COUNTER_MOVED_H = 24.0
COUNTER_FULL = 0.995
# A voltage that only a charger or surface charge holds is no rest voltage, whatever the current said.
LFP_HELD_V_CELL = 3.45
OTHER_HELD_V_CELL = 4.25


@dataclass(frozen=True)
class Banks:
    """The banks concerned, sorted by `pk`: index into the chemistry table, cells in series, capacity [Ah]."""

    pk: IntArray
    chem: IntArray
    cells: FloatArray
    capacity_ah: FloatArray


@dataclass(frozen=True)
class SampleDays:
    """One row a bank and day. Instants are microseconds since 1970 UTC, -1 where there is none; values NaN where none."""

    bank: IntArray
    day: IntArray
    samples: IntArray
    last_us: IntArray
    temps: IntArray
    quarters: IntArray
    last_temp_us: IntArray
    mean_c: FloatArray
    low_c: FloatArray
    high_c: FloatArray
    rest_us: IntArray
    rest_v: FloatArray
    rest_c: FloatArray
    rest_h: FloatArray
    counter_us: IntArray
    counter_soc: FloatArray
    synced_us: IntArray

    def __len__(self) -> int:
        return len(self.bank)

    def take(self, index: Any) -> Self:
        return type(self)(**{column.name: getattr(self, column.name)[index] for column in fields(self)})


def days_touched(series: Series) -> tuple[IntArray, IntArray]:
    """(bank, day) pairs, sorted, that samples of this series bear on: their own days and the two after."""
    day = series.at_us // DAY_US
    reach = np.arange(REACH_DAYS + 1)
    both = np.unique(
        np.stack([np.repeat(series.bank, len(reach)), (day[:, None] + reach[None, :]).ravel()], axis=1),
        axis=0,
    )
    return both[:, 0], both[:, 1]


def sample_days(series: Series, banks: Banks) -> SampleDays:
    """All days in the series. Right for a day only if the series holds all samples of it and of the two days before."""
    bank, at = series.bank, series.at_us
    volts, amps, temp, soc, _ = (series.values[:, n] for n in range(len(VALUES)))
    day = at // DAY_US
    new_day = (
        np.r_[True, (np.diff(bank) != 0) | (np.diff(day) != 0)] if len(bank) else np.zeros(0, dtype=bool)
    )
    group = np.cumsum(new_day) - 1
    count = int(new_day.sum())
    first = np.flatnonzero(new_day)
    who = np.searchsorted(banks.pk, bank)
    still_a = REST_C * banks.capacity_ah[who]
    rest_h = _rest_hours(bank, at, np.abs(amps) <= still_a)
    rested = _rested(banks, who, volts, rest_h)
    moved_us = _last(bank, at, np.abs(amps) > still_a)
    counted = np.isfinite(soc) & (moved_us >= 0) & (at - moved_us <= COUNTER_MOVED_H * HOUR_US)
    has_temp = np.isfinite(temp)
    temps = np.bincount(group, weights=has_temp, minlength=count).astype(np.int64)
    total = np.bincount(group, weights=np.where(has_temp, temp, 0.0), minlength=count)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, group[has_temp], temp[has_temp])
    np.maximum.at(high, group[has_temp], temp[has_temp])
    none = temps == 0
    quarter = (at % DAY_US) // (DAY_US // 4)
    seen = np.zeros((count, 4), dtype=bool)
    seen[group[has_temp], quarter[has_temp]] = True
    at_rest = _last_of(group, count, rested)
    at_counter = _last_of(group, count, counted)
    return SampleDays(
        bank=bank[first],
        day=day[first],
        samples=np.bincount(group, minlength=count).astype(np.int64),
        last_us=_at(at, _last_of(group, count, np.ones(len(at), dtype=bool))),
        temps=temps,
        quarters=seen.sum(axis=1).astype(np.int64),
        last_temp_us=_at(at, _last_of(group, count, has_temp)),
        mean_c=np.where(none, np.nan, np.round(total / np.maximum(temps, 1), 9)),
        low_c=np.where(none, np.nan, low),
        high_c=np.where(none, np.nan, high),
        rest_us=_at(at, at_rest),
        rest_v=_median(group, count, volts, rested),
        rest_c=_mean(group, count, temp, rested & has_temp),
        rest_h=_of(np.minimum(rest_h, MOST_REST_H), at_rest),
        counter_us=_at(at, at_counter),
        counter_soc=_of(soc, at_counter),
        synced_us=_at(at, _last_of(group, count, soc >= COUNTER_FULL)),
    )


def _rest_hours(bank: IntArray, at: IntArray, still: BoolArray) -> FloatArray:
    """Hours since which nothing flowed, at every sample; 0 where current flows or nobody measured it."""
    if not len(bank):
        return np.zeros(0)
    broken = ~still | np.r_[True, (np.diff(bank) != 0) | (np.diff(at) > REST_GAP_H * HOUR_US)]
    # A run begins with its first still sample: what flowed before that one is not known.
    begins = np.where(broken, np.arange(len(at)) + ~still, 0)
    start = np.minimum(np.maximum.accumulate(begins), len(at) - 1)
    hours = (at - at[start]) / HOUR_US
    return np.where(still, np.maximum(hours, 0.0), 0.0)


def _rested(banks: Banks, who: IntArray, volts: FloatArray, rest_h: FloatArray) -> BoolArray:
    """Samples whose voltage says something of the charge state: rested as the chemistry asks, held by no charger."""
    chem = banks.chem[who]
    needed = chemistry_column("ocv_rest_min_h")[chem]
    held = np.where(
        is_lead(chem),
        LEAD_SURFACE_CHARGE_V_CELL,
        np.where(is_lfp(chem), LFP_HELD_V_CELL, OTHER_HELD_V_CELL),
    )
    per_cell = volts / banks.cells[who]
    return np.isfinite(per_cell) & (per_cell <= held) & (rest_h >= needed - 1e-6) & ~is_nickel(chem)


def _last(bank: IntArray, at: IntArray, where: BoolArray) -> IntArray:
    """The instant of the latest sample of the same bank, up to each, at which `where` holds; -1 if there is none."""
    if not len(bank):
        return np.zeros(0, dtype=np.int64)
    index = np.maximum.accumulate(np.where(where, np.arange(len(at)), -1))
    same = (index >= 0) & (bank[np.maximum(index, 0)] == bank)
    return np.where(same, at[np.maximum(index, 0)], -1)


def _last_of(group: IntArray, count: int, where: BoolArray) -> IntArray:
    """Index of the last sample of each group at which `where` holds; -1 if none."""
    out = np.full(count, -1, dtype=np.int64)
    chosen = np.flatnonzero(where)
    np.maximum.at(out, group[chosen], chosen)
    return out


def _at(at: IntArray, index: IntArray) -> IntArray:
    return np.where(index >= 0, at[np.maximum(index, 0)], -1) if len(at) else index


def _of(values: FloatArray, index: IntArray) -> FloatArray:
    return (
        np.where(index >= 0, values[np.maximum(index, 0)], np.nan)
        if len(values)
        else index.astype(np.float64)
    )


def _mean(group: IntArray, count: int, values: FloatArray, where: BoolArray) -> FloatArray:
    number = np.bincount(group[where], minlength=count)
    total = np.bincount(group[where], weights=values[where], minlength=count)
    return np.where(number > 0, np.round(total / np.maximum(number, 1), 9), np.nan)


def _median(group: IntArray, count: int, values: FloatArray, where: BoolArray) -> FloatArray:
    """The middle one of each group's values, of two the lower one; NaN where there is none."""
    chosen = np.flatnonzero(where)
    order = chosen[np.lexsort((values[chosen], group[chosen]))]
    number = np.bincount(group[order], minlength=count)
    start = np.cumsum(number) - number
    middle = np.minimum(start + (number - 1) // 2, max(len(order) - 1, 0))
    return np.where(number > 0, values[order][middle], np.nan) if len(order) else np.full(count, np.nan)
