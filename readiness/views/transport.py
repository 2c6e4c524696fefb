"""The search for units that a conveyance can take."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from fleet.models import Unit
from fleet.permissions import member_required
from fleet.selectors.editions import rules_in_force
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.limits import spare_number
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view, unit_system
from readiness.forms.transport import usual_trip
from readiness.forms.transport_find import FindForm, find_of_form
from readiness.rules_words import endings
from readiness.web.transport import conveyance_choices, query_of


@member_required
@require_GET
def transport_find(request: HttpRequest) -> HttpResponse:
    """Every unit and packed form that one conveyance can take, worked out for all of them at once."""
    system: Any = unit_system(request)
    depot = chosen_depot(request)
    asked = "ship_on" in request.GET
    usual = usual_trip(today_at(depot)) | {"alt_m": None}
    choices = conveyance_choices()
    form = (
        FindForm(request.GET, system=system, conveyances=choices, usual=usual)
        if asked
        else FindForm(initial=usual, system=system, conveyances=choices)
    )
    context: dict[str, Any] = {"form": form, "asked": asked, "depot": depot}
    context["endings"] = endings(rules_in_force(), today_at(depot))
    if not asked or not form.is_valid():
        return render_page(request, "readiness/transport_find.html", context, status=422 if asked else 200)
    units = Unit.objects.in_service().filter(home__in=[depot] if depot else depots_in_view(request))
    found = find_of_form(list(units.order_by().values_list("pk", flat=True)), form, now=timezone.now())
    if kind := export_format(request):
        columns = [
            _("Unit"),
            _("Packed as"),
            _("Home"),
            _("Answer"),
            _("To spare, kg"),
            _("To spare, mm"),
            _("Why"),
        ]
        cells = [
            [
                row.tag,
                row.packed,
                row.depot,
                row.line.word,
                spare_number(row.line.margin_kg, "kg"),
                spare_number(row.line.margin_mm, "mm"),
                " ".join(row.line.why),
            ]
            for row in found.rows(found.order)
        ]
        return file_response(name="units-by-conveyance", kind=kind, columns=columns, rows=cells)
    paging = page_of(request, found.order)
    question = form.question()
    context |= {
        "paging": paging,
        "rows": found.rows(paging.rows),
        "able": found.count("pass"),
        "undecided": found.count("cannot_decide"),
        "not_asked": found.not_asked,
        "what": found.what,
        "query": query_of(question),
        "question": [(name, value) for name, value in question.items() if value],
        "links": export_links(request),
    }
    return render_page(request, "readiness/transport_find.html", context)
