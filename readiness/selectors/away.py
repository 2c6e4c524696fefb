"""Whether a unit is away, on which deployment, and which day of it is not written down yet."""

from __future__ import annotations

import datetime as dt

from django.db.models import Max

from fleet.lib.dates import find_zone
from fleet.models import Absence, Deployment, Unit


def open_absence(unit: Unit) -> Absence | None:
    return unit.absences.filter(ended_at__isnull=True).select_related("deployment").first()


def open_deployment(unit: Unit) -> Deployment | None:
    return (
        unit.deployments.filter(ended_on__isnull=True)
        .select_related("site", "absence")
        .order_by("-started_on")
        .first()
    )


def first_day_not_logged(deployment: Deployment, *, now: dt.datetime) -> dt.date:
    """The day after the last log, at the latest today on site."""
    place = deployment.site or deployment.unit.home
    today = now.astimezone(find_zone(place.time_zone)).date()
    last: dt.date | None = deployment.day_logs.counting().aggregate(last=Max("day"))["last"]
    wanted = last + dt.timedelta(days=1) if last else deployment.started_on
    return min(wanted, today)
