"""What lies where: balances, lots by expiry, picks, demand, and which units have a lot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Q, QuerySet, Sum

from fleet.models import Place, Unit
from inventory.models import Balance, FittedPart, Item, Lot, Movement


def balances_at(place: Place, *, item: Item | None = None) -> QuerySet[Balance]:
    """What lies in a place, lots by expiry (no date last), zero balances left out."""
    rows = Balance.objects.filter(place=place, qty__gt=0).select_related("lot__item", "place")
    if item is not None:
        rows = rows.filter(lot__item=item)
    return rows.order_by("lot__item__code", "lot__expires_on", "lot__code")


def balances_aboard(unit: Unit) -> QuerySet[Balance]:
    """What is aboard a unit besides its fitted parts, zero balances left out."""
    rows = Balance.objects.filter(unit=unit, qty__gt=0).select_related("lot__item")
    return rows.order_by("lot__item__code", "lot__expires_on", "lot__code")


def lots_by_expiry(
    *, place: Place | None = None, item: Item | None = None, through: date | None = None
) -> QuerySet[Balance]:
    """Balances in places by the expiry of their lot; with `through` those that expire by that day."""
    rows = Balance.objects.filter(place__isnull=False, qty__gt=0).select_related("lot__item", "place")
    if place is not None:
        rows = rows.filter(place=place)
    if item is not None:
        rows = rows.filter(lot__item=item)
    if through is not None:
        rows = rows.filter(lot__expires_on__lte=through)
    return rows.order_by("lot__expires_on", "lot__item__code", "lot__code", "pk")


def usable_on(day: date) -> Q:
    """Lots that may be issued on a day: good, not expired, and their expiry known (as in `refuse_unusable`)."""
    dated = Q(lot__expires_on__gte=day)
    undated = Q(lot__expires_on__isnull=True) & (Q(lot__no_expiry=True) | Q(lot__item__dated=False))
    return Q(lot__status=Lot.Status.GOOD) & (dated | undated)


@dataclass(frozen=True, slots=True)
class Picks:
    """Lots to take for a quantity, and what is still missing."""

    picks: list[tuple[Lot, Decimal]]
    missing: Decimal


def first_expiring(*, item: Item, place: Place, qty: Decimal, day: date) -> Picks:
    """Which usable lots to issue for a quantity, the first to expire first. One query."""
    left = qty
    picks: list[tuple[Lot, Decimal]] = []
    rows = balances_at(place, item=item).filter(usable_on(day))
    for row in sorted(rows, key=lambda balance: (balance.lot.expires_on or date.max, balance.lot_id)):
        if left <= 0:
            break
        take = min(left, row.qty)
        picks.append((row.lot, take))
        left -= take
    return Picks(picks, max(left, Decimal(0)))


def units_with_lot(lot: Lot) -> set[int]:
    """Units that have some of a lot aboard or in a position. Two queries."""
    aboard = Balance.objects.filter(lot=lot, unit__isnull=False, qty__gt=0).values_list("unit_id", flat=True)
    fitted = FittedPart.objects.filter(lot=lot, removed_at__isnull=True).values_list("unit_id", flat=True)
    return {unit for unit in [*aboard, *fitted] if unit is not None}


def standing() -> Q:
    """Movements that count: neither reversed nor a reversal."""
    return Q(reversed_by__isnull=True) & ~Q(kind=Movement.Kind.REVERSAL)


def demand_movements(items: Sequence[Item] | None = None) -> QuerySet[Movement]:
    """Use that is demand: stock used up, and not on an exercise."""
    rows = Movement.objects.filter(standing(), kind=Movement.Kind.USE).exclude(deployment__exercise=True)
    if items is not None:
        rows = rows.filter(lot__item__in=items)
    return rows.order_by("happened_at", "pk")


def balance_at(lot: Lot, where: Place | Unit, moment: datetime) -> Decimal:
    """What lay there at the end of a moment, as known now. Two queries."""
    side = "place" if isinstance(where, Place) else "unit"
    past = Movement.objects.filter(lot=lot, happened_at__lte=moment)
    came = past.filter(**{f"to_{side}": where}).aggregate(total=Sum("qty"))["total"] or Decimal(0)
    went = past.filter(**{f"from_{side}": where}).aggregate(total=Sum("qty"))["total"] or Decimal(0)
    return came - went
