"""Orders on their way: written, approved, sent, confirmed, closed or cancelled; each step once, audited, by who may.

How much of an order has come is never stored: it follows from the receipts whose booking stands (`querysets.py`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Place, User
from fleet.services.audit import audit_record
from fleet.services.records import check_row, locked, moment_or_now, written_once
from fleet.services.versions import Conflict, last_editor
from inventory.domain.errors import NeedsConfirmation, OrderError
from inventory.models import ApprovalLimit, FundingSource, Item, Order, OrderLine, Supplier
from inventory.selectors.orders import ordered_already
from inventory.selectors.spots import day_at, qty_words
from inventory.services.funding import funding_error
from inventory.services.stock import checked_qty

State = Order.State
CENT_OF_CENT = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line of an order: so much of an item at a price per base unit of the item."""

    item: Item
    qty: Decimal
    price: Decimal
    promised_on: date | None = None
    funding: FundingSource | None = None


def order_create(
    *,
    supplier: Supplier,
    place: Place,
    currency: str,
    lines: Sequence[Wanted],
    actor: User | None,
    note: str = "",
    confirmed: Collection[str] = (),
    token: UUID | None = None,
    now: datetime | None = None,
) -> Order:
    """A draft. What is on order already for the same place is asked about (`NeedsConfirmation`), not ordered twice."""
    instant = moment_or_now(now)

    def write() -> Order:
        today = day_at(place, instant)
        _refuse_closed(supplier, place, today)
        checked = _checked(lines)
        _refuse_funding(checked, place, today)
        _ask_ordered_twice(place, checked, confirmed, None)
        order = Order(
            supplier=supplier,
            place=place,
            currency=currency_code(currency),
            created_at=instant,
            created_by=actor,
            note=note.strip()[:400],
            token=token,
        )
        _give_code(order)
        _write_lines(order, checked)
        audit_record(
            actor=actor, action="order.create", subject=order, after=_told(order, checked), place=place
        )
        return order

    return written_once(Order, token, write)


def order_edit(
    *,
    order: Order,
    seen_version: int,
    currency: str,
    lines: Sequence[Wanted],
    actor: User | None,
    note: str = "",
    confirmed: Collection[str] = (),
    now: datetime | None = None,
) -> Order:
    """Other lines, currency or note for a draft. Who changed it counts as its writer: another one must approve."""
    with transaction.atomic():
        row = _taken(order, seen_version, State.DRAFT)
        checked = _checked(lines)
        _refuse_funding(checked, row.place, day_at(row.place, moment_or_now(now)))
        _ask_ordered_twice(row.place, checked, confirmed, row)
        before = _told(row, [_wanted(line) for line in row.lines.select_related("item", "funding")])
        row.lines.all().delete()
        row.currency, row.note = currency_code(currency), note.strip()[:400]
        row.created_by = actor
        _write_lines(row, checked)
        return _saved(row, actor, "order.edit", before, _told(row, checked))


def order_approve(
    *, order: Order, seen_version: int, actor: User | None, now: datetime | None = None
) -> Order:
    """Above the limit of its currency, or where there is none, whoever wrote or changed it may not approve it.

    Nor may anyone where nobody knows who wrote it. Supplier and money count as they are now, not as they were at the draft.
    """
    with transaction.atomic():
        row = _taken(order, seen_version, State.DRAFT)
        _refuse_ended(row, moment_or_now(now))
        total = order_total(row)
        if not row.lines.exists():
            raise OrderError("order.empty", _("There is no line on the order: write what is wanted first."))
        if actor is None or row.created_by_id is None or actor.pk in _writers(row):
            _refuse_own(row, total)
        row.state, row.approved_by, row.approved_at = State.APPROVED, actor, moment_or_now(now)
        return _saved(row, actor, "order.approve", {"state": State.DRAFT}, {"total": total})


def order_withdraw(*, order: Order, seen_version: int, reason: str, actor: User | None) -> Order:
    """Takes the approval back before it was sent: it is a draft again."""
    _refuse_no_reason(reason)
    with transaction.atomic():
        row = _taken(order, seen_version, State.APPROVED)
        row.state, row.approved_by, row.approved_at = State.DRAFT, None, None
        return _saved(row, actor, "order.withdraw", {"state": State.APPROVED}, {}, reason)


def order_send(
    *, order: Order, seen_version: int, sent_on: date, actor: User | None, now: datetime | None = None
) -> Order:
    """The order went to the supplier on that day: lead times count from it."""
    with transaction.atomic():
        row = _taken(order, seen_version, State.APPROVED)
        _refuse_ended(row, moment_or_now(now))
        _refuse_day(sent_on, day_at(row.place, moment_or_now(now)))
        row.state, row.sent_on = State.SENT, sent_on
        return _saved(row, actor, "order.send", {"state": State.APPROVED}, {"sent_on": sent_on})


def order_confirm(
    *,
    order: Order,
    seen_version: int,
    confirmed_on: date,
    promised: Mapping[int, date],
    actor: User | None,
    their_ref: str = "",
    now: datetime | None = None,
) -> Order:
    """The supplier answered, or answered anew: `promised` is the day for each line, by its key."""
    with transaction.atomic():
        row = _taken(order, seen_version, State.SENT, State.CONFIRMED)
        assert row.sent_on is not None or row.state == State.CONFIRMED
        _refuse_day(confirmed_on, day_at(row.place, moment_or_now(now)))
        if row.sent_on is not None and confirmed_on < row.sent_on:
            raise OrderError(
                "order.confirmed_before_sent",
                _("It was sent on {sent}: the answer of {day} cannot lie before that."),
                sent=row.sent_on.isoformat(),
                day=confirmed_on.isoformat(),
            )
        lines = {line.pk: line for line in row.lines.select_related("item")}
        before: dict[str, Any] = {"state": row.state}
        after: dict[str, Any] = {"confirmed_on": confirmed_on, "their_ref": their_ref.strip()}
        for pk, day in promised.items():
            line = lines[pk]
            if row.sent_on is not None and day < row.sent_on:
                raise OrderError(
                    "order.promised_before_sent",
                    _("{item} is promised for {day}, before the order was sent on {sent}. Check the dates."),
                    item=line.item.name,
                    day=day.isoformat(),
                    sent=row.sent_on.isoformat(),
                )
            if line.promised_on != day:
                before[line.item.code], after[line.item.code] = line.promised_on, day
                line.promised_on = day
                line.save(update_fields=["promised_on"])
        row.state, row.confirmed_on, row.their_ref = State.CONFIRMED, confirmed_on, their_ref.strip()[:60]
        return _saved(row, actor, "order.confirm", before, after)


def order_close(
    *, order: Order, seen_version: int, reason: str, actor: User | None, now: datetime | None = None
) -> Order:
    """Nothing more is waited for: what has not come is let go, and the reason says why."""
    _refuse_no_reason(reason)
    with transaction.atomic():
        row = _taken(order, seen_version, State.SENT, State.CONFIRMED)
        if not _begun(row):
            raise OrderError("order.nothing_came", _("Nothing of it has come: cancel the order instead."))
        before = {"state": row.state}
        row.state, row.closed_on = State.CLOSED, day_at(row.place, moment_or_now(now))
        row.end_reason = reason.strip()[:400]
        return _saved(row, actor, "order.close", before, {}, reason)


def order_cancel(
    *, order: Order, seen_version: int, reason: str, actor: User | None, now: datetime | None = None
) -> Order:
    """Called off before anything came."""
    _refuse_no_reason(reason)
    with transaction.atomic():
        row = _taken(order, seen_version, State.DRAFT, State.APPROVED, State.SENT, State.CONFIRMED)
        if _begun(row):
            raise OrderError(
                "order.begun",
                _(
                    "Part of it has come and is booked in: close the order short, or take those receipts back first."
                ),
            )
        before = {"state": row.state}
        row.state, row.closed_on = State.CANCELLED, day_at(row.place, moment_or_now(now))
        row.end_reason = reason.strip()[:400]
        return _saved(row, actor, "order.cancel", before, {}, reason)


def order_total(order: Order) -> Decimal:
    """One query."""
    rows = order.lines.values_list("qty", "price")
    return sum((qty * price for qty, price in rows), Decimal(0)).quantize(Decimal("0.01"))


def currency_code(text: str) -> str:
    """Three letters, as ISO 4217 writes a currency."""
    code = text.strip().upper()
    if len(code) != 3 or not code.isascii() or not code.isalpha():
        raise OrderError(
            "order.currency",
            _("Write the currency as three letters, such as EUR, USD or PHP: not {text}."),
            text=text,
        )
    return code


def _writers(row: Order) -> set[int]:
    """Everyone who wrote or changed it: another hand on a line does not make the order somebody else's. One query."""
    told = AuditEntry.objects.filter(
        subject_kind=Order._meta.model_name, subject_id=str(row.pk), action__in=("order.create", "order.edit")
    )
    return {pk for pk in (row.created_by_id, *told.values_list("actor_id", flat=True)) if pk is not None}


def _refuse_own(row: Order, total: Decimal) -> None:
    if row.lines.filter(price__lte=0).exists():
        raise OrderError(
            "order.no_price",
            _(
                "A line has no price, so that nobody can tell whether the order is within the limit: another person than "
                "the one who wrote it must approve it."
            ),
        )
    limit = ApprovalLimit.objects.filter(currency=row.currency).first()
    if limit is None:
        raise OrderError(
            "order.no_limit",
            _(
                "No limit is on file for {currency}, so that another person than the one who wrote the order must approve "
                "it. An administrator can write one down."
            ),
            currency=row.currency,
        )
    if total > limit.amount:
        raise OrderError(
            "order.over_limit",
            _(
                "{total} {currency} is above {limit} {currency}: another person than the one who wrote the order must "
                "approve it."
            ),
            total=f"{total:,.2f}",
            currency=row.currency,
            limit=f"{limit.amount:,.2f}",
        )


def _taken(order: Order, seen_version: int, *states: str) -> Order:
    """The order, held, if it is as this person saw it and in one of these states."""
    row: Order = locked(order)
    if row.version != seen_version:
        raise Conflict(row, {}, last_editor(row))
    if row.state not in states:
        raise OrderError(
            "order.state",
            _("{order} is {state}: that cannot be done with it now."),
            order=row.code,
            state=str(row.get_state_display()),
        )
    return row


def _saved(
    row: Order,
    actor: User | None,
    action: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    note: str = "",
) -> Order:
    row.version += 1
    check_row(row)
    row.save()
    audit_record(
        actor=actor,
        action=action,
        subject=row,
        before=before,
        after={"state": row.state, **after},
        note=note,
        place=row.place,
    )
    return row


def _checked(lines: Sequence[Wanted]) -> list[Wanted]:
    if not lines:
        raise OrderError("order.empty", _("There is no line on the order: write what is wanted first."))
    seen: set[int] = set()
    checked = []
    for number, line in enumerate(lines, start=1):
        try:
            qty = checked_qty_of_many(line.qty, line.item)
        except DomainError as error:
            raise OrderError(
                error.key, _("Line {number}: {problem}"), number=number, problem=error.sentence
            ) from error
        if not line.price.is_finite() or line.price < 0 or line.price >= 10**8:
            raise OrderError(
                "order.price",
                _("Line {number}: the price cannot be {price}."),
                number=number,
                price=line.price,
            )
        if line.item.pk in seen:
            raise OrderError(
                "order.item_twice",
                _("Line {number}: {item} stands on the order already. Write its whole quantity in one line."),
                number=number,
                item=line.item.name,
            )
        seen.add(line.item.pk)
        checked.append(
            Wanted(line.item, qty, line.price.quantize(CENT_OF_CENT), line.promised_on, line.funding)
        )
    return checked


def checked_qty_of_many(qty: Decimal, item: Item) -> Decimal:
    """As the ledger checks it, but several pieces with serials may be ordered in one line."""
    if item.serialised:
        item = Item(code=item.code, name=item.name, base_unit=item.base_unit)
    return checked_qty(qty, item)


def _write_lines(order: Order, lines: Sequence[Wanted]) -> None:
    rows = [
        OrderLine(
            order=order,
            item=line.item,
            qty=line.qty,
            price=line.price,
            promised_on=line.promised_on,
            funding=line.funding,
        )
        for line in lines
    ]
    for row in rows:
        check_row(row)
    OrderLine.objects.bulk_create(rows)


def _give_code(order: Order) -> None:
    """The next number after the highest; another one who takes it in the same moment makes us take the one after."""
    for _attempt in range(20):
        last = (
            Order.objects.filter(code__regex=r"^PO-[0-9]{5}$")
            .order_by("-code")
            .values_list("code", flat=True)
        )
        order.code = f"PO-{int(last[0][3:]) + 1 if last else 1:05d}"
        check_row(order)
        try:
            with transaction.atomic():
                order.save(force_insert=True)
        except IntegrityError:
            if order.token is not None and Order.objects.filter(token=order.token).exists():
                raise
            continue
        return
    raise OrderError("order.no_number", _("No number was free for the order just now. Send it again."))


def _ask_ordered_twice(
    place: Place, lines: Sequence[Wanted], confirmed: Collection[str], but: Order | None
) -> None:
    questions: dict[str, DomainError] = {}
    for waiting in ordered_already(place, [line.item for line in lines], but=but):
        key = f"twice:{waiting.order.code}:{waiting.item.code}:{waiting.open_qty}"
        questions[key] = OrderError(
            "order.ordered_already",
            _("{qty} of {item} for {place} are on order {order} already ({state})."),
            qty=qty_words(waiting.open_qty, waiting.item),
            item=waiting.item.name,
            place=str(place),
            order=waiting.order.code,
            state=str(waiting.order.get_state_display()),
        )
    NeedsConfirmation.ask(questions, confirmed)


def _refuse_closed(supplier: Supplier, place: Place, today: date) -> None:
    if supplier.closed_on is not None and supplier.closed_on < today:
        raise OrderError(
            "order.supplier_closed",
            _("Nothing is bought from {supplier} since {day}: choose another supplier."),
            supplier=supplier.name,
            day=supplier.closed_on.isoformat(),
        )
    if place.kind != Place.Kind.DEPOT or (place.closed_on is not None and place.closed_on < today):
        raise OrderError(
            "order.no_depot",
            _("{place} is no open depot: choose where it is to be delivered."),
            place=str(place),
        )


def _refuse_funding(lines: Sequence[Wanted], place: Place, today: date) -> None:
    """What a line is paid from must allow the day and the country of the depot."""
    for number, line in enumerate(lines, start=1):
        if line.funding is None:
            continue
        error = funding_error(line.funding, day=today, country=place.country, where=str(place))
        if error is not None:
            raise OrderError(error.key, _("Line {number}: {problem}"), number=number, problem=error.sentence)


def _refuse_ended(row: Order, instant: datetime) -> None:
    """A supplier, a depot or money that has come to its end since the order was written. Two queries."""
    today = day_at(row.place, instant)
    _refuse_closed(row.supplier, row.place, today)
    _refuse_funding([_wanted(line) for line in row.lines.select_related("item", "funding")], row.place, today)


def _refuse_day(day: date, today: date) -> None:
    if day > today:
        raise OrderError("order.in_future", _("{day} has not come yet. Check the date."), day=day.isoformat())


def _refuse_no_reason(reason: str) -> None:
    if not reason.strip():
        raise OrderError("order.no_reason", _("Say why, in a few words: others will read it."))


def _begun(order: Order) -> bool:
    row: Any = Order.objects.with_progress().get(pk=order.pk)
    return bool(row.begun)


def _wanted(line: OrderLine) -> Wanted:
    return Wanted(line.item, line.qty, line.price, line.promised_on, line.funding)


def _told(order: Order, lines: Sequence[Wanted]) -> dict[str, Any]:
    """What the audit keeps of an order."""
    return {
        "supplier": order.supplier.code,
        "currency": order.currency,
        "note": order.note,
        "lines": [
            {
                "item": line.item.code,
                "qty": line.qty,
                "price": line.price,
                "promised_on": line.promised_on,
                "funding": line.funding.code if line.funding else None,
            }
            for line in lines
        ],
    }
