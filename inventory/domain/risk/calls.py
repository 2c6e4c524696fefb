"""Draws the calls of thousands of futures, each source of chance from its own stream.

Common random numbers: the same seed gives the same numbers, moments, kinds and places of calls whatever is changed
about the stock; what is added to the calls does not shift the others (the reference facts on replenishment 5.2).
Starts are a Poisson process with monthly rates; a Gamma multiplier a future carries the doubt of the rate and bad
years (1.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from inventory.domain.fefo import Floats, Ints
from inventory.domain.risk.model import CallModel

DAYS_PER_MONTH = 365.25 / 12
RATE, NUMBER, MOMENT, KIND, PLACE, EXTRA, LEAD, ORDER, FAILURE, RUNNING = range(10)


@dataclass(frozen=True, slots=True)
class Calls:
    """Calls of all futures in order of place, future and day: `run` 0 .. runs - 1, `day` whole, `kind` and `place` row
    numbers."""

    run: Ints
    day: Ints
    kind: Ints
    place: Ints

    def __len__(self) -> int:
        return len(self.run)


def stream(seed: int, *names: int) -> np.random.Generator:
    """The generator of one source of chance."""
    return np.random.default_rng(np.random.SeedSequence([seed, *names]))


def draw_calls(model: CallModel, *, runs: int, horizon_days: int, seed: int) -> Calls:
    """All calls that start on a day 0 .. horizon_days - 1."""
    edges, total = _season(model, horizon_days)
    rate = np.ones(runs)
    if np.isfinite(model.rate_shape):
        level = stream(seed, RATE).random(runs)
        rate = stats.gamma.ppf(level, model.rate_shape, scale=1.0 / model.rate_shape)
    number = stats.poisson.ppf(stream(seed, NUMBER).random(runs), total[-1] * rate).astype(np.int64)
    most = int(number.max()) if runs else 0
    # row k holds the k-th call of every future: one more call draws one more row and leaves the others as they were
    moment = stream(seed, MOMENT).random((most, runs))
    kind_level = stream(seed, KIND).random((most, runs))
    place_level = stream(seed, PLACE).random((most, runs))
    there = np.arange(most)[:, None] < number
    _, run = np.nonzero(there)
    day = np.interp(moment[there] * total[-1], total, edges)
    day = np.minimum(day.astype(np.int64), horizon_days - 1)
    kind = _pick(model.kinds["probability"].to_numpy(dtype=np.float64), kind_level[there])
    place = _pick(model.places["share"].to_numpy(dtype=np.float64), place_level[there])
    columns = [
        (run, day, kind, place),
        *_extra(model, runs, horizon_days, seed),
        *_running(model, runs, seed),
    ]
    run, day, kind, place = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    order = np.lexsort((kind, day, run, place))
    return Calls(run[order], day[order], kind[order], place[order])


def _season(model: CallModel, horizon_days: int) -> tuple[Floats, Floats]:
    """Days at which the rate changes and the expected calls up to each of them."""
    months = int(np.ceil(horizon_days / DAYS_PER_MONTH)) + 1
    edges = np.minimum(np.arange(months + 1) * DAYS_PER_MONTH, float(horizon_days))
    rates = np.array([model.starts_per_month[(model.first_month - 1 + k) % 12] for k in range(months)])
    return edges, np.concatenate([[0.0], np.cumsum(rates / DAYS_PER_MONTH * np.diff(edges))])


def _pick(shares: Floats, level: Floats) -> Ints:
    upto = np.cumsum(shares)
    return np.asarray(
        np.minimum(np.searchsorted(upto, level * upto[-1], side="right"), len(shares) - 1), np.int64
    )


def _extra(model: CallModel, runs: int, horizon_days: int, seed: int) -> list[tuple[Ints, Ints, Ints, Ints]]:
    told = []
    names = model.places["place"].astype(int).tolist()
    for index, (day, count, where) in enumerate(model.extra):
        if not 0 <= day < horizon_days or count < 1:
            continue
        level = stream(seed, EXTRA, index).random((2, count * runs))
        kind = _pick(model.kinds["probability"].to_numpy(dtype=np.float64), level[0])
        if where is None:
            place = _pick(model.places["share"].to_numpy(dtype=np.float64), level[1])
        else:
            place = np.full(count * runs, names.index(where), dtype=np.int64)
        run = np.tile(np.arange(runs), count)
        told.append((run, np.full(count * runs, day, dtype=np.int64), kind, place))
    return told


def _running(model: CallModel, runs: int, seed: int) -> list[tuple[Ints, Ints, Ints, Ints]]:
    """Deployments that are away now, as calls of an earlier day; their kind given that they have lasted so long."""
    told = []
    names, kinds = model.places["place"].astype(int).tolist(), model.kinds["kind"].tolist()
    for index, (place, elapsed, kind) in enumerate(model.running):
        if kind is None:
            lasting = (
                model.kinds["probability"].to_numpy(dtype=np.float64)
                * (model.kinds["days"] > elapsed).to_numpy()
            )
            drawn = _pick(lasting, stream(seed, RUNNING, index).random(runs))
        else:
            drawn = np.full(runs, kinds.index(kind), dtype=np.int64)
        day, where = (
            np.full(runs, -elapsed, dtype=np.int64),
            np.full(runs, names.index(place), dtype=np.int64),
        )
        told.append((np.arange(runs), day, drawn, where))
    return told
