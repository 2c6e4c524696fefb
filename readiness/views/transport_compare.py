"""Packed forms of one unit, or of several, side by side: the same question put to each."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import reduce
from operator import or_
from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from fleet.domain.transport.answers import class_of_fleet
from fleet.models import Unit
from fleet.permissions import member_required
from fleet.selectors.editions import rules_in_force
from fleet.web.days import today_at
from fleet.web.export import ExportLinks, export_format, file_response
from fleet.web.page import render_page
from fleet.web.site import chosen_depot, unit_system
from readiness.forms.transport import usual_trip, usual_typed
from readiness.forms.transport_questions import SheetForm
from readiness.selectors.transport import clearances_of, load_transport, terms_on
from readiness.web.transport import laws_of
from readiness.web.transport_compare import MOST_COLUMNS, compare_rows
from readiness.web.transport_sheet import Sheet, sheet_of

ASKED_AT_MOST = 12  # names read from one address


@dataclass(frozen=True)
class Picked:
    """One unit of the address with its forms: all, or the one named after a colon."""

    name: str
    unit: Unit
    form: str


@dataclass(frozen=True)
class Column:
    """One sheet with the address of its page and of the comparison without it."""

    sheet: Sheet
    query: str
    without: str


def _picked(names: list[str]) -> tuple[list[Picked], list[str]]:
    """The units that are named, and the names nobody bears. One query."""
    tags = set(names) | {name.rpartition(":")[0] for name in names if ":" in name}
    if not tags:
        return [], []
    asked = reduce(or_, (Q(tag__iexact=tag) for tag in sorted(tags)))
    found = {
        unit.tag.casefold(): unit
        for unit in Unit.objects.in_service().filter(asked).select_related("design", "home", "packed_form")
    }
    picked, unknown = [], []
    for name in names:
        tag, _colon, form = name.rpartition(":")
        if name.casefold() in found:
            picked.append(Picked(name, found[name.casefold()], ""))
        elif tag.casefold() in found:
            picked.append(Picked(name, found[tag.casefold()], form))
        else:
            unknown.append(name)
    return picked, unknown


def _sheets(picked: list[Picked], form: SheetForm, system: Any) -> tuple[list[Sheet], int]:
    """The sheets in the order of the address, six at most, and how many forms were left out. Queries do not grow."""
    ship_date: dt.date = form.cleaned_data["ship_on"]
    terms = terms_on(ship_date)
    units = list({pick.unit.pk: pick.unit for pick in picked}.values())
    records = load_transport(
        units, ship_date=ship_date, now=timezone.now(), mission_days=form.cleaned_data["days"], terms=terms
    )
    trip = form.trip(clearances_of(terms), terms.rigging_kg)
    rules = rules_in_force()
    found = class_of_fleet(records, trip, ship_date, rules=rules)
    place = {record.unit_id: n for n, record in enumerate(records)}
    wanted = [
        (place[pick.unit.pk], k)
        for pick in picked
        for k, packed in enumerate(records[place[pick.unit.pk]].forms or (None,))
        if not pick.form or (packed is not None and packed.code == pick.form)
    ]
    columns = list(dict.fromkeys(wanted))
    shown = columns[:MOST_COLUMNS]
    laws = {n: laws_of(records[n], ship_date, rules) for n in dict.fromkeys(n for n, _k in shown)}
    sheets = [
        sheet_of(found, n, k, trip, ship_date, rules, system=system, truck=form.truck(), laws=laws[n])
        for n, k in shown
    ]
    return sheets, len(columns) - len(shown)


def _left_out(forms: int, names: int) -> list[str]:
    notes = []
    if forms:
        notes.append(
            ngettext(
                "%(n)d packed form more was named: six stand side by side at most.",
                "%(n)d packed forms more were named: six stand side by side at most.",
                forms,
            )
            % {"n": forms}
        )
    if names > ASKED_AT_MOST:
        notes.append(_("Only the first %(n)d names of the address were read.") % {"n": ASKED_AT_MOST})
    return notes


def _name(sheet: Sheet) -> str:
    return f"{sheet.tag}:{sheet.form.code}" if sheet.form else sheet.tag


def _query(request: HttpRequest, **changes: str) -> str:
    """The address with some of it changed; every unit of it stays."""
    query = request.GET.copy()
    for name, value in changes.items():
        query.pop(name, None)
        if value:
            query[name] = value
    return query.urlencode()


def _columns(request: HttpRequest, sheets: list[Sheet]) -> list[Column]:
    question = request.GET.copy()
    for name in ("unit", "differs", "format", "form"):
        question.pop(name, None)
    names = [_name(sheet) for sheet in sheets]
    columns = []
    for n, sheet in enumerate(sheets):
        page, rest = question.copy(), question.copy()
        if sheet.form:
            page["form"] = sheet.form.code
        rest.setlist("unit", names[:n] + names[n + 1 :])
        columns.append(Column(sheet, page.urlencode() if "ship_on" in page else "", rest.urlencode()))
    return columns


@member_required
@require_GET
def transport_compare(request: HttpRequest) -> HttpResponse:
    """Up to six packed forms under one question, with the rows that differ marked; as a page or as a file."""
    system: Any = unit_system(request)
    names = list(dict.fromkeys(name.strip() for name in request.GET.getlist("unit") if name.strip()))
    picked, unknown = _picked(names[:ASKED_AT_MOST])
    asked = "ship_on" in request.GET
    usual = usual_trip(today_at(picked[0].unit.home if picked else chosen_depot(request)))
    form = SheetForm(request.GET if asked else usual_typed(usual), system=system, usual=usual)
    only = request.GET.get("differs") == "1"
    context: dict[str, Any] = {"form": form, "asked": asked, "names": names, "only": only, "notes": []}
    if unknown:
        context["notes"].append(_("No unit in service is called %(names)s.") % {"names": ", ".join(unknown)})
    if not form.is_valid():
        return render_page(request, "readiness/transport_compare.html", context, status=422)
    sheets, left_out = _sheets(picked, form, system)
    context["notes"] += _left_out(left_out, len(names))
    rows = compare_rows(sheets, only_differing=only)
    titles = [
        f"{sheet.tag}, {sheet.form.label} ({sheet.form.code})" if sheet.form else sheet.tag
        for sheet in sheets
    ]
    if sheets and (kind := export_format(request)):
        cells = [
            [row.label, *(cell.plain for cell in row.cells), _("yes") if row.differs else _("no")]
            for row in rows
        ]
        columns = [_("What"), *titles, _("Differs")]
        return file_response(name="transport-compared", kind=kind, columns=columns, rows=cells)
    context |= {
        "columns": _columns(request, sheets),
        "kept": [_name(sheet) for sheet in sheets],
        "rows": rows,
        "ship_date": form.cleaned_data["ship_on"],
        "differing": sum(row.differs for row in rows),
        "span": len(sheets) + 1,
        "links": ExportLinks(*(f"?{_query(request, format=kind)}" for kind in ("csv", "xlsx"))),
        "other": f"?{_query(request, differs='' if only else '1')}",
    }
    return render_page(request, "readiness/transport_compare.html", context)
