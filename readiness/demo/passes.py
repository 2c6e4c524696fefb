"""The sweep over the loaded scenario: some past weeks first, so that there is a history, then today; and what people did."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from django.utils import timezone

from fleet.models import Place, Unit, User
from readiness.models import Alert
from readiness.services.alerts import alert_acknowledge, alert_snooze, alert_take
from readiness.services.sweep import sweep_units
from readiness.services.sweep_stores import sweep_stores
from readiness.services.sweeps import sweep_at_once, told_of

NIGHT = dt.time(2)


def past_passes(today: dt.date, weeks: int, tell: Callable[[dt.date], None] = lambda day: None) -> None:
    """One pass a week over every unit as of that week's day, by what is known now."""
    units = list(Unit.objects.in_service().values_list("pk", flat=True))
    depots = list(Place.objects.filter(kind=Place.Kind.DEPOT))
    for week in range(weeks, 0, -1):
        day = today - dt.timedelta(days=7 * week)
        night = dt.datetime.combine(day, NIGHT, tzinfo=dt.UTC)
        sweep_units(unit_ids=units, as_of=day, now=night)
        for depot in depots:
            sweep_stores(depot=depot, as_of=day, now=night)
        tell(day)


def todays_pass(today: dt.date) -> str:
    """The pass of the stated today, depot by depot; returns what it did. A day still to come counts as read at its noon."""
    noon = dt.datetime.combine(today, dt.time(12), tzinfo=dt.UTC)
    read_at = noon if noon > timezone.now() + dt.timedelta(days=1) else None
    lines = []
    for depot in Place.objects.filter(kind=Place.Kind.DEPOT).order_by("code"):
        done = sweep_at_once(depot=depot, as_of=today, now=read_at)
        lines.append(f"{depot.code} as of {today}: {told_of(done)}\n")
    return "".join(lines)


def people_at_work(today: dt.date) -> None:
    """The managers took a few matters on, put one off, and wrote down what is being done about another."""
    managers = {
        membership.depot_id: user
        for user in User.objects.filter(memberships__role="depot_manager").prefetch_related("memberships")
        for membership in user.memberships.all()
    }
    matters = Alert.objects.filter(cleared_at=None).order_by("-cost_of_delay", "pk")
    for depot_id, manager in managers.items():
        here = list(matters.filter(depot_id=depot_id)[:3])
        if len(here) < 3:
            continue
        alert_take(alert=here[0], actor=manager)
        alert_acknowledge(
            alert=here[1], actor=manager, note="Parts asked for; the crew looks at it this week"
        )
    calm = matters.filter(
        rule="inspection", too_late_on=None, due_on__gte=today + dt.timedelta(days=4)
    ).last()
    if calm is not None and calm.depot_id in managers:
        until = today + dt.timedelta(days=3)
        alert_snooze(
            alert=calm,
            actor=managers[calm.depot_id],
            until=until,
            today=today,
            note="Done together with the others on Friday",
        )
