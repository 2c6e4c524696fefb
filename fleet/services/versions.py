"""Saving an edited row only if nobody else saved in between; if someone did, both are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from django.db import models, transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, User, Versioned
from fleet.selectors.touched import units_touched
from fleet.services.changes import units_changed
from fleet.services.records import check_row, field_label, locked, note_change

Edited = TypeVar("Edited", bound=Versioned)


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that both changed: what stands there now, and what you typed."""

    field: str
    label: str
    theirs: Any
    yours: Any


class Conflict(DomainError):
    """Someone else saved the row after you opened it. Nothing was written.

    `theirs` is the row as it stands (its `version` is what to send with a second try), `yours` what you typed,
    `differences` the fields in which the two differ, `by` who saved last.
    """

    def __init__(self, theirs: Versioned, yours: Mapping[str, Any], by: User | None) -> None:
        super().__init__(
            "edit.conflict",
            _("{who} saved {what} while you had it open. Look at both, then save again or keep theirs."),
            who=str(by) if by else "Someone else",
            what=str(theirs),
        )
        self.theirs = theirs
        self.yours = dict(yours)
        self.by = by
        self.differences = [
            Difference(name, field_label(theirs, name), getattr(theirs, name), value)
            for name, value in yours.items()
            if getattr(theirs, name) != value
        ]

    def __reduce__(self) -> tuple[Any, ...]:
        return (Conflict, (self.theirs, self.yours, self.by))


def save_versioned(
    *,
    instance: Edited,
    seen_version: int,
    changes: Mapping[str, Any],
    actor: User | None,
    action: str = "",
    note: str = "",
    check: Callable[[Edited], None] | None = None,
) -> Edited:
    """Saves `changes` onto the row if its version is still `seen_version`; else raises Conflict. Returns the saved row.

    Nothing changed, or the same changes saved a moment ago by the same double tap: the row comes back as it is.
    """
    with transaction.atomic():
        row = locked(instance)
        if all(getattr(row, name) == value for name, value in changes.items()):
            return row
        if row.version != seen_version:
            raise Conflict(row, changes, last_editor(row))
        touched = units_touched(row)
        before = {name: getattr(row, name) for name in changes}
        for name, value in changes.items():
            setattr(row, name, value)
        row.version += 1
        if check is not None:
            check(row)
        check_row(row)
        row.save()
        name = row._meta.model_name or "row"
        note_change(
            row, action=action or f"{name}.edit", actor=actor, before=before, after=changes, note=note
        )
        units_changed(touched)
        return row


def last_editor(row: models.Model) -> User | None:
    """Who changed the row last, by the audit."""
    entry = (
        AuditEntry.objects.filter(subject_kind=row._meta.model_name, subject_id=str(row.pk))
        .select_related("actor")
        .order_by("-at", "-id")
        .first()
    )
    actor: User | None = entry.actor if entry else None
    return actor
