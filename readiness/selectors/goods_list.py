"""The list of goods of one unit for the page on which it is kept: what is known, what is missing, who looked at what."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from fleet.domain.dangerous_goods.answers import decide_items
from fleet.domain.dangerous_goods.records import KINDS, Goods, Item
from fleet.domain.dangerous_goods.words import Mode
from fleet.domain.transport.records import ListWord
from fleet.lib.dates import find_zone
from fleet.models import BankStay, Unit
from fleet.selectors.editions import rules_in_force
from inventory.models import GoodsCheck
from inventory.selectors.spots import day_at
from readiness.selectors.snapshot import standard_offset_days
from readiness.selectors.transport import load_transport, terms_on
from readiness.selectors.transport_checks import HARMFUL, Checks

# Facts that a look answers, and the kind of look.
LOOKS = {
    "condition": "condition",
    "terminals_protected": "terminals",
    "upright_secured": "upright",
    "sp598_ok": "ticks_adr",
    "us_159e_ok": "ticks_us",
    "fuel_state": "tank",
    "tank_fill_pct": "tank",
    "fuel_l": "tank",
    "soc_pct": "charge",
}
# Facts of a bank that are no look: its charge is a reading.
READ_OF_A_BANK = frozenset({"soc_pct"})
KIND_OF: dict[type[Item], str] = {record: kind for kind, record in KINDS.items()}


@dataclass(frozen=True)
class Look:
    """The latest check of a kind (None: nobody looked), and the last day on which it counts (None: it goes on counting)."""

    kind: str
    check: GoodsCheck | None
    through: dt.date | None
    fresh: bool


@dataclass(frozen=True)
class GoodsRow:
    """One line. `kind` '' when nobody has said what it is; `missing`: facts that some mode of transport still asks for."""

    key: str
    label: str
    kind: str
    known: Mapping[str, Any]
    missing: tuple[str, ...]
    looks: tuple[Look, ...]


@dataclass(frozen=True)
class GoodsPage:
    """The list; `word`: whether it counts as complete today, and through which day if nothing changes."""

    rows: tuple[GoodsRow, ...]
    word: ListWord
    through: dt.date | None

    @property
    def keys(self) -> list[str]:
        return [row.key for row in self.rows]


def goods_page(unit: Unit, *, now: dt.datetime) -> GoodsPage:
    """The list as the transport class reads it for a departure today. A fixed number of queries."""
    today = day_at(unit, now)
    terms = terms_on(today)
    (record,) = load_transport([unit], ship_date=today, now=now, terms=terms)
    items = [entry.item for entry in record.items]
    missing = _missing(items, today)
    offset = standard_offset_days(find_zone(unit.home.time_zone), now.year)
    checks = Checks([unit.pk], np.array([offset]), today, terms)
    found = GoodsCheck.objects.select_related("recorded_by")
    rows_by_id = found.in_bulk([looked.check_id for looked in checks.latest.values()])
    latest = {subject: rows_by_id[looked.check_id] for subject, looked in checks.latest.items()}
    banks = dict(BankStay.objects.current().filter(unit=unit).values_list("bank__serial", "bank_id"))
    rows = tuple(
        GoodsRow(
            key,
            entry.label,
            "" if entry.item == Goods() else KIND_OF[type(entry.item)],
            _known(entry.item),
            tuple(sorted(missing[entry.item] - _answered_by_looks(key))),
            _looks(_subject(key, banks), checks, latest, missing[entry.item], terms.soc_hours),
        )
        for key, entry in zip(record.keys, record.items, strict=True)
    )
    word = record.goods_list
    through = word.on + dt.timedelta(days=terms.list_days) if word.on else None
    return GoodsPage(rows, word, through)


def _missing(items: list[Item], day: dt.date) -> dict[Item, frozenset[str]]:
    """By item, what any mode of transport still asks for."""
    found: dict[Item, frozenset[str]] = dict.fromkeys(items, frozenset())
    rules = rules_in_force()
    for mode in Mode:
        for item, decision in zip(items, decide_items(items, mode, day, rules=rules), strict=True):
            found[item] |= frozenset(decision.missing)
    return found


def _known(item: Item) -> dict[str, Any]:
    """What is known without a look."""
    values = {field.name: getattr(item, field.name) for field in fields(item)}
    return {name: value for name, value in values.items() if value is not None and name not in LOOKS}


def _subject(key: str, banks: Mapping[str, int]) -> tuple[str, int] | None:
    """What a check of this line is about; items of the stores are not looked at here."""
    kind, _colon, name = key.partition(":")
    if kind == "bank":
        return "bank", banks[name]
    return ("line", int(name)) if kind == "line" else None


def _answered_by_looks(key: str) -> frozenset[str]:
    """Facts that stand under 'looked at'. No check can be about an item of the stores: what it lacks is missing."""
    if key.startswith("item:"):
        return frozenset()
    return frozenset(LOOKS) - (READ_OF_A_BANK if key.startswith("bank:") else frozenset())


def _looks(
    subject: tuple[str, int] | None,
    checks: Checks,
    latest: Mapping[tuple[str, int, str], GoodsCheck],
    missing: frozenset[str],
    soc_hours: int,
) -> tuple[Look, ...]:
    """The looks that are on file or asked for."""
    if subject is None:
        return ()
    looked_at = set(LOOKS) - (READ_OF_A_BANK if subject[0] == "bank" else frozenset())
    asked = {LOOKS[fact] for fact in missing & looked_at}
    found = []
    for kind in GoodsCheck.Kind.values:
        check = latest.get((*subject, kind))
        if check is not None and kind == GoodsCheck.Kind.CHARGE:
            last = (check.happened_at + dt.timedelta(hours=soc_hours)).date()
            found.append(Look(kind, check, last, "soc_pct" not in missing))
        elif check is not None:
            days = checks.days.get(kind, checks.other_days)
            lasting = check.answer in HARMFUL
            through = None if lasting else check.happened_at.date() + dt.timedelta(days=days)
            found.append(Look(kind, check, through, checks.answer(*subject, kind) is not None))
        elif kind in asked:
            found.append(Look(kind, None, None, False))
    return tuple(found)
