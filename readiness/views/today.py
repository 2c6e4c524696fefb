"""Today: what now, in the order of what it costs to leave it undone."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_GET

from fleet.permissions import member_required, request_rights
from fleet.web.days import today_at
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of
from readiness.selectors.pages_alerts import alerts_of_today, owning, snoozed_count, tasks_open
from readiness.web.matters import matter_lines


@member_required
@require_GET
def today_show(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    rights = request_rights(request)
    everyone = request.GET.get("for") == "everyone"
    roles = () if everyone or "administrator" in rights.roles else owning(rights.roles)
    paging = page_of(request, alerts_of_today(today=today, depot=depot, roles=roles), per_page=25)
    context = {
        "today": today,
        "depot": depot,
        "everyone": everyone,
        "narrowed": bool(roles),
        "paging": paging,
        "matters": matter_lines(paging.rows, today=today, request=request),
        "tasks": tasks_open(depot=depot, user=person_of(request))[:20],
        "snoozed": snoozed_count(today=today, depot=depot),
    }
    return render_page(request, "readiness/today.html", context)
