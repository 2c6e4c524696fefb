"""An order on paper, to send to its supplier: a tagged PDF (PDF/UA-1, A4); its words are data, never markup."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib import resources
from typing import Any

import typst
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from fleet.web.days import day_words
from inventory.models import Order
from inventory.web.orders import LineRow, money

TEMPLATE = "order.typ"


def order_pdf(order: Any, lines: Sequence[LineRow]) -> bytes:
    """The same order, the same bytes."""
    source = resources.files("inventory.web").joinpath(TEMPLATE).read_bytes()
    moment = order.approved_at or order.created_at
    made: Any = typst.compile(
        source,
        format="pdf",
        sys_inputs={"data": json.dumps(pdf_data(order, lines), ensure_ascii=False)},
        pdf_standards="ua-1",
        timestamp=int(moment.timestamp()),
    )
    return bytes(made)


def pdf_data(order: Any, lines: Sequence[LineRow]) -> dict[str, Any]:
    """What the template prints: text and lists of text."""
    draft = order.state in (Order.State.DRAFT, Order.State.CANCELLED)
    return {
        "title": str(_("Order %(code)s") % {"code": order.code}),
        "author": "Musterwell",
        "lang": (get_language() or "en").partition("-")[0],
        "stamp": str(_("Not valid as an order: %(state)s") % {"state": order.get_state_display()})
        if draft
        else "",
        "pairs": [
            [str(label), value]
            for label, value in (
                (_("To"), ", ".join(filter(None, [order.supplier.name, order.supplier.mail]))),
                (_("Deliver to"), ", ".join(filter(None, [order.place.name, order.place.country]))),
                (_("Sent"), day_words(order.sent_on)),
                (_("Approved by"), str(order.approved_by or "")),
                (_("Note"), order.note),
            )
            if value
        ],
        "heads": [
            str(word)
            for word in (_("Code"), _("Item"), _("Quantity"), _("Price"), _("Amount"), _("Wanted for"))
        ],
        "lines": [
            [
                row.line.item.code,
                row.line.item.name,
                f"{row.qty} {row.line.item.get_base_unit_display()}" if row.line.item.whole else row.qty,
                row.price,
                row.total,
                row.due,
            ]
            for row in lines
        ],
        "total": [str(_("Total")), money(order.total, order.currency)],
        "asks": [
            str(_("Please confirm this order with a day for each line.")),
            str(_("Write lot number, date of manufacture and expiry date on each package.")),
            *_lives(lines),
        ],
    }


def _lives(lines: Sequence[LineRow]) -> list[str]:
    return [
        str(
            _("%(item)s: at least %(days)d days of life on arrival.")
            % {"item": row.line.item.name, "days": row.line.item.min_life_days}
        )
        for row in lines
        if row.line.item.min_life_days
    ]
