"""What the records of each bank say of its own loss: self-discharge and standby draw, learnt from readings and charges.

The published rate is where it starts; every usable reading, and the Ah that a completed charge returned, move it
(`rate_filter`), with the temperature and the age taken out. Refused readings, with their reason, are those of
`charge_state`: the impossible, the not rested, the plateau teach nothing.

A reading far below the prediction is the alarm: it is taken as it is and the rate with it, and both are planned on until a
later observation disproves them by fitting the prediction that ran on beside. A reading far above it is no proof that the
bank keeps well: somebody may have charged it; the charge state follows, the rate does not.

`with_learning` hands the result to `charge_state.estimate`, whose dates stay under the calendar rule and the maker's limit:
learning may bring a due date forward freely, and put it off only as far as those.

References: state equation and laws as in `charge_state`; filter as in `rate_filter`; magnitudes without a source are
engineering assumptions that `back_test` measures.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np

from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, EventKind, Supply
from readiness.domain.charge_state import estimate, ranks
from readiness.domain.chemistry import chemistry_column
from readiness.domain.fusion import (
    PESSIMISTIC_SIGMAS,
    SIGMA_AFTER_CHARGE,
    SIGMA_PER_LOSS,
    UNEXPLAINED_SIGMAS,
)
from readiness.domain.inputs import DAYS_PER_MONTH, BoolArray, FloatArray, IntArray
from readiness.domain.rate_filter import (
    BIAS,
    DRAW,
    LOG_SCALE,
    READING_WAYS,
    SIZE,
    SOC,
    UNKNOWN_VAR,
    Beliefs,
    Seen,
    Span,
    anchored,
    loosened,
    passed,
    seen,
    taken,
)
from readiness.domain.reading_noise import Factors, NoiseHistory, Surprises
from readiness.domain.reading_values import (
    LOADED_SIGMA_FACTOR,
    METER_SIGMA_LITHIUM,
    METER_SIGMA_OTHER,
    ReadingValues,
    values_of_readings,
)
from readiness.domain.rest_voltage import is_lead, is_lithium
from readiness.domain.thermal import Sites

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
# How well the Ah of a charge tell what was missing: a fixed part, and a share of what is missing.
CHARGE_SIGMA = {"lead": (0.06, 0.08), "lithium": (0.015, 0.03), "nickel": (0.06, 0.20)}
# Log-likelihood by which a reading must fit the alarm better than what it contradicted, to confirm it.
CONFIRMED_LOG_ODDS = 2.0
LEAST_TOTAL_SHARE = 0.1
LEAST_LOSS_SIGMA = 0.15
MOST_LOSS_SIGMA = 1.0


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
class _Course:
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

    def take(self, at: IntArray) -> _Course:
        return _Course(**{f.name: _part(getattr(self, f.name), at) for f in fields(self)})

    def put(self, at: IntArray, part: _Course) -> None:
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


@dataclass(frozen=True)
class Learned:
    """What was learnt of each bank (rows as in `BankArrays`); bands are the 80 % ends, 1.28 sigma each way.

    `scale`, `scale_low`, `scale_high`: self-discharge over the published rate [1]; `sd_pct_month` the rate itself at the
    chemistry's reference temperature and the bank's age then [% per 30 d]. `draw_pct_month` a draw beside the recorded one
    [% per 30 d], `draw_ma` the same [mA]. `total_pct_month` with `total_low`, `total_high`: both, and the recorded draw (NaN
    while that counts and is not known); `published_pct_month` what the total would be without learning;
    `log_total_sigma` the sigma of its logarithm. `loss_sigma` the doubt of a predicted loss as its share.
    `count` observations that taught something, from `first_at` to `last_at` (days since 1970). `alarm_at`: a reading far
    below the prediction that nothing has disproved; `confirmed_at` when another agreed with it; `gain_at` the last one far
    above. `returned_share` Ah returned by the last completed charge over what was missing [1], `returned_sigmas` how far off
    that is in its own sigmas (positive: more came back), at `returned_at`. `bias` (n, 3) of voltage, gravity and meter
    readings [1]. `evidence` log-likelihood of the readings. `refusal` per event, index into `READING_REFUSALS`.
    """

    scale: FloatArray
    scale_low: FloatArray
    scale_high: FloatArray
    sd_pct_month: FloatArray
    draw_pct_month: FloatArray
    draw_low: FloatArray
    draw_high: FloatArray
    draw_ma: FloatArray
    total_pct_month: FloatArray
    total_low: FloatArray
    total_high: FloatArray
    published_pct_month: FloatArray
    loss_sigma: FloatArray
    log_total_sigma: FloatArray
    bias: FloatArray
    count: IntArray
    first_at: FloatArray
    last_at: FloatArray
    charged: BoolArray
    alarm_at: FloatArray
    confirmed_at: FloatArray
    gain_at: FloatArray
    returned_share: FloatArray
    returned_sigmas: FloatArray
    returned_at: FloatArray
    evidence: FloatArray
    refusal: IntArray

    def __len__(self) -> int:
        return len(self.scale)


@dataclass(frozen=True)
class Predicted:
    """What a reading is expected to show: `value` and `sigma` [1] per bank and instant; NaN where nothing is known.

    `soc`, `soc_sigma` the charge state behind it, without the noise and the bias of a reading.
    """

    value: FloatArray
    sigma: FloatArray
    soc: FloatArray
    soc_sigma: FloatArray


@dataclass(frozen=True)
class _Replay:
    rates: BankRates
    course: _Course
    estimates: BankEstimates
    surprises: Surprises


def learn(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: Any,
    *,
    noise: NoiseHistory | None = None,
    terms: LearningTerms = DEFAULT_TERMS,
) -> Learned:
    """What the records up to `as_of` (days since 1970-01-01 UTC, one or per bank) say of every bank's own loss.

    `noise` is how readings scatter in the fleet (`noise_of_fleet`); without it the published doubt of a reading counts. Work
    grows with the most eventful bank; one bank is the fleet of length one.
    """
    asked = _per_bank(as_of, len(banks))
    replay = _replay(
        banks, events, sites, asked, terms, 1, _factors(noise, banks, events, asked[events.bank])
    )
    return _told(banks, replay)


def noise_of_fleet(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: Any,
    *,
    passes: int = 3,
    terms: LearningTerms = DEFAULT_TERMS,
) -> NoiseHistory:
    """How readings scatter in this fleet, as it could be known at each instant up to `as_of`.

    Each pass replays the records with the scatter that the pass before would have known at each of them.
    """
    group = _group(banks, events)
    factors = Factors.plain(len(events))
    history = None
    for _ in range(max(passes, 1)):
        if history is not None:
            factors = history.at(group, events.time)
        replay = _replay(banks, events, sites, as_of, terms, 1, factors)
        history = NoiseHistory.of(replay.surprises, factors, group, events.time)
    assert history is not None
    return history


def _group(banks: BankArrays, events: EventArrays) -> IntArray:
    """Group of each reading in a `NoiseHistory`; -1 for what is no reading."""
    way = events.kind - int(EventKind.VOLTAGE)
    return np.where(way >= 0, banks.chem[events.bank] * READING_WAYS + way, -1)


def _factors(
    noise: NoiseHistory | None, banks: BankArrays, events: EventArrays, known_at: FloatArray
) -> Factors:
    """What every reading's doubt is multiplied by, as known at `known_at` (per event)."""
    return Factors.plain(len(events)) if noise is None else noise.at(_group(banks, events), known_at)


def predict(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: Any,
    at: Any,
    way: IntArray,
    sigma: FloatArray,
    *,
    noise: NoiseHistory | None = None,
    terms: LearningTerms = DEFAULT_TERMS,
) -> Predicted:
    """What a reading of each bank at `at` (days since 1970, one per bank) will show, from the records up to `as_of` only.

    `way` 0 voltage, 1 gravity, 2 meter; `sigma` [1] the whole doubt of one such reading. Nothing is charged or
    moved between.
    """
    asked = _per_bank(at, len(banks))
    known_until = _per_bank(as_of, len(banks))
    longest = int(np.ceil(np.max(asked - known_until, initial=0.0))) + 1
    factors = _factors(noise, banks, events, known_until[events.bank])
    replay = _replay(banks, events, sites, as_of, terms, max(longest, 1), factors)
    course, rates = replay.course, replay.rates
    everyone = np.arange(len(banks), dtype=np.int64)
    ahead = _advanced(course, rates, everyone, asked)[0].now
    group = banks.chem * READING_WAYS + way
    ahead_of = Factors.plain(len(banks)) if noise is None else noise.at(group, known_until)
    _first_bias(course, everyone, way, ahead_of.bias, ahead)
    noise_var = (1.0 - BIAS_SHARE) * np.square(sigma * ahead_of.noise)
    what = seen(ahead, np.zeros(len(banks)), noise_var, way)
    soc_var = ahead.cov[:, SOC, SOC]
    known = (soc_var < 0.5 * UNKNOWN_VAR) & ~course.floating
    return Predicted(
        value=np.where(known, -what.gap, np.nan),
        sigma=np.where(known, np.sqrt(what.variance), np.nan),
        soc=np.where(known, ahead.mean[:, SOC], np.nan),
        soc_sigma=np.where(known, np.sqrt(soc_var), np.nan),
    )


def with_learning(banks: BankArrays, learned: Learned) -> BankArrays:
    """The banks with their own learnt rates, for `charge_state.estimate`: the forecast then goes by them.

    A bank that taught nothing keeps the published rate. One that never had a completed charge has no calendar rule running,
    which a low rate could outlive: it is never taken to lose less, nor to be better known, than published. The interval
    itself is not touched, so no date moves past the calendar or the maker's limit. While an alarm is open the doubt is not
    smaller than before it either.
    """
    per_day = _published_per_day(banks)
    draw = learned.draw_pct_month / 100.0 / DAYS_PER_MONTH
    # A draw below nothing only says that the rest is smaller: it is taken off the self-discharge, never below a tenth of it.
    folded = learned.scale + np.minimum(draw, 0.0) / np.where(per_day > 0.0, per_day, np.inf)
    scale, hidden = np.maximum(folded, 0.1 * learned.scale), np.maximum(draw, 0.0)
    doubt = learned.loss_sigma
    uncapped = ~learned.charged
    scale = np.where(uncapped, np.maximum(scale, 1.0), scale)
    wary = uncapped | np.isfinite(learned.alarm_at)
    doubt = np.where(wary, np.maximum(doubt, SIGMA_PER_LOSS), doubt)
    taught = learned.count > 0
    return replace(
        banks,
        rate_scale=np.where(taught, banks.rate_scale * scale, banks.rate_scale),
        hidden_per_day=np.where(taught, banks.hidden_per_day + hidden, banks.hidden_per_day),
        loss_sigma=np.where(taught, doubt, banks.loss_sigma),
    )


def _per_bank(value: Any, count: int) -> FloatArray:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)))


def _published_per_day(banks: BankArrays) -> FloatArray:
    """The stated self-discharge of each bank at its reference temperature when new [1/d]."""
    table = chemistry_column("sd_pct_month_ref")[banks.chem]
    return np.where(np.isnan(banks.pct_month), table, banks.pct_month) / 100.0 / DAYS_PER_MONTH


def _replay(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: Any,
    terms: LearningTerms,
    horizon_days: int,
    factors: Factors,
) -> _Replay:
    asked = _per_bank(as_of, len(banks))
    estimates = estimate(banks, events, sites, asked)
    values = values_of_readings(banks, events)
    order = events.in_order()
    order = order[events.time[order] <= asked[events.bank[order]]]
    first = asked.copy()
    np.minimum.at(first, events.bank[order], events.time[order])
    rates = BankRates.build(banks, events, sites, first, asked, horizon_days)
    course = _beginning(banks, first, terms)
    surprises = Surprises.none(len(events))
    if order.size:
        by_rank, edges = ranks(events.bank[order])
        rows = order[by_rank]
        for begin, end in pairwise(edges.tolist()):
            at = rows[begin:end]
            bank = events.bank[at]
            part, way = _advanced(course.take(bank), rates, bank, events.time[at])
            _take_in(part, way, rates, events, values, estimates, at, terms, factors, surprises)
            course.put(bank, part)
    return _Replay(rates, course, estimates, surprises)


def _beginning(banks: BankArrays, first: FloatArray, terms: LearningTerms) -> _Course:
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

    return _Course(
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
        bias_var=np.stack([cov[:, BIAS + way, BIAS + way] for way in range(READING_WAYS)], axis=1),
    )


def _span(course: _Course, rates: BankRates, bank: IntArray, until: FloatArray) -> tuple[Span, BoolArray]:
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
class _Way:
    """A span that was walked: what was believed before it, and what passed, should an alarm ask to look again."""

    before: Beliefs
    span: Span


def _advanced(course: _Course, rates: BankRates, bank: IntArray, until: FloatArray) -> tuple[_Course, _Way]:
    span, blind = _span(course, rates, bank, until)
    held = course.held
    running = np.flatnonzero(course.in_doubt)
    if running.size:
        part = Span(*(getattr(span, f.name)[running] for f in fields(Span)))
        held = Beliefs(held.mean.copy(), held.cov.copy())
        held.put(running, passed(course.held.take(running), part))
    ahead = replace(course, now=passed(course.now, span), held=held, t=until.copy())
    _forget(ahead, blind)
    return ahead, _Way(course.now, span)


def _forget(course: _Course, where: BoolArray) -> None:
    """The charge state is not known any more; what was learnt stays."""
    at = np.flatnonzero(where)
    if at.size:
        unknown, open_ = np.full(at.size, 0.5), np.full(at.size, np.sqrt(UNKNOWN_VAR))
        for beliefs in (course.now, course.held):
            beliefs.put(at, anchored(beliefs.take(at), unknown, open_))


def _take_in(
    course: _Course,
    way: _Way,
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
    _forget(course, (moved | supplied) & course.floating)
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
        _first_bias(course, rows, asked.way, factors.bias[at][rows], course.now, course.held)
        _read(course, way, asked, now, terms, surprises)


def _shift(course: _Course, where: BoolArray, share: FloatArray, doubt: float) -> None:
    """So much of the capacity went in or out; unknown how much: the charge state is unknown."""
    _forget(course, where & ~np.isfinite(share))
    at = np.flatnonzero(where & np.isfinite(share))
    for beliefs in (course.now, course.held):
        beliefs.mean[at, SOC] = np.clip(beliefs.mean[at, SOC] + share[at], 0.0, 1.0)
        beliefs.cov[at, SOC, SOC] += np.square(doubt * share[at] + 0.01)


def _completed(
    course: _Course,
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
    course: _Course, rows: IntArray, what: Seen, cut: BoolArray, now: FloatArray, terms: LearningTerms
) -> None:
    """An observation that agrees, as far as one can tell, with what is believed."""
    known = course.known[rows]
    course.evidence[rows] += np.where(known, what.log_likelihood(cut), 0.0)
    _count(course, rows[known], now[known])
    course.now.put(rows, taken(course.now.take(rows), what, learns=terms.learns, cut=cut))


def _count(course: _Course, rows: IntArray, now: FloatArray) -> None:
    course.count[rows] += 1
    course.first_at[rows] = np.fmin(course.first_at[rows], now)
    course.last_at[rows] = now


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


def _first_bias(
    course: _Course, rows: IntArray, way: IntArray, factor: FloatArray, *beliefs: Beliefs
) -> None:
    """Before the first reading of a bank in some way, the doubt of its bias is what the fleet has shown of it."""
    fresh = course.read[rows, way] == 0
    at, bias = rows[fresh], BIAS + way[fresh]
    for part in beliefs:
        part.cov[at, bias, bias] = course.bias_var[at, way[fresh]] * np.square(factor[fresh])


def _read(
    course: _Course,
    walked: _Way,
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
    if plain.any():
        _learn_plain(course, rows[plain], _rows(what, plain), cut[plain], now[rows[plain]], terms)
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


def _note_surprises(course: _Course, asked: _Readings, what: Seen, surprises: Surprises) -> None:
    """Keep what was expected of each reading, for the scatter of the fleet; not of what is cut off at empty or full."""
    plain = course.known[asked.row] & ~course.in_doubt[asked.row] & (asked.value > 0.0) & (asked.value < 1.0)
    rows, event, way = asked.row[plain], asked.event[plain], asked.way[plain]
    surprises.gap[event] = what.gap[plain]
    surprises.variance[event] = what.variance[plain]
    surprises.noise_var[event] = asked.noise[plain]
    surprises.bias_var[event] = course.now.cov[rows, BIAS + way, BIAS + way]
    surprises.first[event] = course.read[rows, way] == 0


def _raise_alarm(
    course: _Course, walked: _Way, asked: _Readings, now: FloatArray, terms: LearningTerms
) -> None:
    """Far too low: something changed since the last record. The span is walked again with the rates in doubt."""
    rows = asked.row
    again = course.in_doubt[rows]
    course.confirmed_at[rows] = np.where(again, now, np.nan)
    fresh = rows[~again]
    course.held.put(fresh, course.now.take(fresh))
    course.alarm_at[rows] = np.where(again, course.alarm_at[rows], now)
    span = Span(*(getattr(walked.span, f.name)[rows] for f in fields(Span)))
    before = loosened(walked.before.take(rows), terms.alarm_log_scale_sigma, terms.alarm_draw_sigma)
    ahead = passed(before, span)
    course.now.put(rows, taken(ahead, seen(ahead, asked.value, asked.noise, asked.way)))
    _count(course, rows, now)


def _settle(course: _Course, asked: _Readings, what: Seen, now: FloatArray) -> BoolArray:
    """Readings after an alarm: which of them disproved it (returned), by fitting what had been believed before.

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
    _count(course, back, now[back])
    confirmed = ~disproved & (better < -CONFIRMED_LOG_ODDS)
    course.confirmed_at[rows[confirmed]] = now[rows[confirmed]]
    return disproved


def _told(banks: BankArrays, replay: _Replay) -> Learned:
    course, rates = replay.course, replay.rates
    mean, cov = course.now.mean, course.now.cov
    month = 100.0 * DAYS_PER_MONTH
    age = rates.age_level + rates.age_slope * (course.t - rates.tables.start)
    published = rates.per_day * age * month
    scale, spread = course.now.scale, PESSIMISTIC_SIGMAS * np.sqrt(cov[:, LOG_SCALE, LOG_SCALE])
    draw, draw_spread = month * mean[:, DRAW], month * PESSIMISTIC_SIGMAS * np.sqrt(cov[:, DRAW, DRAW])
    recorded = month * rates.load(np.arange(len(banks)), course.supply)
    own = scale * published
    total = np.maximum(own + draw + recorded, LEAST_TOTAL_SHARE * (own + np.maximum(recorded, 0.0)))
    variance = (
        np.square(own) * cov[:, LOG_SCALE, LOG_SCALE]
        + month**2 * cov[:, DRAW, DRAW]
        + 2.0 * own * month * cov[:, LOG_SCALE, DRAW]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(np.maximum(variance, 0.0)) / total
    band = np.exp(PESSIMISTIC_SIGMAS * relative)
    return Learned(
        scale=scale,
        scale_low=scale * np.exp(-spread),
        scale_high=scale * np.exp(spread),
        sd_pct_month=own,
        draw_pct_month=draw,
        draw_low=draw - draw_spread,
        draw_high=draw + draw_spread,
        draw_ma=draw / 72.0 * banks.capacity_ah,
        total_pct_month=total,
        total_low=total / band,
        total_high=total * band,
        published_pct_month=published + recorded,
        loss_sigma=np.clip(
            np.where(np.isnan(relative), SIGMA_PER_LOSS, relative), LEAST_LOSS_SIGMA, MOST_LOSS_SIGMA
        ),
        log_total_sigma=relative,
        bias=mean[:, BIAS : BIAS + READING_WAYS],
        count=course.count,
        first_at=course.first_at,
        last_at=course.last_at,
        charged=course.charged,
        alarm_at=course.alarm_at,
        confirmed_at=course.confirmed_at,
        gain_at=course.gain_at,
        returned_share=course.returned_share,
        returned_sigmas=course.returned_sigmas,
        returned_at=course.returned_at,
        evidence=course.evidence,
        refusal=replay.estimates.refusal,
    )
