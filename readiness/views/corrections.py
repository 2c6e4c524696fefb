"""Putting a record right: struck out with a reason, or moved to the unit it was really about."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import (
    BankStay,
    BatteryBank,
    Certificate,
    Correctable,
    Modification,
    SupplyState,
    Unit,
    Weighing,
    WetState,
)
from fleet.permissions import access_unit, member_required, require
from fleet.selectors.touched import unit_of
from fleet.services.corrections import record_move_to, record_strike
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of
from fleet.web.words import spoken
from readiness.forms import MoveForm, StrikeForm
from readiness.models import BankTest, Charge, Fault, Inspection, Reading
from readiness.web.history import record_words

KINDS: dict[str, type[Correctable]] = {
    "reading": Reading,
    "charge": Charge,
    "bank-test": BankTest,
    "supply-state": SupplyState,
    "inspection": Inspection,
    "fault": Fault,
    "modification": Modification,
    "weighing": Weighing,
    "wet-state": WetState,
    "certificate": Certificate,
}


def _access_record(request: HttpRequest, kind: str, pk: int) -> tuple[Any, Unit]:
    """A record and its unit, if this user may correct it."""
    if kind not in KINDS:
        raise Http404
    record = get_object_or_404(KINDS[kind], pk=pk)
    unit = unit_of(record)
    if unit is None:
        raise Http404
    return record, access_unit(request, unit.tag, to="upkeep")


@member_required
@require_http_methods(["GET", "POST"])
def record_strike_out(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    record, unit = _access_record(request, kind, pk)
    form = StrikeForm(request.POST or None)
    home = reverse("readiness:unit-show", args=[unit.tag])
    if request.method == "POST" and form.is_valid():
        try:
            record_strike(record=record, reason=form.cleaned_data["reason"], actor=person_of(request))
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("Struck out. It stays visible and counts for nothing."))
            return redirect_to(request, home)
    context = {
        "unit": unit,
        "form": form,
        "question": _("Strike this record out?"),
        "detail": record_words(kind, record, unit.home.time_zone),
        "button": _("Strike it out"),
        "cancel_url": home,
    }
    return render_page(
        request, "readiness/correction.html", context, status=422 if request.method == "POST" else 200
    )


@member_required
@require_http_methods(["GET", "POST"])
def record_move(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    record, unit = _access_record(request, kind, pk)
    form = MoveForm(request.POST or None)
    home = reverse("readiness:unit-show", args=[unit.tag])
    if request.method == "POST" and form.is_valid():
        right: Unit = form.cleaned_data["unit"]
        require(request, "upkeep", right.home_id)
        try:
            record_move_to(
                record=record,
                reason=form.cleaned_data["reason"],
                actor=person_of(request),
                **_destination(record, right),
            )
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("Moved to %(unit)s.") % {"unit": right.tag})
            return redirect_to(request, reverse("readiness:unit-show", args=[right.tag]))
    context = {
        "unit": unit,
        "form": form,
        "question": _("Which unit was this record really about?"),
        "detail": record_words(kind, record, unit.home.time_zone),
        "button": _("Move it there"),
        "cancel_url": home,
    }
    return render_page(
        request, "readiness/correction.html", context, status=422 if request.method == "POST" else 200
    )


def _destination(record: Any, right: Unit) -> dict[str, Any]:
    """The unit itself, or for a record about a bank the one bank that was in that unit at the time."""
    if not hasattr(record, "bank_id"):
        return {"unit": right}
    there = BatteryBank.objects.filter(
        pk__in=BankStay.objects.at(record.happened_at).filter(unit=right).values("bank")
    )
    if len(there) != 1:
        raise DomainError(
            "record.no_single_bank",
            str(
                _(
                    "Unit {unit} did not hold exactly one bank at that time: correct it on the bank's own page."
                )
            ),
            unit=right.tag,
        )
    return {"bank": there[0]}
