"""The morning mail of a depot: what is open, in the order of what it costs to leave it undone."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.dates import find_zone
from fleet.models import AuditEntry, Job, Place
from fleet.selectors.editions import rules_in_force
from fleet.services.audit import audit_record
from fleet.services.jobs import job_enqueue
from readiness.models import Alert, Sweep
from readiness.models.sweep import Outcome
from readiness.rules_words import endings
from readiness.selectors.pages_alerts import put_off
from readiness.selectors.pages_units import units_with_verdicts
from readiness.sentences import alert_sentence, alert_title, day_text

LINES = 40
# So many days before the rules held end the mail says so; the pages do earlier.
RULES_DAYS = 45
SENT = "digest.sent"
# A job tries some times within a minute; then it is asked for anew, all day.
AGAIN_AFTER = dt.timedelta(minutes=10)


def send_digest(*, depot_id: int, day: str) -> dict[str, Any]:
    """Send a depot's digest of a day, at least once: the audit line that says so is written when the mail is out.

    A mail that cannot be sent raises and is tried again. Two mails of one day bear the same Message-ID, so that a mailbox
    which gets both after a kill between the two steps can tell that they are one.
    """
    depot = Place.objects.get(pk=depot_id)
    if not depot.mail or digest_sent(depot_id, day):
        return {"sent": 0}
    subject, body, lines = digest_text(depot, dt.date.fromisoformat(day))
    headers = {"Message-ID": message_id(depot, day)}
    EmailMessage(subject, body, settings.DEFAULT_FROM_EMAIL, [depot.mail], headers=headers).send()
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=depot_id)
        if not digest_sent(depot_id, day):
            audit_record(actor=None, action=SENT, subject=depot, after={"day": day, "lines": lines})
    return {"sent": 1, "lines": lines}


def digest_sent(depot_id: int, day: str) -> bool:
    sent = AuditEntry.objects.filter(action=SENT, subject_kind="place", subject_id=str(depot_id))
    return sent.filter(after__day=day).exists()


def message_id(depot: Place, day: str) -> str:
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip("> ") or "localhost"
    return f"<digest.{depot.pk}.{day}@{domain}>"


def digest_enqueue(depot: Place, day: dt.date) -> Job:
    """Ask for the mail of a depot's day; one that is waiting already is not doubled."""
    return job_enqueue(
        kind="digest",
        params={"depot": depot.pk, "day": day.isoformat()},
        unique_key=f"{depot.pk}:{day.isoformat()}",
        place=depot,
    )


def digests_again(*, now: dt.datetime) -> int:
    """Ask again for mails of today that are still not out although the night is done: the mail server was out of reach."""
    asked = 0
    for depot in Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).exclude(mail=""):
        day = now.astimezone(find_zone(depot.time_zone)).date()
        night = Sweep.objects.filter(
            depot=depot, as_of=day, cause=Sweep.Cause.NIGHTLY, state=Sweep.State.DONE
        )
        jobs = Job.objects.filter(kind="digest", unique_key=f"{depot.pk}:{day.isoformat()}")
        trying = jobs.exclude(finished_at__lt=now - AGAIN_AFTER)
        if night.exists() and not trying.exists() and not digest_sent(depot.pk, day.isoformat()):
            digest_enqueue(depot, day)
            asked += 1
    return asked


def digest_text(depot: Place, day: dt.date) -> tuple[str, str, int]:
    """Subject, text and number of lines of a depot's digest. A unit counts as ready as it does on the pages."""
    alerts = (
        Alert.objects.filter(depot=depot, cleared_at__isnull=True)
        .exclude(put_off(day))
        .select_related("about_unit", "taken_by")
        .order_by("-cost_of_delay", "too_late_on", "pk")
    )
    total = alerts.count()
    shown = units_with_verdicts(now=timezone.now(), depots=[depot], depot=depot)
    ready = shown.filter(shown_outcome=Outcome.READY).count()
    head = _("%(ready)d of %(total)d units ready.") % {"ready": ready, "total": shown.count()}
    count = ngettext("%(n)d matter open.", "%(n)d matters open.", total) % {"n": total}
    lines = [f"{depot.name}, {day_text(day)}", f"{head} {count}", ""]
    for alert in alerts[:LINES]:
        lines.append(_line(alert))
    if total > LINES:
        lines.append(_("… and %(n)d more.") % {"n": total - LINES})
    if rules := endings(rules_in_force(), day, within_days=RULES_DAYS):
        lines += ["", *rules]
    subject = _("%(depot)s: %(count)s") % {"depot": depot.name, "count": count}
    return subject, "\n".join(lines) + "\n", total


def _line(alert: Alert) -> str:
    unit = f"{alert.about_unit.tag}: " if alert.about_unit else ""
    when = alert.too_late_on or alert.due_on
    day = f" [{day_text(when)}]" if when else ""
    who = f" ({alert.taken_by})" if alert.taken_by else ""
    said = alert_sentence(alert.rule, alert.data, alert.work_h)
    return f"- {unit}{alert_title(alert.rule)}{day}{who}. {said}".rstrip()
