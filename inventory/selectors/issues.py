"""What a depot can put aboard one of its units."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from django.db.models import F, Q, QuerySet

from fleet.models import DepotTerms, Place, Unit
from inventory.models import Balance, DesignItem, Item
from inventory.selectors.stock import usable_on


def mission_end(depot: Place, day: date) -> date:
    """The last day of the depot's standard mission if it began on `day` (that day where none is stated)."""
    terms = DepotTerms.objects.valid_on(day).filter(place=depot).first()
    return day + timedelta(days=(terms.mission_days or 0) if terms else 0)


def items_for(unit: Unit) -> QuerySet[Item]:
    """Items on the bill of a unit's design, or of which its depot holds some."""
    bill = DesignItem.objects.filter(design_id=unit.design_id, valid_to__isnull=True)
    held = Balance.objects.filter(place_id=unit.home_id, qty__gt=0)
    return Item.objects.filter(
        Q(pk__in=bill.values("item_id")) | Q(pk__in=held.values("lot__item_id"))
    ).order_by("name")


def issuable(item: Item, depot: Place, day: date) -> list[Balance]:
    """What a depot holds of an item that may be issued on a day, the first to expire first. One query."""
    return list(
        Balance.objects.filter(usable_on(day), place=depot, lot__item=item, qty__gt=0)
        .select_related("lot__item")
        .order_by(F("lot__expires_on").asc(nulls_last=True), "lot_id")
    )


def aboard_of(unit: Unit, item: Item) -> Decimal:
    """How much of an item lies aboard, whatever its date. One query."""
    rows = Balance.objects.filter(unit=unit, lot__item=item, qty__gt=0).values_list("qty", flat=True)
    return sum(rows, Decimal(0))
