"""The audit trail: one line per change, written in the transaction that makes the change."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import models

from fleet.models import AuditEntry, Place, Unit, User

# Rows that a running import has just added: an audit line about them names them by number only, because a line holds
# what it points to for ever, and an import can be undone.
_unnamed: ContextVar[Mapping[str, Collection[int]]] = ContextVar("audit_unnamed", default={})  # noqa: B039


@contextmanager
def audit_unnamed(rows: Mapping[str, Collection[int]]) -> Iterator[None]:
    """Within this block, lines point to none of these rows (model label to keys) by foreign key."""
    token = _unnamed.set(rows)
    try:
        yield
    finally:
        _unnamed.reset(token)


def _may_name(row: models.Model | None) -> bool:
    return row is not None and row.pk not in _unnamed.get().get(row._meta.label, ())


def plain(value: Any) -> Any:
    """A value as JSON can hold it: dates as ISO text, related rows as their label and key."""
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Decimal | UUID):
        return str(value)
    if isinstance(value, models.Model):
        return {"id": str(value.pk), "label": str(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(inner) for inner in value]
    return value


def audit_entry(
    *,
    actor: User | None,
    action: str,
    subject: models.Model,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
    note: str = "",
    unit: Unit | None = None,
    place: Place | None = None,
) -> AuditEntry:
    """Build, without saving, the line that says `actor` did `action` to `subject`."""
    if unit is None and isinstance(subject, Unit):
        unit = subject
    if place is None and isinstance(subject, Place):
        place = subject
    return AuditEntry(
        actor=actor,
        action=action,
        subject_kind=subject._meta.model_name or "",
        subject_id=str(subject.pk),
        subject_label=str(subject)[:120],
        before=plain(before or {}),
        after=plain(after or {}),
        note=note[:400],
        unit=unit if _may_name(unit) else None,
        place=place if _may_name(place) else None,
    )


def audit_record(**kwargs: Any) -> AuditEntry:
    """Save one line; the arguments are those of `audit_entry`. Call inside the transaction of the change."""
    entry = audit_entry(**kwargs)
    entry.save(force_insert=True)
    return entry


def audit_record_many(entries: Iterable[AuditEntry]) -> None:
    AuditEntry.objects.bulk_create(list(entries), batch_size=500)
