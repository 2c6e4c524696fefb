"""One load: several units and kit pallets in one hold, container or on one deck, drawn to scale."""

from __future__ import annotations

import re
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from fleet.permissions import member_required
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.limits import need_words
from fleet.web.load_drawing import plan_view, side_view
from fleet.web.page import render_page
from fleet.web.site import chosen_depot, unit_system
from readiness.forms.transport_load import LoadForm
from readiness.web.transport_load import LoadPlan
from readiness.web.transport_load_pdf import load_pdf
from readiness.web.transport_load_plan import plan_load
from readiness.web.transport_load_words import (
    EXPORT_COLUMNS,
    export_rows,
    limit_cells,
    place_words,
    said_of_number,
)


@member_required
@require_GET
def transport_load(request: HttpRequest) -> HttpResponse:
    """The question stands in the address; the answer is worked out when asked and kept nowhere."""
    system: Any = unit_system(request)
    asked = "conveyance" in request.GET
    form = LoadForm(request.GET.dict(), system=system, asked=asked, today=today_at(chosen_depot(request)))
    context: dict[str, Any] = {"form": form, "asked": asked}
    if not asked or not form.is_valid():
        status = 422 if asked else 200
        return render_page(request, "readiness/transport_load.html", context, status=status)
    plan = plan_load(form.question(), now=timezone.now())
    if kind := export_format(request):
        columns = [str(column) for column in EXPORT_COLUMNS]
        return file_response(name="one-load", kind=kind, columns=columns, rows=export_rows(plan))
    context |= {
        "plan": plan,
        "said": said_of_number(plan),
        "links": export_links(request),
        "query": request.GET.urlencode(),
    }
    context |= _shown(plan, system)
    return render_page(request, "readiness/transport_load.html", context)


@member_required
@require_GET
def transport_load_pdf(request: HttpRequest) -> HttpResponse:
    """The same load for the same question, on paper. A question that cannot be goes back to the page that says why."""
    system: Any = unit_system(request)
    form = LoadForm(request.GET.dict(), system=system, asked=True, today=today_at(chosen_depot(request)))
    if not form.is_valid():
        context = {"form": form, "asked": True}
        return render_page(request, "readiness/transport_load.html", context, status=422)
    now = timezone.now()
    plan = plan_load(form.question(), now=now)
    response = HttpResponse(load_pdf(plan, now=now, system=system), content_type="application/pdf")
    name = re.sub(r"[^A-Za-z0-9._-]", "-", f"load-{plan.question.conveyance}-{plan.question.ship_date}")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return response


def _shown(plan: LoadPlan, system: Any) -> dict[str, Any]:
    """The drawing, and every number in the units this person sees."""
    bears = None
    if plan.axles_kg is not None:
        bears = need_words(plan.axles_kg[0], "kg", system), need_words(plan.axles_kg[1], "kg", system)
    drawn = plan.drawn
    return {
        "above": plan_view(
            plan.hold,
            drawn,
            title=_("%(name)s from above") % {"name": plan.name},
            mass_kg=plan.placement.mass_kg,
            cg_mm=plan.cg_mm,
            system=system,
        ),
        "side": side_view(
            plan.hold,
            drawn,
            title=_("%(name)s from the side") % {"name": plan.name},
            cg_mm=plan.cg_mm,
            bears=bears,
            system=system,
        ),
        "stowed": [(row, place_words(row, system)) for row in plan.stowed],
        "limits": [(row, limit_cells(row, system)) for row in plan.limits],
        "mass": need_words(plan.placement.mass_kg, "kg", system),
        "gap": need_words(plan.gap_mm, "mm", system),
    }
