"""Temperature where banks stand, turned into cumulative tables that answer 'how much of a rate went by until t' at once.

A site (a depot and an enclosure in it) has the monthly mean of the air plus the enclosure's heat allowance and daily swing,
or, on days that were logged, the logged mean. Time is days since 1970-01-01 UTC; a month's mean holds for its calendar days,
so each table is piecewise linear between midnights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Self

import numpy as np

from readiness.domain.inputs import TEMP_MAX_C, TEMP_MIN_C, FloatArray, IntArray
from readiness.domain.self_discharge import pessimistic_factor, rate_factor
from readiness.domain.upkeep import interval_days

SWING_PHASES = np.sin(2.0 * np.pi * (np.arange(24) + 0.5) / 24.0)
DEFAULT_HEAT_C = 5.0


@dataclass(frozen=True)
class RateLaw:
    """Self-discharge over its reference rate, by one chemistry's doubling law, plain or pessimistic."""

    ref_c: float
    doubling_k: float
    pessimistic: bool = False

    def per_day(self, temp_c: FloatArray) -> FloatArray:
        law = pessimistic_factor if self.pessimistic else rate_factor
        factor: FloatArray = law(temp_c, ref_c=self.ref_c, doubling_k=self.doubling_k)
        return factor


@dataclass(frozen=True)
class IntervalLaw:
    """Part of the charge interval that one day uses up."""

    base_days: float
    base_c: float
    doubling_k: float
    cap_days: float

    def per_day(self, temp_c: FloatArray) -> FloatArray:
        allowed: FloatArray = interval_days(
            temp_c,
            base_days=self.base_days,
            base_c=self.base_c,
            doubling_k=self.doubling_k,
            cap_days=self.cap_days,
        )
        return 1.0 / allowed


Law = RateLaw | IntervalLaw


def _no_ints() -> IntArray:
    return np.zeros(0, dtype=np.int64)


def _no_floats() -> FloatArray:
    return np.zeros(0, dtype=np.float64)


@dataclass(frozen=True)
class Sites:
    """Where banks stand: one row a site.

    `month_mean_c` (sites, 12) is the air's monthly mean [degC], NaN where the place has no climate on file; `heat_c` and
    `swing_c` (sites) the enclosure's allowance and daily swing each way [K]. `log_*` are logged daily means [degC] of the
    place where the batteries stand; they replace the climate on their day (days since 1970-01-01).
    """

    month_mean_c: FloatArray
    heat_c: FloatArray
    swing_c: FloatArray
    log_site: IntArray = field(default_factory=_no_ints)
    log_day: IntArray = field(default_factory=_no_ints)
    log_mean_c: FloatArray = field(default_factory=_no_floats)

    @property
    def count(self) -> int:
        return int(self.month_mean_c.shape[0])

    def daily_mean_c(self, first_day: int, days: int) -> FloatArray:
        """Mean temperature (sites, days) where the batteries stand, from `first_day` on."""
        calendar = np.datetime64("1970-01-01") + np.arange(first_day, first_day + days)
        month = calendar.astype("datetime64[M]").astype(np.int64) % 12
        temps: FloatArray = self.month_mean_c[:, month] + self.heat_c[:, None]
        offset = self.log_day - first_day
        inside = (offset >= 0) & (offset < days)
        temps[self.log_site[inside], offset[inside]] = self.log_mean_c[inside]
        return temps


@dataclass(frozen=True)
class SiteDays:
    """The days of one site as its different temperature levels [degC] and which day has which."""

    levels_c: FloatArray
    which: IntArray
    swing_c: float

    @classmethod
    def of(cls, daily_mean_c: FloatArray, swing_c: float) -> Self:
        levels, which = np.unique(daily_mean_c, return_inverse=True)
        return cls(levels, which.ravel(), swing_c)

    def rates(self, law: Law) -> FloatArray:
        """Rate of each day with a sinusoidal daily swing: the mean of the law over the day, not the law of the mean."""
        phases = SWING_PHASES if self.swing_c else np.zeros(1)
        hours = np.clip(self.levels_c[:, None] + self.swing_c * phases[None, :], TEMP_MIN_C, TEMP_MAX_C)
        means: FloatArray = law.per_day(hours).mean(axis=1)
        return means[self.which]


class ThermalTables:
    """Cumulative rates per (law, site), and their first moments, on a daily grid.

    `total(row, t)` is the integral of the law's rate from the grid's start to `t`; `moment(row, t)` the integral of
    `(t - start) x rate`, which makes a rate that grows linearly with age exact. `row_of[law, site]` is -1 where the site has
    no climate.
    """

    def __init__(self, sites: Sites, laws: Sequence[Law], pairs: IntArray, first_day: int, days: int) -> None:
        self.start = float(first_day)
        self.days = days
        self.end = self.start + days
        self.row_of = np.full((max(len(laws), 1), max(sites.count, 1)), -1, dtype=np.int64)
        temps = sites.daily_mean_c(first_day, days)
        usable = [bool(np.isfinite(row).all()) for row in temps]
        wanted = [(law, site) for law, site in pairs.tolist() if usable[site]]
        known = {
            site: SiteDays.of(temps[site], float(sites.swing_c[site]))
            for site in {site for _, site in wanted}
        }
        self._width = days + 1
        totals = np.zeros((max(len(wanted), 1), self._width))
        moments = np.zeros_like(totals)
        middles = np.arange(days) + 0.5
        for row, (law, site) in enumerate(wanted):
            rates = known[site].rates(laws[law])
            np.cumsum(rates, out=totals[row, 1:])
            np.cumsum(rates * middles, out=moments[row, 1:])
            self.row_of[law, site] = row
        self._totals = totals.ravel()
        self._moments = moments.ravel()

    def total(self, row: IntArray, t: FloatArray) -> FloatArray:
        return self._read(self._totals, row, t)

    def aged(self, row: IntArray, t: FloatArray, level: FloatArray, slope: FloatArray) -> FloatArray:
        """Integral of `(level + slope x (t - start)) x rate` up to `t`."""
        at, share = self._place(row, t)
        low = level * self._totals[at] + slope * self._moments[at]
        high = level * self._totals[at + 1] + slope * self._moments[at + 1]
        return low + share * (high - low)

    def time_of(
        self,
        row: IntArray,
        since: FloatArray,
        amount: FloatArray,
        level: FloatArray,
        slope: FloatArray,
        load: FloatArray,
    ) -> FloatArray:
        """First time at which `aged` plus `load` per day has grown by `amount` since `since`; infinite beyond the grid.

        Exact for the piecewise linear tables: bisection for the day, then a straight line inside it.
        """
        goal = self.aged(row, since, level, slope) + load * (since - self.start) + amount
        base = row * self._width
        low = np.clip(np.floor(since - self.start).astype(np.int64), 0, self.days)
        high = np.full_like(low, self.days)

        def grown(day: IntArray) -> FloatArray:
            at = base + day
            sum_to_day: FloatArray = level * self._totals[at] + slope * self._moments[at] + load * day
            return sum_to_day

        for _ in range(max(1, int(self.days).bit_length())):
            middle = (low + high) // 2
            reached = grown(middle) >= goal
            high = np.where(reached, middle, high)
            low = np.where(reached, low, np.minimum(middle + 1, high))
        beyond = grown(high) < goal
        before = np.maximum(high - 1, 0)
        left, right = grown(before), grown(high)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(right > left, (goal - left) / (right - left), 1.0)
        found = self.start + before + np.clip(share, 0.0, 1.0)
        return np.where(beyond, np.inf, np.maximum(found, since))

    def _read(self, table: FloatArray, row: IntArray, t: FloatArray) -> FloatArray:
        at, share = self._place(row, t)
        low: FloatArray = table[at]
        high: FloatArray = table[at + 1]
        read: FloatArray = low + share * (high - low)
        return read

    def _place(self, row: IntArray, t: FloatArray) -> tuple[IntArray, FloatArray]:
        x = t - self.start
        day = np.clip(x.astype(np.int64), 0, self.days - 1)
        return row * self._width + day, x - day
