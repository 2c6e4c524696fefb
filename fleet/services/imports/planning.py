"""What a file would do, row by row, before anything is written."""

from __future__ import annotations

import copy
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.intake import (
    CLEAR,
    UNCHANGED,
    Conventions,
    LeftOut,
    ParsedRow,
    ParsedSheet,
    SheetData,
    choose_spec,
    open_sheet,
    parse_sheet,
)
from fleet.lib.errors import DomainError, Fault
from fleet.lib.sheets import Book, RawRow, Sheet
from fleet.models import AuditEntry
from fleet.services.imports.kinds import (
    Key,
    Planned,
    Ref,
    SheetKind,
    Values,
    chunks,
    kind_named,
    kinds_in_order,
    same,
    shown,
)
from fleet.services.imports.references import Lookups


@dataclass
class Plan:
    """What one sheet would do."""

    kind: SheetKind
    title: str
    ident: str
    rows: list[Planned] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    unused: tuple[str, ...] = ()
    headers: dict[str, str] = field(default_factory=dict)  # column to its header in the file
    kept: int = 0  # rows of which a value stays as it is here, because it is newer

    @property
    def faulty_rows(self) -> set[int]:
        return {fault.row for fault in self.faults}

    def of(self, action: str) -> list[Planned]:
        return [row for row in self.rows if row.action == action]


@dataclass
class Opened:
    """The sheets of a file that were recognised, and the titles of those that were not."""

    sheets: list[tuple[SheetKind, SheetData]]
    unknown: list[str]


def recognise(
    book: Book, only: Mapping[str, str] | None = None, on_row: Callable[[str], None] | None = None
) -> Opened:
    """Open every sheet of a book that is a kind of sheet, in the order in which they rest on each other.

    `only` maps titles to the names of kinds and leaves out every other sheet. `on_row` is told the sheet of each row.
    """
    kinds = kinds_in_order()
    found: list[tuple[SheetKind, SheetData]] = []
    unknown: list[str] = []
    for sheet in book.sheets:
        if sheet.hidden or (only and sheet.title not in only and "" not in only):
            unknown.append(sheet.title)
            continue
        rows = sheet.rows()
        head = [row for row, _ in zip(rows, range(30), strict=False)]
        rows.close()  # type: ignore[attr-defined]
        if not head:
            continue
        named = (only or {}).get(sheet.title) or (only or {}).get("")
        spec = (
            kind_named(named).spec if named else choose_spec(sheet.title, head, [kind.spec for kind in kinds])
        )
        if spec is None:
            unknown.append(sheet.title)
            continue
        found.append((kind_named(spec.name), open_sheet(sheet.title, _followed(sheet, on_row), spec)))
    numbers: Counter[str] = Counter()
    for kind, data in found:
        numbers[kind.name] += 1
        data.ident = kind.name if numbers[kind.name] == 1 else f"{kind.name}#{numbers[kind.name]}"
    order = {kind.name: position for position, kind in enumerate(kinds)}
    found.sort(key=lambda pair: order[pair[0].name])
    return Opened(found, unknown)


def _followed(sheet: Sheet, on_row: Callable[[str], None] | None) -> Iterator[RawRow]:
    for row in sheet.rows():
        if on_row is not None:
            on_row(sheet.title)
        yield row


def plan_sheet(
    kind: SheetKind,
    data: SheetData,
    conventions: Conventions,
    lookups: Lookups,
    *,
    as_of: datetime | None,
    seen_at: datetime | None = None,
    earlier: dict[tuple[str, str], str] | None = None,
    ticked: Collection[str] | None = None,
    on_row: Callable[[], None] | None = None,
) -> Plan:
    """Read a sheet and work out what it would add, change and leave. Writes nothing.

    `as_of`: what changed here after that is newer than the file. `seen_at`: what changed here after that was not in
    the preview. `earlier` carries the rows of other sheets of the same kind in this file from call to call. `ticked` are
    the cells (`row:column`, or `*` for all) that may overwrite what is newer here; every other newer value is taken out
    of the plan before rows are checked against each other (None: nothing is chosen yet, all of it stays in). `on_row`
    is called twice a row: when it is read, and when it is compared with what is here.
    """
    _load_references(kind, data, lookups)
    zones = _Zones(kind, lookups)
    parsed = parse_sheet(data, conventions, zones, on_row)
    plan = Plan(kind, data.title, data.ident or kind.name, left_out=parsed.left_out, unused=data.unused)
    plan.headers = {name: cell.text for name, cell in data.at.items()}
    plan.faults = list(parsed.faults)
    ready = list(_resolved(kind, parsed, lookups, plan))
    found = kind.find(lookups, [values for _, values in ready])
    kind.prepare(lookups, [values for _, values in ready], found)
    if earlier is not None:
        ready = list(_not_twice(kind, data, ready, earlier, plan))
    for row, values in ready:
        if on_row is not None:
            on_row()
        planned = _plan_row(kind, row, values, found, lookups, plan)
        if planned is not None:
            plan.rows.append(planned)
    _check_rights(plan, lookups)
    faulty = plan.faulty_rows
    changed = [row for row in plan.of("changed") if row.number not in faulty]
    for late, names in _changed_after(kind, lookups, changed, as_of):
        late.newer = names
    for late, names in _changed_after(kind, lookups, changed, seen_at):
        late.unseen = names
    if ticked is not None:
        _keep_newer(plan, changed, ticked)
    writing = [row for row in plan.rows if row.action != "left" and row.number not in faulty]
    for planned, name, error in kind.check_together(lookups, writing):
        plan.faults.append(_fault(plan, planned.number, name, shown(planned.values.get(name), name), error))
    bad = plan.faulty_rows
    plan.rows = [row for row in plan.rows if row.number not in bad]
    for planned in plan.of("added"):
        if named := kind.ref(planned):
            lookups.add_pending(kind.name, *named)
    for row in parsed.rows:
        if row.number in bad or row.faults:
            for word in kind.words_of(row.values):
                lookups.add_faulty(kind.name, word, f"{data.title}, row {row.number}")
    if any(row.action != "left" for row in plan.rows):
        lookups.memory["brought"][kind.name] = True
    plan.faults.sort(key=lambda fault: fault.row)
    return plan


def _keep_newer(plan: Plan, changed: Sequence[Planned], ticked: Collection[str]) -> None:
    """Take out what is newer here and not ticked, and what nobody has seen; a row with nothing else goes altogether."""
    kind, gone = plan.kind, set()
    for row in changed:
        newer = (
            set() if "*" in ticked else {name for name in row.newer if f"{row.number}:{name}" not in ticked}
        )
        stay = newer | row.unseen
        for name in stay:
            old, _new = row.changes.pop(name)
            if name not in kind.virtual and name not in kind.one_by_one:
                setattr(row.obj, kind.model._meta.get_field(name).attname, old)  # type: ignore[union-attr]
        plan.kept += bool(stay)
        if not row.changes:
            gone.add(row.number)
    plan.rows = [row for row in plan.rows if row.number not in gone]


def _load_references(kind: SheetKind, data: SheetData, lookups: Lookups) -> None:
    words: dict[str, set[str]] = defaultdict(set)
    for cell in data.cells:
        if cell.column.kind != "reference" or cell.column.name == "packed_form":
            continue
        for row in data.rows:
            value = row.cells[cell.position] if cell.position < len(row.cells) else None
            if isinstance(value, str | int | float):
                words[cell.column.refers_to].add(str(value))
    for name, some in words.items():
        lookups.load(name, some)


class _Zones:
    """The time zone of a row, asked for while its cells are read."""

    def __init__(self, kind: SheetKind, lookups: Lookups) -> None:
        self.kind = kind
        self.lookups = lookups

    def __call__(self, values: Mapping[str, Any]) -> str:
        name = self.kind.spec.zone_column
        word = values.get(name)
        if not isinstance(word, str):
            return "UTC"
        try:
            return self.lookups.get(self.kind.spec.by_name[name].refers_to, word).zone
        except DomainError:
            return "UTC"


def _resolved(
    kind: SheetKind, parsed: ParsedSheet, lookups: Lookups, plan: Plan
) -> Iterator[tuple[ParsedRow, Values]]:
    """Rows without faults, with their references found and what follows from other columns filled in."""
    for row in parsed.rows:
        if row.faults:
            continue
        values: Values = {}
        good = True
        for name, value in row.values.items():
            if value is UNCHANGED:
                continue
            spec = kind.spec.by_name[name]
            try:
                if value is CLEAR:
                    if not kind.can_clear(name):
                        raise DomainError(
                            "cell.cannot_clear", _("'{label}' cannot be emptied."), label=spec.label
                        )
                    values[name] = None
                elif spec.kind == "reference" and value != "":
                    values[name] = lookups.get(spec.refers_to, kind.word(lookups, name, str(value), values))
                else:
                    values[name] = value
            except DomainError as error:
                plan.faults.append(_fault(plan, row.number, name, _typed(row, name), error))
                good = False
        if not good:
            continue
        for name, problem in kind.derive(lookups, values):
            plan.faults.append(_fault(plan, row.number, name, _typed(row, name), problem))
            good = False
        if good:
            yield row, values


def _not_twice(
    kind: SheetKind,
    data: SheetData,
    rows: Iterable[tuple[ParsedRow, Values]],
    earlier: dict[tuple[str, str], str],
    plan: Plan,
) -> Iterator[tuple[ParsedRow, Values]]:
    """Rows that no earlier sheet of the same kind has already; the others are faults."""
    own: dict[tuple[str, str], str] = {}
    for row, values in rows:
        key = (kind.name, kind.label(values).casefold())
        if key in earlier:
            error = DomainError(
                "row.twice",
                _("The same row stands in {where} already."),
                where=earlier[key],
                mend="Delete one of the two.",
            )
            plan.faults.append(_fault(plan, row.number, kind.spec.key[0], kind.label(values), error))
            continue
        own[key] = f"{data.title}, row {row.number}"
        yield row, values
    earlier.update(own)


def _plan_row(
    kind: SheetKind, row: ParsedRow, values: Values, found: Mapping[Key, Any], lookups: Lookups, plan: Plan
) -> Planned | None:
    there = found.get(kind.key(values))
    planned = Planned(row.number, "left", values, row.typed, there, label=kind.label(values))
    data_title = plan.title
    if there is None:
        planned.action = "added"
        missing = [
            each for each in kind.spec.columns if each.required and values.get(each.name) in (None, "")
        ]
        for each in missing:
            plan.faults.append(
                Fault(
                    data_title, row.number, each.label, "", "row.needed",
                    f"'{each.label}' is needed to add {planned.label}.",
                    f"Fill in '{each.label}'. Nothing on file has this key yet.",
                )
            )  # fmt: skip
        if missing:
            return None
        planned.obj = kind.make(lookups, values)
    else:
        planned.changes = _differences(kind, there, values)
        if not planned.changes:
            return planned
        planned.action = "changed"
        planned.obj = copy.copy(there)
        for name in kind.spec.key:
            if isinstance(values[name], Ref):
                setattr(planned.obj, name, values[name].obj)
        for name in planned.changes:
            if name not in kind.virtual and name not in kind.one_by_one:
                kind.assign(planned.obj, name, values[name])
    problems = list(kind.check(lookups, planned))
    for name, error in problems:
        plan.faults.append(_fault(plan, row.number, name, _typed(row, name), error))
    return None if problems else planned


def _differences(kind: SheetKind, there: Any, values: Values) -> dict[str, tuple[Any, Any]]:
    changes = {}
    for name, value in values.items():
        if name in kind.spec.key:
            continue
        old = kind.current(there, name)
        new = value if name in kind.virtual else kind.wanted(name, value)
        if isinstance(new, Ref):
            changes[name] = (old, new)
        elif not same(old, new):
            changes[name] = (old, value if isinstance(value, Ref) else new)
    return changes


def _typed(row: ParsedRow, name: str) -> str:
    value = row.values.get(name)
    return row.typed.get(name) or ("" if value is None or value is UNCHANGED else str(value))


def _fault(plan: Plan, number: int, name: str, value: str, error: DomainError) -> Fault:
    spec = plan.kind.spec.by_name.get(name)
    header = plan.headers.get(name) or (spec.label if spec else "")
    mend = str(error.data.get("mend", "")) or "Mend the row, or leave it out."
    return Fault(plan.title, number, header, value, error.key, error.sentence, mend)


def _check_rights(plan: Plan, lookups: Lookups) -> None:
    rights = lookups.rights
    allowed = None if rights is None else rights.depots("import")
    if allowed is None:
        return
    for row in plan.rows:
        if row.action == "left":
            continue
        whose = plan.kind.refused(row, allowed)
        if whose is not None:
            error = DomainError(
                "row.not_yours",
                _("This row belongs to {whose}, which your role does not let you change."),
                whose=whose,
                mend="Leave the row out, or ask an administrator to bring it in.",
            )
            plan.faults.append(_fault(plan, row.number, plan.kind.spec.key[0], row.label, error))


def owners_of(plans: Iterable[Plan]) -> dict[str, Any]:
    """Whose the rows are that would be written: keys of depots, and whether some belong to the whole pool."""
    depots: set[int] = set()
    pool = False
    for plan in plans:
        for row in plan.rows:
            if row.action == "left" or (row.action == "added" and plan.kind.anybody):
                continue
            owners = {owner.pk for owner in plan.kind.owners(row)}
            pool = pool or not owners or None in owners
            depots |= owners - {None}
    return {"depots": sorted(depots), "pool": pool}


def _changed_after(
    kind: SheetKind, lookups: Lookups, rows: Sequence[Planned], moment: datetime | None
) -> Iterator[tuple[Planned, set[str]]]:
    """Rows that were changed here after a moment, with the differing columns that were.

    What a row says of itself (`updated_at`, `recorded_at`) tells that it changed, the audit trail which columns did, and
    the kind of sheet what is told by other rows, such as where a thing is. A few queries for each 500 rows.
    """
    if moment is None:
        return
    for some in chunks(rows, 500):
        touched = _audited(kind, some, moment)
        told = kind.told_elsewhere(lookups, some, moment)
        for row in some:
            changed_at = getattr(row.obj, "recorded_at", None) or getattr(row.obj, "updated_at", None)
            late = changed_at is not None and changed_at > moment
            here = touched.get(str(row.obj.pk), set(kind.spec.by_name) - kind.elsewhere if late else set())
            names = set(kind.spec.by_name) if here is None else here | told.get(row.number, set())
            if names & set(row.changes):
                yield row, names & set(row.changes)


def _audited(kind: SheetKind, rows: Sequence[Planned], moment: datetime) -> dict[str, set[str] | None]:
    """Which columns of which rows the trail says were changed after a moment; None: it was added, so all of them."""
    touched: dict[str, set[str] | None] = {}
    entries = AuditEntry.objects.filter(
        subject_kind=kind.model._meta.model_name,
        subject_id__in=[str(row.obj.pk) for row in rows],
        at__gt=moment,
    ).values_list("subject_id", "before", "after")
    for pk, before, after in entries:
        names = {name for name in {*before, *after} if before.get(name) != after.get(name)}
        known = touched.get(pk, set())
        touched[pk] = None if known is None or not before else known | kind.audited_as(names)
    return touched


# --- the preview, as it is kept and shown ---

SHOWN_ROWS = 500


def preview(plans: Iterable[Plan], unknown: Sequence[str]) -> dict[str, Any]:
    """Plain JSON of what the file would do: counts, and the first rows of each group."""
    return {"sheets": [_preview_sheet(plan) for plan in plans], "unknown": list(unknown)}


def _preview_sheet(plan: Plan) -> dict[str, Any]:
    changed, added = plan.of("changed"), plan.of("added")
    newer = [row for row in changed if row.newer]
    plainly = [row for row in changed if set(row.changes) - row.newer]
    return {
        "name": plan.ident,
        "title": plan.title,
        "label": plan.kind.spec.label,
        "counts": {
            "added": len(added),
            "changed": len(plainly),
            "left": len(plan.of("left")) + len([row for row in newer if row not in plainly]),
            "newer": len(newer),
            "faulty": len(plan.faulty_rows),
            "left_out": len(plan.left_out),
        },
        "added": [
            {"row": row.number, "label": row.label, "values": _values(plan.kind, row)}
            for row in added[:SHOWN_ROWS]
        ],
        "changed": [_change(plan.kind, row, set(row.changes) - row.newer) for row in plainly[:SHOWN_ROWS]],
        "newer": [_change(plan.kind, row, row.newer) for row in newer[:SHOWN_ROWS]],
        "left_out": [[each.number, each.reason, each.text[:80]] for each in plan.left_out[:SHOWN_ROWS]],
        "unused": list(plan.unused),
    }


def _values(kind: SheetKind, row: Planned) -> list[list[str]]:
    return [
        [kind.spec.by_name[name].label, shown(value, name), row.typed.get(name, "")]
        for name, value in row.values.items()
        if name in kind.spec.by_name and name not in kind.spec.key and value is not None
    ]


def _change(kind: SheetKind, row: Planned, names: set[str]) -> dict[str, Any]:
    return {
        "row": row.number,
        "label": row.label,
        "cells": [
            {
                "name": name,
                "label": kind.spec.by_name[name].label,
                "old": shown(_old(kind, row, name), name),
                "new": shown(row.changes[name][1], name),
                "typed": row.typed.get(name, ""),
            }
            for name in kind.spec.by_name
            if name in names
        ],
    }


def _old(kind: SheetKind, row: Planned, name: str) -> Any:
    old = row.changes[name][0]
    if (
        old is None
        or isinstance(old, str)
        or kind.spec.by_name[name].kind != "reference"
        or name in kind.virtual
    ):
        return old
    return str(kind.model._meta.get_field(name).related_model._base_manager.filter(pk=old).first() or old)  # type: ignore[union-attr]
