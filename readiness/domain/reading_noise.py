"""How far readings scatter in this fleet, learnt from its own surprises, by chemistry and way of reading.

The published doubt of a reading covers every maker's curve and every meter; a fleet that reads with one good meter scatters
less, one that reads carelessly more. Each surprise (a reading less what was expected of it, from earlier records only) tells
something: the first of a bank about the bias of its curve and meter, the later ones about the noise. What is known at an
instant rests on the surprises before it, so a replay of the past knows no more than people did.

Moments with a prior weight; winsorised at three sigma. Own method, no source; `back_test` measures what it is worth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from readiness.domain.inputs import BoolArray, FloatArray, IntArray

WAYS = 3
NOISE_PRIOR_COUNT = 5.0
BIAS_PRIOR_COUNT = 5.0
LEAST_LEVEL, MOST_LEVEL = 0.05, 6.0
WINSOR_SIGMAS = 3.0
LONG_AGO = -1.0e5


@dataclass(frozen=True)
class Factors:
    """Per event: what its noise and, where it is the first of its bank, the bias before it are multiplied by [1]."""

    noise: FloatArray
    bias: FloatArray

    @classmethod
    def plain(cls, count: int) -> Factors:
        return cls(np.ones(count), np.ones(count))

    def take(self, at: IntArray) -> Factors:
        return Factors(self.noise[at], self.bias[at])


@dataclass
class Surprises:
    """Per event, NaN where nothing was expected: the surprise, its variance, and the parts noise and bias had in that.

    `first`: nothing had been read of this bank in this way before. All in charge state [1] and its square.
    """

    gap: FloatArray
    variance: FloatArray
    noise_var: FloatArray
    bias_var: FloatArray
    first: BoolArray

    @classmethod
    def none(cls, count: int) -> Surprises:
        nan = np.full(count, np.nan)
        return cls(nan, nan.copy(), nan.copy(), nan.copy(), np.zeros(count, dtype=bool))


@dataclass(frozen=True)
class NoiseHistory:
    """What was known when, by group (chemistry x 3 + way): sums over the surprises in order of time."""

    group: IntArray
    time: FloatArray
    noise_sum: FloatArray
    noise_count: FloatArray
    bias_sum: FloatArray
    bias_count: FloatArray

    @classmethod
    def of(cls, surprises: Surprises, factors: Factors, group: IntArray, time: FloatArray) -> NoiseHistory:
        """From the surprises of one replay in which `factors` were used; `group` and `time` per event."""
        told = np.flatnonzero(np.isfinite(surprises.gap))
        told = told[np.lexsort((time[told], group[told]))]
        square = np.minimum(np.square(surprises.gap), WINSOR_SIGMAS**2 * surprises.variance)[told]
        other = surprises.variance[told]

        def level(part: FloatArray, factor: FloatArray) -> FloatArray:
            """What this surprise says of the variance, in units of the published one."""
            return (square - (other - part)) / part * np.square(factor)

        first = surprises.first[told]
        noise = np.where(first, 0.0, level(surprises.noise_var[told], factors.noise[told]))
        bias = np.where(first, level(surprises.bias_var[told], factors.bias[told]), 0.0)
        return cls(
            group[told],
            time[told],
            np.concatenate([[0.0], np.cumsum(noise)]),
            np.concatenate([[0.0], np.cumsum(~first)]),
            np.concatenate([[0.0], np.cumsum(bias)]),
            np.concatenate([[0.0], np.cumsum(first)]),
        )

    @classmethod
    def standing(cls, sums: Mapping[int, Sequence[float]]) -> NoiseHistory:
        """What is known of some groups at any time: by group the sums and counts that `totals` gives."""
        group = np.array(sorted(sums), dtype=np.int64)
        table = np.array([sums[int(key)] for key in group], dtype=np.float64).reshape(-1, 4)
        rising = np.concatenate([np.zeros((1, 4)), np.cumsum(table, axis=0)])
        return cls(group, np.full(len(group), LONG_AGO), *(rising[:, n] for n in range(4)))

    def totals(self) -> dict[int, tuple[float, ...]]:
        """By group: sum and count of what the surprises said of the noise, and the same of the bias."""
        out: dict[int, tuple[float, ...]] = {}
        for key in np.unique(self.group).tolist():
            start, end = (np.searchsorted(self.group, key, side=side) for side in ("left", "right"))
            columns = (self.noise_sum, self.noise_count, self.bias_sum, self.bias_count)
            out[int(key)] = tuple(float(column[end] - column[start]) for column in columns)
        return out

    def at(self, group: IntArray, time: FloatArray) -> Factors:
        """The factors known just before `time` (days since 1970), for each asked group."""
        line = self.group * 1.0e6 + self.time
        end = np.searchsorted(line, group * 1.0e6 + time, side="left")
        start = np.searchsorted(self.group, group, side="left")
        noise = _level(self.noise_sum, self.noise_count, start, end, NOISE_PRIOR_COUNT)
        bias = _level(self.bias_sum, self.bias_count, start, end, BIAS_PRIOR_COUNT)
        return Factors(np.sqrt(noise), np.sqrt(bias))


def _level(total: FloatArray, count: FloatArray, start: IntArray, end: IntArray, prior: float) -> FloatArray:
    mean = (prior + total[end] - total[start]) / (prior + count[end] - count[start])
    return np.clip(mean, LEAST_LEVEL, MOST_LEVEL)
