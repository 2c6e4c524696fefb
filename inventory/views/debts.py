"""Debts: which unit owes what to which, since when, and what settles it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET

from fleet.permissions import member_required, request_rights
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot
from fleet.web.sorting import Column, sorting_of
from inventory.filters import DebtFilter
from inventory.models import PartDebt
from inventory.selectors.debts import debts_shown
from inventory.web.debts import debt_day, debt_lines_of, held_back
from inventory.web.lines import system_of

COLUMNS = [
    Column("owed_to", gettext_lazy("Owed to"), ("owed_to__tag", "opened_at")),
    Column("what", gettext_lazy("What"), ("what", "opened_at")),
    Column("given_to", gettext_lazy("By"), ("given_to__tag", "opened_at")),
    Column("since", gettext_lazy("Since"), ("opened_at",)),
    Column("held", gettext_lazy("Holds back")),
    Column("act", gettext_lazy("Settle it")),
]


@member_required
@require_GET
def debt_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    filters = DebtFilter(request.GET, debts_shown(depot=depot), request=request)
    sorting = sorting_of(request, COLUMNS, default="since")
    rows = sorting.apply(filters.qs)
    if kind := export_format(request):
        return _file(kind, rows, today)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": debt_lines_of(
            paging.rows,
            today=today,
            system=system_of(request),
            rights=request_rights(request),
            next_url=request.get_full_path(),
        ),
        "narrowed": any(request.GET.get(name) for name in filters.filters),
        "links": export_links(request),
    }
    return render_page(request, "inventory/debt_list.html", context, region="inventory/debt_table.html")


def _file(kind: str, rows: Iterable[PartDebt], today: dt.date) -> HttpResponse:
    columns = [
        _("Owed to"), _("Depot"), _("What"), _("Code"), _("Quantity"), _("Unit"), _("Position"), _("By"),
        _("Depot of that unit"), _("Since"), _("Days"), _("Holds back"), _("Note"), _("Settled on"),
    ]  # fmt: skip
    cells = []
    for row in rows:
        opened = debt_day(row, row.opened_at)
        settled = debt_day(row, row.settled_at)
        cells.append(
            [
                row.owed_to.tag,
                row.owed_to.home.name,
                row.item.name if row.item else row.bank.serial if row.bank else "",
                row.item.code if row.item else "",
                float(row.qty),
                str(row.item.get_base_unit_display()) if row.item else "",
                row.position,
                row.given_to.tag,
                row.given_to.home.name,
                opened,
                ((settled or today) - opened).days if opened else None,
                held_back(row),
                row.note,
                settled,
            ]
        )
    return file_response(name="debts", kind=kind, columns=columns, rows=cells)
