"""Walks many shelves through their days at once: needs by earliest expiry, expiry, reviews and orders, all futures
side by side.

A cell is one item in one place in one future. Between two reviews only the needs matter, so the walk goes from need to
need (the j-th need of every cell in one pass) and not from day to day; nothing happens on the days between. On a
review day: what has expired is taken off, the position is looked at and an order is placed, then the needs of that day
are met. Goods ordered arrive in the morning of their day. What cannot be served is short and not waited for. The rule
of taking is `inventory.domain.fefo.take`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inventory.domain.fefo import NEVER, Floats, Ints, take
from inventory.domain.netting.columns import Bools

Days = NDArray[np.int32]


@dataclass(slots=True)
class Shelf:
    """Lots of n cells, (K, n) each: quantity, there from, usable through. Empty slots have quantity 0."""

    qty: Floats
    first: Days
    last: Days

    def sort(self, cells: Ints | None = None) -> None:
        """Brings the lots into the order of their expiry (ties by arrival), in all cells or in those named."""
        where = slice(None) if cells is None else cells
        order = np.lexsort((self.first[:, where], self.last[:, where]), axis=0)
        self.qty[:, where] = np.take_along_axis(self.qty[:, where], order, axis=0)
        self.first[:, where] = np.take_along_axis(self.first[:, where], order, axis=0)
        self.last[:, where] = np.take_along_axis(self.last[:, where], order, axis=0)

    def add_slot(self) -> None:
        n = self.qty.shape[1]
        self.qty = np.concatenate([self.qty, np.zeros((1, n))])
        self.first = np.concatenate([self.first, np.full((1, n), NEVER, dtype=np.int32)])
        self.last = np.concatenate([self.last, np.full((1, n), NEVER, dtype=np.int32)])


@dataclass(frozen=True, slots=True)
class NeedEvents:
    """Needs of all cells in order of cell and day: cell c has rows start[c] .. start[c + 1] - 1."""

    start: Ints
    day: Days
    lasts_to: Days
    qty: Floats


@dataclass(frozen=True, slots=True)
class Rules:
    """How cells are replenished, (n,) each; money in one currency, days whole. `lead_days` (R, n): of an order placed
    at review r."""

    reorder_point: Floats
    order_up_to: Floats
    pack: Floats
    moq: Floats
    price: Floats
    order_cost: Floats
    money: Floats
    life_days: Days
    must_last_days: Days
    lead_days: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Walked:
    """What became of n cells. `rest` (needs,): short of each need; `usable` (R, n) at each review, before its order arrives.

    `first_short` day, NEVER where nothing is short; `spent` (R, n) at each review.
    """

    rest: Floats
    short: Floats
    first_short: Days
    wasted: Floats
    ordered: Floats
    left: Floats
    usable: NDArray[np.float32]
    spent: NDArray[np.float32]


def walk(shelf: Shelf, needs: NeedEvents, rules: Rules, *, reviews: Ints, horizon: int) -> Walked:
    """Walks all cells from day 0 to the morning of day `horizon`; changes `shelf`. `reviews` ascending, the first is
    day 0."""
    shelf.sort()
    n = shelf.qty.shape[1]
    wasted, ordered, money = np.zeros(n), np.zeros(n), rules.money.copy()
    short, first_short = np.zeros(n), np.full(n, NEVER, dtype=np.int32)
    rest = np.zeros(len(needs.day))
    usable = np.zeros((len(reviews), n), dtype=np.float32)
    spent = np.zeros((len(reviews), n), dtype=np.float32)
    # how many needs each cell has before each of the next reviews
    span_of_day = np.searchsorted(reviews, np.arange(horizon), side="right") - 1
    cell = np.repeat(np.arange(n), np.diff(needs.start))
    counts = np.bincount(span_of_day[needs.day] * n + cell, minlength=n * len(reviews)).reshape(
        len(reviews), n
    )
    begin = needs.start[:-1]
    for r, day in enumerate(reviews.tolist()):
        _throw_out(shelf, wasted, day)
        usable[r] = _review(shelf, rules, r, day, ordered, money, spent[r])
        end = begin + counts[r]
        pending = np.flatnonzero(end > begin)
        row = begin[pending]
        while len(pending):
            _serve(shelf, needs, pending, row, rest, short, first_short)
            row = row + 1
            more = row < end[pending]
            pending, row = pending[more], row[more]
        begin = end
    _throw_out(shelf, wasted, horizon)
    return Walked(rest, short, first_short, wasted, ordered, shelf.qty.sum(axis=0), usable, spent)


def _throw_out(shelf: Shelf, wasted: Floats, day: int) -> None:
    """Takes off what was usable only through an earlier day."""
    for k in range(len(shelf.qty)):
        over = shelf.last[k] < day
        if over.any():
            gone = shelf.qty[k] * over
            wasted += gone
            shelf.qty[k] -= gone


def _review(
    shelf: Shelf, rules: Rules, r: int, day: int, ordered: Floats, money: Floats, spent: NDArray[np.float32]
) -> Floats:
    """Places the orders of a review; returns what is there and lasts."""
    lasts = day + rules.must_last_days
    position, there = np.zeros(len(lasts)), np.zeros(len(lasts))
    for k in range(len(shelf.qty)):
        good = shelf.qty[k] * (shelf.last[k] >= lasts)
        position += good
        there += good * (shelf.first[k] <= day)
    cells = np.flatnonzero((position <= rules.reorder_point) & (rules.order_up_to > position))
    if not len(cells):
        return there
    pack, price = rules.pack[cells], rules.price[cells]
    # a quantity that is whole packs up to rounding is not raised by one more
    packs = np.ceil(np.maximum(rules.order_up_to[cells] - position[cells], rules.moq[cells]) / pack - 1e-9)
    left = money[cells] - rules.order_cost[cells]
    with np.errstate(divide="ignore", invalid="ignore"):
        most = np.where(np.isinf(left) | (price == 0), np.inf, np.floor(left / (price * pack) + 1e-9))
    packs = np.minimum(packs, np.maximum(most, 0.0))
    enough = (packs > 0) & (packs * pack >= rules.moq[cells] - 1e-9) & (left >= 0)
    cells, qty, price = cells[enough], (packs * pack)[enough], price[enough]
    if not len(cells):
        return there
    arrives = day + rules.lead_days[r, cells]
    ends = np.minimum(arrives.astype(np.int64) + rules.life_days[cells], NEVER).astype(np.int32)
    empty = shelf.qty[:, cells] == 0
    if not empty.any(axis=0).all():
        shelf.add_slot()
        empty = shelf.qty[:, cells] == 0
    slot = empty.argmax(axis=0)
    shelf.qty[slot, cells], shelf.first[slot, cells], shelf.last[slot, cells] = qty, arrives, ends
    shelf.sort(cells)
    cost = qty * price + rules.order_cost[cells]
    ordered[cells] += qty
    money[cells] -= cost
    spent[cells] += cost
    return there


def _serve(
    shelf: Shelf, needs: NeedEvents, cells: Ints, row: Ints, rest: Floats, short: Floats, first_short: Days
) -> None:
    """The next need of each of these cells."""
    day = needs.day[row]
    all_of_them = len(cells) == shelf.qty.shape[1]
    missing = take(
        shelf.qty,
        shelf.first,
        shelf.last,
        day,
        needs.lasts_to[row],
        needs.qty[row],
        shelves=None if all_of_them else cells,
    )
    rest[row] = missing
    lacking = missing > 0
    where = cells[lacking]
    short[where] += missing[lacking]
    first_short[where] = np.minimum(first_short[where], day[lacking])


def no_orders(n: int, reviews: int) -> Rules:
    """Rules of cells that are never replenished."""
    zeros, none = np.zeros(n), np.zeros(n, dtype=np.int32)
    return Rules(
        np.full(n, -1.0),
        zeros,
        np.ones(n),
        zeros,
        zeros,
        zeros,
        zeros,
        none,
        none,
        np.zeros((reviews, n), dtype=np.int32),
    )


def short_flags(walked: Walked) -> Bools:
    """Whether each need went short, (needs,)."""
    return walked.rest > 0
