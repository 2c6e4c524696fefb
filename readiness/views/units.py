"""The list of units: search, filters, order, export; and the horizon over the same units."""

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET

from fleet.permissions import member_required
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page, wants_region
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view
from fleet.web.sorting import Column, sorting_of
from readiness.filters import UnitFilter
from readiness.selectors.pages_units import units_with_verdicts
from readiness.web.verdicts import outcome_label, unit_lines

COLUMNS = [
    Column("tag", gettext_lazy("Unit"), ("tag",)),
    Column("verdict", gettext_lazy("Verdict"), ("shown_outcome", "tag")),
    Column("why", gettext_lazy("Why")),
    Column("hours", gettext_lazy("Time to ready"), ("shown_hours",), number=True),
    Column("charge", gettext_lazy("Charge, low end"), ("charge_low",), number=True),
    Column("due", gettext_lazy("Charge due"), ("charge_due",), number=True),
    Column("design", gettext_lazy("Design"), ("design__name", "tag")),
    Column("depot", gettext_lazy("Home"), ("home__name", "tag")),
]


@member_required
@require_GET
def unit_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    now = timezone.now()
    found = units_with_verdicts(now=now, depots=depots_in_view(request), depot=depot)
    filters = UnitFilter(request.GET, found, request=request)
    columns = [column for column in COLUMNS if column.key != "depot" or depot is None]
    sorting = sorting_of(request, columns, default="tag")
    rows = sorting.apply(filters.qs)
    if kind := export_format(request):
        return _unit_file(kind, rows)
    if (only := _searched_tag(request)) and found.filter(tag__iexact=only).exists():
        return HttpResponseRedirect(reverse("readiness:unit-show", args=[only]))
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": unit_lines(paging.rows),
        "links": export_links(request),
    }
    return render_page(request, "readiness/unit_list.html", context, region="readiness/unit_table.html")


def _searched_tag(request: HttpRequest) -> str:
    """The header's search box names a unit: a whole tag typed there leads straight to it."""
    only = request.GET.get("q", "").strip()
    return only if only and set(request.GET) == {"q"} and not wants_region(request) else ""


def _unit_file(kind: str, rows: object) -> HttpResponse:
    columns = [
        _("Unit"), _("Verdict"), _("Why"), _("Time to ready, h"), _("Charge low end, %"), _("Charge due"), _("Charge as of"),
        _("Design"), _("Home"), _("Away"),
    ]  # fmt: skip
    cells = [
        [
            line.unit.tag,
            outcome_label(line.unit.shown_outcome),
            line.why,
            line.unit.shown_hours,
            None if line.unit.charge_low is None else round(100 * line.unit.charge_low, 1),
            line.unit.charge_due,
            line.unit.charge_day,
            line.unit.design.name,
            line.unit.home.name,
            line.away,
        ]
        for line in unit_lines(rows)  # type: ignore[arg-type]
    ]
    return file_response(name="units", kind=kind, columns=columns, rows=cells)
