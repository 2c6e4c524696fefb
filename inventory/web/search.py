"""Items and lots in the one search box."""

from __future__ import annotations

from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.web.search import Hit, best_first, finder, opener, page_of_thing
from inventory.models import Item, Lot, Order, Supplier


@finder("item", order=50, label=_("Items"))
def _items(text: str) -> list[Hit]:
    rows = best_first(Item.objects.all(), text, "code", "name")
    return [
        Hit(
            f"{row.code} {row.name}", row.get_kind_display(), page_of_thing("inventory:item-detail", row.code)
        )
        for row in rows
    ]


@finder("lot", order=60, label=_("Lots and serial numbers"))
def _lots(text: str) -> list[Hit]:
    rows = best_first(Lot.objects.select_related("item"), text, "code", "serial")
    return [Hit(row.code, _about_lot(row), page_of_thing("inventory:lot-detail", row.pk)) for row in rows]


@finder("order", order=70, label=_("Orders"))
def _orders(text: str) -> list[Hit]:
    rows = best_first(Order.objects.select_related("supplier", "place"), text, "code", "their_ref")
    return [
        Hit(
            row.code,
            f"{row.supplier.name}, {row.place.name}, {row.get_state_display()}",
            page_of_thing("inventory:order-show", row.code),
        )
        for row in rows
    ]


@finder("supplier", order=80, label=_("Suppliers"))
def _suppliers(text: str) -> list[Hit]:
    rows = best_first(Supplier.objects.all(), text, "name", "code")
    return [Hit(row.name, row.code, page_of_thing("inventory:supplier-show", row.code)) for row in rows]


@opener
def _lot_opened(text: str) -> str:
    """A lot number or serial, typed or scanned whole, that stands on one lot only."""
    rows = list(
        Lot.objects.filter(Q(code__iexact=text) | Q(serial__iexact=text)).values_list("pk", flat=True)[:2]
    )
    return page_of_thing("inventory:lot-detail", rows[0]) if len(rows) == 1 else ""


def _about_lot(lot: Lot) -> str:
    parts = [lot.item.name]
    if lot.serial:
        parts.append(str(_("serial %(serial)s") % {"serial": lot.serial}))
    if lot.expires_on:
        parts.append(str(_("expires %(day)s") % {"day": lot.expires_on.isoformat()}))
    return ", ".join(parts)
