"""Every piece of lots that are to be stopped: in stores, aboard, fitted, away with a unit, and still to come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Case, Q, QuerySet, When

from fleet.models import Deployment, Place, Unit
from inventory.models import Balance, FittedPart, Lot, OrderLine

STORES, ABOARD, FITTED = "stores", "aboard", "fitted"
MOST_LOTS = 500


@dataclass(frozen=True, slots=True)
class Piece:
    """So much of a lot in one spot. `deployment` is set while the unit is away on it."""

    lot: Lot
    how: str
    qty: Decimal
    place: Place | None = None
    unit: Unit | None = None
    position: str = ""
    deployment: Deployment | None = None


def lots_to_stop(*, item: str = "", lot: str = "", serial: str = "") -> QuerySet[Lot]:
    """Lots of an item (its code), with this lot number (split lots of it too), with this serial; none without a word.

    Those that are not recalled yet stand first, so that a list that is cut off never hides them behind the others.
    """
    rows = Lot.objects.select_related("item")
    if not (item or lot or serial):
        return rows.none()
    if item:
        rows = rows.filter(item__code__iexact=item)
    if lot:
        rows = rows.filter(
            Q(code__iexact=lot) | Q(split_from__code__iexact=lot) | Q(code__istartswith=f"{lot}/")
        )
    if serial:
        rows = rows.filter(serial__iexact=serial)
    done = Case(When(status=Lot.Status.RECALLED, then=1), default=0)
    return rows.order_by(done, "item__name", "code")


def pieces_of(lots: Sequence[Lot], day: date) -> list[Piece]:
    """Where every piece of them is now. Three queries, whatever the number of lots."""
    by_key = {lot.pk: lot for lot in lots}
    held = Balance.objects.filter(lot__in=by_key, qty__gt=0).select_related("place", "unit__home")
    fitted = FittedPart.objects.filter(lot__in=by_key, removed_at__isnull=True).select_related("unit__home")
    spots: list[Any] = list(held.order_by("lot", "pk"))
    parts: list[Any] = list(fitted.order_by("lot", "unit__tag", "position"))
    units = {row.unit_id for row in [*spots, *parts] if row.unit_id}
    away: dict[int, Any] = {
        row.unit_id: row
        for row in Deployment.objects.filter(unit__in=units, started_on__lte=day)
        .exclude(ended_on__lt=day)
        .select_related("site")
    }
    found = [
        Piece(
            by_key[row.lot_id],
            STORES if row.place_id else ABOARD,
            row.qty,
            place=row.place,
            unit=row.unit,
            deployment=away.get(row.unit_id or 0),
        )
        for row in spots
    ]
    found += [
        Piece(
            by_key[row.lot_id],
            FITTED,
            Decimal(1),
            unit=row.unit,
            position=row.position,
            deployment=away.get(row.unit_id),
        )
        for row in parts
    ]
    return sorted(found, key=lambda piece: (piece.lot.item.name, piece.lot.code, piece.how))


def still_to_come_of(item_code: str) -> list[Any]:
    """Open orders for a model that is recalled: they are to be stopped by hand, with the supplier. One query."""
    lines: Any = OrderLine.objects.with_received()
    rows = lines.filter(
        ~Q(order__state__in=["closed", "cancelled"]), item__code__iexact=item_code, open_qty__gt=0
    )
    return list(rows.select_related("item", "order__supplier", "order__place"))
