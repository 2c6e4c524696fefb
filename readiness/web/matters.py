"""Lines of Today and of the alert list: each with its sentence, its day, its hours and one action."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.permissions import request_rights
from fleet.web.days import day_words, distance_words
from readiness.models import Alert
from readiness.services.alerts import latest_snooze

# What to press for a rule: the record page that brings the evidence which clears it.
ACTIONS: dict[str, tuple[object, str]] = {
    "charge_due": (gettext_lazy("Start a charge"), "readiness:unit-charge-start"),
    "charge_open": (gettext_lazy("End the charge"), "readiness:unit-charge-stop"),
    "reading_stale": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "floor_broken": (gettext_lazy("Start a charge"), "readiness:unit-charge-start"),
    "inspection": (gettext_lazy("Record the inspection"), "readiness:unit-inspection-record"),
    "fault_open": (gettext_lazy("Close the fault"), "readiness:unit-fault-close"),
}


@dataclass(frozen=True)
class Matter:
    """One line."""

    alert: Alert
    title: str
    reason: str
    hours: float | None
    day: dt.date | None
    day_label: str
    day_words: str
    distance: str
    late: bool
    action_label: str
    action_url: str
    mine: bool
    may_work: bool
    snooze_last: dt.date | None
    error: str = ""
    facts: tuple[str, ...] = field(default_factory=tuple)


def matter_lines(alerts: Iterable[Alert], *, today: dt.date, request: HttpRequest) -> list[Matter]:
    return [matter_line(alert, today=today, request=request) for alert in alerts]


def matter_line(alert: Alert, *, today: dt.date, request: HttpRequest, error: str = "") -> Matter:
    rights = request_rights(request)
    day = alert.too_late_on or alert.due_on
    label, url = action_of(alert, may_upkeep=rights.can("upkeep", alert.depot_id))
    return Matter(
        alert=alert,
        title=title_of(alert),
        reason=reason_of(alert),
        hours=alert.work_h,
        day=day,
        day_label=_("too late on") if alert.too_late_on else _("due on"),
        day_words=day_words(day),
        distance=distance_words(day, today),
        late=day is not None and day < today,
        action_label=label,
        action_url=url,
        mine=alert.taken_by_id == request.user.pk,
        may_work=rights.can("alert", alert.depot_id),
        snooze_last=latest_snooze(alert, today) if alert.cleared_at is None else None,
        error=error,
    )


def action_of(alert: Alert, *, may_upkeep: bool) -> tuple[str, str]:
    """One action: the record page that brings the evidence; those who may not write look at the unit."""
    unit = alert.about_unit
    if unit is None:
        return _("Look at it"), reverse("readiness:alert-list")
    label, name = ACTIONS.get(alert.rule, ("", ""))
    if name and may_upkeep:
        return str(label), reverse(name, args=[unit.tag])
    return _("Open the unit"), reverse("readiness:unit-show", args=[unit.tag])


def title_of(alert: Alert) -> str:
    return alert.rule.replace("_", " ").capitalize()


def reason_of(alert: Alert) -> str:
    return str(alert.data.get("sentence", ""))


def rule_choices() -> list[tuple[str, str]]:
    return [(rule, str(label)) for rule, (label, _name) in ACTIONS.items()]
