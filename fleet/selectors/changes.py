"""The audit lines about a thing: those that name it, and those that an import wrote, which know it by number only."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from django.db import models
from django.db.models import Q

from fleet.models import AuditEntry, Unit

LINES = 30
RECORDS_ASKED = 200


def changes_of(
    things: Mapping[str, Collection[int]], *, unit: Unit | None = None, most: int = LINES
) -> tuple[AuditEntry, ...]:
    """The latest lines about `unit` and about `things` (model name to keys), latest first. One query."""
    about = Q(unit=unit) if unit is not None else Q(pk__in=[])
    for kind, keys in things.items():
        if keys:
            about |= Q(subject_kind=kind, subject_id__in=[str(key) for key in keys])
    return tuple(AuditEntry.objects.filter(about).select_related("actor").order_by("-at", "-pk")[:most])


def named(rows: Iterable[models.Model]) -> dict[str, set[int]]:
    """Model names and keys of the first rows, as `changes_of` asks for them."""
    found: dict[str, set[int]] = {}
    for row in list(rows)[:RECORDS_ASKED]:
        found.setdefault(row._meta.model_name or "", set()).add(row.pk)
    return found
