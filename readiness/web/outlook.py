"""The outlook of the stores in words: a line for each item and depot, what a move would save, and what is not known."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import permutations
from typing import Any

import numpy as np
import pandas as pd
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.quantities import System
from fleet.models import Place
from fleet.web.days import short_day_words
from inventory.domain.netting.outlook import ItemSaving, savings_by_item, shelf_outlook
from inventory.models import Item
from inventory.selectors.spots import qty_text
from readiness.selectors.outlook import Doubt, StoreRecords
from readiness.selectors.snapshot import day_number

MOST_DOUBTS = 60
# So many items are solved for one answer: a page never has more, a file may (0.03 s each on a busy machine).
MOST_SOLVED = 200


@dataclass(frozen=True, slots=True)
class Shelf:
    """One item in one depot, base units; `expires` counts what is on order, too. What the table is sorted by."""

    item: Item
    place: Place
    name: str
    depot: str
    on_hand: float
    usable: float
    lasts: float
    not_usable: float
    incoming: float
    needed: float
    short: float
    expires: float
    first_short: dt.date | None
    first_expiry: dt.date | None


def shelves_of(records: StoreRecords, horizon: dt.date) -> list[Shelf]:
    """Every shelf with something on it, on order or asked of it."""
    table = shelf_outlook(records.lots, records.incoming, records.needs, horizon=day_number(horizon))
    found = []
    for row in table.to_dict("records"):
        item, place = records.items[int(row["item"])], records.depots[int(row["place"])]
        numbers = {
            name: round(float(row[name]), 3)
            for name in ("on_hand", "usable", "lasts", "not_usable", "incoming", "needed", "short")
        }
        found.append(
            Shelf(
                item=item,
                place=place,
                name=item.name.casefold(),
                depot=place.name,
                **numbers,
                expires=round(float(row["expires_unused"] + row["expires_incoming"]), 3),
                first_short=_date(row["first_short"]),
                first_expiry=_date(row["first_expiry"]),
            )
        )
    return found


def _date(value: Any) -> dt.date | None:
    return None if pd.isna(value) else pd.Timestamp(value).date()


def narrowed(
    shelves: Iterable[Shelf], *, depot: Place | None, words: Sequence[str], show_only: str
) -> list[Shelf]:
    """Those that the filters leave; `words` in small letters, `show_only` short, waste, moves or empty."""
    wanted = {
        "short": lambda shelf: shelf.short > 0,
        "waste": lambda shelf: shelf.expires > 0,
        "moves": lambda shelf: shelf.short > 0 or shelf.expires > 0,
    }.get(show_only, lambda shelf: True)
    return [
        shelf
        for shelf in shelves
        if (depot is None or shelf.place.pk == depot.pk)
        and all(word in shelf.name or word in shelf.item.code.casefold() for word in words)
        and wanted(shelf)
    ]


def in_order(shelves: Sequence[Shelf], fields: Sequence[str], *, descending: bool) -> list[Shelf]:
    """By the first field, lines without a value last; ties by item and depot."""
    ordered = sorted(shelves, key=lambda shelf: (shelf.name, shelf.item.code, shelf.depot))
    name = fields[0]
    known = [shelf for shelf in ordered if getattr(shelf, name) is not None]
    known.sort(key=lambda shelf: getattr(shelf, name), reverse=descending)
    return known + [shelf for shelf in ordered if getattr(shelf, name) is None]


def items_to_solve(shelves: Iterable[Shelf]) -> list[int]:
    """The items whose moves are asked for, in order: those that run short or expire, at most `MOST_SOLVED`."""
    wanted = {shelf.item.pk: None for shelf in shelves if shelf.short > 0 or shelf.expires > 0}
    return list(wanted)[:MOST_SOLVED]


def savings_of(
    records: StoreRecords, items: Sequence[int], *, today: dt.date, horizon: dt.date, road_days: int
) -> dict[int, ItemSaving]:
    """What moves between all depots would save of these items."""
    pairs = list(permutations(records.depots, 2))
    if not items or not pairs:
        return {}
    routes = pd.DataFrame(pairs, columns=["from_place", "to_place"]).assign(travel_days=road_days)
    return savings_by_item(
        records.lots,
        records.needs,
        np.array(items, dtype=np.int64),
        horizon=day_number(horizon),
        today=day_number(today),
        routes=routes,
    )


@dataclass(frozen=True, slots=True)
class OutlookLine:
    shelf: Shelf
    on_hand: str
    not_usable: str
    lasts: str
    incoming: str
    needed: str
    short: str
    first_short: str
    expires: str
    first_expiry: str
    moves: list[str]
    saves: str


def outlook_lines(
    records: StoreRecords,
    shelves: Iterable[Shelf],
    savings: dict[int, ItemSaving],
    *,
    today: dt.date,
    system: System,
) -> list[OutlookLine]:
    lines = []
    for shelf in shelves:

        def words(qty: float, item: Item = shelf.item) -> str:
            return _qty(qty, item, system)

        moves = move_words(records, shelf, savings.get(shelf.item.pk), today=today, system=system)
        lines.append(
            OutlookLine(
                shelf=shelf,
                on_hand=words(shelf.on_hand),
                not_usable=words(shelf.not_usable) if shelf.not_usable else "",
                lasts=words(shelf.lasts),
                incoming=words(shelf.incoming),
                needed=words(shelf.needed),
                short=words(shelf.short) if shelf.short else "",
                first_short=_from(shelf.first_short, today),
                expires=words(shelf.expires) if shelf.expires else "",
                first_expiry=short_day_words(shelf.first_expiry, today),
                moves=moves,
                saves=saving_words(savings[shelf.item.pk], shelf.item, system) if moves else "",
            )
        )
    return lines


def _from(day: dt.date | None, today: dt.date) -> str:
    if day is None:
        return ""
    return _("today") if day <= today else _("from %(day)s") % {"day": short_day_words(day, today)}


def _qty(qty: float, item: Item, system: System) -> str:
    return qty_text(Decimal(str(round(qty, 3))), item, system)


def move_words(
    records: StoreRecords, shelf: Shelf, saving: ItemSaving | None, *, today: dt.date, system: System
) -> list[str]:
    """What to bring to this shelf and what to send from it, the first to leave first."""
    if saving is None:
        return []
    moves = saving.moves
    mine = moves[(moves["to_place"] == shelf.place.pk) | (moves["from_place"] == shelf.place.pk)]
    found = []
    for move in mine.sort_values(["leave_by", "lot", "from_place", "to_place"]).to_dict("records"):
        brings = int(move["to_place"]) == shelf.place.pk
        other = records.depots[int(move["from_place"] if brings else move["to_place"])]
        lot, words = int(move["lot"]), _("Send %(qty)s of lot %(lot)s to %(depot)s by %(day)s")
        if lot < 0:
            words = _("Send on %(qty)s of order %(lot)s to %(depot)s by %(day)s")
        if brings and lot < 0:
            words = _("Bring %(qty)s of order %(lot)s from %(depot)s, leaving by %(day)s")
        elif brings:
            words = _("Bring %(qty)s of lot %(lot)s from %(depot)s, leaving by %(day)s")
        found.append(
            words
            % {
                "qty": _qty(float(move["qty"]), shelf.item, system),
                "lot": records.lot_names[lot],
                "depot": other.name,
                "day": short_day_words(_date(move["leave_by"]), today),
            }
        )
    return found


def saving_words(saving: ItemSaving, item: Item, system: System) -> str:
    """What all moves of an item save together."""
    short, lost = saving.short_saved, saving.lost_saved
    parts = []
    if short > 0:
        parts.append(_("%(qty)s less short") % {"qty": _qty(short, item, system)})
    if lost > 0:
        parts.append(_("%(qty)s less expires") % {"qty": _qty(lost, item, system)})
    if lost < 0:
        parts.append(_("%(qty)s more expires") % {"qty": _qty(-lost, item, system)})
    if short < 0:  # a need that grounds a unit was put before ones that do not
        parts.append(_("%(qty)s more short of what grounds nobody") % {"qty": _qty(-short, item, system)})
    told = ", ".join(parts) or _("what grounds a unit comes first")
    return _("All moves together: %(saved)s") % {"saved": told} if len(saving.moves) > 1 else told


FILE_NUMBERS = (
    "on_hand", "not_usable", "lasts", "incoming", "needed", "short", "first_short", "expires", "first_expiry",
)  # fmt: skip


def file_columns() -> list[str]:
    return [
        _("Item"), _("Code"), _("Depot"), _("Unit"), _("On hand"), _("Not usable"), _("Lasts to its use"), _("Incoming"),
        _("Needed"), _("Short"), _("First day short"), _("Expires unused"), _("First to expire"), _("Moves"),
        _("All moves of the item save"),
    ]  # fmt: skip


def file_rows(
    shelves: Iterable[Shelf], lines: Iterable[OutlookLine], solved: Collection[int]
) -> list[list[Any]]:
    """`solved`: the items whose moves were worked out; of others that would need it, the file says that they were not."""
    return [
        [
            shelf.item.name,
            shelf.item.code,
            shelf.depot,
            str(shelf.item.get_base_unit_display()),
            *(getattr(shelf, name) for name in FILE_NUMBERS),
            "; ".join(line.moves) if shelf.item.pk in solved else _left_out(shelf),
            line.saves,
        ]
        for shelf, line in zip(shelves, lines, strict=True)
    ]


def _left_out(shelf: Shelf) -> str:
    return _("not worked out: narrow the list") if shelf.short > 0 or shelf.expires > 0 else ""


def doubt_words(records: StoreRecords, depot: Place | None, system: System) -> tuple[list[str], int]:
    """Sentences about what counted for the worse, and how many more there are than are told."""
    mine = [doubt for doubt in records.doubts if depot is None or doubt.place == depot.pk]
    mine.sort(key=lambda doubt: (doubt.what, records.depots[doubt.place].name, doubt.name))
    return [_doubt(records, doubt, system) for doubt in mine[:MOST_DOUBTS]], max(len(mine) - MOST_DOUBTS, 0)


def _doubt(records: StoreRecords, doubt: Doubt, system: System) -> str:
    sentence = {
        "expiry_unknown": _(
            "%(depot)s: lot %(name)s of %(item)s (%(qty)s) has no expiry date on file and counts as not usable."
        ),
        "no_day": _(
            "%(depot)s: %(qty)s of %(item)s on order %(name)s are promised for no day and are not counted on."
        ),
        "late": _(
            "%(depot)s: %(qty)s of %(item)s on order %(name)s are late and are not counted on until a new day is promised."
        ),
        "life_unknown": _(
            "%(depot)s: nobody has said how long %(qty)s of %(item)s on order %(name)s last when they come, so they are not "
            "counted on."
        ),
        "kit_uncounted": _(
            "%(depot)s: the kit of %(name)s was never counted; the whole of it is asked of the stores."
        ),
        "part_unknown": _(
            "%(depot)s: it is not known how long parts of %(name)s still last; new ones are asked for today."
        ),
        "call_length": _(
            "%(depot)s: %(name)s is reserved for a call of no stated length; a standard mission is asked for."
        ),
        "mission_length": _(
            "%(depot)s: no standard mission length is stated; kits are asked for once, lasting the day they go aboard."
        ),
    }[doubt.what]
    item = records.items[doubt.item] if doubt.item is not None else None
    return sentence % {
        "depot": records.depots[doubt.place].name,
        "name": doubt.name,
        "item": item.name if item else "",
        "qty": _qty(float(doubt.qty), item, system) if item else "",
    }


def summary(shelves: Sequence[Shelf]) -> str:
    """One sentence on top: how many lines run short, and on how many something expires."""
    short = sum(shelf.short > 0 for shelf in shelves)
    waste = sum(shelf.expires > 0 for shelf in shelves)
    runs = ngettext("%(n)d line runs short", "%(n)d lines run short", short) % {"n": short}
    lost = ngettext("on %(n)d something expires unused", "on %(n)d something expires unused", waste) % {
        "n": waste
    }
    return f"{runs}, {lost}."
