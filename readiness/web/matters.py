"""Lines of Today and of the alert list: each with its sentence, its day, its hours and one action."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from fleet.permissions import request_rights
from fleet.web.days import distance_words, short_day_words
from readiness.models import Alert
from readiness.sentences import ALERT_TITLES, alert_facts, alert_sentence, alert_title
from readiness.services.alerts import latest_snooze

# What to press for a rule: the record page that brings the evidence which clears it. Rules left out: look at the unit.
ACTIONS: dict[str, tuple[Any, str]] = {
    "charge_due": (gettext_lazy("Start a charge"), "readiness:unit-charge-start"),
    "charge_open": (gettext_lazy("End the charge"), "readiness:unit-charge-stop"),
    "reading_stale": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "float_unproven": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "unexplained_loss": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "weak_block": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "inspection": (gettext_lazy("Record the inspection"), "readiness:unit-inspection-record"),
    "fault_open": (gettext_lazy("Close the fault"), "readiness:unit-fault-close"),
    "part_missing": (gettext_lazy("Fit a part"), "readiness:unit-part-fit"),
    "part_life": (gettext_lazy("Fit a part"), "readiness:unit-part-fit"),
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
    label, url = action_of(
        alert, may_upkeep=rights.can("upkeep", alert.depot_id), next_url=came_from(request)
    )
    return Matter(
        alert=alert,
        title=title_of(alert),
        reason=reason_of(alert),
        hours=alert.work_h,
        day=day,
        day_label=_("too late on") if alert.too_late_on else _("due on"),
        day_words=short_day_words(day, today),
        distance=late_words(day, today),
        late=day is not None and day < today,
        action_label=label,
        action_url=url,
        mine=alert.taken_by_id == request.user.pk,
        may_work=rights.can("alert", alert.depot_id),
        snooze_last=latest_snooze(alert, today) if alert.cleared_at is None else None,
        error=error,
        facts=tuple(alert_facts(alert.data, alert.rule)),
    )


def came_from(request: HttpRequest) -> str:
    """The page a line stands on; a line answered by itself belongs to Today."""
    return request.get_full_path() if request.method == "GET" else reverse("readiness:today-show")


def late_words(day: dt.date | None, today: dt.date) -> str:
    """How far the day is, or how late it has become."""
    if day is None or day >= today:
        return distance_words(day, today)
    late = (today - day).days
    return ngettext("%(days)d day late", "%(days)d days late", late) % {"days": late}


def action_of(alert: Alert, *, may_upkeep: bool, next_url: str) -> tuple[str, str]:
    """One action: the record page that brings the evidence; those who may not write look at the unit."""
    unit = alert.about_unit
    if unit is None:
        return _stores_action(alert)
    label, name = ACTIONS.get(alert.rule, ("", ""))
    if name and may_upkeep:
        return str(label), f"{reverse(name, args=[unit.tag])}?{urlencode(_about(alert, next_url))}"
    if alert.rule == "survey" and may_upkeep:
        here = urlencode({"depot": alert.depot.code, "tag": unit.tag})
        return _("Type in what you find"), f"{reverse('readiness:survey-entry')}?{here}"
    return _("Open the unit"), reverse("readiness:unit-show", args=[unit.tag])


def _about(alert: Alert, next_url: str) -> dict[str, Any]:
    """What the form may know already: the bank, the inspection or the fault, and where to go back to."""
    about: dict[str, Any] = {"next": next_url}
    if alert.bank_id:
        about["bank"] = alert.bank_id
    items = alert.data.get("items") or [{}]
    field = {"inspection": "type", "fault_open": "fault"}.get(alert.rule)
    if field and items[0].get("id"):
        about[field] = items[0]["id"]
    return about


def _stores_action(alert: Alert) -> tuple[str, str]:
    try:
        return _("Look in the stores"), reverse("inventory:lot-list")
    except NoReverseMatch:
        return _("Look at it"), reverse("readiness:alert-list")


def title_of(alert: Alert) -> str:
    return alert_title(alert.rule)


def reason_of(alert: Alert) -> str:
    return alert_sentence(alert.rule, alert.data, alert.work_h)


def rule_choices() -> list[tuple[str, str]]:
    return sorted(((rule, str(title)) for rule, title in ALERT_TITLES.items()), key=lambda pair: pair[1])
