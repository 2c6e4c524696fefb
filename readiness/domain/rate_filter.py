"""The arithmetic of learning: a Kalman filter over n banks at once, one row of arrays a bank.

The state of a bank is its charge state, the logarithm of its self-discharge over the published rate, a draw that nobody
wrote down, and the bias of each way of reading it. The charge state falls by

    loss = published loss of the span (temperature and age are in it) x exp(log scale) + recorded draw + unrecorded draw

so that what is learnt at one temperature holds at another. A reading shows the charge state plus its bias plus noise. The
bias is in the state because most of the doubt of a rest voltage is the same each time (the maker's curve, the meter): ten
readings of one meter are not ten opinions.

References: Kalman filter in Joseph form, Schmidt's 'consider' form where nothing is learnt (textbook). Magnitudes without a
named source are engineering assumptions; `readiness.domain.back_test` measures what they are worth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from readiness.domain.inputs import BoolArray, FloatArray, IntArray

SOC, LOG_SCALE, DRAW, BIAS = 0, 1, 2, 3
READING_WAYS = 3
SIZE = BIAS + READING_WAYS
# Random walks per square root of a year: a bank changes slowly. Loss within one span, beyond what the climate tells.
LOG_SCALE_WALK = 0.10
DRAW_WALK = 0.00005
BIAS_WALK = 0.01
SPAN_SHARE = 0.05
DAYS_PER_YEAR = 365.25
UNKNOWN_VAR = 1.0
SCALE_LIMIT = 3.0


@dataclass(frozen=True)
class Span:
    """What passes between two records of n banks: `published` loss (or decay exponent) [1], `drawn` [1], `days` [d]."""

    published: FloatArray
    drawn: FloatArray
    days: FloatArray
    first_order: BoolArray


@dataclass
class Beliefs:
    """Means (n, 6) and covariances (n, 6, 6)."""

    mean: FloatArray
    cov: FloatArray

    def take(self, at: IntArray | BoolArray) -> Beliefs:
        return Beliefs(self.mean[at], self.cov[at])

    def put(self, at: IntArray | BoolArray, part: Beliefs) -> None:
        self.mean[at] = part.mean
        self.cov[at] = part.cov

    def __len__(self) -> int:
        return len(self.mean)

    @property
    def scale(self) -> FloatArray:
        """Self-discharge over the published one [1]."""
        return np.exp(np.clip(self.mean[:, LOG_SCALE], -SCALE_LIMIT, SCALE_LIMIT))


def passed(now: Beliefs, span: Span) -> Beliefs:
    """The beliefs at the end of a span without records."""
    mean, cov = now.mean.copy(), now.cov.copy()
    scale = now.scale
    decay = scale * span.published
    kept = np.where(span.first_order, np.exp(-decay), 1.0)
    share = np.where(
        span.first_order & (decay > 1e-12), -np.expm1(-decay) / np.where(decay > 1e-12, decay, 1.0), 1.0
    )
    drawn = (span.drawn + now.mean[:, DRAW] * span.days) * share
    before = now.mean[:, SOC]
    lost = np.where(span.first_order, before * (1.0 - kept), decay)
    mean[:, SOC] = np.maximum(before - lost - drawn, 0.0)
    by_scale = np.where(span.first_order, -before * decay * kept, -decay)
    by_draw = -span.days * share
    row = (
        kept[:, None] * cov[:, SOC, :]
        + by_scale[:, None] * cov[:, LOG_SCALE, :]
        + by_draw[:, None] * cov[:, DRAW, :]
    )
    variance = kept * row[:, SOC] + by_scale * row[:, LOG_SCALE] + by_draw * row[:, DRAW]
    cov[:, SOC, :] = row
    cov[:, :, SOC] = row
    years = span.days / DAYS_PER_YEAR
    cov[:, SOC, SOC] = variance + np.square(SPAN_SHARE * (lost + drawn))
    cov[:, LOG_SCALE, LOG_SCALE] += LOG_SCALE_WALK**2 * years
    cov[:, DRAW, DRAW] += DRAW_WALK**2 * years
    for way in range(READING_WAYS):
        cov[:, BIAS + way, BIAS + way] += BIAS_WALK**2 * years
    return Beliefs(mean, cov)


@dataclass(frozen=True)
class Seen:
    """What one observation of each of n banks says: the surprise [1], its variance, and how the state would answer to it."""

    gap: FloatArray
    variance: FloatArray
    pull: FloatArray

    @property
    def sigmas(self) -> FloatArray:
        """The surprise in its own standard deviations."""
        return self.gap / np.sqrt(self.variance)

    @property
    def cut_off(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """When the reading only says 'at least so much': mean surprise [1], part of its variance that goes, log-likelihood.

        Moments of the normal law above a bound (textbook); far beyond the bound nothing is learnt.
        """
        bound = self.sigmas
        log_tail = log_ndtr(-bound)
        hazard = np.exp(-0.5 * np.square(bound) - 0.5 * np.log(2.0 * np.pi) - log_tail)
        return np.sqrt(self.variance) * hazard, np.clip(hazard * (hazard - bound), 0.0, 1.0), log_tail

    def log_likelihood(self, cut: BoolArray) -> FloatArray:
        """How well the reading fits; `cut` where it only says 'at least so much'."""
        plain = -0.5 * (np.log(2.0 * np.pi * self.variance) + np.square(self.gap) / self.variance)
        return np.where(cut, self.cut_off[2], plain)


def seen(now: Beliefs, value: FloatArray, noise_var: FloatArray, way: IntArray) -> Seen:
    """Compare beliefs with readings `value` [1]; `way` 0..2 is how each was read, -1 means without bias."""
    rows = np.arange(len(now))
    biased = way >= 0
    column = BIAS + np.maximum(way, 0)
    bias = np.where(biased, now.mean[rows, column], 0.0)
    pull = now.cov[:, :, SOC] + np.where(biased[:, None], now.cov[rows, :, column], 0.0)
    variance = pull[:, SOC] + np.where(biased, pull[rows, column], 0.0) + noise_var
    return Seen(value - now.mean[:, SOC] - bias, variance, pull)


def taken(now: Beliefs, what: Seen, *, learns: bool = True, cut: BoolArray | None = None) -> Beliefs:
    """The beliefs after an observation. Without learning only the charge state moves; the rest stays in doubt.

    `cut`: the reading stands at the end of its scale and only says 'at least so much'.
    """
    gap, share = what.gap, np.ones(len(now))
    if cut is not None and cut.any():
        beyond, goes, _ = what.cut_off
        gap, share = np.where(cut, beyond, gap), np.where(cut, goes, share)
    gain = what.pull / what.variance[:, None]
    if not learns:
        gain = gain.copy()
        gain[:, LOG_SCALE:] = 0.0
    mean = now.mean + gain * gap[:, None]
    cross = gain[:, :, None] * what.pull[:, None, :]
    own = gain[:, :, None] * gain[:, None, :] * what.variance[:, None, None]
    cov = now.cov - share[:, None, None] * (cross + cross.transpose(0, 2, 1) - own)
    mean[:, SOC] = np.clip(mean[:, SOC], 0.0, 1.0)
    return Beliefs(mean, cov)


def anchored(now: Beliefs, soc: FloatArray, sigma: FloatArray) -> Beliefs:
    """The charge state is known afresh (a completed charge); what was learnt of the rest stays."""
    mean, cov = now.mean.copy(), now.cov.copy()
    mean[:, SOC] = soc
    cov[:, SOC, :] = 0.0
    cov[:, :, SOC] = 0.0
    cov[:, SOC, SOC] = np.square(sigma)
    return Beliefs(mean, cov)


def loosened(now: Beliefs, log_scale_sigma: float, draw_sigma: float) -> Beliefs:
    """The same with more doubt of the rates: something has changed."""
    cov = now.cov.copy()
    cov[:, LOG_SCALE, LOG_SCALE] += log_scale_sigma**2
    cov[:, DRAW, DRAW] += draw_sigma**2
    return Beliefs(now.mean.copy(), cov)
