"""What an edition of the rules would change for the fleet: each unit, mode and line decided otherwise, in bulk.

The facts of every unit are those of today; only the rules differ. So the list shows what the edition does, and not which
checks will have gone stale by its first day.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from fleet.domain.dangerous_goods.answers import Decision
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

    Where nothing is held for a day, every answer changes from 'cannot decide'. So `than_last` is a second list of the same
    make: what a new edition decides otherwise than the one before it did on its last day.

    A number of queries that grows with every thousand units only.
    """
    today = now.astimezone(UTC).date()
    days = change_days(before, after, today)
    ids = list(Unit.objects.in_service().order_by("tag").values_list("pk", flat=True))
    changed, otherwise = _List(today), _List(today)
    of_units: Counter[tuple[str, ...]] = Counter()
    for start in range(0, len(ids), CHUNK_UNITS):
        chunk = ids[start : start + CHUNK_UNITS]
        units = Unit.objects.filter(pk__in=chunk).select_related("design", "home")
        goods = _Goods(load_transport(units, ship_date=today, now=now))
        for mode, dates in days.items():
            for day in dates:
                if changed.add(goods, changed_items(goods.items, mode, day, before, after), mode, day):
                    of_units.update(_whole_units(goods.records, mode, day, before, after))
                last = day - timedelta(days=1)
                if _begins(after, mode, day) and not _begins(before, mode, day):
                    found = changed_items(goods.items, mode, day, after, after, before_on=last)
                    otherwise.add(goods, found, mode, day)
        if progress is not None:
            progress(min(start + CHUNK_UNITS, len(ids)), len(ids))
    return {
        "schema": SCHEMA,
        "counted_at": now.isoformat(),
        "units": len(ids),
        "days": {mode.value: [day.isoformat() for day in dates] for mode, dates in days.items()},
        "units_changed": len(changed.units),
        "of_units": [
            dict(zip(("mode", "day", "before", "after"), key, strict=True)) | {"units": count}
            for key, count in sorted(of_units.items())
        ],
        **changed.as_json(),
        "than_last": otherwise.as_json() | {"units_changed": len(otherwise.units)},
        "digest": hashlib.sha256(changed.digest.digest() + otherwise.digest.digest()).hexdigest(),
    }


def _begins(rules: Rules, mode: Mode, day: date) -> bool:
    """Whether an edition begins on the day and follows on another: the two can be compared."""
    editions = [edition for edition in rules.editions if edition.mode is mode]
    return any(edition.valid_from == day for edition in editions[1:])


def _whole_units(
    records: Sequence[UnitRecord], mode: Mode, day: date, before: Rules, after: Rules
) -> Iterator[tuple[str, ...]]:
    """For every unit whose answer as a whole, the worst of its lines, changes: mode, day, from and to."""
    column = MODES.index(mode)
    old = law_of_fleet(records, day, rules=before)[:, column]
    new = law_of_fleet(records, day, rules=after)[:, column]
    for was, now in zip(old.tolist(), new.tolist(), strict=True):
        if was != now:
            yield mode.value, day.isoformat(), Verdict(was).word, Verdict(now).word


class _Goods:
    """What units have aboard: each distinct thing once, and whose it is."""

    def __init__(self, records: Sequence[UnitRecord]) -> None:
        self.records = records
        places: dict[Item, int] = {}
        self.owners: list[list[tuple[UnitRecord, str]]] = []
        for record in records:
            for entry in record.items:
                place = places.setdefault(entry.item, len(self.owners))
                if place == len(self.owners):
                    self.owners.append([])
                self.owners[place].append((record, entry.label))
        self.items = list(places)


class _List:
    """Lines decided otherwise, by mode, day and tag within a thousand units: all are counted, the first are kept."""

    def __init__(self, today: date) -> None:
        self.today = today
        self.lines: list[dict[str, str]] = []
        self.total = 0
        self.units: set[int] = set()
        self.counts: Counter[tuple[str, ...]] = Counter()
        self.digest = hashlib.sha256()

    def add(
        self, goods: _Goods, found: Mapping[int, tuple[Decision, Decision]], mode: Mode, day: date
    ) -> bool:
        """True when there was anything to add."""
        said = "today" if day == self.today else day.isoformat()
        rows = [
            (record.tag, label, record.unit_id, old, new)
            for place, (old, new) in found.items()
            for record, label in goods.owners[place]
        ]
        for tag, label, unit_id, old, new in sorted(rows, key=lambda row: row[:3]):
            self.units.add(unit_id)
            self.total += 1
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
            key = (mode.value, day.isoformat(), old.verdict.word, new.verdict.word, new.reason)
            self.counts[key] += 1
            self.digest.update("\0".join((line | {"day": said}).values()).encode() + b"\n")
            if len(self.lines) < LINES_KEPT:
                self.lines.append(line)
        return bool(rows)

    def as_json(self) -> dict[str, Any]:
        names = ("mode", "day", "before", "after", "reason")
        return {
            "of_lines": [
                dict(zip(names, key, strict=True)) | {"lines": count}
                for key, count in sorted(self.counts.items())
            ],
            "lines_total": self.total,
            "lines": self.lines,
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
