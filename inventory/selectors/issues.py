"""What a depot can put aboard one of its units."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from django.db.models import F, Q, QuerySet

from fleet.models import DepotTerms, Place, Unit
from inventory.models import Balance, DesignItem, Item, PartDebt
from inventory.selectors.stock import usable_on


def mission_end(depot: Place, day: date) -> date | None:
    """The last day of the depot's standard mission if it began on `day`; None where its length is not stated."""
    terms = DepotTerms.objects.valid_on(day).filter(place=depot).first()
    if terms is None or terms.mission_days is None:
        return None
    return day + timedelta(days=terms.mission_days)


def items_for(unit: Unit, day: date) -> QuerySet[Item]:
    """Items that may be put aboard: of the design's bill on that day, in its depot, aboard, or owed to the unit.

    The last two are what debts and alerts link to, on the bill of today or not.
    """
    bill = DesignItem.objects.valid_on(day).filter(design_id=unit.design_id)
    there = Balance.objects.filter(Q(place_id=unit.home_id) | Q(unit=unit), qty__gt=0)
    owed = PartDebt.objects.filter(owed_to=unit, settled_at__isnull=True, item__isnull=False)
    return Item.objects.filter(
        Q(pk__in=bill.values("item_id"))
        | Q(pk__in=there.values("lot__item_id"))
        | Q(pk__in=owed.values("item_id"))
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
