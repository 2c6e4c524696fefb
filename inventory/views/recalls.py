"""A recall: every piece of a lot, a serial or a model, stopped in one step; and lives made longer by test."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.permissions import member_required, request_rights, require
from fleet.web.days import day_words, today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page
from fleet.web.site import chosen_depot, person_of
from fleet.web.words import spoken
from inventory.forms.recalls import ExtensionForm, FindLotsForm, StopForm
from inventory.forms.stock import ReasonForm
from inventory.models import LifeExtension, Lot
from inventory.selectors.recall import (
    ABOARD,
    FITTED,
    MOST_LOTS,
    STORES,
    Piece,
    lots_to_stop,
    pieces_of,
    still_to_come_of,
)
from inventory.selectors.spots import qty_text
from inventory.services.extensions import lot_extend, lot_extension_withdraw
from inventory.services.lots import lots_stop
from inventory.views.actions import lot_for_marking
from inventory.web.lines import lot_state, system_of, unit_url


@member_required
@require_http_methods(["GET", "POST"])
def recall_show(request: HttpRequest) -> HttpResponse:
    """`?item=`, `?lot=` or `?serial=` say what is looked for; sent, what was listed is stopped."""
    today, rights = today_at(chosen_depot(request)), request_rights(request)
    asked = any(request.GET.get(name) for name in ("item", "lot", "serial"))
    find = FindLotsForm(request.GET if asked else None)
    context: dict[str, Any] = {"find": find, "may_stock": rights.can("stock")}
    if request.method == "POST":
        require(request, "stock")
    if not (asked and find.is_valid()):
        return render_page(
            request, "inventory/recall.html", context, status=422 if request.method == "POST" else 200
        )
    found = lots_to_stop(**find.cleaned_data)
    if kind := export_format(request):
        return _file(kind, pieces_of(list(found), today))
    lots = list(found[: MOST_LOTS + 1])
    pieces = pieces_of(lots[:MOST_LOTS], today)
    shown = " ".join(str(lot.pk) for lot in lots[:MOST_LOTS])
    form = StopForm(request.POST or None, initial={"lots": shown})
    if request.method == "POST" and form.is_valid():
        seen = set(form.cleaned_data["lots"].split())
        try:
            changed = lots_stop(
                lots=[lot for lot in lots if str(lot.pk) in seen],
                status=form.cleaned_data["status"],
                reason=form.cleaned_data["reason"],
                actor=person_of(request),
            )
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            said = ngettext("One lot is stopped everywhere.", "%(n)d lots are stopped everywhere.", changed)
            messages.success(request, said % {"n": changed} if changed else _("They were stopped already."))
            return redirect_to(request, request.get_full_path())
    system = system_of(request)
    context |= {
        "lots": lots[:MOST_LOTS],
        "too_many": len(lots) > MOST_LOTS,
        "running": sum(1 for lot in lots if lot.status != Lot.Status.RECALLED),
        "lines": [
            {
                "piece": piece,
                "where": _where(piece),
                "url": unit_url(piece.unit),
                "how": _how(piece),
                "qty": qty_text(piece.qty, piece.lot.item, system),
                "state": lot_state(piece.lot, today),
            }
            for piece in pieces
        ],
        "coming": still_to_come_of(find.cleaned_data["item"]) if find.cleaned_data["item"] else [],
        "form": form,
        "links": export_links(request),
    }
    return render_page(
        request, "inventory/recall.html", context, status=422 if request.method == "POST" else 200
    )


def _where(piece: Piece) -> str:
    if piece.place is not None:
        return piece.place.name
    assert piece.unit is not None
    return f"{piece.unit.tag}, {piece.unit.home.name}"


def _how(piece: Piece) -> str:
    fitted = _("fitted in %(position)s") % {"position": piece.position}
    words = {STORES: _("in the stores"), ABOARD: _("aboard"), FITTED: fitted}
    said = str(words[piece.how])
    if piece.deployment is not None:
        site = piece.deployment.site
        said += (
            ", "
            + str(_("away on %(code)s") % {"code": piece.deployment.code})
            + (f" ({site})" if site else "")
        )
    return said


def _file(kind: str, pieces: list[Piece]) -> HttpResponse:
    columns = [
        _("Item"),
        _("Code"),
        _("Lot"),
        _("Serial"),
        _("Status"),
        _("Where"),
        _("How"),
        _("Quantity"),
        _("Unit"),
    ]
    cells = [
        [
            piece.lot.item.name,
            piece.lot.item.code,
            piece.lot.code,
            piece.lot.serial,
            str(piece.lot.get_status_display()),
            _where(piece),
            _how(piece),
            float(piece.qty),
            str(piece.lot.item.get_base_unit_display()),
        ]
        for piece in pieces
    ]
    return file_response(name="recall", kind=kind, columns=columns, rows=cells)


@member_required
@require_http_methods(["GET", "POST"])
def lot_extension_add(request: HttpRequest, pk: int) -> HttpResponse:
    lot = lot_for_marking(request, pk)
    form = ExtensionForm(request.POST or None)
    back = reverse("inventory:lot-detail", args=[lot.pk])
    if request.method == "POST" and form.is_valid():
        said = {
            name: form.cleaned_data[name]
            for name in ("to_expires_on", "tested_on", "paper", "signer", "token")
        }
        try:
            lot_extend(lot=lot, today=today_at(chosen_depot(request)), actor=person_of(request), **said)
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("The lot has its new date. Units that carry it are checked again."))
            return redirect_to(request, back)
    context = {
        "title": _("Extend its life by test"),
        "lot": lot,
        "question": _("Through which day may %(lot)s be used?") % {"lot": f"{lot.item.name}, {lot.code}"},
        "detail": _(
            "Good through %(day)s until now. Only with a test of this very lot, and its paper at hand."
        )
        % {"day": day_words(lot.expires_on) or _("no date on file")},
        "button": _("Give it the new date"),
        "form": form,
        "cancel_url": back,
    }
    return render_page(
        request, "inventory/action.html", context, status=422 if request.method == "POST" else 200
    )


@member_required
@require_http_methods(["GET", "POST"])
def lot_extension_withdraw_show(request: HttpRequest, pk: int, extension: int) -> HttpResponse:
    lot = lot_for_marking(request, pk)
    made = get_object_or_404(LifeExtension, pk=extension, lot=lot)
    form = ReasonForm(request.POST or None)
    back = reverse("inventory:lot-detail", args=[lot.pk])
    if request.method == "POST" and form.is_valid():
        try:
            lot_extension_withdraw(
                extension=made, reason=form.cleaned_data["reason"], actor=person_of(request)
            )
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("The earlier date counts again."))
            return redirect_to(request, back)
    context = {
        "title": _("Take the extension back"),
        "lot": lot,
        "question": _("Shall %(day)s be its last day again?") % {"day": day_words(made.from_expires_on)},
        "detail": _("The extension stays on file as taken back. Units that carry the lot are checked again."),
        "button": _("Take it back"),
        "grave": True,
        "form": form,
        "cancel_url": back,
    }
    return render_page(
        request, "inventory/action.html", context, status=422 if request.method == "POST" else 200
    )
