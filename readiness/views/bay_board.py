"""The board of a depot's bays: what is on charge, what comes next, the plan, its draft and its history."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.lib.errors import DomainError
from fleet.models import Job
from fleet.permissions import access_depot, member_required, request_rights
from fleet.services.jobs import job_cancel
from fleet.web.days import moment_words, today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view, person_of
from fleet.web.words import spoken
from readiness.bay_sentences import sentence
from readiness.forms.bay_plan import PublishForm, WithdrawForm
from readiness.models import BayPlan
from readiness.selectors.bay_pages import (
    bays_here,
    open_charges_here,
    plan_draft,
    plan_lines,
    plan_published,
    plans_of,
)
from readiness.services.bay_plans import NothingToPlan, bay_plan_compute
from readiness.services.bay_publish import FactsChanged, bay_plan_publish, bay_plan_withdraw
from readiness.web.bay_board import EXPORT_COLUMNS, PlanView, export_rows, now_view, plan_view
from readiness.web.bay_drawing import board

SPANS = {"3": 3, "7": 7, "all": None}
USUAL_SPAN = "7"


@member_required
@require_GET
def charging_choose(request: HttpRequest) -> HttpResponse:
    """To the board of the depot in view; else which one?"""
    depot = chosen_depot(request)
    if depot is not None:
        return redirect_to(request, reverse("readiness:charging-board", args=[depot.code]))
    return render_page(request, "readiness/choose_depot.html", {"depots": depots_in_view(request)})


@member_required
@require_GET
def board_show(request: HttpRequest, depot: str) -> HttpResponse:
    """The published plan with what is to be done now; a draft that waits stands above it."""
    place = access_depot(request, depot)
    now = timezone.now()
    plan, draft = plan_published(place), plan_draft(place)
    view = plan_view(plan, plan_lines(plan), now=now) if plan is not None else None
    if view is not None and export_format(request):
        return _file(request, view)
    charges = open_charges_here(place)
    bays = [bay.name for bay in bays_here(place, today=today_at(place))]
    context = {
        "place": place,
        "plan": plan,
        "draft": draft,
        "draft_made": moment_words(draft.created_at, place.time_zone) if draft else "",
        "view": view,
        "now": now_view(view, charges),
        "bays": bays,
        "may_keep": request_rights(request).can("upkeep", place.pk),
        **_drawn(request, view, bays, now),
        **_plan_words(plan),
    }
    return render_page(request, "readiness/bay_board.html", context)


def _drawn(request: HttpRequest, view: PlanView | None, bays: list[str], now: Any) -> dict[str, Any]:
    wanted = request.GET.get("span", USUAL_SPAN)
    span = wanted if wanted in SPANS else USUAL_SPAN
    if view is None:
        return {"board": None, "span": span}
    return {
        "board": board(view, bays, now=now, days=SPANS[span]),
        "span": span,
        "spans": [("3", _("3 days")), ("7", _("7 days")), ("all", _("all of it"))],
        "links": export_links(request),
    }


def _plan_words(plan: BayPlan | None) -> dict[str, Any]:
    if plan is None:
        return {}
    zone = plan.place.time_zone
    return {
        "made": moment_words(plan.created_at, zone),
        "published": moment_words(plan.published_at, zone),
        "ended": moment_words(plan.ended_at, zone),
        "begins": moment_words(plan.starts_at, zone),
        "ends": moment_words(plan.ends_at, zone),
        "signed": moment_words(plan.accepted_at, zone),
    }


def _file(request: HttpRequest, view: PlanView) -> HttpResponse:
    name = f"bay-plan-{view.plan.place.code}-{view.plan.pk}"
    kind = export_format(request) or "csv"
    return file_response(name=name, kind=kind, columns=EXPORT_COLUMNS, rows=export_rows(view))


@member_required
@require_POST
def plan_compute(request: HttpRequest, depot: str) -> HttpResponse:
    """A draft at once; its proof is on its way."""
    place = access_depot(request, depot, to="upkeep")
    try:
        plan = bay_plan_compute(place=place, actor=person_of(request))
    except NothingToPlan as error:
        for stop in error.stops:
            messages.error(request, sentence(stop))
        return redirect_to(request, reverse("readiness:charging-board", args=[place.code]))
    except DomainError as error:
        messages.error(request, spoken(error))
        return redirect_to(request, reverse("readiness:charging-board", args=[place.code]))
    return redirect_to(request, _plan_url(plan))


def _plan_url(plan: BayPlan) -> str:
    return reverse("readiness:bay-plan-show", args=[plan.place.code, plan.pk])


def _plan(request: HttpRequest, depot: str, pk: int, *, to: str = "view") -> BayPlan:
    place = access_depot(request, depot, to=to)
    found: BayPlan = get_object_or_404(
        BayPlan.objects.select_related("place", "job", "created_by", "published_by", "accepted_by"),
        place=place,
        pk=pk,
    )
    return found


@member_required
@require_GET
def plan_show(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    plan = _plan(request, depot, pk)
    return _plan_page(request, plan, PublishForm(signs=plan.floors_broken > 0))


def _plan_page(
    request: HttpRequest,
    plan: BayPlan,
    form: PublishForm,
    *,
    refused: str = "",
    changes: tuple[str, ...] = (),
    status: int = 200,
) -> HttpResponse:
    place, now = plan.place, timezone.now()
    known = plan_published(place) if plan.state == BayPlan.State.DRAFT else None
    against = plan_lines(known) if known is not None else ()
    view = plan_view(plan, plan_lines(plan), now=now, against=against)
    if export_format(request):
        return _file(request, view)
    bays = [bay.name for bay in bays_here(place, today=today_at(place))]
    context = {
        "place": place,
        "plan": plan,
        "view": view,
        "known": known,
        "form": form,
        "refused": refused,
        "refused_changes": changes,
        "may_keep": request_rights(request).can("upkeep", place.pk),
        "working": _working(plan),
        **_drawn(request, view, bays, now),
        **_plan_words(plan),
    }
    return render_page(request, "readiness/bay_plan.html", context, status=status)


def _working(plan: BayPlan) -> bool:
    return plan.job is not None and plan.job.state in (Job.State.QUEUED, Job.State.RUNNING)


@member_required
@require_GET
def plan_progress(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    """The region that asks again while the proof runs; when it has ended, the page is loaded anew."""
    plan = _plan(request, depot, pk)
    if not _working(plan) and getattr(request, "htmx", None):
        response = HttpResponse(status=204)
        response["HX-Refresh"] = "true"
        return response
    view = plan_view(plan, plan_lines(plan), now=timezone.now())
    context = {
        "place": plan.place,
        "plan": plan,
        "view": view,
        "working": _working(plan),
        "may_keep": request_rights(request).can("upkeep", plan.place_id),
    }
    return render_page(request, "readiness/bay_proof.html", context)


@member_required
@require_POST
def plan_stop(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    """Ends the search for a proof; the draft stays as good as it is."""
    plan = _plan(request, depot, pk, to="upkeep")
    if plan.job is not None:
        job_cancel(job=plan.job, actor=person_of(request))
    messages.success(request, _("The search ends soon; the draft stays as it is."))
    return redirect_to(request, _plan_url(plan))


@member_required
@require_POST
def plan_publish(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    plan = _plan(request, depot, pk, to="upkeep")
    form = PublishForm(request.POST, signs=plan.floors_broken > 0)
    form.full_clean()
    try:
        bay_plan_publish(
            plan=plan,
            actor=person_of(request),
            accepted_name=form.cleaned_data.get("accepted_name", ""),
            accepted_reason=form.cleaned_data.get("accepted_reason", ""),
        )
    except FactsChanged as error:
        changed = tuple(sentence(change) for change in error.changes)
        return _plan_page(request, plan, form, refused=spoken(error), changes=changed, status=409)
    except DomainError as error:
        return _plan_page(request, plan, form, refused=spoken(error), status=422)
    messages.success(request, _("The plan is published: the crew works by it from now on."))
    return redirect_to(request, reverse("readiness:charging-board", args=[plan.place.code]))


@member_required
@require_http_methods(["GET", "POST"])
def plan_withdraw(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    plan = _plan(request, depot, pk, to="upkeep")
    form = WithdrawForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            bay_plan_withdraw(plan=plan, actor=person_of(request), reason=form.cleaned_data["reason"])
        except DomainError as error:
            form.add_error("reason", spoken(error))
        else:
            messages.success(request, _("The plan is withdrawn. Charges that run go on."))
            return redirect_to(request, reverse("readiness:charging-board", args=[plan.place.code]))
    context = {"place": plan.place, "plan": plan, "form": form}
    status = 422 if request.method == "POST" else 200
    return render_page(request, "readiness/bay_withdraw.html", context, status=status)


@member_required
@require_GET
def plan_list(request: HttpRequest, depot: str) -> HttpResponse:
    """Every plan there was, the latest first."""
    place = access_depot(request, depot)
    paging = page_of(request, plans_of(place), per_page=30)
    rows = [
        {
            "plan": plan,
            "made": moment_words(plan.created_at, place.time_zone),
            "published": moment_words(plan.published_at, place.time_zone),
            "ended": moment_words(plan.ended_at, place.time_zone),
        }
        for plan in paging.rows
    ]
    return render_page(request, "readiness/bay_plans.html", {"place": place, "paging": paging, "rows": rows})
