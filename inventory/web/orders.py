"""Orders in words: what their lines, states and steps say on pages, in files and on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from statistics import median
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.quantities import System
from fleet.models import AuditEntry
from fleet.permissions import Rights
from fleet.web.days import day_words, distance_words, moment_words
from inventory.models import Order, Receipt
from inventory.selectors.orders import LeadTime
from inventory.selectors.spots import qty_text

State = Order.State


def money(amount: Decimal, currency: str) -> str:
    """``1,234.50 EUR``; four decimals only where a price needs them."""
    digits = 2 if amount == amount.quantize(Decimal("0.01")) else 4
    return f"{amount:,.{digits}f} {currency}"


def state_words(order: Any) -> str:
    """What a reader wants to know of the state: that part of it came, or that it was closed short, too."""
    if order.state in (State.SENT, State.CONFIRMED) and order.begun:
        return str(_("%(state)s, part received") % {"state": order.get_state_display()})
    if order.state == State.CLOSED and order.end_reason:
        return str(_("closed short"))
    return str(order.get_state_display())


@dataclass(frozen=True)
class OrderRow:
    """A row of the list of orders."""

    order: Any
    state: str
    total: str
    due: str
    distance: str
    late: bool


def order_rows(orders: Iterable[Any], today: dt.date) -> list[OrderRow]:
    """No query: the orders are from `selectors.orders.orders_shown`."""
    rows = []
    for order in orders:
        going = order.state in (State.SENT, State.CONFIRMED)
        due = order.due_on if going else None
        rows.append(
            OrderRow(
                order=order,
                state=state_words(order),
                total=money(order.total, order.currency),
                due=day_words(due),
                distance=distance_words(due, today),
                late=due is not None and due < today,
            )
        )
    return rows


@dataclass(frozen=True)
class LineRow:
    line: Any
    qty: str
    received: str
    damaged: str
    open: str
    price: str
    total: str
    due: str
    distance: str
    late: bool
    may_receive: bool


def line_rows(
    lines: Iterable[Any], *, today: dt.date, system: System, rights: Rights, order: Order | None = None
) -> list[LineRow]:
    """No query: the lines are from `selectors.orders`."""
    rows = []
    for line in lines:
        its = order or line.order
        going = its.state in (State.SENT, State.CONFIRMED)
        due = line.promised_on or its.promised_on
        waits = going and line.open_qty > 0
        rows.append(
            LineRow(
                line=line,
                qty=qty_text(line.qty, line.item, system),
                received=qty_text(line.received_qty, line.item, system),
                damaged=qty_text(line.damaged, line.item, system) if line.damaged else "",
                open=qty_text(line.open_qty, line.item, system),
                price=money(line.price, its.currency),
                total=money((line.qty * line.price).quantize(Decimal("0.01")), its.currency),
                due=day_words(due),
                distance=distance_words(due, today) if waits else "",
                late=waits and due is not None and due < today,
                may_receive=going and rights.can("stock", its.place_id),
            )
        )
    return rows


def why_expedite(line: Any, today: dt.date) -> str:
    """Why a line is on the list: in the order in which one would ask the supplier."""
    if line.due_on is not None and line.due_on < today:
        days = (today - line.due_on).days
        return ngettext("one day late", "%(days)d days late", days) % {"days": days}
    if line.order.state == State.SENT:
        days = (today - line.order.sent_on).days if line.order.sent_on else 0
        return ngettext("not confirmed, sent yesterday", "not confirmed, sent %(days)d days ago", days) % {
            "days": days
        }
    return str(_("no promised day on file"))


@dataclass(frozen=True)
class ReceiptRow:
    receipt: Receipt
    day: str
    qty: str
    counts: bool
    who: str


def receipt_rows(receipts: Iterable[Receipt], system: System) -> list[ReceiptRow]:
    return [
        ReceiptRow(
            receipt=row,
            day=day_words(row.received_on),
            qty=qty_text(row.movement.qty, row.line.item, system),
            counts=not hasattr(row.movement, "reversed_by"),
            who=str(row.movement.recorded_by or ""),
        )
        for row in receipts
    ]


STEPS: dict[str, Any] = {
    "order.create": lambda: _("written"),
    "order.edit": lambda: _("changed"),
    "order.approve": lambda: _("approved"),
    "order.withdraw": lambda: _("approval taken back"),
    "order.send": lambda: _("sent"),
    "order.confirm": lambda: _("confirmed"),
    "order.receive": lambda: _("received"),
    "order.receipt_reversed": lambda: _("receipt taken back"),
    "order.close": lambda: _("closed short"),
    "order.cancel": lambda: _("cancelled"),
}


def history_rows(entries: Iterable[AuditEntry], zone: str) -> list[dict[str, str]]:
    """Who did what with an order, as its page tells it."""
    return [
        {
            "when": moment_words(entry.at, zone),
            "who": str(entry.actor or ""),
            "what": str(STEPS[entry.action]()) if entry.action in STEPS else entry.action,
            "note": entry.note,
        }
        for entry in entries
    ]


def lead_time_pairs(found: list[LeadTime]) -> list[dict[str, Any]]:
    """What the deliveries of a supplier say about how long it takes; nothing without a delivery."""
    if not found:
        return []
    days = [one.days for one in found]
    promised = [one.late_days for one in found if one.late_days is not None]
    late = sum(1 for each in promised if each > 0)
    return [
        {"label": _("Deliveries that count"), "value": str(len(found))},
        {
            "label": _("Days from sent to received"),
            "value": _("half within %(median)g, longest %(most)d")
            % {"median": median(days), "most": max(days)},
        },
        {
            "label": _("Came after the promised day"),
            "value": _("%(late)d of %(all)d") % {"late": late, "all": len(promised)}
            if promised
            else _("no day was promised"),
        },
    ]
