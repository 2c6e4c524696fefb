"""A charge begun and ended from the board, and the calendar of a depot's charges."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.models import Place
from fleet.permissions import access_depot, member_required
from fleet.web.days import moment_words
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of
from readiness.forms.bay_plan import LineStartForm
from readiness.forms.records import ChargeStopForm
from readiness.models import BayPlanLine
from readiness.selectors.bay_pages import calendar_by_hash, calendar_of, plan_lines, plan_published
from readiness.services.bay_calendars import bay_calendar_end, bay_calendar_renew, calendar_hash
from readiness.services.bay_charges import bay_line_start, bay_line_stop
from readiness.web.bay_board import LineView, plan_view
from readiness.web.bay_calendar import bay_calendar
from readiness.web.record_pages import About, nothing_to_write, record_answer, record_inputs


def _line(request: HttpRequest, depot: str, pk: int) -> tuple[Place, BayPlanLine, LineView]:
    place = access_depot(request, depot, to="upkeep")
    line: BayPlanLine = get_object_or_404(
        BayPlanLine.objects.select_related("plan__place", "bank", "bay", "charge__bank"),
        plan__place=place,
        pk=pk,
    )
    view = plan_view(line.plan, [line], now=timezone.now()).lines[0]
    return place, line, view


def _about(place: Place, view: LineView) -> About:
    words = f"{view.unit or _('on a shelf')}, {_('bay')} {view.bay}, {place.name}"
    return About(view.bank, reverse("readiness:charging-board", args=[place.code]), words, place.time_zone)


@member_required
@require_http_methods(["GET", "POST"])
def line_start(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    place, line, view = _line(request, depot, pk)
    about = _about(place, view)
    if request.method == "GET" and view.charge is not None:
        return nothing_to_write(request, about, _("This charge has begun already."))
    known = [
        _("Planned: %(starts)s to %(ends)s, off the bay %(off)s.")
        % {"starts": view.starts, "ends": view.ends, "off": view.off}
    ]
    if view.set_a is not None:
        known.append(
            _("Set the charger to %(a).1f A and to the programme for %(kind)s.")
            % {"a": view.set_a, "kind": view.chemistry}
        )
    known.append(
        _(
            "Check first: tag and serial number, no damage, no leak, vents free, the battery neither frozen nor hot."
        )
    )

    def save(form: Any) -> None:
        bay_line_start(line=line, actor=person_of(request), token=form.cleaned_data["token"])

    return record_answer(
        request,
        about,
        LineStartForm(**record_inputs(request, about)),
        save,
        title=_("Start the charge"),
        button=_("It is charging"),
        done=_("The charge is running on bay %(bay)s.") % {"bay": view.bay},
        known=known,
        caution=_(
            "Charging lead-acid and nickel cells gives off hydrogen: air the room, keep flames and sparks away, wear "
            "eye protection. Never charge a lithium bank below 0 °C unless its maker allows it."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def line_stop(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    place, line, view = _line(request, depot, pk)
    about = _about(place, view)
    if view.charge is None:
        return nothing_to_write(request, about, _("The charge of this line has not begun."))
    if request.method == "GET" and view.charge.ended_at is not None:
        return nothing_to_write(request, about, _("This charge has ended already."))
    return record_answer(
        request,
        about,
        ChargeStopForm(charges=[view.charge], **record_inputs(request, about)),
        lambda form: bay_line_stop(line=line, actor=person_of(request), **form.values()),
        title=_("End the charge"),
        button=_("It is off its bay"),
        done=_("The charge has ended; bay %(bay)s is free.") % {"bay": view.bay},
        caution=_(
            "Switch the charger off before you take the leads away: a spark beside a charged battery can ignite its gas."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def calendar_settings(request: HttpRequest, depot: str) -> HttpResponse:
    """The address under which a calendar reads the plan: made, renewed, ended. It is shown once."""
    place = access_depot(request, depot, to="upkeep")
    address = ""
    if request.method == "POST":
        if request.POST.get("do") == "end":
            bay_calendar_end(place=place, actor=person_of(request))
            messages.success(request, _("The calendar is closed: its address answers no more."))
            return redirect_to(request, reverse("readiness:bay-calendar", args=[place.code]))
        key = bay_calendar_renew(place=place, actor=person_of(request))
        address = request.build_absolute_uri(reverse("readiness:bay-calendar-feed", args=[key]))
    row = calendar_of(place)
    context = {
        "place": place,
        "row": row,
        "made": moment_words(row.made_at, place.time_zone) if row else "",
        "address": address,
    }
    return render_page(request, "readiness/bay_calendar.html", context)


@require_GET
def calendar_feed(request: HttpRequest, key: str) -> HttpResponse:
    """The published plan as RFC 5545, to whoever has the address. Nothing else can be seen with it."""
    row = calendar_by_hash(calendar_hash(key))
    if row is None:
        raise Http404
    now = timezone.now()
    plan = plan_published(row.place)
    view = plan_view(plan, plan_lines(plan), now=now) if plan is not None else None
    name = _("Bays of %(place)s") % {"place": row.place.name}
    response = HttpResponse(bay_calendar(name, view, now=now), content_type="text/calendar; charset=utf-8")
    response["Content-Disposition"] = f'inline; filename="bays-{row.place.code}.ics"'
    response["Cache-Control"] = "private, max-age=300"
    response["Referrer-Policy"] = "no-referrer"
    return response
