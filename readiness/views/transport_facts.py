"""Entry of what decides how a unit may travel and is no dated record: facts of a bank, measures of one unit."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import BankTransport, PackedForm, Unit, UnitForm
from fleet.permissions import (
    access_bank,
    access_unit,
    bank_stay_shown,
    member_required,
    request_rights,
)
from fleet.selectors.changes import changes_of, named
from fleet.services.transport import bank_transport_save
from fleet.services.unit_forms import form_latest, unit_form_end, unit_form_write
from fleet.web.changes import change_lines
from fleet.web.days import day_words, today_at
from fleet.web.page import render_page
from fleet.web.site import person_of, unit_system
from readiness.forms.transport_facts import (
    BankTransportForm,
    UnitFormEndForm,
    UnitFormForm,
    columns_of_bank,
    measures_said,
)
from readiness.web.record_pages import (
    About,
    about_bank,
    about_unit,
    nothing_to_write,
    record_answer,
    record_inputs,
)


@member_required
@require_http_methods(["GET", "POST"])
def bank_transport_edit(request: HttpRequest, serial: str) -> HttpResponse:
    """What a bank is to the transport rules; only what they ask of its chemistry."""
    bank = access_bank(request, serial, to="upkeep")
    about = about_bank(bank, bank_stay_shown(bank))
    if not columns_of_bank(bank):
        sentence = _(
            "The rules ask nothing of a bank of this chemistry but the dated checks of the list of goods."
        )
        return nothing_to_write(request, about, sentence)
    there = BankTransport.objects.filter(bank=bank).first()
    changes = change_lines(changes_of(named([there])) if there else (), about.zone)
    return record_answer(
        request,
        about,
        BankTransportForm(
            bank=bank, there=there, fact=request.GET.get("fact", ""), **record_inputs(request, about)
        ),
        lambda form: bank_transport_save(bank=bank, actor=person_of(request), **form.values()),
        title=_("In transport"),
        button=_("Save what is known"),
        done=_("What the bank is to the transport rules is on file."),
        known=[
            _(
                "Leave empty what you do not know: it is never assumed, and the answer then names it as missing."
            )
        ],
        beneath="components/change_lines.html" if changes else "",
        more={"changes": changes},
    )


@member_required
@require_GET
def unit_measures_show(request: HttpRequest, tag: str) -> HttpResponse:
    """What differs on this unit from its design, by packed form, with what differed before."""
    unit = access_unit(request, tag)
    rows = list(UnitForm.objects.filter(unit=unit).order_by("-valid_from"))
    system, zone = unit_system(request), unit.home.time_zone
    packed = []
    for form in unit.design.packed_forms.order_by("code"):
        own = [_own_words(row, system) for row in rows if row.packed_form_id == form.pk]
        packed.append(
            {
                "form": form,
                "now": next((line for line in own if not line["until"]), None),
                "before": [line for line in own if line["until"]],
            }
        )
    context = {
        "unit": unit,
        "packed": packed,
        "may_upkeep": request_rights(request).can("upkeep", unit.home_id),
        "changes": change_lines(changes_of(named(rows)), zone) if rows else [],
    }
    return render_page(request, "readiness/unit_measures.html", context)


def _own_words(row: UnitForm, system: Any) -> dict[str, Any]:
    return {
        "since": day_words(row.valid_from),
        "until": day_words(row.valid_to) if row.valid_to else "",
        "reason": row.reason,
        "measures": measures_said(row, system) or [_("as the design")],
    }


def _packed_form(unit: Unit, code: str) -> PackedForm:
    form: PackedForm = get_object_or_404(PackedForm, design=unit.design_id, code=code)
    return form


def _about_measures(unit: Unit) -> About:
    """Forms of the measures lead back to their page."""
    about = about_unit(unit)
    return About(
        about.label, reverse("readiness:unit-measures-show", args=[unit.tag]), about.words, about.zone
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_measures_edit(request: HttpRequest, tag: str, code: str) -> HttpResponse:
    """Own measures of a unit in one packed form, each beside the design's; what is out of the ordinary is asked about."""
    unit = access_unit(request, tag, to="upkeep")
    packed_form, about = _packed_form(unit, code), _about_measures(unit)
    latest = form_latest(unit, packed_form)
    form = UnitFormForm(
        packed_form=packed_form, latest=latest, today=today_at(unit.home), **record_inputs(request, about)
    )

    def save(form: UnitFormForm) -> None:
        try:
            unit_form_write(unit=unit, packed_form=packed_form, actor=person_of(request), **form.values())
        except DomainError as error:
            if error.key == "unit_form.confirm":
                form.ask()
            raise

    return record_answer(
        request,
        about,
        form,
        save,
        title=_("Measures of this unit: %(form)s") % {"form": f"{packed_form.get_kind_display()} ({code})"},
        button=_("Save what was measured"),
        done=_("What differs on this unit is on file; how it may travel is worked out with it."),
        known=[
            _(
                "Type only what was measured on this unit and differs from its design. An empty box is as the design says."
            ),
            _("A weighing is a record of its own: its mass comes before the one typed here, if it is newer."),
        ],
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_measures_end(request: HttpRequest, tag: str, code: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    packed_form, about = _packed_form(unit, code), _about_measures(unit)
    latest = form_latest(unit, packed_form)
    if latest is None or (latest.valid_to is not None and request.method == "GET"):
        return nothing_to_write(
            request, about, _("Nothing of this unit differs from its design in that form.")
        )
    return record_answer(
        request,
        about,
        UnitFormEndForm(latest=latest, **record_inputs(request, about)),
        lambda form: unit_form_end(
            unit=unit, packed_form=packed_form, actor=person_of(request), **form.values()
        ),
        title=_("As its design again: %(form)s") % {"form": f"{packed_form.get_kind_display()} ({code})"},
        button=_("End what differed"),
        done=_("From the day after, the unit counts as its design says."),
        known=[
            _("On file since %(day)s: %(what)s. %(reason)s")
            % {
                "day": day_words(latest.valid_from),
                "what": "; ".join(measures_said(latest, unit_system(request))),
                "reason": latest.reason,
            }
        ],
    )
