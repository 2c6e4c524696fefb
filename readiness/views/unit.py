"""The page of one unit, and the facts about it that people edit in place."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import Unit
from fleet.permissions import access_unit, member_required, request_rights
from fleet.services.versions import Conflict, save_versioned
from fleet.web.changes import change_lines
from fleet.web.days import today_at
from fleet.web.page import redirect_to, render_page
from fleet.web.site import depots_in_view, person_of, unit_system
from fleet.web.words import spoken
from readiness import forms as record_forms
from readiness.forms import UnitEditForm
from readiness.selectors.pages_charge import banks_told
from readiness.selectors.pages_unit import UnitPage, inspection_types_for, part_stock, unit_page
from readiness.selectors.pages_units import units_with_verdicts
from readiness.views.charging import unit_cards
from readiness.web.bank_learning import flag_lines, learning_words
from readiness.web.history import history_lines
from readiness.web.matters import matter_lines
from readiness.web.record_links import more_records
from readiness.web.unit_parts import bank_lines, certificate_lines, part_lines
from readiness.web.verdicts import check_groups, why_undecided


@member_required
@require_GET
def unit_show(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag)
    shown = units_with_verdicts(now=timezone.now(), depots=depots_in_view(request)).filter(pk=unit.pk).first()
    today = today_at(unit.home)
    page = unit_page(unit, now=timezone.now(), whole_history=request.GET.get("history") == "all")
    can = request_rights(request).can
    may_upkeep = can("upkeep", unit.home_id)
    system: Any = unit_system(request)
    told = banks_told(unit, today=today)
    zone = unit.home.time_zone
    cards = unit_cards(request, unit, [view.bank for view in page.banks], told, may_upkeep=may_upkeep)
    context = {
        "unit": unit,
        "shown": shown,
        "why_undecided": why_undecided(shown) if shown else "",
        "page": page,
        "today": today,
        "checks": check_groups(shown.shown_result if shown else None, today),
        "banks": [
            {
                "line": line,
                "card": cards.get(line.view.bank.pk),
                "learning": learning_words(line.told, zone) if line.told else None,
                "flags": flag_lines(line.told, zone) if line.told else [],
            }
            for line in bank_lines(
                page.banks,
                today=today,
                zone=zone,
                told=told,
                current_from=shown.day_due if shown and not shown.why_undecided else None,
            )
        ],
        "parts": part_lines(page, today=today),
        "certificates": certificate_lines(page, today=today),
        "matters": matter_lines(page.alerts, today=today, request=request),
        "history": history_lines(
            page.history,
            zone=unit.home.time_zone,
            system=system,
            may_correct=may_upkeep,
            may_send=can("absence", unit.home_id),
        ),
        "changes": change_lines(page.audit, unit.home.time_zone),
        "may_upkeep": may_upkeep,
        "quick": _quick_forms(request, page) if may_upkeep else [],
        "more": more_records(request, page),
        "here": request.path,
    }
    return render_page(request, "readiness/unit_page.html", context)


def _quick_forms(request: HttpRequest, page: UnitPage) -> list[dict[str, Any]]:
    """The forms that make sense now, each with where it posts to and what it last knew."""
    unit = page.unit
    common: dict[str, Any] = {"zone": unit.home.time_zone, "system": unit_system(request)}
    banks = [view.bank for view in page.banks]
    running = [view.open_charge for view in page.banks if view.open_charge]
    idle = [view.bank for view in page.banks if not view.open_charge]
    forms: list[tuple[str, Any, str, Any]] = []
    if banks:
        forms.append(
            (
                "unit-reading-record",
                _("Reading"),
                _("Save the reading"),
                record_forms.ReadingForm(banks=banks, prefix=None, **common),
            )
        )
    if running:
        forms.append(
            (
                "unit-charge-stop",
                _("End the charge"),
                _("Save the end of the charge"),
                record_forms.ChargeStopForm(charges=running, **common),
            )
        )
    if idle:
        forms.append(
            (
                "unit-charge-start",
                _("Start a charge"),
                _("It is charging"),
                record_forms.ChargeStartForm(banks=idle, **common),
            )
        )
    forms.append(
        (
            "unit-inspection-record",
            _("Inspection"),
            _("Save the inspection"),
            record_forms.InspectionForm(types=inspection_types_for(unit), **common),
        )
    )
    forms.append(("unit-fault-record", _("Fault"), _("Save the fault"), record_forms.FaultForm(**common)))
    if page.faults:
        forms.append(
            (
                "unit-fault-close",
                _("Close a fault"),
                _("It is mended"),
                record_forms.FaultCloseForm(faults=page.faults, **common),
            )
        )
    if any(line.purpose == "fitted" for line in page.bill):
        forms.append(
            (
                "unit-part-fit",
                _("Fit a part"),
                _("It is fitted"),
                record_forms.PartFitForm(**part_stock(unit), **common),
            )
        )
    if page.parts:
        forms.append(
            (
                "unit-part-remove",
                _("Take a part out"),
                _("It is out"),
                record_forms.PartRemoveForm(fitted=page.parts, **common),
            )
        )
    lines = []
    for name, title, button, form in forms:
        form.auto_id = f"{name}-%s"
        lines.append(
            {
                "title": title,
                "button": button,
                "form": form,
                "action": reverse(f"readiness:{name}", args=[unit.tag]),
            }
        )
    return lines


@member_required
@require_http_methods(["GET", "POST"])
def unit_edit(request: HttpRequest, tag: str) -> HttpResponse:
    """Saving over someone else's change shows both and asks."""
    unit = access_unit(request, tag, to="unit")
    home = reverse("readiness:unit-show", args=[unit.tag])
    form = UnitEditForm(request.POST or None, instance=Unit.objects.select_related("design").get(pk=unit.pk))
    conflict = None
    if request.method == "POST" and form.is_valid():
        try:
            save_versioned(
                instance=unit,
                seen_version=form.cleaned_data["version"],
                changes=form.changes(),
                actor=person_of(request),
            )
        except Conflict as clash:
            conflict = clash
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("Saved."))
            return redirect_to(request, home)
    context = {"unit": unit, "form": form, "conflict": conflict, "cancel_url": home}
    status = 409 if conflict else 422 if request.method == "POST" else 200
    return render_page(request, "readiness/unit_edit.html", context, status=status)
