"""Rows of the stores pages: each list in a fixed number of queries, however long it is."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from django.db.models import Count, DecimalField, Exists, F, Min, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from fleet.models import Place, Unit
from inventory.models import Balance, FittedPart, Item, Lot, Movement
from inventory.selectors.stock import usable_on

QTY = DecimalField(max_digits=15, decimal_places=3)
NOTHING = Value(Decimal(0), output_field=QTY)


def stock_lines(*, depot: Place | None) -> QuerySet[Balance]:
    """What lies in places and aboard units; with a depot: in it, or aboard units whose home it is."""
    rows = Balance.objects.filter(qty__gt=0).select_related("lot__item", "place", "unit__home")
    if depot is not None:
        rows = rows.filter(Q(place=depot) | Q(unit__home=depot))
    return rows


def item_lines(*, depot: Place | None, day: date) -> QuerySet[Item]:
    """Every item with what is usable, what is not, what is aboard, and when the first usable lot expires.

    Adds `usable_qty`, `unusable_qty`, `aboard_qty`, `next_expiry`.
    """
    here = Balance.objects.filter(lot__item=OuterRef("pk"), qty__gt=0)
    in_places = here.filter(place__isnull=False)
    aboard = here.filter(unit__isnull=False)
    aboard_qty = _sum_of(aboard)
    if depot is not None:
        in_places, aboard_qty = in_places.filter(place=depot), _aboard_units_of(depot)
    usable = in_places.filter(usable_on(day))
    return Item.objects.annotate(
        usable_qty=_sum_of(usable),
        unusable_qty=_sum_of(in_places) - _sum_of(usable),
        aboard_qty=aboard_qty,
        next_expiry=Subquery(
            usable.order_by().values("lot__item").annotate(first=Min("lot__expires_on")).values("first")
        ),
    )


def _sum_of(rows: QuerySet[Balance]) -> Coalesce:
    total = rows.order_by().values("lot__item").annotate(total=Sum("qty")).values("total")
    return Coalesce(Subquery(total, output_field=QTY), NOTHING)


def _aboard_units_of(depot: Place) -> Coalesce:
    """From the lots of an item outwards: from the units of the depot inwards, all would be walked again for each item."""
    mine = Q(balances__unit__home=depot, balances__qty__gt=0)
    lots = Lot.objects.filter(item=OuterRef("pk")).order_by().values("item")
    total = lots.annotate(total=Sum("balances__qty", filter=mine)).values("total")
    return Coalesce(Subquery(total, output_field=QTY), NOTHING)


def movement_lines() -> QuerySet[Movement]:
    """Movements with everything a line shows. Adds `reversed` (a reversal of it is on file)."""
    return Movement.objects.select_related(
        "lot__item",
        "from_place",
        "to_place",
        "from_unit__home",
        "to_unit__home",
        "recorded_by",
        "fitted_part",
        "deployment",
    ).annotate(reversed=Exists(Movement.objects.filter(reverses=OuterRef("pk"))))


def movements_of_depot(rows: QuerySet[Movement], depot: Place) -> QuerySet[Movement]:
    """Movements from, to or aboard what belongs to a depot."""
    units = Unit.objects.filter(home=depot).values("pk")
    return rows.filter(
        Q(from_place=depot) | Q(to_place=depot) | Q(from_unit__in=units) | Q(to_unit__in=units)
    )


def lot_spots(lot: Lot) -> list[Balance]:
    """Where a lot lies, most first. One query."""
    return list(
        Balance.objects.filter(lot=lot, qty__gt=0)
        .select_related("place", "unit__home", "lot__item")
        .order_by("-qty", "pk")
    )


def lot_fittings(lot: Lot) -> list[FittedPart]:
    """Where pieces of a lot sit now. One query."""
    parts = FittedPart.objects.filter(lot=lot, removed_at__isnull=True)
    return list(parts.select_related("unit__home", "lot__item").order_by("unit__tag", "position"))


def item_lots(item: Item) -> QuerySet[Lot]:
    """The lots of an item with what is left of each. Adds `on_hand` and `fitted` (pieces in positions)."""
    fitted = (
        FittedPart.objects.filter(lot=OuterRef("pk"), removed_at__isnull=True)
        .order_by()
        .values("lot")
        .annotate(n=Count("pk"))
        .values("n")
    )
    total = (
        Balance.objects.filter(lot=OuterRef("pk")).order_by().values("lot").annotate(n=Sum("qty")).values("n")
    )
    return (
        Lot.objects.filter(item=item)
        .select_related("item")
        .annotate(
            on_hand=Coalesce(Subquery(total, output_field=QTY), NOTHING), fitted=Coalesce(Subquery(fitted), 0)
        )
        .order_by(F("expires_on").asc(nulls_last=True), "code")
    )
