"""Rows that are seeded from published sources and may be adapted on the site. Seeding again never undoes an adaptation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db import transaction

from fleet.lib.tables import Row
from fleet.services.records import check_row, facts, note_change
from fleet.services.versions import save_versioned
from readiness.models import InspectionType


@dataclass
class Seeded:
    """Codes by what became of them; `kept` were adapted on the site and stay as they are."""

    added: list[str] = field(default_factory=list)
    updated: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)


def inspection_types_seed(*, rows: Iterable[Row], overwrite: bool = False) -> Seeded:
    """Adds or updates inspection types by code. A row edited on the site is kept unless `overwrite`."""
    seeded = Seeded()
    with transaction.atomic():
        there = {row.code: row for row in InspectionType.objects.select_for_update()}
        for row in rows:
            _seed_one(row["code"], _values(row), there.get(row["code"]), overwrite, seeded)
    return seeded


def _values(row: Row) -> dict[str, Any]:
    return {
        "name": row["name"],
        "interval_days": row.integer("interval_days"),
        "grounds_unit": row.flag("grounds_unit"),
        "work_h": row.optional_number("work_h"),
        "crew": row.integer("crew"),
        "by_whom": row["by_whom"],
        "accept": row["accept"],
        "source": row["source"],
        "active_from": date.fromisoformat(row["active_from"]),
    }


def _seed_one(
    code: str, values: Mapping[str, Any], row: InspectionType | None, overwrite: bool, seeded: Seeded
) -> None:
    if row is None:
        fresh = InspectionType(code=code, **values)
        check_row(fresh)
        fresh.save(force_insert=True)
        note_change(fresh, action="inspectiontype.seed", actor=None, after=facts(fresh))
        seeded.added.append(code)
    elif all(getattr(row, name) == value for name, value in values.items()):
        seeded.unchanged.append(code)
    elif row.version > 1 and not overwrite:
        seeded.kept.append(code)
    else:
        version = row.version
        saved = save_versioned(
            instance=row, seen_version=version, changes=values, actor=None, action="inspectiontype.seed"
        )
        # A seeded row still counts as the source's own: the next edition of the source may update it again.
        InspectionType.objects.filter(pk=saved.pk).update(version=1 if version == 1 else saved.version)
        seeded.updated.append(code)
