"""Alerts: the list with filters, and what people do with one."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_POST

from fleet.lib.errors import DomainError
from fleet.models import User
from fleet.permissions import member_required, request_rights, require
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page, safe_next, wants_region
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of
from fleet.web.sorting import Column, sorting_of
from fleet.web.words import spoken
from readiness.filters import AlertFilter
from readiness.forms import AcknowledgeForm, SnoozeForm
from readiness.models import Alert
from readiness.selectors.pages_alerts import alerts_shown, in_order_of_cost
from readiness.services import alerts as work
from readiness.web.matters import matter_line, matter_lines, rule_choices

COLUMNS = [
    Column("unit", gettext_lazy("Unit"), ("about_unit__tag",)),
    Column("matter", gettext_lazy("Matter"), ("rule",)),
    Column("cost", gettext_lazy("Cost of delay"), ("cost_of_delay",), number=True),
    Column("due", gettext_lazy("Due"), ("due_on",)),
    Column("late", gettext_lazy("Too late on"), ("too_late_on",)),
    Column("hours", gettext_lazy("Hours"), ("work_h",), number=True),
    Column("taken", gettext_lazy("Taken by"), ("taken_by__last_name",)),
    Column("act", gettext_lazy("What to do"), hidden_label=True),
]


@member_required
@require_GET
def alert_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    found = alerts_shown() if depot is None else alerts_shown().filter(depot=depot)
    filters = AlertFilter(request.GET, found, request=request, rules=rule_choices())
    sorting = sorting_of(request, COLUMNS, default="-cost")
    rows = (
        in_order_of_cost(filters.qs)
        if sorting.key == "cost" and sorting.descending
        else sorting.apply(filters.qs)
    )
    if kind := export_format(request):
        return _alert_file(request, kind, rows, today)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": matter_lines(paging.rows, today=today, request=request),
        "links": export_links(request),
    }
    return render_page(request, "readiness/alert_list.html", context, region="readiness/alert_table.html")


def _alert_file(request: HttpRequest, kind: str, rows: Any, today: Any) -> HttpResponse:
    lines = matter_lines(rows, today=today, request=request)
    columns = [
        _("Unit"),
        _("Depot"),
        _("Matter"),
        _("Reason"),
        _("Due on"),
        _("Too late on"),
        _("Hours"),
        _("For"),
        _("Taken by"),
    ]
    cells = [
        [
            line.alert.about_unit.tag if line.alert.about_unit else "",
            line.alert.depot.name,
            line.title,
            line.reason,
            line.alert.due_on,
            line.alert.too_late_on,
            line.alert.work_h,
            line.alert.get_owner_role_display(),
            str(line.alert.taken_by or ""),
        ]
        for line in lines
    ]
    return file_response(name="alerts", kind=kind, columns=columns, rows=cells)


def _access_alert(request: HttpRequest, pk: int) -> Alert:
    """An alert this user may work on: 404 if unknown or not a member, 403 if it may only be seen."""
    alert = alerts_shown().filter(pk=pk).first()
    if alert is None or not request_rights(request).can("view"):
        raise Http404
    require(request, "alert", alert.depot_id)
    return alert


def _act(
    request: HttpRequest, pk: int, act: Callable[[Alert, User], Alert | None], done: str
) -> HttpResponse:
    """Does one thing to an alert and answers with its line or row (htmx), or with the page it came from."""
    alert = _access_alert(request, pk)
    error = ""
    try:
        act(alert, person_of(request))
    except DomainError as refused:
        error = spoken(refused)
    if wants_region(request):
        line = matter_line(
            alerts_shown().get(pk=pk), today=today_at(alert.depot), request=request, error=error
        )
        row = request.POST.get("shape") == "row"
        template = "readiness/alert_row.html" if row else "readiness/matter.html"
        context = {"matter": line, "line": line, "depot": chosen_depot(request)}
        return render_page(request, template, context, status=422 if error else 200)
    if error:
        messages.error(request, error)
    else:
        messages.success(request, done)
    return redirect_to(request, safe_next(request, reverse("readiness:today-show")) + f"#alert-{pk}")


@member_required
@require_POST
def alert_take(request: HttpRequest, pk: int) -> HttpResponse:
    return _act(
        request, pk, lambda alert, user: work.alert_take(alert=alert, actor=user), _("It is yours now.")
    )


@member_required
@require_POST
def alert_give_back(request: HttpRequest, pk: int) -> HttpResponse:
    return _act(
        request, pk, lambda alert, user: work.alert_give_back(alert=alert, actor=user), _("Given back.")
    )


@member_required
@require_POST
def alert_acknowledge(request: HttpRequest, pk: int) -> HttpResponse:
    form = AcknowledgeForm(request.POST)
    note = form.cleaned_data["note"] if form.is_valid() else ""
    return _act(
        request,
        pk,
        lambda alert, user: work.alert_acknowledge(alert=alert, actor=user, note=note),
        _("Noted."),
    )


@member_required
@require_POST
def alert_snooze(request: HttpRequest, pk: int) -> HttpResponse:
    form = SnoozeForm(request.POST)

    def snooze(alert: Alert, user: User) -> Alert:
        if not form.is_valid():
            raise DomainError("alert.no_day", str(_("Say until which day.")))
        day = form.cleaned_data["until"]
        return work.alert_snooze(alert=alert, actor=user, until=day, today=today_at(alert.depot))

    return _act(request, pk, snooze, _("Put off. It comes back on that day, or at once if it worsens."))


@member_required
@require_POST
def alert_wake(request: HttpRequest, pk: int) -> HttpResponse:
    return _act(
        request, pk, lambda alert, user: work.alert_wake(alert=alert, actor=user), _("Back in Today.")
    )
