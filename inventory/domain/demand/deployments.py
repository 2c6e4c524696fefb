"""Demand that deployments make: how often they start, how long they last, what they use in a window of days.

Formulas of the reference facts on replenishment 1.3 to 1.6. Starts are Poisson; with little history their rate is itself
uncertain, and the predicted count is negative binomial (Gamma-Poisson with Jeffreys prior: Gelman et al., Bayesian
Data Analysis, ch. 2; memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from inventory.domain.demand.compound import Moments
from inventory.domain.errors import NotPlannable

MONTHS = 12


@dataclass(frozen=True, slots=True)
class Duration:
    """How long a deployment lasts [days]: whole days with probabilities, or exponential of a mean."""

    days: tuple[float, ...] = ()
    probability: tuple[float, ...] = ()
    exponential_mean: float | None = None

    @classmethod
    def of_table(cls, table: Mapping[float, float]) -> Duration:
        """A table {days: probability}; raises NotPlannable unless the probabilities sum to 1."""
        if not table or min(table) < 0 or min(table.values()) < 0 or abs(sum(table.values()) - 1.0) > 1e-6:
            raise NotPlannable(
                "duration.table", "Durations must be 0 days or more, and their probabilities sum to 1."
            )
        return cls(tuple(map(float, table)), tuple(table.values()))

    @property
    def mean(self) -> float:
        if self.exponential_mean is not None:
            return self.exponential_mean
        return float(np.dot(self.days, self.probability))


def mean_remaining_days(duration: Duration, elapsed_days: float) -> float:
    """E[D - e | D > e]: what has lasted is likely to last. An announced end date is better (1.5).

    Raises NotPlannable when no known deployment lasted that long.
    """
    if duration.exponential_mean is not None:
        return duration.exponential_mean
    longer = [
        (d - elapsed_days, p)
        for d, p in zip(duration.days, duration.probability, strict=True)
        if d > elapsed_days
    ]
    chance = sum(p for _, p in longer)
    if chance <= 0:
        raise NotPlannable(
            "duration.longer_than_any",
            "No known deployment lasted longer than {elapsed} days. Ask the team for the day of return.",
            elapsed=elapsed_days,
        )
    return sum(days * p for days, p in longer) / chance


def window_moments(
    *,
    starts_per_day: float,
    use_per_day: Mapping[float, float],
    duration: Duration,
    window_days: float,
    running: bool,
) -> Moments:
    """Mean and variance of what deployments use day by day in a window.

    `running`: deployments that started before the window count too (stationary, M/G/infinity); otherwise only those
    that start in it.
    `use_per_day` {pieces: probability} of a unit-day. Campbell's theorem and the covariance rate E[(D - s)+] (memory:
    Cox & Isham, Point Processes 1980), checked by simulation.
    """
    if starts_per_day < 0 or window_days < 0:
        raise NotPlannable("window.negative", "Starts and days must be 0 or more.")
    first = sum(use * p for use, p in use_per_day.items())
    second = sum(use**2 * p for use, p in use_per_day.items())
    t = float(window_days)
    if duration.exponential_mean is not None:
        d = duration.exponential_mean
        decay = np.exp(-t / d)
        if running:
            # integral of (t - s) e^(-s/d) over the window, times d for E[(D - s)+]
            lagged = d * d * (t - d * (1.0 - decay))
            return Moments(starts_per_day * first * d * t, float(second * 2.0 * starts_per_day * lagged))
        # E[min(D, u)] = d (1 - e^(-u/d)); E[min(D, u)^2] = 2 d^2 - 2 d (u + d) e^(-u/d)
        mean = d * (t - d * (1.0 - decay))
        square = 2.0 * d * d * t - 2.0 * d * (2.0 * d * d * (1.0 - decay) - d * t * decay)
        return Moments(float(starts_per_day * first * mean), float(starts_per_day * second * square))
    days, chance = np.array(duration.days), np.array(duration.probability)
    inside = np.minimum(days, t)
    if running:
        # integral of (t - s)(D - s) for s from 0 to min(D, t)
        lagged = t * days * inside - (t + days) * inside**2 / 2.0 + inside**3 / 3.0
        mean = starts_per_day * first * float(chance @ days) * t
        return Moments(mean, second * 2.0 * starts_per_day * float(chance @ lagged))
    # starts at u days before the end use min(D, u) days
    mean_days = float(chance @ (inside**2 / 2.0 + days * (t - inside)))
    square_days = float(chance @ (inside**3 / 3.0 + days**2 * (t - inside)))
    return Moments(starts_per_day * first * mean_days, starts_per_day * second * square_days)


@dataclass(frozen=True, slots=True)
class SeasonMoments:
    """Expected starts of the months, mean and variance of their use."""

    events_mean: float
    mean: float
    variance: float


def season_moments(
    *,
    starts_per_month: Sequence[float],
    first_month: int,
    months: int,
    size_mean: float,
    size_second_moment: float,
) -> SeasonMoments:
    """Use of the starts of some months, January = 1, over the end of the year; all of a use at departure."""
    if len(starts_per_month) != MONTHS or min(starts_per_month) < 0:
        raise NotPlannable("season.months", "A season needs twelve rates, each 0 or more.")
    if not 1 <= first_month <= MONTHS or months < 0:
        raise NotPlannable("season.first_month", "Months run from 1 to 12, and their number is 0 or more.")
    events = float(sum(starts_per_month[(first_month - 1 + k) % MONTHS] for k in range(months)))
    return SeasonMoments(events, events * size_mean, events * size_second_moment)


@dataclass(frozen=True, slots=True)
class RateInterval:
    """Starts a year with the exact interval."""

    rate: float
    low: float
    high: float


def start_rate_interval(*, starts: int, years: float, confidence: float = 0.95) -> RateInterval:
    """Exact Poisson interval of a rate (Garwood 1936; memory); no start in the record gives a low end of 0."""
    if starts < 0 or years <= 0 or not 0 < confidence < 1:
        raise NotPlannable(
            "starts.record",
            "A record needs 0 or more starts, more than 0 years, and a level between 0 and 1.",
        )
    tail = (1.0 - confidence) / 2.0
    low = float(stats.chi2.ppf(tail, 2 * starts)) / 2.0 if starts else 0.0
    return RateInterval(
        starts / years, low / years, float(stats.chi2.ppf(1.0 - tail, 2 * (starts + 1))) / 2.0 / years
    )


@dataclass(frozen=True, slots=True)
class PredictedStarts:
    """Number of starts in a horizon: mean, variance, quantile; `rate_cv` for `compound_demand`."""

    mean: float
    variance: float
    quantile: int
    rate_cv: float


def predicted_starts(
    *,
    starts: int,
    years: float,
    horizon_years: float,
    level: float,
    prior_shape: float = 0.5,
    prior_rate: float = 0.0,
) -> PredictedStarts:
    """Gamma-Poisson mixture: negative binomial of r = starts + prior shape, p = T / (T + H)."""
    if starts < 0 or years + prior_rate <= 0 or horizon_years < 0 or prior_shape <= 0:
        raise NotPlannable(
            "starts.record",
            "A record needs 0 or more starts, more than 0 years, and a level between 0 and 1.",
        )
    r, observed = starts + prior_shape, years + prior_rate
    p = observed / (observed + horizon_years)
    mean = r * horizon_years / observed
    variance = mean * (1.0 + horizon_years / observed)
    return PredictedStarts(mean, variance, int(stats.nbinom.ppf(level, r, p)), r**-0.5)


def starts_look_poisson(counts: Sequence[int]) -> float:
    """P value of the dispersion test of yearly counts: sum (x - mean)^2 / mean against chi-square of n - 1; small:
    uneven years."""
    if len(counts) < 2 or sum(counts) == 0:
        raise NotPlannable("starts.counts", "The test needs two years or more with a start in one of them.")
    mean = float(np.mean(counts))
    index = float(((np.array(counts) - mean) ** 2).sum() / mean)
    return float(stats.chi2.sf(index, len(counts) - 1))


def erlang_loss(*, units: int, offered_load: float) -> float:
    """Share of calls that find all units away: B(0) = 1, B(k) = a B(k - 1) / (k + a B(k - 1)) (Erlang; memory).

    `offered_load` = starts per day x mean days. Depends on the mean duration only.
    """
    if units < 0 or offered_load < 0:
        raise NotPlannable("erlang.negative", "Units and load must be 0 or more.")
    lost = 1.0
    for k in range(1, units + 1):
        lost = offered_load * lost / (k + offered_load * lost)
    return lost


def lead_time_demand(
    *, mean_per_period: float, variance_per_period: float, lead_mean: float, lead_variance: float
) -> Moments:
    """Demand in a random lead time: mean u E[L], variance E[L] v + u^2 Var[L] (law of total variance)."""
    if min(mean_per_period, variance_per_period, lead_mean, lead_variance) < 0:
        raise NotPlannable("lead.negative", "Demand, lead time and their variances must be 0 or more.")
    return Moments(
        mean_per_period * lead_mean, lead_mean * variance_per_period + mean_per_period**2 * lead_variance
    )
