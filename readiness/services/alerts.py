"""What people do with an alert: take it, give it back, acknowledge it, put it off. None of this changes a verdict.

Raising, updating and clearing is the sweep's work (`readiness.services.sweep`): an alert clears on new evidence only.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import User
from fleet.services.audit import audit_record
from fleet.services.records import locked
from readiness.models import Alert

LONGEST_SNOOZE_DAYS = 30


def _open(alert: Alert) -> Alert:
    row = locked(alert)
    if row.cleared_at is not None:
        raise DomainError(
            "alert.cleared", _("This matter is settled already: nothing is left to do about it.")
        )
    return row


def _keep(row: Alert, *, action: str, actor: User, fields: list[str], note: str = "") -> Alert:
    row.save(update_fields=fields)
    audit_record(
        actor=actor,
        action=f"alert.{action}",
        subject=row,
        after={name: getattr(row, name) for name in fields},
        note=note,
        unit=row.about_unit,
        place=row.depot,
    )
    return row


def alert_take(*, alert: Alert, actor: User, now: datetime | None = None) -> Alert:
    """The actor takes the matter on. Taking what one has already changes nothing; another's is not taken away."""
    with transaction.atomic():
        row = _open(alert)
        if row.taken_by_id == actor.pk:
            return row
        if row.taken_by_id is not None:
            raise DomainError(
                "alert.taken",
                _("{who} has taken this on. Ask them to give it back first."),
                who=str(row.taken_by),
            )
        row.taken_by, row.taken_at = actor, now or timezone.now()
        return _keep(row, action="take", actor=actor, fields=["taken_by", "taken_at"])


def alert_give_back(*, alert: Alert, actor: User) -> Alert:
    """Whoever may work on alerts here may free one, so that nothing stays with someone who is away; the audit says who."""
    with transaction.atomic():
        row = _open(alert)
        if row.taken_by_id is None:
            return row
        row.taken_by = row.taken_at = None
        return _keep(row, action="give_back", actor=actor, fields=["taken_by", "taken_at"])


def alert_acknowledge(*, alert: Alert, actor: User, note: str, now: datetime | None = None) -> Alert:
    """The actor has seen it and says what is being done. The alert stays open."""
    if not note.strip():
        raise DomainError("alert.note_missing", _("Write a word on what is being done about it."))
    with transaction.atomic():
        row = _open(alert)
        row.acknowledged_by, row.acknowledged_at = actor, now or timezone.now()
        row.acknowledged_note = note.strip()[:400]
        fields = ["acknowledged_by", "acknowledged_at", "acknowledged_note"]
        return _keep(row, action="acknowledge", actor=actor, fields=fields, note=note)


def latest_snooze(alert: Alert, today: date) -> date | None:
    """The last day to which the matter may be put off; None when it may not be put off at all."""
    last = today + timedelta(days=LONGEST_SNOOZE_DAYS)
    if alert.too_late_on is not None:
        last = min(last, alert.too_late_on - timedelta(days=1))
    return last if last > today else None


def alert_snooze(*, alert: Alert, actor: User, until: date, today: date, note: str = "") -> Alert:
    """Out of Today until that day. It comes back at once when the matter worsens, and never stays past the too-late day."""
    with transaction.atomic():
        row = _open(alert)
        last = latest_snooze(row, today)
        if last is None:
            raise DomainError(
                "alert.too_late_to_snooze",
                _("This cannot be put off: it is too late on {too_late_on}."),
                too_late_on=row.too_late_on.isoformat() if row.too_late_on else "",
            )
        if until <= today:
            raise DomainError("alert.snooze_in_past", _("Put it off to a day after today."))
        if until > last:
            raise DomainError(
                "alert.snooze_too_long",
                _("It can be put off until {last} at the latest."),
                last=last.isoformat(),
            )
        row.snoozed_until = until
        return _keep(row, action="snooze", actor=actor, fields=["snoozed_until"], note=note)


def alert_wake(*, alert: Alert, actor: User) -> Alert:
    """Ends a snooze by hand."""
    with transaction.atomic():
        row = _open(alert)
        if row.snoozed_until is None:
            return row
        row.snoozed_until = None
        return _keep(row, action="wake", actor=actor, fields=["snoozed_until"])
