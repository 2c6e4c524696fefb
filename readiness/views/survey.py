"""First weeks of a depot: the shortest walk, its sheet on paper, and the sheet typed in."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import segno
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.sheets import write_xlsx
from fleet.models import Place
from fleet.permissions import member_required, request_rights, require
from fleet.web.days import today_at
from fleet.web.export import FORMATS
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view, person_of, unit_system
from fleet.web.words import spoken
from readiness.forms.survey import SHARED_NAMES, LineForm, SheetForm, fact_name, facts_in_words, lines_of
from readiness.models import Reading
from readiness.selectors.reading_doubts import reading_doubts
from readiness.selectors.survey import Survey, UnitSurvey, survey_of
from readiness.services.survey import TYPED_IN, Entry, SurveyRefused, survey_record
from readiness.web.survey_export import survey_workbook

STOPS_A_SHEET = 20
STOPS_TO_TYPE = 8


@member_required
@require_GET
def first_weeks(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    if depot is None:
        return _choose_depot(request)
    survey = survey_of(depot, as_of=today_at(depot))
    if request.GET.get("format") == "xlsx":
        return _workbook(survey)
    paging = page_of(request, survey.steps)
    context = {
        "depot": depot,
        "survey": survey,
        "paging": paging,
        "lines": [_line(step) for step in paging.rows],
        "later": [_line(one) for one in survey.later],
        "away": [_line(one) for one in survey.away],
        "half_hour": _decided_within(survey, 30),
        "may_upkeep": request_rights(request).can("upkeep", depot.pk),
    }
    return render_page(request, "readiness/first_weeks.html", context)


@member_required
@require_GET
def survey_sheet(request: HttpRequest) -> HttpResponse:
    """The walk on paper: a block a unit, with a code that opens the unit on a phone."""
    depot = chosen_depot(request)
    if depot is None:
        return _choose_depot(request)
    survey = survey_of(depot, as_of=today_at(depot), tags=_tags(request))
    stops = _worth_a_visit(survey)
    paging = page_of(request, stops, per_page=STOPS_A_SHEET)
    blocks = [
        {"stop": stop, "code": unit_code(request, stop.unit.tag), "lines": _paper_lines(stop)}
        for stop in paging.rows
    ]
    context = {"depot": depot, "paging": paging, "blocks": blocks, "today": today_at(depot)}
    return render_page(request, "readiness/survey_sheet.html", context)


@member_required
@require_http_methods(["GET", "POST"])
def survey_entry(request: HttpRequest) -> HttpResponse:
    """The sheet typed in: all lines of a page of units, saved together or not at all."""
    require(request, "upkeep")
    depot = chosen_depot(request)
    if depot is None:
        return _choose_depot(request)
    require(request, "upkeep", depot.pk)
    tags = request.POST.getlist("tag") if request.method == "POST" else _tags(request)
    survey = survey_of(depot, as_of=today_at(depot), tags=tags)
    paging = page_of(request, _worth_a_visit(survey), per_page=STOPS_TO_TYPE)
    data = request.POST if request.method == "POST" else None
    sheet = SheetForm(data, zone=depot.time_zone)
    groups = lines_of(paging.rows, data=data, system=unit_system(request))
    if request.method == "POST" and _save(request, depot, sheet, groups):
        return redirect_to(request, f"{reverse('readiness:survey-entry')}?depot={depot.code}")
    blocks = [
        {"stop": stop, "lines": lines, "elsewhere": _elsewhere(stop)}
        for stop, lines in zip(paging.rows, groups, strict=True)
    ]
    context = {"depot": depot, "sheet": sheet, "paging": paging, "blocks": blocks}
    status = 422 if request.method == "POST" else 200
    return render_page(request, "readiness/survey_entry.html", context, status=status)


def _save(request: HttpRequest, depot: Place, sheet: SheetForm, groups: Sequence[Sequence[LineForm]]) -> bool:
    """True when something was written; else the forms say why not."""
    lines = [line for group in groups for line in group]
    fine = sheet.is_valid()
    typed = [line for line in lines if not line.is_valid() or line.typed]
    fine = fine and all(line.is_valid() for line in typed)
    gone = _lines_gone(request, lines)
    if not fine:
        return False
    if not typed:
        messages.warning(request, _("Nothing was filled in.") if not gone else _gone_words(gone))
        return False
    entries: list[Entry] = [line.entry(sheet.cleaned_data["token"]) for line in typed]
    try:
        written = survey_record(entries=entries, at=sheet.cleaned_data["at"], actor=person_of(request))
    except SurveyRefused as refused:
        for number, error in refused.errors.items():
            typed[number].add_error(None, spoken(error))
        sheet.add_error(None, spoken(refused))
        return False
    messages.success(
        request,
        ngettext("%(n)d fact is on file.", "%(n)d facts are on file.", len(written)) % {"n": len(written)},
    )
    if gone:
        messages.warning(request, _gone_words(gone))
    for reading in (row for row in written if isinstance(row, Reading)):
        for doubt in reading_doubts(reading):
            messages.warning(request, f"{reading.bank.serial}: {spoken(doubt)}")
    return True


def _lines_gone(request: HttpRequest, lines: Sequence[LineForm]) -> int:
    """How many filled lines are about facts that somebody recorded while the sheet lay open."""
    here = {str(line.prefix) for line in lines}
    sent = {name.rpartition("-")[0] for name, value in request.POST.items() if value and name.count("-") >= 3}
    return len(sent - here)


def _gone_words(count: int) -> str:
    return ngettext(
        "%(n)d line was left out: somebody recorded that fact in the meantime.",
        "%(n)d lines were left out: somebody recorded those facts in the meantime.",
        count,
    ) % {"n": count}


def unit_code(request: HttpRequest, tag: str) -> SafeString:
    """A QR code, as inline SVG, of the address of the unit's page."""
    address = request.build_absolute_uri(reverse("readiness:unit-show", args=[tag]))
    drawing = io.BytesIO()
    segno.make_qr(address, error="m").save(
        drawing,
        kind="svg",
        xmldecl=False,
        svgns=False,
        scale=3,
        border=2,
        light="#fff",
        title=tag,
        svgclass="code",
    )
    return mark_safe(drawing.getvalue().decode())  # drawn here from our own address


def _tags(request: HttpRequest) -> list[str] | None:
    return request.GET.getlist("tag") or None


def _worth_a_visit(survey: Survey) -> list[UnitSurvey]:
    return [*(stop for stop in survey.stops if stop.facts), *survey.later]


def _decided_within(survey: Survey, minutes: float) -> int:
    return max((step.decided_so_far for step in survey.steps if step.minutes_so_far <= minutes), default=0)


def _line(step: Any) -> dict[str, Any]:
    if isinstance(step, UnitSurvey):
        return {"unit": step.unit, "facts": facts_in_words(step.facts), "step": step}
    return {"shared": SHARED_NAMES[step.key], "step": step}


def _paper_lines(stop: UnitSurvey) -> list[dict[str, Any]]:
    return [{"name": fact_name(fact), "key": fact.key} for fact in stop.facts]


def _elsewhere(stop: UnitSurvey) -> list[str]:
    """Facts with a page of their own: parts, kit, the bank itself."""
    return facts_in_words([fact for fact in stop.facts if fact.key not in TYPED_IN])


def _choose_depot(request: HttpRequest) -> HttpResponse:
    return render_page(request, "readiness/choose_depot.html", {"depots": depots_in_view(request)})


def _workbook(survey: Survey) -> HttpResponse:
    content = io.BytesIO()
    write_xlsx(content, survey_workbook(_worth_a_visit(survey)))
    response = HttpResponse(content.getvalue(), content_type=FORMATS["xlsx"])
    response["Content-Disposition"] = 'attachment; filename="survey.xlsx"'
    return response
