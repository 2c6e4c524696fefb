"""Orders as pages and rules read them: lists, what is on order already, what is late, and how long suppliers took."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import F, Q, QuerySet
from django.db.models.functions import Coalesce

from fleet.models import Place
from inventory.models import Item, Order, OrderLine, Receipt, Supplier, SupplyOffer

# A supplier who has not answered after so many days is asked. Common practice, no source.
ANSWER = timedelta(days=3)


def orders_shown(*, depot: Place | None) -> QuerySet[Order]:
    """Orders with their total and how far they have come; with a depot those for it."""
    rows = Order.objects.with_progress().select_related("supplier", "place", "created_by", "approved_by")
    return rows.filter(place=depot) if depot is not None else rows


def lines_of(order: Order) -> list[Any]:
    """The lines of an order with what has come of them. One query."""
    rows = OrderLine.objects.with_received().filter(order=order)
    return list(rows.select_related("item", "funding", "order").order_by("pk"))


def receipts_of(order: Order) -> list[Receipt]:
    """What came, latest first, reversed bookings too. One query."""
    rows = Receipt.objects.filter(line__order=order)
    return list(
        rows.select_related("line__item", "lot", "movement__reversed_by", "movement__recorded_by").order_by(
            "-received_on", "-pk"
        )
    )


def ordered_already(place: Place, items: Collection[Item], *, but: Order | None = None) -> list[Any]:
    """Lines for the same place of which something is still to come, drafts included. One query."""
    lines: Any = OrderLine.objects.with_received()
    rows = lines.filter(
        ~Q(order__state__in=["closed", "cancelled"]), order__place=place, item__in=items, open_qty__gt=0
    )
    if but is not None:
        rows = rows.exclude(order=but)
    return list(rows.select_related("item", "order").order_by("pk"))


def on_order(item: Item, *, depot: Place | None) -> list[Any]:
    """What is still to come of an item, drafts too, the first promised first. Adds `due_on`. One query."""
    lines: Any = OrderLine.objects.with_received()
    rows = lines.filter(~Q(order__state__in=["closed", "cancelled"]), item=item, open_qty__gt=0)
    if depot is not None:
        rows = rows.filter(order__place=depot)
    rows = rows.annotate(due_on=Coalesce(F("promised_on"), F("order__promised_on")))
    return list(
        rows.select_related("item", "order__supplier", "order__place").order_by(
            F("due_on").asc(nulls_last=True), "pk"
        )
    )


def to_expedite(*, depot: Place | None, day: date) -> QuerySet[Any]:
    """Open lines that are late, not confirmed in time, or without a promised day. Adds `due_on`, `open_qty`."""
    rows = OrderLine.objects.still_to_come().filter(order__state__in=["sent", "confirmed"])
    if depot is not None:
        rows = rows.filter(order__place=depot)
    rows = rows.annotate(due_on=Coalesce(F("promised_on"), F("order__promised_on")))
    silent = Q(order__state="sent", order__sent_on__lt=day - ANSWER)
    return rows.filter(Q(due_on__lt=day) | silent | Q(due_on=None)).select_related(
        "item", "order__supplier", "order__place"
    )


@dataclass(frozen=True, slots=True)
class LeadTime:
    """One delivery: days from sent to received [d], against what was promised and offered."""

    receipt: Receipt
    days: int
    offered_days: int | None
    late_days: int | None


def lead_times(supplier: Supplier, *, last: int = 200) -> list[LeadTime]:
    """What the receipts that stand tell about a supplier, latest first; at most `last`. Two queries."""
    rows = (
        Receipt.objects.counting()
        .filter(line__order__supplier=supplier, line__order__sent_on__isnull=False)
        .select_related("line__order__place", "line__item")
        .order_by("-received_on", "-pk")[:last]
    )
    offers: dict[int, list[SupplyOffer]] = {}
    for offer in SupplyOffer.objects.filter(supplier=supplier).order_by("from_qty"):
        offers.setdefault(offer.item_id, []).append(offer)
    found = []
    for row in rows:
        order, line = row.line.order, row.line
        assert order.sent_on is not None
        promised = line.promised_on or order.promised_on
        valid = [
            offer.lead_time_days
            for offer in offers.get(line.item_id, ())
            if offer.valid_from <= order.sent_on
            and (offer.valid_to is None or order.sent_on <= offer.valid_to)
        ]
        found.append(
            LeadTime(
                receipt=row,
                days=(row.received_on - order.sent_on).days,
                offered_days=valid[0] if valid else None,
                late_days=(row.received_on - promised).days if promised else None,
            )
        )
    return found


def offered_price(supplier: Supplier, item: Item, qty: Decimal, currency: str, day: date) -> Decimal | None:
    """The price of the largest break that a quantity reaches, on offer on that day; None when there is none. One query."""
    offers = SupplyOffer.objects.valid_on(day).filter(
        supplier=supplier, item=item, currency=currency, from_qty__lte=qty
    )
    return offers.order_by("-from_qty", "price").values_list("price", flat=True).first()


def offers_of(supplier: Supplier) -> QuerySet[SupplyOffer]:
    """What a supplier offers and has offered, each item's latest first."""
    return supplier.offers.select_related("item").order_by("item__name", "-valid_from", "from_qty")


def prices_paid(supplier: Supplier, *, last: int = 40) -> list[OrderLine]:
    """What was agreed for each item on orders that went out, latest first; at most `last`. One query."""
    rows = OrderLine.objects.filter(order__supplier=supplier, order__sent_on__isnull=False)
    rows = rows.exclude(order__state=Order.State.CANCELLED).select_related("item", "order")
    return list(rows.order_by("-order__sent_on", "-pk")[:last])
