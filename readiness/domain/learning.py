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

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, EventKind, ranks
from readiness.domain.charge_state import estimate
from readiness.domain.chemistry import chemistry_column
from readiness.domain.fusion import PESSIMISTIC_SIGMAS, SIGMA_PER_LOSS
from readiness.domain.inputs import DAYS_PER_MONTH, BoolArray, FloatArray, IntArray
from readiness.domain.learning_course import (
    BIAS_SHARE,
    DEFAULT_TERMS,
    Course,
    LearningTerms,
    advanced,
    beginning,
    first_bias,
)
from readiness.domain.learning_records import take_in
from readiness.domain.rate_filter import BIAS, DRAW, LOG_SCALE, READING_WAYS, SOC, UNKNOWN_VAR, seen
from readiness.domain.reading_noise import Factors, NoiseHistory, Surprises
from readiness.domain.reading_values import values_of_readings
from readiness.domain.thermal import Sites

LEAST_TOTAL_SHARE = 0.1
LEAST_LOSS_SIGMA = 0.15
MOST_LOSS_SIGMA = 1.0


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
    above, `drift_at` when small surprises to the low side last added up to a change. `returned_share` Ah returned by the
    last completed charge over what was missing [1], `returned_sigmas` how far off that is in its own sigmas (positive: more
    came back), at `returned_at`. `bias` (n, 3) of voltage, gravity and meter readings [1]. `evidence` log-likelihood of the
    readings. `refusal` per event, index into `READING_REFUSALS`.
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
    drift_at: FloatArray
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
    course: Course
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
    ahead = advanced(course, rates, everyone, asked)[0].now
    group = banks.chem * READING_WAYS + way
    ahead_of = Factors.plain(len(banks)) if noise is None else noise.at(group, known_until)
    first_bias(course, everyone, way, ahead_of.bias, ahead)
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
    course = beginning(banks, first, terms)
    surprises = Surprises.none(len(events))
    if order.size:
        by_rank, edges = ranks(events.bank[order])
        rows = order[by_rank]
        for begin, end in pairwise(edges.tolist()):
            at = rows[begin:end]
            bank = events.bank[at]
            part, way = advanced(course.take(bank), rates, bank, events.time[at])
            take_in(part, way, rates, events, values, estimates, at, terms, factors, surprises)
            course.put(bank, part)
    return _Replay(rates, course, estimates, surprises)


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
        drift_at=course.drift_at,
        returned_share=course.returned_share,
        returned_sigmas=course.returned_sigmas,
        returned_at=course.returned_at,
        evidence=course.evidence,
        refusal=replay.estimates.refusal,
    )
