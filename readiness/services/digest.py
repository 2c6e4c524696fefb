"""The morning mail of a depot: what is open, in the order of what it costs to leave it undone."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.models import AuditEntry, Place
from fleet.services.audit import audit_record
from readiness.models import Alert, Verdict
from readiness.models.sweep import Outcome
from readiness.sentences import alert_sentence, alert_title, day_text

LINES = 40
SENT = "digest.sent"


def send_digest(*, depot_id: int, day: str) -> dict[str, Any]:
    """Send a depot's digest of a day, at most once: the audit line is written first, and a second run finds it."""
    depot = Place.objects.get(pk=depot_id)
    if not depot.mail:
        return {"sent": 0}
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=depot_id)
        if AuditEntry.objects.filter(
            action=SENT, subject_kind="place", subject_id=str(depot_id), after__day=day
        ).exists():
            return {"sent": 0}
        subject, body, lines = digest_text(depot, dt.date.fromisoformat(day))
        audit_record(actor=None, action=SENT, subject=depot, after={"day": day, "lines": lines})
    EmailMessage(subject, body, settings.DEFAULT_FROM_EMAIL, [depot.mail]).send()
    return {"sent": 1, "lines": lines}


def digest_text(depot: Place, day: dt.date) -> tuple[str, str, int]:
    """Subject, text and number of lines of a depot's digest."""
    alerts = list(
        Alert.objects.filter(depot=depot, cleared_at__isnull=True)
        .exclude(snoozed_until__gt=day)
        .select_related("about_unit", "taken_by")
        .order_by("-cost_of_delay", "too_late_on", "pk")
    )
    ready = Verdict.objects.filter(
        unit__home=depot, unit__retired_on__isnull=True, current=True, outcome=Outcome.READY
    )
    total = Verdict.objects.filter(unit__home=depot, unit__retired_on__isnull=True, current=True)
    head = _("%(ready)d of %(total)d units ready.") % {"ready": ready.count(), "total": total.count()}
    count = ngettext("%(n)d matter open.", "%(n)d matters open.", len(alerts)) % {"n": len(alerts)}
    lines = [f"{depot.name}, {day_text(day)}", f"{head} {count}", ""]
    for alert in alerts[:LINES]:
        lines.append(_line(alert))
    if len(alerts) > LINES:
        lines.append(_("… and %(n)d more.") % {"n": len(alerts) - LINES})
    subject = _("%(depot)s: %(count)s") % {"depot": depot.name, "count": count}
    return subject, "\n".join(lines) + "\n", len(alerts)


def _line(alert: Alert) -> str:
    unit = f"{alert.about_unit.tag}: " if alert.about_unit else ""
    when = alert.too_late_on or alert.due_on
    day = f" [{day_text(when)}]" if when else ""
    who = f" ({alert.taken_by})" if alert.taken_by else ""
    said = alert_sentence(alert.rule, alert.data, alert.work_h)
    return f"- {unit}{alert_title(alert.rule)}{day}{who}. {said}".rstrip()
