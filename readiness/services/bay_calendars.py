"""The secret address of a depot's calendar of charges. Only its hash is kept; the address is shown once, when it is made."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets

from django.db import transaction
from django.utils import timezone

from fleet.models import Place, User
from fleet.services.audit import audit_record
from readiness.models import BayCalendar


def calendar_hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def bay_calendar_renew(*, place: Place, actor: User | None, now: dt.datetime | None = None) -> str:
    """A new key for the calendar of a depot; the one before it ends at once. Returns the key, which is not kept anywhere."""
    key = secrets.token_urlsafe(24)
    with transaction.atomic():
        row, _made = BayCalendar.objects.update_or_create(
            place=place,
            defaults={"hash": calendar_hash(key), "made_at": now or timezone.now(), "made_by": actor},
        )
        audit_record(actor=actor, action="baycalendar.renew", subject=row, place=place)
    return key


def bay_calendar_end(*, place: Place, actor: User | None) -> bool:
    """Nobody reads the calendar any more until it is renewed. False when there was none."""
    with transaction.atomic():
        row = BayCalendar.objects.select_for_update().filter(place=place).first()
        if row is None:
            return False
        audit_record(actor=actor, action="baycalendar.end", subject=row, place=place)
        row.delete()
    return True
