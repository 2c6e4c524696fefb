"""Outlook of the stores: what lasts to the day it is used, what runs short, what expires, what a move would save."""

from __future__ import annotations

import datetime as dt

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET

from fleet.permissions import member_required
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot
from fleet.web.sorting import Column, sorting_of
from inventory.web.lines import system_of
from readiness.forms.outlook import OutlookForm
from readiness.selectors.outlook import store_records
from readiness.web.outlook import (
    doubt_words,
    file_columns,
    file_rows,
    in_order,
    items_to_solve,
    narrowed,
    outlook_lines,
    savings_of,
    shelves_of,
    summary,
)

COLUMNS = [
    Column("item", gettext_lazy("Item"), ("name",)),
    Column("depot", gettext_lazy("Depot"), ("depot",)),
    Column("hand", gettext_lazy("On hand"), ("on_hand",), number=True),
    Column("lasts", gettext_lazy("Lasts to its use"), ("lasts",), number=True),
    Column("incoming", gettext_lazy("Incoming"), ("incoming",), number=True),
    Column("needed", gettext_lazy("Needed"), ("needed",), number=True),
    Column("short", gettext_lazy("Short"), ("first_short",), number=True),
    Column("waste", gettext_lazy("Expires unused"), ("first_expiry",), number=True),
    Column("moves", gettext_lazy("A move would save")),
]


@member_required
@require_GET
def outlook_show(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today, system = today_at(depot), system_of(request)
    form = OutlookForm(request.GET, depot=depot)
    horizon = today + dt.timedelta(days=form.ahead_days)
    records = store_records(today, horizon=horizon)
    sorting = sorting_of(request, COLUMNS, default="short")
    fields = next(column.order_by for column in COLUMNS if column.key == sorting.key)
    found = narrowed(shelves_of(records, horizon), depot=depot, words=form.words, show_only=form.show_only)
    shelves = in_order(found, fields, descending=sorting.descending)
    kind = export_format(request)
    paging = page_of(request, shelves)
    shown = shelves if kind else list(paging.rows)
    items = items_to_solve(shown)
    savings = savings_of(records, items, today=today, horizon=horizon, road_days=form.road_days)
    lines = outlook_lines(records, shown, savings, today=today, system=system)
    if kind:
        rows = file_rows(shown, lines, set(items))
        return file_response(name="outlook-of-stores", kind=kind, columns=file_columns(), rows=rows)
    doubts, more_doubts = doubt_words(records, depot, system)
    context = {
        "depot": depot,
        "form": form,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": lines,
        "summary": summary(shelves),
        "horizon": horizon,
        "road_days": form.road_days,
        "narrowed": bool(form.words or form.show_only),
        "doubts": doubts,
        "more_doubts": more_doubts,
        "links": export_links(request),
    }
    return render_page(request, "readiness/outlook.html", context, region="readiness/outlook_table.html")
