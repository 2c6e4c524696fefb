"""Labels for lots and places: a code that a phone's camera or a plain scanner reads, and the same in words."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass

import segno
from django.http import HttpRequest
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from fleet.models import Place
from fleet.web.days import day_words
from inventory.models import Lot


@dataclass(frozen=True)
class Label:
    """`code` is a QR code as inline SVG; it holds the address of the page that the label opens."""

    code: SafeString
    title: str
    name: str
    lines: tuple[str, ...]


def lot_labels(request: HttpRequest, lots: Iterable[Lot]) -> list[Label]:
    labels = []
    for lot in lots:
        good = _("good through %(day)s") % {"day": day_words(lot.expires_on)} if lot.expires_on else ""
        undated = (
            _("has no expiry date") if lot.no_expiry else _("expiry not known") if lot.item.dated else ""
        )
        lines = (lot.item.code, good or undated, lot.item.storage_note)
        labels.append(
            Label(
                _qr(request, reverse("inventory:lot-detail", args=[lot.pk]), lot.code),
                lot.item.name,
                lot.serial or lot.code,
                tuple(str(line) for line in lines if line),
            )
        )
    return labels


def place_label(request: HttpRequest, place: Place) -> Label:
    """Opens what the stores hold there."""
    address = f"{reverse('inventory:store-list')}?place={place.code}"
    return Label(_qr(request, address, place.code), str(_("Stores")), place.name, (place.code,))


def _qr(request: HttpRequest, address: str, title: str) -> SafeString:
    drawing = io.BytesIO()
    segno.make_qr(request.build_absolute_uri(address), error="m").save(
        drawing,
        kind="svg",
        xmldecl=False,
        svgns=False,
        scale=3,
        border=2,
        light="#fff",
        title=title,
        svgclass="code",
    )
    return mark_safe(drawing.getvalue().decode())  # drawn here from our own address
