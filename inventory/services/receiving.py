"""A delivery booked in against a line of an order: part, too much, damaged, short-dated; one movement a lot."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import User
from fleet.services.audit import audit_record
from fleet.services.records import locked, moment_or_now
from inventory.domain.arrival import life_wanted, over_qty, remaining_days
from inventory.domain.errors import NeedsConfirmation, OrderError
from inventory.models import Item, Lot, Movement, Order, OrderLine, Receipt, SupplyOffer
from inventory.selectors.spots import day_at, qty_words
from inventory.services.lots import lot_create, lot_set_status
from inventory.services.posting import movement_with, nth_token
from inventory.services.stock import checked_qty, refuse_future, stock_receive

State = Order.State
DAMAGED = _("Came damaged on order {order}")


@dataclass(frozen=True, slots=True)
class Delivery:
    """What stands on the packages of one lot, how much of it is good and how much damaged.

    Pieces with serials: `serials` and `damaged_serials` instead of quantities.
    """

    code: str = ""
    expires_on: date | None = None
    no_expiry: bool = False
    made_on: date | None = None
    qty: Decimal = Decimal(0)
    damaged_qty: Decimal = Decimal(0)
    serials: Sequence[str] = ()
    damaged_serials: Sequence[str] = ()
    note: str = ""


@dataclass(slots=True)
class _Booking:
    lot_fields: dict[str, Any]
    qty: Decimal
    damaged: bool = False
    lot: Lot | None = field(default=None)


def order_receive(
    *,
    line: OrderLine,
    delivery: Delivery,
    happened_at: datetime,
    actor: User | None,
    confirmed: Collection[str] = (),
    token: UUID | None = None,
    now: datetime | None = None,
) -> list[Receipt]:
    """Books one lot of a delivery into the depot of the order; all of it or nothing.

    What is damaged goes into quarantine as a lot of its own and stays owed. Too much, a date too short and a date that
    has passed are asked about (`NeedsConfirmation`). The order closes itself when nothing is open any more.
    """
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    with transaction.atomic():
        order: Order = locked(line.order)
        there = movement_with(token)
        if there is not None:
            return _received_before(there, line)
        _refuse_state(order)
        row: Any = OrderLine.objects.with_received().select_related("item").get(pk=line.pk)
        day = day_at(order.place, happened_at)
        if order.sent_on is not None and day < order.sent_on:
            raise OrderError(
                "receive.before_sent",
                _("The order was sent on {sent}: nothing of it can have come on {day}. Check the date."),
                sent=order.sent_on.isoformat(),
                day=day.isoformat(),
            )
        bookings = _bookings(row.item, delivery)
        NeedsConfirmation.ask(_questions(row, order, delivery, bookings, day), confirmed)
        receipts = []
        for number, booking in enumerate(bookings):
            receipts.append(
                _book(
                    row, order, booking, delivery, happened_at, day, actor, nth_token(token, number), instant
                )
            )
        _after(row, order, bookings, day, actor)
        return receipts


def _received_before(there: Movement, line: OrderLine) -> list[Receipt]:
    receipt = Receipt.objects.filter(movement=there, line=line).first()
    if receipt is None:
        raise OrderError(
            "stock.token_used",
            _("This form was used already for another movement. Open it anew and type it again."),
        )
    return [receipt]


def _refuse_state(order: Order) -> None:
    if order.state in (State.SENT, State.CONFIRMED):
        return
    if order.state in (State.DRAFT, State.APPROVED):
        raise OrderError(
            "receive.not_sent",
            _(
                "{order} is {state}, not sent: have it marked as sent first, so that its lead time is known. What came "
                "without an order is booked in on the page of the stores."
            ),
            order=order.code,
            state=str(order.get_state_display()),
        )
    raise OrderError(
        "receive.over",
        _(
            "{order} is {state}: nothing more is waited for. What came all the same is booked in on the page of the stores, "
            "or the receipt that closed it is taken back."
        ),
        order=order.code,
        state=str(order.get_state_display()),
    )


def _bookings(item: Item, delivery: Delivery) -> list[_Booking]:
    """What is to be booked, in the order in which it is told: good first, damaged after it."""
    common = {
        "item": item,
        "expires_on": delivery.expires_on,
        "no_expiry": delivery.no_expiry,
        "made_on": delivery.made_on,
    }
    if item.serialised:
        found = _serials(item, delivery, common)
    else:
        if delivery.serials or delivery.damaged_serials:
            raise OrderError(
                "receive.no_serials", _("{item} has no serial numbers: write how much came."), item=item.name
            )
        found = []
        if delivery.qty:
            found.append(_Booking({**common, "code": delivery.code}, checked_qty(delivery.qty, item)))
        if delivery.damaged_qty:
            found.append(
                _Booking(
                    {**common, "code": delivery.code}, checked_qty(delivery.damaged_qty, item), damaged=True
                )
            )
    if not found:
        raise OrderError("receive.nothing", _("Write how much came, in good state or damaged."))
    return found


def _serials(item: Item, delivery: Delivery, common: dict[str, Any]) -> list[_Booking]:
    if delivery.qty or delivery.damaged_qty:
        raise OrderError(
            "receive.serials_wanted",
            _("Each piece of {item} has a serial: write the serials, one a line, instead of a quantity."),
            item=item.name,
        )
    found: list[_Booking] = []
    seen: set[str] = set()
    for damaged, serials in ((False, delivery.serials), (True, delivery.damaged_serials)):
        for typed in serials:
            serial = typed.strip()
            if not serial:
                continue
            if serial.casefold() in seen:
                raise OrderError(
                    "receive.serial_twice",
                    _("Serial {serial} is written twice: each piece has its own."),
                    serial=serial,
                )
            seen.add(serial.casefold())
            code = f"{delivery.code.strip()}/{serial}" if delivery.code.strip() else serial
            found.append(_Booking({**common, "code": code[:60], "serial": serial}, Decimal(1), damaged))
    return found


def _questions(
    row: Any, order: Order, delivery: Delivery, bookings: Sequence[_Booking], day: date
) -> dict[str, DomainError]:
    questions: dict[str, DomainError] = {}
    item: Item = row.item
    good = sum((booking.qty for booking in bookings if not booking.damaged), Decimal(0))
    over = over_qty(open_qty=row.open_qty, good_qty=good)
    if over:
        questions[f"over:{over.normalize():f}"] = OrderError(
            "receive.more_than_ordered",
            _(
                "{over} more of {item} came than were still to come ({open}). Count again, or keep it and confirm."
            ),
            over=qty_words(over, item),
            item=item.name,
            open=qty_words(row.open_qty.quantize(Decimal("0.001")), item),
        )
    left = remaining_days(expires_on=delivery.expires_on, day=day)
    wanted = life_wanted(item_days=item.min_life_days, offered_days=_offered_life(row, order))
    if left is not None and left < 0:
        questions[f"expired:{delivery.expires_on}"] = OrderError(
            "receive.expired",
            _(
                "It was good through {expires} and is expired on arrival: it can never be issued. Send it back, or confirm."
            ),
            expires=str(delivery.expires_on),
        )
    elif left is not None and wanted is not None and left < wanted:
        questions[f"short:{left}:{wanted}"] = OrderError(
            "receive.short_dated",
            _(
                "It lasts {left} days from {day}; at least {wanted} are wanted on arrival. Send it back, or confirm."
            ),
            left=left,
            day=day.isoformat(),
            wanted=wanted,
        )
    return questions


def _offered_life(row: Any, order: Order) -> int | None:
    """What the supplier said on the day it was sent. One query."""
    offers = SupplyOffer.objects.filter(supplier_id=order.supplier_id, item_id=row.item_id)
    if order.sent_on is not None:
        offers = offers.valid_on(order.sent_on)
    found = [days for days in offers.values_list("shelf_life_on_arrival_days", flat=True) if days is not None]
    return max(found, default=None)


def _book(
    row: Any,
    order: Order,
    booking: _Booking,
    delivery: Delivery,
    happened_at: datetime,
    day: date,
    actor: User | None,
    token: UUID | None,
    instant: datetime,
) -> Receipt:
    lot = lot_create(actor=actor, funding=row.funding, **booking.lot_fields)
    reason = delivery.note
    if booking.damaged:
        lot = _apart(lot, order, actor)
        reason = delivery.note or DAMAGED.format(order=order.code)
    movement = stock_receive(
        lot=lot,
        qty=booking.qty,
        place=order.place,
        happened_at=happened_at,
        actor=actor,
        token=token,
        reason=reason,
        now=instant,
    )
    booking.lot = lot
    return Receipt.objects.create(
        line_id=row.pk,
        lot=lot,
        movement=movement,
        received_on=day,
        damaged_qty=booking.qty if booking.damaged else Decimal(0),
        note=delivery.note[:400],
    )


def _apart(lot: Lot, order: Order, actor: User | None) -> Lot:
    """Where damaged goods are booked: a piece with a serial itself, else a lot in quarantine beside the good one.

    What is recalled stays recalled: damage makes it no less than that.
    """
    recalled = lot.status == Lot.Status.RECALLED
    if not lot.item.serialised:
        number = lot.splits.count() + 1
        apart = lot_create(
            item=lot.item,
            code=f"{lot.code[:52]} Q{number}",
            expires_on=lot.expires_on,
            no_expiry=lot.no_expiry,
            made_on=lot.made_on,
            funding=lot.funding,
            actor=actor,
        )
        apart.split_from = lot
        apart.save(update_fields=["split_from"])
        lot = apart
    status = Lot.Status.RECALLED if recalled else Lot.Status.QUARANTINE
    return lot_set_status(lot=lot, status=status, reason=DAMAGED.format(order=order.code), actor=actor)


def _after(row: Any, order: Order, bookings: Sequence[_Booking], day: date, actor: User | None) -> None:
    """Audits what came, and closes an order of which nothing is open any more."""
    good = sum((booking.qty for booking in bookings if not booking.damaged), Decimal(0))
    damaged = sum((booking.qty for booking in bookings if booking.damaged), Decimal(0))
    before = {"state": order.state}
    lines: Any = OrderLine.objects.with_received()
    waiting = lines.filter(order=order, open_qty__gt=0)
    if not waiting.exists():
        order.state, order.closed_on = State.CLOSED, day
        order.version += 1
        order.save(update_fields=["state", "closed_on", "version", "updated_at"])
    audit_record(
        actor=actor,
        action="order.receive",
        subject=order,
        before=before,
        after={"state": order.state, "item": row.item.code, "good_qty": good, "damaged_qty": damaged},
        place=order.place,
    )
