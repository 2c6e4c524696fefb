"""Writing what was planned: in short transactions, each row with its audit line and with what an undo needs."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import F

from fleet.models import AuditEntry, ImportChange, Place, Unit, User, Versioned
from fleet.services.audit import audit_entry, audit_record_many, plain
from fleet.services.imports.kinds import Planned, Ref, SheetKind
from fleet.services.imports.references import Lookups
from fleet.services.records import BOOKKEEPING, facts, from_integrity

FIRST_CHUNK, LEAST_CHUNK, MOST_CHUNK = 100, 20, 400
LONG_S, SHORT_S, PAUSE_S = 0.3, 0.12, 0.1
Fence = Callable[[], None]


class Writer:
    """Writes the rows of one sheet of one import."""

    def __init__(
        self, kind: SheetKind, sheet: str, lookups: Lookups, *, run_id: int, actor: User | None, now: datetime
    ) -> None:
        self.kind = kind
        self.sheet = sheet
        self.lookups = lookups
        self.run_id = run_id
        self.actor = actor
        self.now = now
        self.kept: list[int] = []

    def write(self, rows: Sequence[Planned], fence: Fence) -> None:
        """Write some rows in one transaction. A row that someone else changed since it was planned is kept as it is."""
        try:
            with transaction.atomic():
                fence()
                self._write(rows)
        except IntegrityError as error:
            raise from_integrity(error) from error

    def _write(self, rows: Sequence[Planned]) -> None:
        written = self.kind.write_many(self.lookups, rows)
        if written is not None:
            ImportChange.objects.bulk_create([self._by_service(row, obj) for row, obj in written])
            return
        added = [row for row in rows if row.action == "added"]
        changed = self._still_as_planned([row for row in rows if row.action == "changed"])
        if changed and self.kind.is_event:
            self._supersede(changed)
        elif changed:
            self._update(changed)
        together = [row for row in added if not self.kind.adds_one_by_one(row)]
        if together:
            self._insert(together)
        for row in added:
            if self.kind.adds_one_by_one(row):
                self._through_service(row, lambda row=row: self.kind.add_one(self.lookups, row))  # type: ignore[misc]

    # --- new rows ---

    def _insert(self, rows: Sequence[Planned]) -> None:
        objects = [row.obj for row in rows]
        for obj in objects:
            self._stamp(obj)
        manager: Any = self.kind.model._base_manager
        manager.bulk_create(objects)
        notes: list[ImportChange] = []
        entries: list[AuditEntry] = []
        beside: list[tuple[Planned, models.Model]] = []
        for row in rows:
            notes.append(self._added(row, row.obj))
            entries.append(self._audit("import", row, row.obj, {}, facts(row.obj)))
            beside.extend((row, extra) for extra in self.kind.beside(self.lookups, row))
        self._insert_beside(beside, notes)
        ImportChange.objects.bulk_create(notes)
        audit_record_many(entries)

    def _insert_beside(
        self, pairs: Sequence[tuple[Planned, models.Model]], notes: list[ImportChange]
    ) -> None:
        by_model: dict[type[models.Model], list[models.Model]] = {}
        for _row, extra in pairs:
            by_model.setdefault(type(extra), []).append(extra)
        for model, extras in by_model.items():
            manager: Any = model._base_manager
            manager.bulk_create(extras)
        notes.extend(self._added(row, extra) for row, extra in pairs)

    def _stamp(self, obj: Any) -> None:
        if self.kind.is_event:
            obj.recorded_at, obj.recorded_by = self.now, self.actor
        if isinstance(obj, Versioned):
            obj.updated_at = self.now

    # --- changed rows ---

    def _still_as_planned(self, rows: Sequence[Planned]) -> list[Planned]:
        if not rows:
            return []
        manager: Any = self.kind.model._base_manager
        fresh = {
            obj.pk: obj for obj in manager.select_for_update().filter(pk__in=[row.obj.pk for row in rows])
        }
        good = []
        for row in rows:
            there = fresh.get(row.obj.pk)
            if there is not None and _stamp_of(there) == _stamp_of(row.obj):
                good.append(row)
            else:
                self.kept.append(row.number)
        return good

    def _update(self, rows: Sequence[Planned]) -> None:
        plain_rows = [row for row in rows if set(row.changes) - self.kind.one_by_one]
        names = sorted(
            {name for row in plain_rows for name in row.changes} - self.kind.one_by_one - self.kind.virtual
        )
        notes, entries = [], []
        for row in plain_rows:
            columns = [name for name in row.changes if name in names]
            before = {name: plain(row.changes[name][0]) for name in columns}
            after = {name: _stored(self.kind, row, name) for name in columns}
            notes.append(self._changed(row, row.obj, before, after))
            entries.append(self._audit("import", row, row.obj, before, after))
        if names:
            manager: Any = self.kind.model._base_manager
            for row in plain_rows:
                self._stamp(row.obj)
            versioned = issubclass(self.kind.model, Versioned)
            manager.bulk_update(
                [row.obj for row in plain_rows], [*names, *(["updated_at"] if versioned else [])]
            )
            if versioned:
                manager.filter(pk__in=[row.obj.pk for row in plain_rows]).update(version=F("version") + 1)
        ImportChange.objects.bulk_create(notes)
        audit_record_many(entries)
        for row in rows:
            if set(row.changes) & self.kind.one_by_one:
                self._through_service(row, lambda row=row: self.kind.change_one(self.lookups, row))  # type: ignore[misc]

    def _supersede(self, rows: Sequence[Planned]) -> None:
        """Old rows step aside, the right ones come in, then the old ones name them: all within this transaction."""
        manager: Any = self.kind.model._base_manager
        old = list(manager.filter(pk__in=[row.obj.pk for row in rows]))
        by_pk = {each.pk: each for each in old}
        manager.filter(pk__in=by_pk).update(struck_at=self.now, struck_reason="supersede")
        fresh = []
        for row in rows:
            values = {
                each.attname: getattr(row.obj, each.attname)
                for each in self.kind.model._meta.concrete_fields
                if each.name not in BOOKKEEPING
            }
            obj = self.kind.model(**values)
            self._stamp(obj)
            fresh.append(obj)
        manager.bulk_create(fresh)
        notes, entries = [], []
        for row, new in zip(rows, fresh, strict=True):
            there: Any = by_pk[row.obj.pk]
            there.struck_at, there.struck_reason, there.superseded_by = None, "", new
            columns = list(row.changes)
            before = {"supersedes": there.pk, **{name: plain(row.changes[name][0]) for name in columns}}
            after = {name: _stored(self.kind, row, name) for name in columns}
            notes.append(self._changed(row, new, before, after))
            entries.append(self._audit("supersede", row, new, before, after))
        manager.bulk_update(old, ["struck_at", "struck_reason", "superseded_by"])
        ImportChange.objects.bulk_create(notes)
        audit_record_many(entries)

    # --- through a service ---

    def _through_service(self, row: Planned, act: Callable[[], None]) -> None:
        """Run a service and keep what it added and changed in the rows it is known to touch."""
        watched = self.kind.watched(row)
        before = [_snapshot(query) for query in watched]
        act()
        notes = []
        for query, old in zip(self.kind.watched(row), before, strict=True):
            new = _snapshot(query)
            for pk, values in new.items():
                if pk not in old:
                    notes.append(self._note(row, ImportChange.Action.ADDED, query.model, pk, {}, {}))
                elif old[pk] != values:
                    names = [name for name in values if values[name] != old[pk][name]]
                    notes.append(
                        self._note(
                            row,
                            ImportChange.Action.CHANGED,
                            query.model,
                            pk,
                            {name: plain(old[pk][name]) for name in names},
                            {name: plain(values[name]) for name in names},
                        )
                    )
        # Undone in reverse: what was added goes before what was changed comes back.
        notes.sort(key=lambda note: note.action == ImportChange.Action.ADDED)
        merge = [note for note in notes if not _merge(note)]
        ImportChange.objects.bulk_create(merge)

    def _by_service(self, row: Planned, obj: models.Model) -> ImportChange:
        before = {name: plain(old) for name, (old, _new) in row.changes.items()}
        after = {name: plain(new) for name, (_old, new) in row.changes.items()}
        word = ImportChange.Action.CHANGED if row.action == "changed" else ImportChange.Action.ADDED
        return self._note(row, word, type(obj), obj.pk, before, after)

    # --- notes ---

    def _added(self, row: Planned, obj: models.Model) -> ImportChange:
        return self._note(row, ImportChange.Action.ADDED, type(obj), obj.pk, {}, {})

    def _changed(
        self, row: Planned, obj: models.Model, before: dict[str, Any], after: dict[str, Any]
    ) -> ImportChange:
        return self._note(row, ImportChange.Action.CHANGED, type(obj), obj.pk, before, after)

    def _note(
        self,
        row: Planned,
        action: str,
        model: type[models.Model],
        pk: Any,
        before: dict[str, Any],
        after: dict[str, Any],
    ) -> ImportChange:
        return ImportChange(
            run_id=self.run_id,
            sheet=self.sheet,
            row=row.number,
            action=action,
            model=model._meta.label,
            object_id=str(pk),
            before=before,
            after=after,
            typed=row.typed,
        )

    def _audit(
        self, word: str, row: Planned, obj: models.Model, before: dict[str, Any], after: dict[str, Any]
    ) -> AuditEntry:
        entry = audit_entry(
            actor=self.actor,
            action=f"{obj._meta.model_name}.{word}",
            subject=_Named(obj, row.label),  # type: ignore[arg-type]
            before=before,
            after=after,
            note=f"import {self.run_id}, {self.kind.spec.label} row {row.number}",
        )
        entry.unit_id, entry.place_id = self._about(row)
        return entry

    def _about(self, row: Planned) -> tuple[int | None, int | None]:
        # An audit line is for ever and holds what it names: rows of this import are named by their number only, so that
        # an undo can take them out again.
        refs = [value for value in row.values.values() if isinstance(value, Ref)]
        units = [ref.unit for ref in refs if ref.unit is not None]
        places = [ref.obj for ref in refs if isinstance(ref.obj, Place)]
        if row.action == "changed" and isinstance(row.obj, Unit):
            units.insert(0, row.obj)
        return self._old_pk(units), self._old_pk(places)

    def _old_pk(self, objects: Sequence[models.Model]) -> int | None:
        new = self.lookups.memory["new"]
        old = (obj.pk for obj in objects if obj.pk is not None and obj.pk not in new.get(obj._meta.label, ()))
        return next(old, None)


class Pacer:
    """Cuts rows into portions whose transactions stay short on this machine, with a pause in which others may write.

    A database with one writer at a time serves a waiting form only between two transactions.
    """

    def __init__(self, rows: Sequence[Planned], size: int | None = None) -> None:
        self.rows = rows
        self.size = size or FIRST_CHUNK
        self.fixed = size is not None

    def __iter__(self) -> Iterator[Sequence[Planned]]:
        start = 0
        while start < len(self.rows):
            begun = time.monotonic()
            portion = self.rows[start : start + self.size]
            yield portion
            start += len(portion)
            if not self.fixed and start < len(self.rows):
                self._adapt(time.monotonic() - begun)

    def _adapt(self, took_s: float) -> None:
        if took_s > LONG_S:
            self.size = max(LEAST_CHUNK, self.size // 2)
        elif took_s < SHORT_S:
            self.size = min(MOST_CHUNK, self.size * 2)
        time.sleep(min(PAUSE_S, took_s / 2))


class _Named:
    """A row with the label it already has, so that a line in the audit costs no query."""

    def __init__(self, obj: models.Model, label: str) -> None:
        self.pk = obj.pk
        self._meta = obj._meta
        self.label = label

    def __str__(self) -> str:
        return self.label


def _stamp_of(obj: Any) -> Any:
    return getattr(obj, "version", None) or getattr(obj, "recorded_at", None)


def _stored(kind: SheetKind, row: Planned, name: str) -> Any:
    new = row.changes[name][1]
    return new.obj.pk if isinstance(new, Ref) else plain(new)


def _snapshot(query: models.QuerySet[Any]) -> dict[Any, dict[str, Any]]:
    skip = {"updated_at", "version", "recorded_at"}
    names = [each.attname for each in query.model._meta.concrete_fields if each.attname not in skip]
    return {row[query.model._meta.pk.attname]: row for row in query.values(*names)}


def _merge(note: ImportChange) -> bool:
    """Add to the note that this row of the file has already made about the same object, if it has."""
    there = ImportChange.objects.filter(
        run_id=note.run_id, sheet=note.sheet, row=note.row, model=note.model, object_id=note.object_id
    ).first()
    if there is None:
        return False
    if there.action == ImportChange.Action.CHANGED:
        there.before = {**note.before, **there.before}
        there.after = {**there.after, **note.after}
        there.save(update_fields=["before", "after"])
    return True


def remember_new(lookups: Lookups, run_id: int) -> None:
    """Load which rows this import added so far, for `_about`."""
    new: dict[str, set[int]] = {}
    query = ImportChange.objects.filter(
        run_id=run_id, action=ImportChange.Action.ADDED, model__in=["fleet.Unit", "fleet.Place"]
    )
    for model, pk in query.values_list("model", "object_id"):
        new.setdefault(model, set()).add(int(pk))
    lookups.memory["new"] = new
