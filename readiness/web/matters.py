"""Lines of Today and of the alert list: each with its sentence, its day, its hours and one action."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from fleet.models.designs import CERTIFICATE_RESTS_ON
from fleet.permissions import Rights, request_rights
from fleet.web.days import distance_words, short_day_words
from fleet.web.page import safe_next
from inventory.web.debts import Action
from readiness.domain.bank_records import Reason
from readiness.domain.checks_papers import SHOWN_BY_WEIGHING
from readiness.models import Alert
from readiness.selectors.pages_alerts import Settling, items_of, settling_of
from readiness.sentences import ALERT_TITLES, alert_facts, alert_hours, alert_sentence, alert_title
from readiness.services.alerts import latest_snooze
from readiness.web.stock_actions import stock_actions

# What to press for a rule: the record page that brings the evidence which clears it. Rules left out: look at the unit.
ACTIONS: dict[str, tuple[Any, str]] = {
    "charge_due": (gettext_lazy("Start a charge"), "readiness:unit-charge-start"),
    "charge_open": (gettext_lazy("End the charge"), "readiness:unit-charge-stop"),
    "reading_stale": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "float_unproven": (gettext_lazy("Prove the float"), "readiness:unit-connection-record"),
    "floor_broken": (gettext_lazy("Record the capacity test"), "readiness:unit-bank-test-record"),
    "bank_missing": (gettext_lazy("Put a bank in"), "readiness:unit-bank-swap"),
    "frost": (gettext_lazy("Say that it is dry"), "readiness:unit-wet-record"),
    "wet_idle": (gettext_lazy("Say that it is dry"), "readiness:unit-wet-record"),
    "certificate": (gettext_lazy("Put the certificate on file"), "readiness:unit-certificate-record"),
    "evidence_void": (gettext_lazy("Put the certificate on file"), "readiness:unit-certificate-record"),
    "unexplained_loss": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "weak_block": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "bank_rate": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "bank_weak": (gettext_lazy("Record the test"), "readiness:unit-bank-test-record"),
    "bank_returned": (gettext_lazy("Take a reading"), "readiness:unit-reading-record"),
    "bank_age": (gettext_lazy("Record the capacity test"), "readiness:unit-bank-test-record"),
    "inspection": (gettext_lazy("Record the inspection"), "readiness:unit-inspection-record"),
    "fault_open": (gettext_lazy("Close the fault"), "readiness:unit-fault-close"),
    "part_missing": (gettext_lazy("Fit a part"), "readiness:unit-part-fit"),
    "part_life": (gettext_lazy("Fit a part"), "readiness:unit-part-fit"),
}

# Some rules have several causes: the first item of the alert tells which record settles it.
CHARGE = ACTIONS["charge_due"]
CONNECTION = (gettext_lazy("Type in its standby draw"), "readiness:unit-connection-record")
WEIGHING = (gettext_lazy("Record the weighing"), "readiness:unit-weighing-record")


def settled_by(alert: Alert) -> tuple[Any, str]:
    """Label and page of the record that settles an alert; two empty words if it is no record of a unit."""
    items = alert.data.get("items") or [{}]
    first = items[0]
    if alert.rule == "frost" and first.get("key") == "acid_frost":
        return CHARGE
    if alert.rule == "reading_stale" and first.get("reasons"):
        reasons = Reason(int(first["reasons"]))
        if Reason.LOAD_UNKNOWN in reasons and not reasons & Reason.NO_STATE:
            return CONNECTION
    if alert.rule == "evidence_void" and first.get("label") in SHOWN_BY_WEIGHING:
        return WEIGHING
    return ACTIONS.get(alert.rule, ("", ""))


@dataclass(frozen=True)
class Matter:
    """One line."""

    alert: Alert
    title: str
    reason: str
    hours: str
    day: dt.date | None
    day_label: str
    day_words: str
    distance: str
    late: bool
    action_label: str
    action_url: str
    other_actions: Sequence[Action]
    here: str
    mine: bool
    may_work: bool
    snooze_last: dt.date | None
    hours_unknown: bool = False
    error: str = ""
    facts: tuple[str, ...] = field(default_factory=tuple)


def matter_lines(alerts: Iterable[Alert], *, today: dt.date, request: HttpRequest) -> list[Matter]:
    """At most three queries more than the alerts themselves, however many there are."""
    rows = list(alerts)
    known = settling_of(rows)
    return [_line(alert, known, today=today, request=request) for alert in rows]


def matter_line(alert: Alert, *, today: dt.date, request: HttpRequest, error: str = "") -> Matter:
    return _line(alert, settling_of([alert]), today=today, request=request, error=error)


def _line(alert: Alert, known: Settling, *, today: dt.date, request: HttpRequest, error: str = "") -> Matter:
    rights = request_rights(request)
    day = alert.too_late_on or alert.due_on
    first, *others = actions_of(alert, known, rights=rights, next_url=came_from(request))
    return Matter(
        alert=alert,
        title=title_of(alert),
        reason=reason_of(alert),
        hours=alert_hours(alert.data, alert.work_h),
        day=day,
        day_label=_("too late on") if alert.too_late_on else _("due on"),
        day_words=short_day_words(day, today),
        distance=late_words(day, today),
        late=day is not None and day < today,
        action_label=first.label,
        action_url=first.url,
        other_actions=others,
        here=came_from(request),
        mine=alert.taken_by_id == request.user.pk,
        may_work=rights.can("alert", alert.depot_id),
        snooze_last=latest_snooze(alert, today) if alert.cleared_at is None else None,
        hours_unknown=any(item.get("hours_unknown") for item in items_of(alert)),
        error=error,
        facts=tuple(alert_facts(alert.data, alert.rule)),
    )


def came_from(request: HttpRequest) -> str:
    """The page a line stands on; a line answered by itself belongs to the page its form named, else to Today."""
    if request.method == "GET":
        return request.get_full_path()
    return safe_next(request, reverse("readiness:today-show"))


def late_words(day: dt.date | None, today: dt.date) -> str:
    """How far the day is, or how late it has become."""
    if day is None or day >= today:
        return distance_words(day, today)
    late = (today - day).days
    return ngettext("%(days)d day late", "%(days)d days late", late) % {"days": late}


def actions_of(alert: Alert, known: Settling, *, rights: Rights, next_url: str) -> list[Action]:
    """The record that brings the evidence comes first; those who may not write look at what it is about."""
    stock = stock_actions(alert, known, rights=rights, next_url=next_url)
    if stock:
        return stock
    unit = alert.about_unit
    if unit is None:
        return [_look_in_stores(alert)]
    if alert.rule == "logger" and alert.bank_id:
        return [Action(_("Look at the logger"), reverse("readiness:logger-show", args=[alert.bank_id]))]
    label, name = settled_by(alert)
    may_upkeep = rights.can("upkeep", alert.depot_id)
    if name and may_upkeep:
        about = urlencode(_about(alert, next_url))
        return [Action(str(label), f"{reverse(name, args=[unit.tag])}?{about}")]
    if alert.rule == "survey" and may_upkeep:
        here = urlencode({"depot": alert.depot.code, "tag": unit.tag})
        return [Action(_("Type in what you find"), f"{reverse('readiness:survey-entry')}?{here}")]
    return [Action(_("Open the unit"), reverse("readiness:unit-show", args=[unit.tag]))]


def _about(alert: Alert, next_url: str) -> dict[str, Any]:
    """What the form may know already: the bank, the inspection or the fault, and where to go back to."""
    about: dict[str, Any] = {"next": next_url}
    if alert.bank_id:
        about["bank"] = alert.bank_id
    first = (alert.data.get("items") or [{}])[0]
    field = {"inspection": "type", "fault_open": "fault", "part_missing": "line", "part_life": "line"}.get(
        alert.rule
    )
    if field and first.get("id"):
        about[field] = first["id"]
    kind = _kind_known(alert.rule, str(first.get("label", "")))
    if kind:
        about["kind"] = kind
    return about


def _kind_known(rule: str, label: str) -> str:
    """The choice that settles it: proven float, a capacity test, dry, or the certificate that ran out."""
    if rule == "certificate":
        return label
    if rule == "evidence_void":
        return next((kind for kind, rests_on in CERTIFICATE_RESTS_ON.items() if label in rests_on), "")
    return {
        "float_unproven": "float",
        "floor_broken": "capacity",
        "bank_age": "capacity",
        "frost": "dry",
        "wet_idle": "dry",
    }.get(rule, "")


def _look_in_stores(alert: Alert) -> Action:
    if alert.lot_id:
        return Action(_("Look at the lot"), reverse("inventory:lot-detail", args=[alert.lot_id]))
    return Action(_("Look in the stores"), reverse("inventory:store-list"))


def title_of(alert: Alert) -> str:
    return alert_title(alert.rule)


def reason_of(alert: Alert) -> str:
    return alert_sentence(alert.rule, alert.data, alert.work_h)


def rule_choices() -> list[tuple[str, str]]:
    return sorted(((rule, str(title)) for rule, title in ALERT_TITLES.items()), key=lambda pair: pair[1])
