"""Sweeps: what ran and what it found, one asked for now, and the units set aside."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from fleet.models import Job, Place
from fleet.permissions import member_required, request_rights, require
from fleet.services.jobs import job_cancel
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view, person_of
from readiness.selectors.pages_sweeps import set_aside_open, sweep_jobs, sweeps_shown
from readiness.services.sweeps import sweep_request

# A finished job stays in the progress region this long, so that its end is seen.
END_SHOWN = dt.timedelta(minutes=10)


@member_required
@require_GET
def sweep_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    context = {
        "depot": depot,
        "paging": page_of(request, sweeps_shown(depot), per_page=30),
        "aside": list(set_aside_open(depot)[:100]),
        "may_start": _startable(request, depot),
        **_progress(request, depot),
    }
    return render_page(request, "readiness/sweep_list.html", context)


@member_required
@require_GET
def sweep_progress(request: HttpRequest) -> HttpResponse:
    """The region that asks again while something runs."""
    context = _progress(request, chosen_depot(request))
    return render_page(request, "readiness/sweep_progress.html", context)


def _progress(request: HttpRequest, depot: Place | None) -> dict[str, Any]:
    jobs = sweep_jobs(depot, since=timezone.now() - END_SHOWN)
    rights = request_rights(request)
    return {
        "jobs": jobs,
        "running": any(job.state in (Job.State.QUEUED, Job.State.RUNNING) for job in jobs),
        "stoppable": {
            job.pk for job in jobs if rights.can("sweep", job.place_id) and not job.cancel_requested
        },
    }


def _startable(request: HttpRequest, depot: Place | None) -> list[Place]:
    """The depots in view whose units this person may have judged again."""
    rights = request_rights(request)
    wanted = [depot] if depot is not None else depots_in_view(request)
    return [place for place in wanted if rights.can("sweep", place.pk)]


@member_required
@require_POST
def sweep_start(request: HttpRequest) -> HttpResponse:
    """One depot by its code, or every depot this person may sweep."""
    code = request.POST.get("depot", "")
    depots = [place for place in depots_in_view(request) if not code or place.code == code]
    if not depots:
        raise Http404
    allowed = [place for place in depots if request_rights(request).can("sweep", place.pk)]
    if not allowed:
        require(request, "sweep", depots[0].pk)
    for place in allowed:
        sweep_request(depot=place, actor=person_of(request))
    said = ngettext(
        "The sweep of %(n)d depot is on its way.",
        "The sweeps of %(n)d depots are on their way.",
        len(allowed),
    )
    messages.success(request, said % {"n": len(allowed)})
    return redirect_to(request, reverse("readiness:sweep-list"))


@member_required
@require_POST
def sweep_stop(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    job = Job.objects.filter(pk=pk, kind="sweep").first()
    if job is None:
        raise Http404
    require(request, "sweep", job.place_id)
    job_cancel(job=job, actor=person_of(request))
    messages.success(request, _("It stops after the units it is writing now; what is written stays."))
    return redirect_to(request, reverse("readiness:sweep-list"))
