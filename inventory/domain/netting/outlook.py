"""The outlook of every shelf as one table, and what moving goods between places would save, item by item.

The table takes earliest expiry first on each shelf (`plan.net`: fast for any number of items). The saving is solved exactly
(`moves.best_flow`), which is why it is asked for the items somebody looks at, not for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from inventory.domain.fefo import Floats, Ints
from inventory.domain.netting.columns import Bools, Lots, Needs
from inventory.domain.netting.moves import best_flow
from inventory.domain.netting.plan import net

Columns = TypeVar("Columns", Lots, Needs)
SHELF = ["item", "place"]
QUANTITIES = [
    "on_hand", "usable", "lasts", "not_usable", "incoming", "needed", "short", "expires_unused", "expires_incoming",
]  # fmt: skip


def shelf_outlook(lots: Lots, incoming: Bools, needs: Needs, *, horizon: int) -> pd.DataFrame:
    """One row an item and place, quantities in base units, through the day number `horizon`.

    `incoming` (lots,) marks what is on order. `on_hand`: all that lies there, `not_usable` the part of it that may not be
    used, `usable` the rest, `lasts` what of that is used in time or outlives the horizon. `incoming`: on order with a day
    and a life that count. `needed`, `short` with `first_short`; `expires_unused` (on the shelf) and `expires_incoming` with
    `first_expiry`. Days are datetime64[D], NaT where there is none.
    """
    due = _take(needs, np.flatnonzero(needs.day <= horizon))
    plan = net(lots, due)
    lost = plan.expires_unused(horizon)
    here, served = ~incoming, lots.known
    of_lots = pd.DataFrame(
        {
            "item": lots.item,
            "place": lots.place,
            "on_hand": np.where(here, lots.qty, 0.0),
            "usable": np.where(here & served, lots.qty, 0.0),
            "lasts": np.where(here & served, lots.qty - lost, 0.0),
            "not_usable": np.where(here & ~served, lots.qty, 0.0),
            "incoming": np.where(incoming & served, lots.qty, 0.0),
            "expires_unused": np.where(here, lost, 0.0),
            "expires_incoming": np.where(incoming, lost, 0.0),
            "first_expiry": np.where(lost > 0, lots.last_day.astype(np.float64), np.inf),
        }
    )
    of_needs = pd.DataFrame(
        {
            "item": due.item,
            "place": due.place,
            "needed": due.qty,
            "short": plan.short,
            "first_short": np.where(plan.short > 0, due.day.astype(np.float64), np.inf),
        }
    )
    lot_sums = {name: "sum" for name in QUANTITIES if name in of_lots} | {"first_expiry": "min"}
    need_sums = {"needed": "sum", "short": "sum", "first_short": "min"}
    table = of_lots.groupby(SHELF).agg(lot_sums).join(of_needs.groupby(SHELF).agg(need_sums), how="outer")
    for name in ("first_short", "first_expiry"):
        table[name] = _dates(table[name].to_numpy(dtype=np.float64))
    return table.fillna(dict.fromkeys(QUANTITIES, 0.0)).reset_index()


@dataclass(frozen=True, slots=True)
class ItemSaving:
    """What moving an item saves against every place by itself, base units; `moves` as in `best_flow`, none: nothing."""

    short_saved: float
    lost_saved: float
    moves: pd.DataFrame


def savings_by_item(
    lots: Lots, needs: Needs, items: Ints, *, horizon: int, today: int, routes: pd.DataFrame
) -> dict[int, ItemSaving]:
    """The saving of each of `items` that has moves to make. Every move of an item belongs to its one best plan."""
    mine = _take(lots, np.flatnonzero(np.isin(lots.item, items)))
    asked = _take(needs, np.flatnonzero(np.isin(needs.item, items) & (needs.day <= horizon)))
    apart = best_flow(mine, asked, horizon=horizon, today=today)
    moved = best_flow(mine, asked, horizon=horizon, today=today, routes=routes)
    short = _by_item(asked.item, apart.short - moved.short)
    lost = _by_item(mine.item, apart.expires_unused(mine, horizon) - moved.expires_unused(mine, horizon))
    moves = {int(item): moved.moves[moved.moves["item"] == item] for item in moved.moves["item"].unique()}
    return {item: ItemSaving(short.get(item, 0.0), lost.get(item, 0.0), rows) for item, rows in moves.items()}


def _by_item(item: Ints, amount: Floats) -> dict[int, float]:
    names, code = np.unique(item, return_inverse=True)
    sums = np.bincount(code, weights=amount, minlength=len(names))
    return {int(name): round(float(value), 6) for name, value in zip(names, sums, strict=True)}


def _take(columns: Columns, rows: NDArray[np.intp]) -> Columns:
    return type(columns)(*(getattr(columns, field.name)[rows] for field in fields(columns)))


def _dates(days: Floats) -> NDArray[np.datetime64]:
    known = np.isfinite(days)
    dates: NDArray[np.datetime64] = np.where(
        known, np.where(known, days, 0).astype(np.int64).astype("datetime64[D]"), np.datetime64("NaT", "D")
    )
    return dates
