"""Labels to print and stick on: of one lot, of every lot in a place, of the place itself."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from fleet.models import Place
from fleet.permissions import access_depot, member_required
from fleet.web.page import render_page
from inventory.models import Lot
from inventory.selectors.stock import balances_at
from inventory.web.labels import lot_labels, place_label

MOST_LABELS = 300


@member_required
@require_GET
def lot_label(request: HttpRequest, pk: int) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.select_related("item"), pk=pk)
    context = {
        "heading": _("Label of lot %(lot)s") % {"lot": lot.serial or lot.code},
        "labels": lot_labels(request, [lot]),
        "back": reverse("inventory:lot-detail", args=[lot.pk]),
    }
    return render_page(request, "inventory/labels.html", context)


@member_required
@require_GET
def place_labels(request: HttpRequest, code: str) -> HttpResponse:
    """The label of the depot's stores first, then one for each lot that lies there."""
    place: Place = access_depot(request, code)
    rows = list(balances_at(place)[: MOST_LABELS + 1])
    context = {
        "heading": _("Labels of %(place)s") % {"place": place.name},
        "labels": [
            place_label(request, place),
            *lot_labels(request, [row.lot for row in rows[:MOST_LABELS]]),
        ],
        "too_many": MOST_LABELS if len(rows) > MOST_LABELS else 0,
        "back": f"{reverse('inventory:store-list')}?place={place.code}",
    }
    return render_page(request, "inventory/labels.html", context)
