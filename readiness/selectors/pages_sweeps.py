"""Sweeps as their page shows them: what ran, what runs now, and the units set aside."""

from __future__ import annotations

import datetime as dt

from django.db.models import Q, QuerySet

from fleet.models import Job, Place
from readiness.models import SetAside, Sweep


def sweeps_shown(depot: Place | None) -> QuerySet[Sweep]:
    """Latest first, with depot and who asked."""
    found = Sweep.objects.select_related("depot", "job", "job__requested_by").order_by("-started_at", "-pk")
    return found.filter(depot=depot) if depot is not None else found


def sweep_jobs(depot: Place | None, *, since: dt.datetime) -> list[Job]:
    """Sweep jobs that wait or run, or ended since then; the oldest first, so that the list grows downwards."""
    found = Job.objects.filter(kind="sweep").select_related("place", "requested_by")
    found = found.filter(Q(state__in=[Job.State.QUEUED, Job.State.RUNNING]) | Q(finished_at__gte=since))
    if depot is not None:
        found = found.filter(place=depot)
    return list(found.order_by("created_at")[:20])


def set_aside_open(depot: Place | None) -> QuerySet[SetAside]:
    """Units that could not be worked out and still wait for a pass that can."""
    found = SetAside.objects.filter(cleared_at__isnull=True, unit__retired_on__isnull=True)
    found = found.select_related("unit", "unit__home").order_by("unit__tag")
    return found.filter(unit__home=depot) if depot is not None else found
