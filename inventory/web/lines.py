"""Balances, lots and movements as a line of a table says them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _

from fleet.lib.quantities import System
from fleet.models import Place, Unit
from fleet.permissions import Rights
from fleet.web.days import distance_words, moment_words
from fleet.web.site import unit_system
from inventory.domain.lots import lot_hindrance
from inventory.models import Balance, Lot, Movement
from inventory.selectors.spots import depot_of, qty_text, right_to_reverse, spot_value


def system_of(request: HttpRequest) -> System:
    """The units of measure this person chose."""
    return "us" if unit_system(request) == "us" else "si"


def unit_url(unit: Unit | None) -> str:
    """The page of a unit lives in an app above: named, not imported; empty while there is none."""
    if unit is None:
        return ""
    try:
        return reverse("readiness:unit-show", args=[unit.tag])
    except NoReverseMatch:
        return ""


@dataclass(frozen=True)
class LotState:
    """Whether a lot may be used: `key` of the hindrance (empty: usable), the words, and whether it is soon over."""

    key: str
    words: str
    good: bool


def lot_state(lot: Lot, day: dt.date) -> LotState:
    key = lot_hindrance(
        status=lot.status, expires_on=lot.expires_on, no_expiry=lot.no_expiry, dated=lot.item.dated, day=day
    )
    words = {
        "": _("usable"),
        "recalled": _("recalled"),
        "quarantine": _("in quarantine"),
        "expired": _("expired"),
        "expiry_unknown": _("expiry not known"),
    }[key]
    return LotState(key, words, not key)


def expiry_note(lot: Lot, day: dt.date) -> str:
    """What stands beside the date, or in its place."""
    if lot.expires_on is not None:
        return distance_words(lot.expires_on, day)
    return _("has none") if lot.no_expiry or not lot.item.dated else _("not known")


@dataclass(frozen=True)
class StockLine:
    row: Balance
    lot: Lot
    qty: str
    where: str
    where_url: str
    state: LotState
    expiry: str
    spot: str
    may_move: bool


def stock_lines_of(
    rows: Iterable[Balance], *, day: dt.date, system: System, rights: Rights
) -> list[StockLine]:
    return [
        StockLine(
            row=row,
            lot=row.lot,
            qty=qty_text(row.qty, row.lot.item, system),
            where=str(row.place or row.unit),
            where_url=unit_url(row.unit),
            state=lot_state(row.lot, day),
            expiry=expiry_note(row.lot, day),
            spot=spot_value(row.place or row.unit),
            may_move=rights.can("stock", depot_of(row.place or row.unit)),
        )
        for row in rows
    ]


@dataclass(frozen=True)
class MovementLine:
    row: Movement
    when: str
    recorded: str
    kind: str
    qty: str
    origin: str
    target: str
    note: str
    may_reverse: bool
    late: bool


def movement_lines_of(rows: Iterable[Movement], *, system: System, rights: Rights) -> list[MovementLine]:
    """No query: the rows are from `selectors.pages.movement_lines`."""
    lines = []
    for row in rows:
        ends = [end for end in (row.from_place, row.from_unit, row.to_place, row.to_unit) if end is not None]
        zone = zone_of(ends)
        needed = right_to_reverse(row)
        counts = not row.reversed and row.kind != Movement.Kind.REVERSAL  # type: ignore[attr-defined]
        lines.append(
            MovementLine(
                row=row,
                when=moment_words(row.happened_at, zone),
                recorded=moment_words(row.recorded_at, zone),
                kind=str(row.get_kind_display()),
                qty=_qty_of(row, system),
                origin=_end(row.from_place, row.from_unit, row, Movement.Kind.REMOVE),
                target=_end(row.to_place, row.to_unit, row, Movement.Kind.FIT),
                note=row.reason,
                may_reverse=counts and needed is not None and rights.can(*needed),
                late=abs(row.recorded_at - row.happened_at) > dt.timedelta(days=1),
            )
        )
    return lines


def zone_of(ends: list[Any]) -> str:
    if not ends:
        return "UTC"
    first = ends[0]
    return str(first.time_zone if isinstance(first, Place) else first.home.time_zone)


def _qty_of(row: Movement, system: System) -> str:
    qty = qty_text(row.qty, row.lot.item, system)
    if row.kind != Movement.Kind.COUNT or row.counted_qty is None:
        return qty
    counted = qty_text(row.counted_qty, row.lot.item, system)
    if not row.qty:
        return _("%(counted)s, as on file") % {"counted": counted}
    if row.from_place_id or row.from_unit_id:
        return _("%(counted)s, %(qty)s fewer") % {"counted": counted, "qty": qty}
    return _("%(counted)s, %(qty)s more") % {"counted": counted, "qty": qty}


def _end(place: Place | None, unit: Unit | None, row: Movement, in_position: str) -> str:
    if place is not None:
        return place.name
    if unit is not None:
        return unit.tag
    if row.fitted_part is not None and row.kind in (in_position, Movement.Kind.REVERSAL):
        return row.fitted_part.position
    return ""
