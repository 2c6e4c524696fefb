"""Dated netting: which lot serves which need, what runs short and when, what expires unused and when.

Each item in each place is a shelf of its own. Taking the earliest expiry first is proven best for a shelf
(`inventory.domain.fefo`):
the largest possible total is served, and the least possible quantity expires. Where needs of different rank compete,
or goods could be moved, `inventory.domain.netting.moves` solves the flow exactly.

Inputs: `inventory.domain.netting.columns`. A million lots take seconds (`tests/benchmarks/test_bench_planning.py`).
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from inventory.domain.fefo import NEVER, Floats, Ints, take
from inventory.domain.netting.columns import Lots, Needs, as_dates

# Beyond this many lots a shelf is walked through need by need instead of lot by lot.
MANY_LOTS = 128


@dataclass(frozen=True, slots=True)
class Netting:
    """The plan of issues: row numbers into `lots` and `needs`, and quantities in base units.

    `issue_lot`, `issue_need`, `issue_qty` one entry an issue, in order of need day; `short` (needs), `left` (lots):
    what a need does not get, what a lot keeps. Lots whose expiry is unknown or that may not be used serve nothing and
    keep everything.
    """

    lots: Lots
    needs: Needs
    issue_lot: Ints
    issue_need: Ints
    issue_qty: Floats
    short: Floats
    left: Floats

    def expires_unused(self, horizon: int) -> Floats:
        """What each lot loses before the day number `horizon` (its last day lies before it), shape (lots,)."""
        return np.where(self.lots.known & (self.lots.last_day < horizon), self.left, 0.0)

    def shelves(self, horizon: int) -> pd.DataFrame:
        """One row an item and place: on_hand, not_usable, planned, short, first_short, expires_unused, first_expiry, left.

        `on_hand` is everything on the shelf and on order, `not_usable` what may not be used or has no known expiry,
        `planned` what the needs take of it; `left` is neither taken nor lost before `horizon`.
        """
        lots, needs = self.lots, self.needs
        lost = self.expires_unused(horizon)
        of_lots = pd.DataFrame(
            {
                "item": lots.item,
                "place": lots.place,
                "on_hand": lots.qty,
                "not_usable": np.where(lots.known, 0.0, lots.qty),
                "expires_unused": lost,
                "first_expiry": np.where(lost > 0, lots.last_day, NEVER),
                "left": np.where(lots.known, self.left - lost, 0.0),
            }
        )
        of_needs = pd.DataFrame(
            {
                "item": needs.item,
                "place": needs.place,
                "planned": needs.qty - self.short,
                "short": self.short,
                "first_short": np.where(self.short > 0, needs.day, NEVER),
            }
        )
        shelf = ["item", "place"]
        sums = {
            "on_hand": "sum",
            "not_usable": "sum",
            "expires_unused": "sum",
            "first_expiry": "min",
            "left": "sum",
        }
        table = (
            of_lots.groupby(shelf)
            .agg(sums)
            .join(
                of_needs.groupby(shelf).agg({"planned": "sum", "short": "sum", "first_short": "min"}),
                how="outer",
            )
        )
        for name in ("first_short", "first_expiry"):
            table[name] = as_dates(table[name].fillna(NEVER).to_numpy(dtype=np.int64))
        return table.fillna(
            dict.fromkeys(("on_hand", "not_usable", "expires_unused", "left", "planned", "short"), 0.0)
        ).reset_index()


def net(lots: Lots, needs: Needs) -> Netting:
    """Serves the needs of every item and place in the order of their days, earliest expiry first.

    Ties: needs of one day by rank, then by key; lots of one expiry by arrival, then key.
    The order of the rows changes nothing.
    """
    usable = np.flatnonzero(lots.known & (lots.qty > 0))
    wanted = np.flatnonzero(needs.qty > 0)
    shelf_of = _shelves(lots, needs, usable, wanted)
    lot_shelf, need_shelf = shelf_of[: len(usable)], shelf_of[len(usable) :]
    lot_order = np.lexsort((lots.lot[usable], lots.first_day[usable], lots.last_day[usable], lot_shelf))
    need_order = np.lexsort((needs.need[wanted], needs.rank[wanted], needs.day[wanted], need_shelf))
    rows, asked = usable[lot_order], wanted[need_order]
    lot_shelf, need_shelf = lot_shelf[lot_order], need_shelf[need_order]
    count = int(shelf_of.max()) + 1 if len(shelf_of) else 0
    lot_start = np.searchsorted(lot_shelf, np.arange(count + 1))
    need_start = np.searchsorted(need_shelf, np.arange(count + 1))
    lot_count, need_count = np.diff(lot_start), np.diff(need_start)

    left, short = lots.qty.copy(), needs.qty.copy()
    issues: list[tuple[Ints, Ints, Floats]] = []
    both = (lot_count > 0) & (need_count > 0)
    widths = np.where(
        lot_count > MANY_LOTS, 0, 2 ** np.ceil(np.log2(np.maximum(lot_count, 1))).astype(np.int64)
    )
    for width in np.unique(widths[both]):
        shelves = np.flatnonzero(both & (widths == width))
        if width == 0:
            for shelf in shelves:
                mine = rows[lot_start[shelf] : lot_start[shelf + 1]]
                theirs = asked[need_start[shelf] : need_start[shelf + 1]]
                issues.append(_one_long_shelf(lots, needs, mine, theirs, left, short))
        else:
            shelves = shelves[np.argsort(-need_count[shelves], kind="stable")]
            issues += _many_shelves(
                lots, needs, rows, asked, lot_start[shelves], lot_count[shelves],
                need_start[shelves], need_count[shelves], int(width), left, short,
            )  # fmt: skip
    lot_rows, need_rows, qty = _joined(issues)
    order = np.lexsort((lots.last_day[lot_rows], needs.need[need_rows], needs.day[need_rows]))
    return Netting(lots, needs, lot_rows[order], need_rows[order], qty[order], short, left)


def _shelves(lots: Lots, needs: Needs, usable: NDArray[np.intp], wanted: NDArray[np.intp]) -> Ints:
    """A running number for each (item, place), lots first, then needs."""
    item = np.concatenate([lots.item[usable], needs.item[wanted]])
    place = np.concatenate([lots.place[usable], needs.place[wanted]])
    _, item_code = np.unique(item, return_inverse=True)
    names, place_code = np.unique(place, return_inverse=True)
    codes: Ints = np.unique(item_code * max(len(names), 1) + place_code, return_inverse=True)[1]
    return codes


def _many_shelves(
    lots: Lots,
    needs: Needs,
    rows: NDArray[np.intp],
    asked: NDArray[np.intp],
    lot_start: NDArray[np.intp],
    lot_count: NDArray[np.intp],
    need_start: NDArray[np.intp],
    need_count: NDArray[np.intp],
    width: int,
    left: Floats,
    short: Floats,
) -> list[tuple[Ints, Ints, Floats]]:
    """All shelves of at most `width` lots, the j-th need of each in one pass; shelves come with the most needs first."""
    slot = np.arange(width)[:, None]
    there = slot < lot_count[None, :]
    place = rows[np.where(there, lot_start[None, :] + slot, 0)]
    qty = np.where(there, lots.qty[place], 0.0)
    first, last = lots.first_day[place], lots.last_day[place]
    issues = []
    for j in range(int(need_count[0])):
        active = int(np.searchsorted(-need_count, -j, side="left"))
        need = asked[need_start[:active] + j]
        on_shelf = qty[:, :active]
        taken = np.zeros_like(on_shelf)
        rest = take(
            on_shelf,
            first[:, :active],
            last[:, :active],
            needs.day[need],
            needs.lasts_to[need],
            needs.qty[need],
            taken=taken,
        )
        short[need] = rest
        k, shelf = np.nonzero(taken)
        issues.append((place[k, shelf], need[shelf], taken[k, shelf]))
    left[place[there]] = qty[there]
    return issues


def _one_long_shelf(
    lots: Lots, needs: Needs, mine: NDArray[np.intp], theirs: NDArray[np.intp], left: Floats, short: Floats
) -> tuple[Ints, Ints, Floats]:
    """A shelf of many lots: those that are there from the start with a pointer past the empty ones, later ones in a
    sorted list."""
    day = needs.day[theirs].tolist()
    begin = day[0]
    stays = lots.first_day[mine] <= begin
    now, later = mine[stays], mine[~stays]
    later = later[np.argsort(lots.first_day[later], kind="stable")]
    ends, rest = lots.last_day[now].tolist(), lots.qty[now].tolist()
    skip = list(range(len(now) + 1))
    arrivals = list(
        zip(lots.first_day[later].tolist(), lots.last_day[later].tolist(), later.tolist(), strict=True)
    )
    open_qty = dict(zip(later.tolist(), lots.qty[later].tolist(), strict=True))
    arrived: list[tuple[int, int, int, int]] = []
    turn = 0
    out_lot: list[int] = []
    out_need: list[int] = []
    out_qty: list[float] = []

    def next_full(k: int) -> int:
        root = k
        while skip[root] != root:
            root = skip[root]
        while skip[k] != root:
            skip[k], k = root, skip[k]
        return root

    wants = zip(
        theirs.tolist(), day, needs.lasts_to[theirs].tolist(), needs.qty[theirs].tolist(), strict=True
    )
    for need, on, until, want in wants:
        while turn < len(arrivals) and arrivals[turn][0] <= on:
            first, last, row = arrivals[turn]
            insort(arrived, (last, first, int(lots.lot[row]), row))
            turn += 1
        k = next_full(bisect_left(ends, until))
        a = bisect_left(arrived, (until,))
        while want > 0 and (k < len(now) or a < len(arrived)):
            if a >= len(arrived) or (k < len(now) and ends[k] <= arrived[a][0]):
                got = min(rest[k], want)
                rest[k] -= got
                row = int(now[k])
                if rest[k] <= 0:
                    skip[k] = k + 1
                    k = next_full(k)
            else:
                row = arrived[a][3]
                got = min(open_qty[row], want)
                open_qty[row] -= got
                if open_qty[row] <= 0:
                    arrived.pop(a)
            want -= got
            out_lot.append(row)
            out_need.append(need)
            out_qty.append(got)
        short[need] = want
    left[now] = rest
    left[list(open_qty)] = list(open_qty.values())
    return np.array(out_lot, dtype=np.int64), np.array(out_need, dtype=np.int64), np.array(out_qty)


def _joined(issues: Sequence[tuple[Ints, Ints, Floats]]) -> tuple[Ints, Ints, Floats]:
    if not issues:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
    lot, need, qty = (np.concatenate(parts) for parts in zip(*issues, strict=True))
    return lot, need, qty
