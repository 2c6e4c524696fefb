"""Thousands of futures of all items and depots: draws them, walks the shelves in blocks, and adds up what became of each.

All items of a place live through the same calls, so that what a unit needs goes short together, as it does in life.
Every source of chance has its own stream (`inventory.domain.risk.calls`): two plans run with the same seed are
compared on the same futures. The block bounds the memory; `progress` is told after every block and may raise to stop,
and then nothing is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import NEVER, Floats, Ints
from inventory.domain.policy.lead_time import STEPS, LeadTime
from inventory.domain.risk.calls import FAILURE, LEAD, ORDER, Calls, draw_calls, stream
from inventory.domain.risk.model import Model, checked
from inventory.domain.risk.outcome import Outcome
from inventory.domain.risk.walk import NeedEvents, Rules, Shelf, Walked, walk

BLOCK_CELLS = 40_000
REVIEW_DAYS = 30
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class UseTable:
    """What each kind of call takes of an item at one time, (kinds,): pieces, days after the start, days it must last,
    fails at random."""

    qty: Floats
    after_days: Ints
    lasts_days: Ints
    fails: NDArray[np.bool_]


ShelfKey = tuple[int, int]
# Quantity, there from, usable through: the same in all futures, or one a future.
MoreLot = tuple[float, NDArray[np.int32] | int, NDArray[np.int32] | int]
Frames = dict[ShelfKey, pd.DataFrame]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What is the same for all shelves of a run: the checked model, its calls, the days looked at; lots and so on by
    (item, place)."""

    model: Model
    calls: Calls
    runs: int
    horizon_days: int
    reviews: Ints
    seed: int
    lots: Frames
    orders: Frames
    needs: Frames
    use: dict[int, list[UseTable]]

    def of_place(self, place: int) -> slice:
        """Rows of the calls that a place serves."""
        names = self.model.calls.places["place"].tolist()
        if place not in names:
            return slice(0, 0)
        low, high = np.searchsorted(self.calls.place, [names.index(place), names.index(place) + 1])
        return slice(int(low), int(high))


@dataclass(frozen=True, slots=True)
class ShelfNeeds:
    """Needs of one item in one place in all futures, in order of future and day; `call` row of the call, -1 for a
    dated need."""

    start: Ints
    day: NDArray[np.int32]
    lasts_to: NDArray[np.int32]
    qty: Floats
    call: Ints


def draw(model: Model, *, runs: int, horizon_days: int, seed: int, review_days: int = REVIEW_DAYS) -> Drawn:
    """Checks the model and draws its calls. Raises NotPlannable for what cannot be."""
    if runs < 1 or horizon_days < 1 or review_days < 1:
        raise NotPlannable(
            "futures.size", "State at least one future, one day ahead and one day between reviews."
        )
    sound = checked(model)
    calls = draw_calls(sound.calls, runs=runs, horizon_days=horizon_days, seed=seed)
    return Drawn(
        sound,
        calls,
        runs,
        horizon_days,
        np.arange(0, horizon_days, review_days),
        seed,
        by_shelf(sound.lots[sound.lots["qty"] > 0]),
        by_shelf(sound.orders[sound.orders["qty"] > 0]),
        by_shelf(sound.needs[sound.needs["qty"] > 0].sort_values("day", kind="stable")),
        {key[0]: _use_tables(rows, sound.calls.kinds) for key, rows in _grouped(sound.calls.use, ["item"])},
    )


def by_shelf(frame: pd.DataFrame) -> Frames:
    """The rows of a frame by item and place."""
    return {(key[0], key[1]): rows for key, rows in _grouped(frame, ["item", "place"])}


def _grouped(frame: pd.DataFrame, names: list[str]) -> Iterator[tuple[list[int], pd.DataFrame]]:
    keys = frame[names].to_numpy(dtype=np.int64)
    order = np.lexsort(keys.T[::-1])
    frame, keys = frame.iloc[order], keys[order]
    new = np.ones(len(keys), dtype=bool)
    new[1:] = (keys[1:] != keys[:-1]).any(axis=1)
    for begin, end in pairwise([*np.flatnonzero(new).tolist(), len(keys)]):
        yield keys[begin].tolist(), frame.iloc[begin:end]


def simulate(
    model: Model,
    *,
    runs: int = 10_000,
    horizon_days: int = 365,
    seed: int,
    review_days: int = REVIEW_DAYS,
    block_cells: int = BLOCK_CELLS,
    progress: Progress | None = None,
) -> Outcome:
    """Walks every item and place through `runs` futures; see `inventory.domain.risk.outcome` for what it tells."""
    drawn = draw(model, runs=runs, horizon_days=horizon_days, seed=seed, review_days=review_days)
    result = Outcome.empty(drawn.model, drawn.calls, runs, horizon_days, drawn.reviews, seed)
    done = 0
    for rows in blocks(drawn.model.shelves, max(block_cells // runs, 1)):
        needs = [needs_of_shelf(drawn, row) for row in rows]
        walked = walk_rows(drawn, rows, needs)
        result.add(rows, walked, needs)
        done += len(rows)
        if progress is not None:
            progress(done, len(drawn.model.shelves))
    return result


def blocks(shelves: pd.DataFrame, size: int) -> Iterator[list[int]]:
    """Row numbers of the shelves, `size` at a time."""
    for begin in range(0, len(shelves), size):
        yield list(range(begin, min(begin + size, len(shelves))))


def walk_rows(
    drawn: Drawn, rows: list[int], needs: list[ShelfNeeds], *, more: Sequence[Sequence[MoreLot]] | None = None
) -> Walked:
    """Walks some shelves through all futures: cells in order of `rows`, then of futures.

    `more` (rows,): lots besides those of the model, for what-if. A row may be named several times, with other lots
    each time.
    """
    shelf = _shelf(drawn, rows, needs, more or [()] * len(rows))
    starts = np.concatenate([[0], np.cumsum([int(need.start[-1]) for need in needs])])
    events = NeedEvents(
        np.concatenate(
            [*(need.start[:-1] + begin for need, begin in zip(needs, starts, strict=False)), starts[-1:]]
        ),
        np.concatenate([need.day for need in needs]),
        np.concatenate([need.lasts_to for need in needs]),
        np.concatenate([need.qty for need in needs]),
    )
    return walk(shelf, events, _rules(drawn, rows), reviews=drawn.reviews, horizon=drawn.horizon_days)


def needs_of_shelf(drawn: Drawn, row: int) -> ShelfNeeds:
    """What calls and dated needs take of one item in one place, in every future."""
    shelf = drawn.model.shelves.iloc[row]
    item, place = int(shelf["item"]), int(shelf["place"])
    part = drawn.of_place(place)
    calls = drawn.calls
    parts: list[tuple[Ints, Ints, Ints, Floats, Ints]] = []
    use = drawn.use.get(item)
    if use is not None and part.stop > part.start:
        run, day, kind = calls.run[part], calls.day[part], calls.kind[part]
        number = np.arange(part.start, part.stop)
        for slot, table in enumerate(use):
            qty = _amounts(drawn, (item, place, slot), table, kind)
            on = day + table.after_days[kind]
            until = on + table.lasts_days[kind]
            # what a deployment that is away took before today is gone already
            taken = (qty > 0) & (on >= 0) & (on < drawn.horizon_days)
            parts.append((run[taken], on[taken], until[taken], qty[taken], number[taken]))
    parts += _dated(drawn, item, place)
    if not parts:
        none = np.zeros(0, dtype=np.int32)
        return ShelfNeeds(
            np.zeros(drawn.runs + 1, dtype=np.int64), none, none, np.zeros(0), np.zeros(0, dtype=np.int64)
        )
    run, day, until, qty, call = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    if len(parts) > 1 or (np.diff(run * (drawn.horizon_days + 1) + day) < 0).any():
        order = np.argsort(run * (drawn.horizon_days + 1) + day, kind="stable")
        run, day, until, qty, call = run[order], day[order], until[order], qty[order], call[order]
    start = np.concatenate([[0], np.cumsum(np.bincount(run, minlength=drawn.runs))])
    return ShelfNeeds(start, day.astype(np.int32), np.minimum(until, NEVER).astype(np.int32), qty, call)


def _use_tables(use: pd.DataFrame, kinds: pd.DataFrame) -> list[UseTable]:
    """The uses of one item, as many tables as one kind of call takes it times."""
    names = {name: k for k, name in enumerate(kinds["kind"].tolist())}
    code = use["kind"].map(names).to_numpy(dtype=np.int64)
    rank = use.groupby("kind").cumcount().to_numpy()
    numbers = use[["qty", "after_days", "lasts_days"]].to_numpy(dtype=np.float64)
    random = use["random"].to_numpy(dtype=np.bool_)
    tables = []
    for slot in range(int(rank.max()) + 1):
        mine = rank == slot
        table, fails = np.zeros((3, len(names))), np.zeros(len(names), dtype=bool)
        table[:, code[mine]] = numbers[mine].T
        fails[code[mine]] = random[mine]
        tables.append(UseTable(table[0], table[1].astype(np.int64), table[2].astype(np.int64), fails))
    return tables


def _amounts(drawn: Drawn, names: tuple[int, ...], table: UseTable, kind: Ints) -> Floats:
    """Pieces taken by each call: fixed, or Poisson where pieces fail at random."""
    qty = table.qty[kind]
    if table.fails.any():
        level = (np.arange(STEPS) + 0.5) / STEPS
        failures = np.asarray(stats.poisson.ppf(level, np.maximum(table.qty, 1e-12)[:, None]))
        draws = stream(drawn.seed, FAILURE, *names).integers(0, STEPS, len(kind))
        qty = np.where(table.fails[kind], failures[kind, draws], qty)
    return qty


def _dated(drawn: Drawn, item: int, place: int) -> list[tuple[Ints, Ints, Ints, Floats, Ints]]:
    mine = drawn.needs.get((item, place))
    if mine is None:
        return []
    mine = mine[mine["day"] < drawn.horizon_days]
    runs, count = drawn.runs, len(mine)
    columns = [np.tile(mine[name].to_numpy(dtype=np.int64), runs) for name in ("day", "lasts_to")]
    # what was due before today is due today
    day = np.maximum(columns[0], 0)
    qty = np.tile(mine["qty"].to_numpy(dtype=np.float64), runs)
    return [
        (np.repeat(np.arange(runs), count), day, np.maximum(columns[1], day), qty, np.full(runs * count, -1))
    ]


def order_lot(
    drawn: Drawn,
    key: ShelfKey,
    number: int,
    qty: float,
    lead: LeadTime,
    life_days: float,
    *,
    placed_day: float = 0.0,
) -> MoreLot:
    """The `number`-th order of a shelf: it arrives in each future by its own draw of what is left of the lead time."""
    table = lead.table(elapsed_days=-placed_day)
    arrives = table[stream(drawn.seed, ORDER, *key, number).integers(0, STEPS, drawn.runs)]
    ends = np.minimum(arrives.astype(np.int64) + whole_day(life_days), NEVER).astype(np.int32)
    return qty, arrives, ends


def _lots_of(drawn: Drawn, row: int, needs: ShelfNeeds) -> list[MoreLot]:
    """What is there and on order of one shelf."""
    key = _keys(drawn, [row])[0]
    mine: list[MoreLot] = []
    if key in drawn.lots:
        lots = drawn.lots[key][["qty", "first_day", "last_day"]].to_numpy(dtype=np.float64)
        # what is there from the start and outlasts everything that is looked at is one lot: nothing tells them apart
        margin = float(drawn.model.shelves["must_last_days"].iloc[row])
        end = max(drawn.horizon_days + margin, float(needs.lasts_to.max(initial=0)))
        alike = (lots[:, 1] <= 0) & (lots[:, 2] >= end)
        mine = [(qty, int(first), whole_day(last)) for qty, first, last in lots[~alike].tolist()]
        if alike.any():
            mine.append((float(lots[alike, 0].sum()), 0, NEVER))
    if key in drawn.orders:
        columns = ["qty", "placed_day", "lead_mean_days", "lead_sd_days", "life_on_arrival_days"]
        orders = drawn.orders[key][columns].to_numpy(dtype=np.float64).tolist()
        for number, (qty, placed, mean, sd, life) in enumerate(orders):
            mine.append(order_lot(drawn, key, number, qty, LeadTime(mean, sd), life, placed_day=placed))
    return mine


def _shelf(
    drawn: Drawn, rows: list[int], needs: list[ShelfNeeds], more: Sequence[Sequence[MoreLot]]
) -> Shelf:
    runs = drawn.runs
    held: dict[int, list[MoreLot]] = {}
    for row, asked in zip(rows, needs, strict=True):
        if row not in held:
            held[row] = _lots_of(drawn, row, asked)
    slots = [[*held[row], *besides] for row, besides in zip(rows, more, strict=True)]
    width = max(max((len(mine) for mine in slots), default=0), 1)
    shape = (width, len(rows) * runs)
    qty = np.zeros(shape)
    first, last = np.full(shape, NEVER, dtype=np.int32), np.full(shape, NEVER, dtype=np.int32)
    for number, mine in enumerate(slots):
        cells = slice(number * runs, (number + 1) * runs)
        for slot, (pieces, begins, finishes) in enumerate(mine):
            qty[slot, cells], first[slot, cells], last[slot, cells] = pieces, begins, finishes
    return Shelf(qty, first, last)


def _rules(drawn: Drawn, rows: list[int]) -> Rules:
    shelves = drawn.model.shelves.iloc[rows]

    def spread(name: str) -> Floats:
        return np.repeat(shelves[name].to_numpy(dtype=np.float64), drawn.runs)

    leads = np.empty((len(drawn.reviews), len(rows) * drawn.runs), dtype=np.int32)
    times = shelves[["lead_mean_days", "lead_sd_days"]].to_numpy(dtype=np.float64).tolist()
    for number, (key, (mean, sd)) in enumerate(zip(_keys(drawn, rows), times, strict=True)):
        table = LeadTime(mean, sd).table()
        draws = stream(drawn.seed, LEAD, *key).integers(
            0, STEPS, (len(drawn.reviews), drawn.runs), dtype=np.uint16
        )
        leads[:, number * drawn.runs : (number + 1) * drawn.runs] = table[draws]
    life = np.minimum(spread("life_on_arrival_days"), NEVER).astype(np.int32)
    return Rules(
        spread("reorder_point"),
        spread("order_up_to"),
        spread("pack"),
        spread("moq"),
        spread("price"),
        spread("order_cost"),
        spread("money"),
        life,
        spread("must_last_days").astype(np.int32),
        leads,
    )


def _keys(drawn: Drawn, rows: list[int]) -> list[ShelfKey]:
    pairs = drawn.model.shelves.loc[rows, ["item", "place"]].to_numpy(dtype=np.int64).tolist()
    return [(item, place) for item, place in pairs]


def whole_day(days: float) -> int:
    """A day as a whole number; NEVER for one that is infinite or missing."""
    return NEVER if not np.isfinite(days) or days >= NEVER else int(days)
