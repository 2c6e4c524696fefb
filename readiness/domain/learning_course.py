"""Where the learning of a fleet stands between two records: the doubt it starts with, and what time does to it.

A step of `learning`, which says by which rules; magnitudes without a source are engineering assumptions that `back_test`
measures.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import BankArrays, Supply
from readiness.domain.chemistry import chemistry_column
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.rate_filter import (
    BIAS,
    DRAW,
    LOG_SCALE,
    READING_WAYS,
    SIZE,
    SOC,
    UNKNOWN_VAR,
    Beliefs,
    Span,
    anchored,
    passed,
)
from readiness.domain.reading_values import METER_SIGMA_LITHIUM, METER_SIGMA_OTHER
from readiness.domain.rest_voltage import is_lithium

# The published low and high of a rate are taken as its 5 % and 95 % ends; a store 2 K off its climate is 14 % of a rate.
RANGE_SIGMAS = 2 * 1.645
SITE_TEMP_SIGMA = 0.14
# A draw that nobody wrote down: usually none; 0.3 % of the capacity in 30 days is one sigma. Where the draw was never
# measured it can be ten times that.
DRAW_SIGMA = 0.0001
UNKNOWN_DRAW_SIGMA = 0.003
# Share of a reading's variance that is the same each time it is taken in this way.
BIAS_SHARE = 0.75
# When a reading raises the alarm, something has changed: this much more doubt of the rates, from the last record on.
ALARM_LOG_SCALE_SIGMA = 0.8
ALARM_DRAW_SIGMA = 0.002
# Surprises that are small one by one and all to the same side: a one-sided cumulative sum (Page 1954) of the surprises in
# their own sigmas, with the textbook allowance of half a sigma and limit of four. Beyond it the rates have changed.
DRIFT_ALLOWANCE_SIGMAS = 0.5
DRIFT_LIMIT_SIGMAS = 4.0
DRIFT_CUT_SIGMAS = 3.0


@dataclass(frozen=True)
class LearningTerms:
    """What may be changed for a comparison: `learns` off leaves the published rates as they are, with their doubt.

    `draw_sigma` [1/d] and `log_scale_sigma` replace the doubt before the first record where given (None: the defaults);
    `alarm_draw_sigma` and `alarm_log_scale_sigma` are how far an alarm loosens each.
    """

    learns: bool = True
    draw_sigma: float | None = None
    log_scale_sigma: float | None = None
    alarm_draw_sigma: float = ALARM_DRAW_SIGMA
    alarm_log_scale_sigma: float = ALARM_LOG_SCALE_SIGMA


DEFAULT_TERMS = LearningTerms()


@dataclass
class Course:
    """Where the replay stands, a row a bank; `held` is what was believed before an open alarm, running on."""

    now: Beliefs
    held: Beliefs
    t: FloatArray
    site: IntArray
    supply: IntArray
    alarm_at: FloatArray
    confirmed_at: FloatArray
    gain_at: FloatArray
    first_at: FloatArray
    last_at: FloatArray
    charged: BoolArray
    count: IntArray
    evidence: FloatArray
    returned_share: FloatArray
    returned_sigmas: FloatArray
    returned_at: FloatArray
    read: IntArray
    bias_var: FloatArray
    drift: FloatArray
    drift_at: FloatArray

    def take(self, at: IntArray) -> Course:
        return Course(**{f.name: _part(getattr(self, f.name), at) for f in fields(self)})

    def put(self, at: IntArray, part: Course) -> None:
        for column in fields(self):
            whole, mine = getattr(self, column.name), getattr(part, column.name)
            if isinstance(whole, Beliefs):
                whole.put(at, mine)
            else:
                whole[at] = mine

    @property
    def in_doubt(self) -> BoolArray:
        """An alarm is open that nothing has confirmed or disproved."""
        return np.isfinite(self.alarm_at) & np.isnan(self.confirmed_at)

    @property
    def known(self) -> BoolArray:
        return self.now.cov[:, SOC, SOC] < 0.5 * UNKNOWN_VAR

    @property
    def floating(self) -> BoolArray:
        return np.isin(self.supply, (int(Supply.FLOAT), int(Supply.OWN_ARRAY)))


def _part(value: Any, at: IntArray) -> Any:
    return value.take(at) if isinstance(value, Beliefs) else value[at]


def beginning(banks: BankArrays, first: FloatArray, terms: LearningTerms) -> Course:
    count, chem = len(banks), banks.chem
    low, high = chemistry_column("sd_pct_month_low")[chem], chemistry_column("sd_pct_month_high")[chem]
    published = np.hypot(np.log(high / low) / RANGE_SIGMAS, SITE_TEMP_SIGMA)
    draw = np.where(np.isnan(banks.standby_ma), UNKNOWN_DRAW_SIGMA, DRAW_SIGMA)
    mean = np.zeros((count, SIZE))
    mean[:, SOC] = 0.5
    cov = np.zeros((count, SIZE, SIZE))
    cov[:, SOC, SOC] = UNKNOWN_VAR
    sigma = published if terms.log_scale_sigma is None else np.full(count, terms.log_scale_sigma)
    cov[:, LOG_SCALE, LOG_SCALE] = np.square(sigma)
    cov[:, DRAW, DRAW] = np.square(draw if terms.draw_sigma is None else terms.draw_sigma)
    ocv = chemistry_column("ocv_sigma_soc")[chem]
    volts = np.where(np.isnan(ocv), METER_SIGMA_OTHER, ocv)
    meter = np.where(is_lithium(chem), METER_SIGMA_LITHIUM, METER_SIGMA_OTHER)
    for way, whole in enumerate((volts, volts, meter)):
        cov[:, BIAS + way, BIAS + way] = BIAS_SHARE * np.square(whole)

    def column(value: float) -> FloatArray:
        return np.full(count, value)

    return Course(
        now=Beliefs(mean, cov),
        held=Beliefs(mean.copy(), cov.copy()),
        t=first.copy(),
        site=banks.site.copy(),
        supply=np.zeros(count, dtype=np.int64),
        alarm_at=column(np.nan),
        confirmed_at=column(np.nan),
        gain_at=column(np.nan),
        first_at=column(np.nan),
        last_at=column(np.nan),
        charged=np.zeros(count, dtype=bool),
        count=np.zeros(count, dtype=np.int64),
        evidence=column(0.0),
        returned_share=column(np.nan),
        returned_sigmas=column(np.nan),
        returned_at=column(np.nan),
        read=np.zeros((count, READING_WAYS), dtype=np.int64),
        drift=column(0.0),
        drift_at=column(np.nan),
        bias_var=np.stack([cov[:, BIAS + way, BIAS + way] for way in range(READING_WAYS)], axis=1),
    )


def _span(course: Course, rates: BankRates, bank: IntArray, until: FloatArray) -> tuple[Span, BoolArray]:
    """What passes until then, and where it cannot be told (no climate)."""
    days = np.maximum(until - course.t, 0.0)
    published = rates.published(bank, course.site, course.t, until)
    blind = np.isnan(published) & (days > 0.0)
    drawn = rates.load(bank, course.supply) * days
    resting = course.floating
    published = np.where(resting | np.isnan(published), 0.0, published)
    drawn = np.where(resting | np.isnan(drawn), 0.0, drawn)
    return Span(published, drawn, np.where(resting, 0.0, days), rates.first_order[bank]), blind


@dataclass(frozen=True)
class Way:
    """A span that was walked: what was believed before it, and what passed, should an alarm ask to look again."""

    before: Beliefs
    span: Span


def advanced(course: Course, rates: BankRates, bank: IntArray, until: FloatArray) -> tuple[Course, Way]:
    span, blind = _span(course, rates, bank, until)
    held = course.held
    running = np.flatnonzero(course.in_doubt)
    if running.size:
        part = Span(*(getattr(span, f.name)[running] for f in fields(Span)))
        held = Beliefs(held.mean.copy(), held.cov.copy())
        held.put(running, passed(course.held.take(running), part))
    ahead = replace(course, now=passed(course.now, span), held=held, t=until.copy())
    forget(ahead, blind)
    return ahead, Way(course.now, span)


def forget(course: Course, where: BoolArray) -> None:
    """The charge state is not known any more; what was learnt stays."""
    at = np.flatnonzero(where)
    if at.size:
        unknown, open_ = np.full(at.size, 0.5), np.full(at.size, np.sqrt(UNKNOWN_VAR))
        for beliefs in (course.now, course.held):
            beliefs.put(at, anchored(beliefs.take(at), unknown, open_))


def first_bias(course: Course, rows: IntArray, way: IntArray, factor: FloatArray, *beliefs: Beliefs) -> None:
    """Before the first reading of a bank in some way, the doubt of its bias is what the fleet has shown of it."""
    fresh = course.read[rows, way] == 0
    at, bias = rows[fresh], BIAS + way[fresh]
    for part in beliefs:
        part.cov[at, bias, bias] = course.bias_var[at, way[fresh]] * np.square(factor[fresh])


def drifts(course: Course, rows: IntArray, sigmas: FloatArray) -> BoolArray:
    """Add surprises (negative: less charge than expected) to the sums of these rows; returns which passed the limit."""
    step = np.clip(-sigmas, -DRIFT_CUT_SIGMAS, DRIFT_CUT_SIGMAS) - DRIFT_ALLOWANCE_SIGMAS
    course.drift[rows] = np.maximum(course.drift[rows] + step, 0.0)
    beyond: BoolArray = course.drift[rows] > DRIFT_LIMIT_SIGMAS
    course.drift[rows[beyond]] = 0.0
    return beyond


def count_in(course: Course, rows: IntArray, now: FloatArray) -> None:
    course.count[rows] += 1
    course.first_at[rows] = np.fmin(course.first_at[rows], now)
    course.last_at[rows] = now
