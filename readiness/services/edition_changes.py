"""What an edition of the rules would change for the fleet: each unit, mode and line decided otherwise, in bulk.

The facts of every unit are those of today; only the rules differ. So the list shows what the edition does, and not which
checks will have gone stale by its first day.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

from fleet.domain.dangerous_goods.edition_change import change_days, changed_items
from fleet.domain.dangerous_goods.records import Item
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.transport.answers import MODES, law_of_fleet
from fleet.domain.transport.records import UnitRecord
from fleet.models import Job, RuleEdition, Unit, User
from fleet.services.jobs import job_enqueue
from readiness.selectors.transport import load_transport

SCHEMA = 1
LINES_KEPT = 500
CHUNK_UNITS = 1000
# Up to so many units the list is made while the person waits: a second or two.
AT_ONCE_UNITS = 500
COUNT_JOB, RELEASE_JOB = "edition_count", "edition_release"
Progress = Callable[[int, int], None]


def count_changes(
    before: Rules, after: Rules, now: datetime, progress: Progress | None = None
) -> dict[str, Any]:
    """The list as plain JSON: counts of units and lines by what they change from and to, the first lines, a digest of all.

    A number of queries that grows with every thousand units only.
    """
    today = now.astimezone(UTC).date()
    days = change_days(before, after, today)
    ids = list(Unit.objects.in_service().order_by("tag").values_list("pk", flat=True))
    found = _Found(today)
    for start in range(0, len(ids), CHUNK_UNITS):
        chunk = ids[start : start + CHUNK_UNITS]
        units = Unit.objects.filter(pk__in=chunk).select_related("design", "home")
        records = load_transport(units, ship_date=today, now=now)
        for mode, dates in days.items():
            for day in dates:
                found.add(records, mode, day, before, after)
        if progress is not None:
            progress(min(start + CHUNK_UNITS, len(ids)), len(ids))
    return {
        "schema": SCHEMA,
        "counted_at": now.isoformat(),
        "units": len(ids),
        "days": {mode.value: [day.isoformat() for day in dates] for mode, dates in days.items()},
        **found.as_json(),
    }


class _Found:
    """What was found so far, units in the order of their tags within a thousand."""

    def __init__(self, today: date) -> None:
        self.today = today
        self.lines: list[dict[str, str]] = []
        self.lines_total = 0
        self.units: set[int] = set()
        self.of_units: Counter[tuple[str, str, str, str]] = Counter()
        self.of_lines: Counter[tuple[str, str, str, str, str]] = Counter()
        self.digest = hashlib.sha256()

    def add(self, records: list[UnitRecord], mode: Mode, day: date, before: Rules, after: Rules) -> None:
        things: dict[Item, int] = {}
        owners: list[list[tuple[UnitRecord, str]]] = []
        for record in records:
            for entry in record.items:
                place = things.setdefault(entry.item, len(owners))
                if place == len(owners):
                    owners.append([])
                owners[place].append((record, entry.label))
        said = "today" if day == self.today else day.isoformat()
        rows = [
            (record.tag, label, record.unit_id, old, new)
            for place, (old, new) in changed_items(list(things), mode, day, before, after).items()
            for record, label in owners[place]
        ]
        for tag, label, unit_id, old, new in sorted(rows, key=lambda row: row[:3]):
            self.units.add(unit_id)
            self.lines_total += 1
            line = {
                "tag": tag,
                "label": label,
                "mode": mode.value,
                "day": day.isoformat(),
                "before": old.verdict.word,
                "after": new.verdict.word,
                "reason_before": old.reason,
                "reason": new.reason,
                "un": new.un,
            }
            self.of_lines[mode.value, day.isoformat(), old.verdict.word, new.verdict.word, new.reason] += 1
            self.digest.update(
                "\0".join(["\n", *line.values(), said]).replace(day.isoformat(), said).encode()
            )
            if len(self.lines) < LINES_KEPT:
                self.lines.append(line)
        if rows:
            self._add_units(records, mode, day, before, after)

    def _add_units(
        self, records: list[UnitRecord], mode: Mode, day: date, before: Rules, after: Rules
    ) -> None:
        """The answer for whole units: the worst of their lines."""
        column = MODES.index(mode)
        old = law_of_fleet(records, day, rules=before)[:, column]
        new = law_of_fleet(records, day, rules=after)[:, column]
        for was, now in zip(old.tolist(), new.tolist(), strict=True):
            if was != now:
                self.of_units[mode.value, day.isoformat(), Verdict(was).word, Verdict(now).word] += 1

    def as_json(self) -> dict[str, Any]:
        names = ("mode", "day", "before", "after")
        return {
            "units_changed": len(self.units),
            "of_units": [
                dict(zip(names, key, strict=True)) | {"units": count}
                for key, count in sorted(self.of_units.items())
            ],
            "of_lines": [
                dict(zip((*names, "reason"), key, strict=True)) | {"lines": count}
                for key, count in sorted(self.of_lines.items())
            ],
            "lines_total": self.lines_total,
            "lines": self.lines,
            "digest": self.digest.hexdigest(),
        }


def quick() -> bool:
    """Whether the fleet is small enough to be counted while a person waits. One query."""
    return Unit.objects.in_service().count() <= AT_ONCE_UNITS


def count_request(*, edition: RuleEdition, actor: User) -> Job:
    """Has the list made in the background; one that is being made already is not made twice."""
    return job_enqueue(
        kind=COUNT_JOB, params={"edition": edition.pk}, unique_key=str(edition.pk), requested_by=actor
    )


def release_request(*, edition: RuleEdition, seen: str, actor: User) -> Job:
    """Has the list made anew and the edition released in the background, if the list is still the one that was seen."""
    return job_enqueue(
        kind=RELEASE_JOB,
        params={"edition": edition.pk, "seen": seen, "actor": actor.pk},
        unique_key=str(edition.pk),
        requested_by=actor,
    )
