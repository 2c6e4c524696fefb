"""What a record teaches of a bank's own loss: completed charges, and readings as expected, far too low, far too high.

A step of `learning`, which says by which rules; magnitudes without a source are engineering assumptions that `back_test`
measures.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import BankEstimates, EventArrays, EventKind, Supply
from readiness.domain.fusion import (
    PESSIMISTIC_SIGMAS,
    SIGMA_AFTER_CHARGE,
    SIGMA_PER_LOSS,
    UNEXPLAINED_SIGMAS,
)
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.learning_course import (
    BIAS_SHARE,
    Course,
    LearningTerms,
    Way,
    count_in,
    drifts,
    first_bias,
    forget,
)
from readiness.domain.rate_filter import BIAS, SOC, Seen, Span, anchored, loosened, passed, seen, taken
from readiness.domain.reading_noise import Factors, Surprises
from readiness.domain.reading_values import LOADED_SIGMA_FACTOR, ReadingValues
from readiness.domain.rest_voltage import is_lead, is_lithium

# How well the Ah of a charge tell what was missing: a fixed part, and a share of what is missing.
CHARGE_SIGMA = {"lead": (0.06, 0.08), "lithium": (0.015, 0.03), "nickel": (0.06, 0.20)}
# Log-likelihood by which a reading must fit the alarm better than what it contradicted, to confirm it.
CONFIRMED_LOG_ODDS = 2.0


def take_in(
    course: Course,
    way: Way,
    rates: BankRates,
    events: EventArrays,
    values: ReadingValues,
    estimates: BankEstimates,
    at: IntArray,
    terms: LearningTerms,
    factors: Factors,
    surprises: Surprises,
) -> None:
    """Take in one record per bank; `at` are rows of the events, `course` holds those banks."""
    kind, bank, now = events.kind[at], events.bank[at], events.time[at]
    moved, supplied = kind == EventKind.SITE, kind == EventKind.SUPPLY
    forget(course, (moved | supplied) & course.floating)
    np.copyto(course.supply, int(Supply.UNKNOWN), where=moved & course.floating)
    np.copyto(course.site, events.site[at], where=moved)
    np.copyto(course.supply, events.supply[at], where=supplied)
    share = events.ah[at] / rates.capacity_ah[bank]
    _shift(course, kind == EventKind.USED, -share, 0.10)
    charged = kind == EventKind.CHARGE
    if charged.any():
        done = charged & estimates.completed[at]
        _shift(course, charged & ~done, share / rates.charge_factor[bank], 0.10)
        if done.any():
            _completed(course, rates, events, at, bank, now, done, terms)
    use = (kind >= EventKind.VOLTAGE) & values.usable[at] & (estimates.refusal[at] == 0)
    use &= ~values.only_up[at] & ~course.floating
    use &= ~(values.only_down[at] & ~(course.now.mean[:, SOC] > values.soc[at]))
    if use.any():
        volts = (kind == EventKind.VOLTAGE) & ~(rates.load(bank, course.supply) == 0.0)
        sigma = np.where(volts, LOADED_SIGMA_FACTOR * values.sigma[at], values.sigma[at])
        rows = np.flatnonzero(use)
        asked = _Readings(
            at[rows],
            rows,
            values.soc[at][rows],
            (1.0 - BIAS_SHARE) * np.square(sigma[rows] * factors.noise[at][rows]),
            kind[rows] - int(EventKind.VOLTAGE),
        )
        first_bias(course, rows, asked.way, factors.bias[at][rows], course.now, course.held)
        _read(course, way, asked, now, terms, surprises)


def _shift(course: Course, where: BoolArray, share: FloatArray, doubt: float) -> None:
    """So much of the capacity went in or out; unknown how much: the charge state is unknown."""
    forget(course, where & ~np.isfinite(share))
    at = np.flatnonzero(where & np.isfinite(share))
    for beliefs in (course.now, course.held):
        beliefs.mean[at, SOC] = np.clip(beliefs.mean[at, SOC] + share[at], 0.0, 1.0)
        beliefs.cov[at, SOC, SOC] += np.square(doubt * share[at] + 0.01)


def _completed(
    course: Course,
    rates: BankRates,
    events: EventArrays,
    at: IntArray,
    bank: IntArray,
    now: FloatArray,
    done: BoolArray,
    terms: LearningTerms,
) -> None:
    """A completed charge: the Ah it returned tell what was missing, and then the bank is full."""
    to_soc = events.to_soc[at]
    target = np.where(np.isnan(to_soc), 1.0, to_soc)
    missing = events.ah[at] / (rates.charge_factor[bank] * rates.capacity_ah[bank])
    told = np.flatnonzero(done & np.isfinite(missing) & course.known & ~course.floating)
    if told.size:
        part = course.now.take(told)
        value = target[told] - missing[told]
        what = seen(
            part,
            value,
            np.square(_charge_sigma(rates.chem[bank[told]], missing[told])),
            np.full(told.size, -1),
        )
        expected = target[told] - part.mean[:, SOC]
        with np.errstate(divide="ignore", invalid="ignore"):
            course.returned_share[told] = np.where(expected > 0.0, missing[told] / expected, np.nan)
        course.returned_sigmas[told] = -what.sigmas
        course.returned_at[told] = now[told]
        plain = np.abs(what.sigmas) <= UNEXPLAINED_SIGMAS
        if plain.any():
            rows = told[plain]
            _learn_plain(
                course, rows, _rows(what, plain), np.zeros(rows.size, dtype=np.bool_), now[rows], terms
            )
    rows = np.flatnonzero(done)
    left = target[rows] * (1.0 - rates.initial_drop[bank[rows]])
    sigma = SIGMA_AFTER_CHARGE + SIGMA_PER_LOSS * rates.initial_drop[bank[rows]] * target[rows]
    for beliefs in (course.now, course.held):
        beliefs.put(rows, anchored(beliefs.take(rows), left, sigma))
    course.charged[rows] = True


def _charge_sigma(chem: IntArray, missing: FloatArray) -> FloatArray:
    """Doubt of what a charge's Ah say was missing [1]."""
    lead, lithium = is_lead(chem), is_lithium(chem)
    fixed, share = (
        np.where(
            lead,
            CHARGE_SIGMA["lead"][n],
            np.where(lithium, CHARGE_SIGMA["lithium"][n], CHARGE_SIGMA["nickel"][n]),
        )
        for n in (0, 1)
    )
    doubt: FloatArray = fixed + share * np.maximum(missing, 0.0)
    return doubt


def _rows(what: Seen, at: BoolArray | IntArray) -> Seen:
    return Seen(what.gap[at], what.variance[at], what.pull[at])


def _learn_plain(
    course: Course, rows: IntArray, what: Seen, cut: BoolArray, now: FloatArray, terms: LearningTerms
) -> None:
    """An observation that agrees, as far as one can tell, with what is believed."""
    known = course.known[rows]
    course.evidence[rows] += np.where(known, what.log_likelihood(cut), 0.0)
    count_in(course, rows[known], now[known])
    course.now.put(rows, taken(course.now.take(rows), what, learns=terms.learns, cut=cut))


@dataclass(frozen=True)
class _Readings:
    """Readings taken in together: rows of the events and of the course, value, variance of the noise, and way."""

    event: IntArray
    row: IntArray
    value: FloatArray
    noise: FloatArray
    way: IntArray

    def take(self, at: BoolArray | IntArray) -> _Readings:
        return _Readings(*(getattr(self, f.name)[at] for f in fields(self)))


def _read(
    course: Course,
    walked: Way,
    asked: _Readings,
    now: FloatArray,
    terms: LearningTerms,
    surprises: Surprises,
) -> None:
    """Readings as expected, far too low (the alarm), or far too high."""
    what = seen(course.now.take(asked.row), asked.value, asked.noise, asked.way)
    _note_surprises(course, asked, what, surprises)
    course.read[asked.row, asked.way] += 1
    rows = asked.row
    known = course.known[rows]
    cut = asked.value >= 1.0
    low = known & ~cut & (what.sigmas < -UNEXPLAINED_SIGMAS) & terms.learns
    high = known & (what.sigmas > UNEXPLAINED_SIGMAS) & terms.learns
    doubt = np.flatnonzero(course.in_doubt[rows])
    if doubt.size:
        settled = _settle(course, asked.take(doubt), _rows(what, doubt), now)
        low[doubt[settled]] = high[doubt[settled]] = False
        plain = ~low & ~high
        plain[doubt[settled]] = False
    else:
        plain = ~low & ~high
    drifting = np.zeros_like(plain)
    told = np.flatnonzero(plain & known & ~cut & terms.learns)
    if told.size:
        drifting[told] = drifts(course, rows[told], what.sigmas[told])
        plain &= ~drifting
    if plain.any():
        _learn_plain(course, rows[plain], _rows(what, plain), cut[plain], now[rows[plain]], terms)
    if drifting.any():
        part = rows[drifting]
        course.evidence[part] += what.log_likelihood(cut)[drifting]
        course.drift_at[part] = now[part]
        _walk_again(course, walked, asked.take(drifting), now[part], terms)
    if low.any():
        part = rows[low]
        course.evidence[part] += what.log_likelihood(cut)[low]
        _raise_alarm(course, walked, asked.take(low), now[part], terms)
    if high.any():
        part = rows[high]
        bias = BIAS + asked.way[high]
        spread = np.sqrt(asked.noise[high] + course.now.cov[part, bias, bias])
        there = np.clip(asked.value[high] - course.now.mean[part, bias], 0.0, 1.0)
        course.now.put(part, anchored(course.now.take(part), there, spread))
        course.gain_at[part] = now[part]


def _note_surprises(course: Course, asked: _Readings, what: Seen, surprises: Surprises) -> None:
    """Keep what was expected of each reading, for the scatter of the fleet; not of what is cut off at empty or full."""
    plain = course.known[asked.row] & ~course.in_doubt[asked.row] & (asked.value > 0.0) & (asked.value < 1.0)
    rows, event, way = asked.row[plain], asked.event[plain], asked.way[plain]
    surprises.gap[event] = what.gap[plain]
    surprises.variance[event] = what.variance[plain]
    surprises.noise_var[event] = asked.noise[plain]
    surprises.bias_var[event] = course.now.cov[rows, BIAS + way, BIAS + way]
    surprises.first[event] = course.read[rows, way] == 0


def _raise_alarm(
    course: Course, walked: Way, asked: _Readings, now: FloatArray, terms: LearningTerms
) -> None:
    """Far too low: something changed since the last record."""
    rows = asked.row
    again = course.in_doubt[rows]
    course.confirmed_at[rows] = np.where(again, now, np.nan)
    fresh = rows[~again]
    course.held.put(fresh, course.now.take(fresh))
    course.alarm_at[rows] = np.where(again, course.alarm_at[rows], now)
    course.drift[rows] = 0.0
    _walk_again(course, walked, asked, now, terms)


def _walk_again(course: Course, walked: Way, asked: _Readings, now: FloatArray, terms: LearningTerms) -> None:
    """The span since the last record with the rates in doubt: the reading then says what they are."""
    rows = asked.row
    span = Span(*(getattr(walked.span, f.name)[rows] for f in fields(Span)))
    before = loosened(walked.before.take(rows), terms.alarm_log_scale_sigma, terms.alarm_draw_sigma)
    ahead = passed(before, span)
    course.now.put(rows, taken(ahead, seen(ahead, asked.value, asked.noise, asked.way)))
    count_in(course, rows, now)


def _settle(course: Course, asked: _Readings, what: Seen, now: FloatArray) -> BoolArray:
    """_Readings after an alarm: which of them disproved it (returned), by fitting what had been believed before.

    One that fits what was taken over clearly better confirms the alarm; otherwise both go on.
    """
    rows = asked.row
    held = course.held.take(rows)
    other = seen(held, asked.value, asked.noise, asked.way)
    cut = asked.value >= 1.0
    better = other.log_likelihood(cut) - what.log_likelihood(cut)
    disproved = (cut | (other.sigmas >= -PESSIMISTIC_SIGMAS)) & (better > 0.0)
    course.held.put(rows, taken(held, other, cut=cut))
    back = rows[disproved]
    course.now.put(back, course.held.take(back))
    course.alarm_at[back] = np.nan
    count_in(course, back, now[back])
    confirmed = ~disproved & (better < -CONFIRMED_LOG_ODDS)
    course.confirmed_at[rows[confirmed]] = now[rows[confirmed]]
    return disproved
