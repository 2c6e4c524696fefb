"""Use of a random number of deployments: moments and whole distribution (the reference facts on replenishment 1.4).

`events_mean` is the expected number of starts in the window; `size_pmf` (S + 1,) the probabilities of a use of 0, 1, 2
... whole pieces a start. Sources: compound Poisson moments, Ross (memory); recursion, Panjer 1981, ASTIN Bulletin
12:22-26; by transform: the same result, and what is used for long windows. An uncertain or uneven rate (bad seasons,
little history) is a negative-binomial count.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy import stats

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats

TAIL = 1e-12


@dataclass(frozen=True, slots=True)
class Moments:
    """Mean and variance of a use, in pieces and pieces squared."""

    mean: float
    variance: float

    @property
    def sd(self) -> float:
        return float(np.sqrt(self.variance))


def size_pmf(probabilities: Mapping[int, float]) -> Floats:
    """A table {pieces: probability} as an array over 0, 1, 2 ...; raises NotPlannable unless it sums to 1."""
    if not probabilities or min(probabilities) < 0 or min(probabilities.values()) < 0:
        raise NotPlannable("sizes.negative", "Sizes and their probabilities must be 0 or more, at least one.")
    if abs(sum(probabilities.values()) - 1.0) > 1e-6:
        raise NotPlannable(
            "sizes.sum",
            "The probabilities of the sizes sum to {total}, not to 1.",
            total=round(sum(probabilities.values()), 6),
        )
    pmf = np.zeros(max(probabilities) + 1)
    for size, probability in probabilities.items():
        pmf[size] += probability
    return pmf


def size_moments(pmf: Floats) -> tuple[float, float]:
    """E[B] and E[B squared] of one use."""
    sizes = np.arange(len(pmf), dtype=np.float64)
    return float(pmf @ sizes), float(pmf @ sizes**2)


def compound_moments(events_mean: float, pmf: Floats) -> Moments:
    """All of the use at departure: mean m E[B], variance m E[B squared]."""
    first, second = size_moments(pmf)
    return Moments(events_mean * first, events_mean * second)


def compound_demand(events_mean: float, pmf: Floats, *, rate_cv: float = 0.0) -> Floats:
    """Probabilities of a total use of 0, 1, 2 ... pieces, cut where less than 1e-12 is left.

    `rate_cv` is the coefficient of variation of the rate itself (Gamma-Poisson): 0 is a Poisson count of starts; with
    it the count is negative binomial of r = 1 / cv squared.
    """
    if events_mean < 0 or rate_cv < 0:
        raise NotPlannable("demand.negative", "The number of starts and its spread cannot be negative.")
    if events_mean == 0:
        return np.ones(1)
    moments = compound_moments(events_mean, pmf)
    spread = np.sqrt(moments.variance + (rate_cv * moments.mean) ** 2)
    size = _power_of_two(moments.mean + 12.0 * spread + len(pmf) + 40)
    while True:
        transform = np.fft.rfft(pmf, size)
        if rate_cv == 0:
            of_total = np.exp(events_mean * (transform - 1.0))
        else:
            r = rate_cv**-2
            of_total = (1.0 + events_mean / r * (1.0 - transform)) ** -r
        total = np.fft.irfft(of_total, size)
        total = np.where(total < 1e-15, 0.0, total)
        # what does not fit on the grid is folded back onto it: the upper quarter must be empty
        if total[3 * size // 4 :].sum() < 1e-10:
            break
        size *= 2
    last = int(np.searchsorted(np.cumsum(total), total.sum() - TAIL)) + 1
    return total[:last]


def panjer(events_mean: float, pmf: Floats, upto: int, *, rate_cv: float = 0.0) -> Floats:
    """The same probabilities of 0 ... `upto` pieces by Panjer's recursion."""
    f0 = float(pmf[0])
    if rate_cv == 0:
        g0, a, b = np.exp(-events_mean * (1.0 - f0)), 0.0, events_mean
    else:
        r = rate_cv**-2
        beta = events_mean / r
        a = beta / (1.0 + beta)
        b = (r - 1.0) * a
        g0 = (1.0 + beta * (1.0 - f0)) ** -r
    g = np.zeros(upto + 1)
    g[0] = g0
    j = np.arange(1, len(pmf))
    for k in range(1, upto + 1):
        reach = j[:k]
        g[k] = float(((a + b * reach / k) * pmf[1 : 1 + len(reach)]) @ g[k - reach]) / (1.0 - a * f0)
    return g


def poisson_demand(per_day: float) -> Callable[[float], Floats]:
    """Single pieces at `per_day`: a function of days that gives the probabilities of 0, 1, 2 ... pieces."""
    return lambda days: compound_demand(per_day * days, np.array([0.0, 1.0]))


def compound_demand_per_day(events_per_day: float, pmf: Floats) -> Callable[[float], Floats]:
    """Deployments at `events_per_day`, each of a use with probabilities `pmf`: a function of days."""
    return lambda days: compound_demand(events_per_day * days, pmf)


def quantile(pmf: Floats, level: float) -> int:
    """The smallest number of pieces with at least this probability of being enough."""
    if not 0 <= level < 1:
        raise NotPlannable("level.out_of_range", "A level of service lies between 0 and 1; never exactly 1.")
    # equal up to rounding counts as reached
    return int(np.searchsorted(np.cumsum(pmf), level - 1e-12))


def cdf(pmf: Floats, pieces: int) -> float:
    """P(use <= pieces)."""
    return float(pmf[: max(pieces + 1, 0)].sum())


def fill_rate(pmf: Floats, stock: int) -> float:
    """Share of the use that a stock serves; 1 where nothing is used."""
    sizes = np.arange(len(pmf))
    mean = float(pmf @ sizes)
    return 1.0 if mean == 0 else 1.0 - float(pmf @ np.maximum(sizes - stock, 0)) / mean


@dataclass(frozen=True, slots=True)
class NegativeBinomial:
    """r and p as scipy takes them, with the quantile asked for (pieces)."""

    r: float
    p: float
    quantile: int


def negative_binomial_fit(mean: float, variance: float, level: float) -> NegativeBinomial:
    """A quick look where only mean and variance are known: r = mean squared / (variance - mean), p = mean / variance."""
    if not 0 < mean < variance:
        raise NotPlannable(
            "negative_binomial.variance",
            "The variance must be larger than the mean, and the mean above 0; take a Poisson demand instead.",
        )
    r, p = mean**2 / (variance - mean), mean / variance
    return NegativeBinomial(r, p, int(stats.nbinom.ppf(level, r, p)))


def mean_undershoot(pmf: Floats, *, lattice: int | None = None) -> float:
    """By how much lumpy use falls below the order point on average: E[B squared] / (2 E[B]) - g / 2, g the common
    divisor of the sizes.

    Source: renewal theory (Tijms; memory); simulation agrees. `lattice` None: the common divisor is found.
    """
    first, second = size_moments(pmf)
    if first == 0:
        return 0.0
    g = int(np.gcd.reduce(np.flatnonzero(pmf))) if lattice is None else lattice
    return second / (2.0 * first) - g / 2.0


def _power_of_two(size: float) -> int:
    return 1 << int(np.ceil(np.log2(max(size, 2.0))))
