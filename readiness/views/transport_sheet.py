"""The transport sheet of a unit: on screen, on paper, and beside others. Decision support only."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from fleet.domain.transport.answers import class_of_fleet
from fleet.lib.quantities import System, format_quantity
from fleet.models import Unit
from fleet.permissions import access_unit, member_required, request_rights
from fleet.selectors.editions import rules_in_force
from fleet.web.days import day_words, today_at
from fleet.web.fields import QuantityField
from fleet.web.limits import limit_words, need_words
from fleet.web.page import render_page
from fleet.web.site import unit_system
from readiness.forms.transport import usual_trip, usual_typed
from readiness.forms.transport_questions import SheetForm
from readiness.selectors.transport import clearances_of, load_transport, terms_on
from readiness.web.record_pages import rights_here
from readiness.web.transport_pdf import sheet_pdf
from readiness.web.transport_sheet import Sheet, asked_words, sheet_of

NEEDS = ("fork_axle_kg",)  # masses that a floor must bear; every other typed mass is a limit


def _form(request: HttpRequest, unit: Unit, system: System) -> tuple[SheetForm, dict[str, Any], bool]:
    """The question in the address, or the usual one."""
    packed = [(form.code, str(form.get_kind_display())) for form in unit.design.packed_forms.order_by("code")]
    usual = usual_trip(today_at(unit.home)) | {"form": packed[0][0] if packed else ""}
    if unit.packed_form_id and unit.packed_form is not None:
        usual["form"] = unit.packed_form.code
    asked = "ship_on" in request.GET
    return (
        SheetForm(request.GET if asked else usual_typed(usual), system=system, packed=packed, usual=usual),
        usual,
        asked,
    )


def _sheet(unit: Unit, form: SheetForm, usual: dict[str, Any], system: System) -> Sheet:
    """The sheet of a valid form, in a number of queries that does not grow with what is aboard."""
    ship_date: dt.date = form.cleaned_data["ship_on"]
    terms = terms_on(ship_date)
    (record,) = load_transport(
        [unit], ship_date=ship_date, now=timezone.now(), mission_days=form.cleaned_data["days"], terms=terms
    )
    trip = form.trip(clearances_of(terms), terms.rigging_kg)
    rules = rules_in_force()
    code = form.cleaned_data.get("form") or usual["form"]
    chosen = next((place for place, packed in enumerate(record.forms) if packed.code == code), 0)
    return sheet_of(
        class_of_fleet([record], trip, ship_date, rules=rules),
        0,
        chosen,
        trip,
        ship_date,
        rules,
        system=system,
        truck=form.truck(),
        asked=asked_in(form, system),
    )


def asked_in(form: SheetForm, system: System) -> tuple[tuple[str, str], ...]:
    """What was asked, label and value: typed limits are not rounded up."""
    return asked_words(
        (field.label, _said(field, form.cleaned_data.get(field.name), system))
        for field in form.visible_fields()
        if field.name != "form"
    )


def _said(field: Any, value: Any, system: System) -> str:
    if value is None or value is False or value == "":
        return ""
    kind = field.field
    if isinstance(kind, QuantityField):
        if kind.base == "kg":
            return (need_words if field.name in NEEDS else limit_words)(value, "kg", system)
        return format_quantity(value, kind.base, system)
    if isinstance(value, dt.date):
        return day_words(value)
    if value is True:
        return str(_("yes"))
    if isinstance(value, float):
        return f"{value:g}"
    for name, words in getattr(kind, "choices", ()):
        for inner, said in words if isinstance(words, list | tuple) else ((name, words),):
            if inner == value:
                return str(said)
    return str(value)


@member_required
@require_GET
def unit_transport(request: HttpRequest, tag: str) -> HttpResponse:
    """Class, measures, mass, diagram, conveyances, law per mode, papers and what is missing: one page, printable."""
    unit = access_unit(request, tag)
    system: Any = unit_system(request)
    form, usual, asked = _form(request, unit, system)
    context: dict[str, Any] = {"unit": unit, "form": form, "asked": asked, "home_url": request.path}
    if not form.is_valid():
        return render_page(request, "readiness/transport_sheet.html", context, status=422)
    sheet = _sheet(unit, form, usual, system)
    context |= {
        "sheet": sheet,
        "ship_date": sheet.ship_date,
        "query": request.GET.urlencode() if asked else "",
        "may_upkeep": request_rights(request).can("upkeep", unit.home_id),
        "may": rights_here(request, unit),
    }
    return render_page(request, "readiness/transport_sheet.html", context)


@member_required
@require_GET
def unit_transport_pdf(request: HttpRequest, tag: str) -> HttpResponse:
    """The same sheet for the same question, on paper. A question that cannot be goes back to the page that says why."""
    unit = access_unit(request, tag)
    system: Any = unit_system(request)
    form, usual, asked = _form(request, unit, system)
    if not form.is_valid():
        context = {
            "unit": unit,
            "form": form,
            "asked": asked,
            "home_url": request.path.removesuffix("sheet.pdf"),
        }
        return render_page(request, "readiness/transport_sheet.html", context, status=422)
    sheet = _sheet(unit, form, usual, system)
    response = HttpResponse(sheet_pdf(sheet, now=timezone.now()), content_type="application/pdf")
    code = f"-{sheet.form.code}" if sheet.form else ""
    name = re.sub(r"[^A-Za-z0-9._-]", "-", f"transport-{unit.tag}{code}")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return response
