"""Taking an import back as a whole, as long as nothing was built on it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

from django.apps import apps
from django.db import models, transaction
from django.db.models import F
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Correctable, Deployment, ImportChange, ImportRun, User, Versioned
from fleet.services.audit import audit_record_many, plain
from fleet.services.guards import letting_go
from fleet.services.imports.kinds import chunks

# Rows that are computed from others, or that only keep what was done: they are no building on an import.
COMPUTED = frozenset(
    {
        "fleet.ImportChange",
        "readiness.Verdict",
        "readiness.BankState",
        "readiness.SetAside",
        "readiness.JudgementDue",
        "readiness.Alert",
        "inventory.Balance",
    }
)
UNDO_CHUNK = 200
MOST_SHOWN = 20

Reverser = Callable[[Sequence[ImportChange], User | None, datetime], None]
_reversers: dict[str, Reverser] = {}


def reverser(model_label: str) -> Callable[[Reverser], Reverser]:
    """Registers how rows of an append-only model are taken back: by a reversing entry, never by deleting."""

    def register(function: Reverser) -> Reverser:
        _reversers[model_label] = function
        return function

    return register


def obstacles(run: ImportRun) -> list[str]:
    """What was built on an import since, as sentences; empty: it can be undone. A few queries per kind of row."""
    added = _added(run)
    found: list[str] = []
    for label, pks in added.items():
        found.extend(_built_on(apps.get_model(label), pks, added))
        if len(found) >= MOST_SHOWN:
            return found[:MOST_SHOWN]
    for change in _changes(run).filter(action=ImportChange.Action.CHANGED).iterator(chunk_size=2000):
        if len(found) >= MOST_SHOWN:
            break
        found.extend(_changed_since(change))
    return found[:MOST_SHOWN]


def _changes(run: ImportRun) -> models.QuerySet[ImportChange]:
    return ImportChange.objects.filter(run=run)


def _added(run: ImportRun) -> dict[str, set[int]]:
    added: dict[str, set[int]] = defaultdict(set)
    rows = _changes(run).filter(action=ImportChange.Action.ADDED).values_list("model", "object_id")
    for label, pk in rows:
        added[label].add(int(pk))
    # A superseding row is new as well, although it is noted as a change.
    for label, pk, before in (
        _changes(run).filter(action=ImportChange.Action.CHANGED).values_list("model", "object_id", "before")
    ):
        if "supersedes" in before:
            added[label].add(int(pk))
    return added


def _built_on(model: type[models.Model], pks: set[int], added: dict[str, set[int]]) -> Iterator[str]:
    for field in model._meta.get_fields(include_hidden=True):
        if not (field.auto_created and not field.concrete and (field.one_to_many or field.one_to_one)):
            continue
        other: Any = field.related_model
        if other._meta.label in COMPUTED or other._meta.auto_created:
            continue
        name = field.remote_field.name  # type: ignore[union-attr]
        own = added.get(other._meta.label, set())
        for some in chunks(sorted(pks), 500):
            rows = other._base_manager.filter(**{f"{name}__in": some})
            for row in rows[: MOST_SHOWN + len(own)].iterator() if len(own) < 500 else rows.iterator():
                if row.pk not in own and not (other is model and _is_superseded_by_own(row, own)):
                    yield _("{what} ({kind}) rests on {on}.").format(
                        what=str(row), kind=other._meta.verbose_name, on=str(getattr(row, name))
                    )
                    break


def _is_superseded_by_own(row: Any, own: set[int]) -> bool:
    return isinstance(row, Correctable) and getattr(row, "superseded_by_id", None) in own


def _changed_since(change: ImportChange) -> Iterator[str]:
    model: Any = apps.get_model(change.model)
    obj = model._base_manager.filter(pk=change.object_id).first()
    if obj is None:
        return
    if isinstance(obj, Correctable) and not obj.counts and "supersedes" in change.before:
        yield _("{what} was corrected since.").format(what=str(obj))
        return
    for name, after in change.after.items():
        if name == "supersedes":
            continue
        now = plain(getattr(obj, _attname(obj, name)))
        if now not in (after, change.before.get(name)) and now not in _set_by(change, name):
            yield _("{what}: '{field}' was changed since.").format(what=str(obj), field=name)
            return


def _set_by(change: ImportChange, name: str) -> list[Any]:
    """What other rows of the same import made of the same value."""
    others = ImportChange.objects.filter(
        run_id=change.run_id, model=change.model, object_id=change.object_id
    ).values_list("after", flat=True)
    return [after[name] for after in others if name in after]


def _attname(obj: models.Model, name: str) -> str:
    try:
        field: Any = obj._meta.get_field(name)
    except Exception:  # an attribute name such as home_id
        return name
    return str(field.attname)


class Undoer:
    """Takes back the rows of one import, latest first, in short transactions."""

    def __init__(self, run: ImportRun, actor: User | None, now: datetime, *, sheet: str = "") -> None:
        self.run = run
        self.actor = actor
        self.now = now
        self.changes = _changes(run).filter(sheet=sheet) if sheet else _changes(run)
        self.kept: list[str] = []
        self.held = _held_for_ever(run, _added(run))
        self.held_rows = _rows_of_held_missions(run, self.held.get("fleet.Deployment", set()))

    def undo(self, fence: Callable[[], None], progress: Callable[[int, int], None]) -> None:
        """Take everything back. Running it again after an interruption goes on where it stopped."""
        ids = list(self.changes.order_by("-pk").values_list("pk", flat=True))
        done = 0
        for some in chunks(ids, UNDO_CHUNK):
            changes = [
                change
                for change in ImportChange.objects.filter(pk__in=some).order_by("-pk")
                if not self._is_held(change)
            ]
            with transaction.atomic():
                fence()
                with letting_go(self.run):
                    for (label, action), group in groupby(
                        changes, key=lambda each: (each.model, each.action)
                    ):
                        self._take_back(label, action, list(group))
            done += len(some)
            progress(done, len(ids))

    def _is_held(self, change: ImportChange) -> bool:
        held = (change.sheet, change.row) in self.held_rows
        if held and change.model == "fleet.Deployment":
            self.kept.append(str(Deployment.objects.get(pk=change.object_id)))
        return held

    def _take_back(self, label: str, action: str, changes: list[ImportChange]) -> None:
        model: Any = apps.get_model(label)
        if label in _reversers:
            _reversers[label](changes, self.actor, self.now)
            return
        objects = {
            str(obj.pk): obj
            for obj in model._base_manager.filter(pk__in=[each.object_id for each in changes])
        }
        there = [(each, objects[each.object_id]) for each in changes if each.object_id in objects]
        if action == ImportChange.Action.ADDED:
            self._delete(model, there)
        else:
            for change, obj in there:
                if "supersedes" in change.before:
                    self._unsupersede(model, change, obj)
                else:
                    self._restore(model, change, obj)

    def _delete(self, model: Any, there: Sequence[tuple[ImportChange, Any]]) -> None:
        held = self.held.get(model._meta.label, set())
        self.kept.extend(str(obj) for _change, obj in there if obj.pk in held)
        good = [obj for _change, obj in there if obj.pk not in held]
        audit_record_many([self._audit(obj, "import_undo") for obj in good])
        model._base_manager.filter(pk__in=[obj.pk for obj in good]).delete()

    def _restore(self, model: Any, change: ImportChange, obj: Any) -> None:
        names = list(change.before)
        if not names:
            return
        values = {}
        for name in names:
            field = model._meta.get_field(name.removesuffix("_id") if name.endswith("_id") else name)
            value = change.before[name]
            values[field.attname] = (
                field.target_field.to_python(_key(value)) if field.is_relation else field.to_python(value)
            )
        if all(getattr(obj, name) == value for name, value in values.items()):
            return  # restored before an interruption
        if isinstance(obj, Versioned):
            values["version"] = F("version") + 1
            values["updated_at"] = self.now
        audit_record_many([self._audit(obj, "import_undo", before=change.after, after=change.before)])
        model._base_manager.filter(pk=obj.pk).update(**values)

    def _unsupersede(self, model: Any, change: ImportChange, obj: Any) -> None:
        # The newer row steps aside before the older one counts again: once per thing and moment holds throughout.
        model._base_manager.filter(pk=obj.pk).update(struck_at=self.now, struck_reason="import undone")
        model._base_manager.filter(pk=change.before["supersedes"]).update(superseded_by=None)
        audit_record_many([self._audit(obj, "import_undo")])
        model._base_manager.filter(pk=obj.pk).delete()

    def _audit(
        self, obj: Any, word: str, before: dict[str, Any] | None = None, after: dict[str, Any] | None = None
    ) -> AuditEntry:
        return AuditEntry(
            actor=self.actor,
            at=self.now,
            action=f"{obj._meta.model_name}.{word}",
            subject_kind=obj._meta.model_name,
            subject_id=str(obj.pk),
            before=before or {},
            after=after or {},
            note=f"import {self.run.pk} undone",
        )


def _held_for_ever(run: ImportRun, added: dict[str, set[int]]) -> dict[str, set[int]]:
    """What the ledger names for ever, and what that rests on: such rows stay, with nothing in stock."""
    held: dict[str, set[int]] = defaultdict(set)
    for label in _reversers:
        book: Any = apps.get_model(label)
        for field in book._meta.concrete_fields:
            if field.is_relation and (pks := added.get(field.related_model._meta.label)):
                for some in chunks(sorted(pks), 500):
                    named = book._base_manager.filter(**{f"{field.name}__in": some}).values_list(
                        field.attname, flat=True
                    )
                    held[field.related_model._meta.label] |= set(named)
    for label in _reversers:
        held.pop(label, None)
    waiting = [(label, pk) for label, pks in held.items() for pk in pks]
    while waiting:
        label, pk = waiting.pop()
        obj = apps.get_model(label)._base_manager.get(pk=pk)
        resting = [
            (field.related_model._meta.label, getattr(obj, field.attname))
            for field in obj._meta.concrete_fields
            if field.is_relation
        ]
        if label == "fleet.Unit":
            resting += [("fleet.UnitStay", stay) for stay in _first_stays(run, pk)]
        for other, other_pk in resting:
            if other_pk in added.get(other, set()) and other_pk not in held[other]:
                held[other].add(other_pk)
                waiting.append((other, other_pk))
    return held


def _rows_of_held_missions(run: ImportRun, held: set[int]) -> set[tuple[str, int]]:
    """The rows of all missions of the units of which the ledger names one: where a unit was stays in one piece."""
    if not held:
        return set()
    units = Deployment.objects.filter(pk__in=held).values("unit_id")
    missions = {str(pk) for pk in Deployment.objects.filter(unit__in=units).values_list("pk", flat=True)}
    rows = _changes(run).filter(model="fleet.Deployment").values_list("object_id", "sheet", "row")
    return {(sheet, row) for pk, sheet, row in rows if pk in missions}


def _first_stays(run: ImportRun, unit: int) -> list[int]:
    """Where a unit stood when the import added it; what later sheets made of that is taken back."""
    row = _changes(run).filter(model="fleet.Unit", action=ImportChange.Action.ADDED, object_id=str(unit))
    beside = _changes(run).filter(
        model="fleet.UnitStay",
        action=ImportChange.Action.ADDED,
        sheet__in=row.values("sheet"),
        row__in=row.values("row"),
    )
    return [int(pk) for pk in beside.values_list("object_id", flat=True)]


def _key(value: Any) -> Any:
    return value["id"] if isinstance(value, dict) else value


def require_no_obstacle(run: ImportRun) -> None:
    """Raises DomainError that says what was built on the import."""
    found = obstacles(run)
    if found:
        raise DomainError(
            "import.built_on",
            _("This import can no longer be undone as a whole: {what}"),
            what=" ".join(found[:3]),
            all=found,
        )
