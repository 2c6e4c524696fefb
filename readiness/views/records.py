"""Quick forms: one page each for a record about a unit, the same form in a region on the unit page."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.permissions import access_unit, member_required
from fleet.web.days import today_at
from fleet.web.site import person_of
from fleet.web.words import spoken
from inventory.selectors.parts import parts_fitted
from inventory.services.parts import part_fit, part_remove, part_replace
from readiness import forms as record_forms
from readiness.selectors.pages_unit import bank_views, inspection_types_for, part_stock
from readiness.selectors.reading_doubts import reading_doubts
from readiness.services import upkeep
from readiness.web.record_pages import no_bank, nothing_to_write, record_answer, record_inputs


@member_required
@require_http_methods(["GET", "POST"])
def unit_reading_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    banks = [view.bank for view in bank_views(unit)]
    if not banks:
        return no_bank(request, unit)
    form = record_forms.ReadingForm(banks=banks, **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: _reading_with_doubts(request, form),
        title=_("Reading"),
        button=_("Save the reading"),
        done=_("The reading is on file; the charge state is being worked out again."),
    )


def _reading_with_doubts(request: HttpRequest, form: Any) -> None:
    reading = upkeep.reading_record(actor=person_of(request), **form.values())
    for doubt in reading_doubts(reading):
        messages.warning(request, spoken(doubt))


@member_required
@require_http_methods(["GET", "POST"])
def unit_charge_start(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    views = bank_views(unit)
    if not views:
        return no_bank(request, unit)
    banks = [view.bank for view in views if not view.open_charge]
    if request.method == "POST":
        # A second tap still names the bank that began to charge a moment ago.
        banks = [view.bank for view in views]
    if not banks:
        return nothing_to_write(request, unit, _("Every bank of this unit is charging already."))
    form = record_forms.ChargeStartForm(banks=banks, **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: upkeep.charge_start(actor=person_of(request), place=unit.home, **form.values()),
        title=_("Start a charge"),
        button=_("It is charging"),
        done=_("The charge is running. End it here when it is done."),
        caution=_(
            "Charging lead-acid and nickel cells gives off hydrogen: air the room, keep flames and sparks away, wear "
            "eye protection. Never charge a lithium bank below 0 °C unless its maker allows it."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_charge_stop(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    charges = [view.open_charge for view in bank_views(unit) if view.open_charge]
    if not charges:
        return nothing_to_write(request, unit, _("No charge of this unit is running."))
    form = record_forms.ChargeStopForm(charges=charges, **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: upkeep.charge_stop(actor=person_of(request), **form.values()),
        title=_("End the charge"),
        button=_("Save the end of the charge"),
        done=_("The charge has ended; the charge state is being worked out again."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_inspection_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    form = record_forms.InspectionForm(types=inspection_types_for(unit), **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: upkeep.inspection_record(unit=unit, actor=person_of(request), **form.values()),
        title=_("Inspection"),
        button=_("Save the inspection"),
        done=_("The inspection is on file."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_fault_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    form = record_forms.FaultForm(**record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: upkeep.fault_open(unit=unit, actor=person_of(request), **form.values()),
        title=_("Fault"),
        button=_("Save the fault"),
        done=_("The fault is on file."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_fault_close(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    faults = list(unit.faults.counting().filter(closed_at__isnull=True))
    if not faults:
        return nothing_to_write(request, unit, _("No fault of this unit is open."))
    form = record_forms.FaultCloseForm(faults=faults, **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: upkeep.fault_close(actor=person_of(request), **form.values()),
        title=_("Close a fault"),
        button=_("It is mended"),
        done=_("The fault is closed."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_part_fit(request: HttpRequest, tag: str) -> HttpResponse:
    """Into an empty position, or in exchange for the part that is in it."""
    unit = access_unit(request, tag, to="upkeep")
    stock, inputs = part_stock(unit), record_inputs(request, unit)
    inputs["initial"] |= _part_known(request, stock, today_at(unit.home))
    form = record_forms.PartFitForm(**stock, **inputs)

    def save(form: Any) -> None:
        position, given = form.cleaned_data["position"], form.values()
        if form.replaced is not None:
            keep = form.cleaned_data.get("old_part") == "aboard"
            part_replace(old=form.replaced, keep_old=keep, actor=person_of(request), **given)
        else:
            part_fit(unit=unit, position=position, actor=person_of(request), **given)

    return record_answer(
        request,
        unit,
        form,
        save,
        title=_("Fit a part"),
        button=_("It is fitted"),
        done=_("The part is in its position; the ledger shows the piece."),
    )


def _part_known(request: HttpRequest, stock: dict[str, Any], today: dt.date) -> dict[str, Any]:
    """A link may name the `line` of the bill or the `position`; with it goes the first good piece at hand of that item."""
    wanted, position = request.GET.get("line", ""), request.GET.get("position", "")
    line = next((line for line in stock["bill"] if str(line.pk) == wanted or line.position == position), None)
    if line is None:
        return {}
    pieces = (row for row in stock["stock"] if row.lot.item_id == line.item_id)
    piece = next((row for row in pieces if row.lot.expires_on is None or row.lot.expires_on >= today), None)
    return {"position": line.position} | ({"stock": str(piece.pk)} if piece else {})


@member_required
@require_http_methods(["GET", "POST"])
def unit_part_remove(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    form = record_forms.PartRemoveForm(fitted=parts_fitted(unit), **record_inputs(request, unit))
    return record_answer(
        request,
        unit,
        form,
        lambda form: part_remove(actor=person_of(request), **form.values()),
        title=_("Take a part out"),
        button=_("It is out"),
        done=_("The position is empty now."),
    )
