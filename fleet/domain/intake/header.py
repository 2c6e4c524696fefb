"""Finding the header of a sheet, and the kind of sheet a header belongs to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice

from fleet.domain.intake.spec import (
    HEADER_SEARCH_ROWS,
    IGNORED_HINTS,
    ColumnSpec,
    HeaderCell,
    SheetData,
    SheetSpec,
    fold,
)
from fleet.lib.errors import Fault
from fleet.lib.quantities import UNITS, find_unit, known_spellings
from fleet.lib.sheets import RawRow


def match_header(spec: SheetSpec, row: RawRow) -> tuple[list[HeaderCell], list[str]]:
    """The columns of ``spec`` found in ``row``, and the headers that match none."""
    found: list[HeaderCell] = []
    unknown: list[str] = []
    taken: set[str] = set()
    for position, value in enumerate(row.cells):
        if not isinstance(value, str):
            continue
        cell = _match_cell(spec, position, value)
        if cell is None or cell.column.name in taken:
            unknown.append(value)
            continue
        taken.add(cell.column.name)
        found.append(cell)
    return found, unknown


def _match_cell(spec: SheetSpec, position: int, text: str) -> HeaderCell | None:
    # A unit in the header comes first: folding would lose it where it is a sign (``Charge state %``).
    bracket = re.match(r"(?P<name>[^(\[]+)[(\[](?P<hint>[^)\]]*)[)\]]?\s*\*?\s*\Z", text)
    if bracket and (column := spec.spellings.get(fold(bracket["name"]))):
        return _with_hint(position, text, column, bracket["hint"].strip())
    words = re.split(r"[\s,_]+", text.strip())
    for size in (1, 2):
        if len(words) <= size:
            break
        column = spec.spellings.get(fold(" ".join(words[:-size])))
        hint = " ".join(words[-size:])
        if column is not None and (_unit_key(column, hint) or _is_utc(column, hint)):
            return _with_hint(position, text, column, hint)
    exact = spec.spellings.get(fold(text))
    return HeaderCell(position, text, exact, _unit_of_alias(exact, text)) if exact else None


def _with_hint(position: int, text: str, column: ColumnSpec, hint: str) -> HeaderCell:
    if _is_utc(column, hint):
        return HeaderCell(position, text, column, utc=True)
    if column.kind != "quantity" or fold(hint) in IGNORED_HINTS or not hint:
        return HeaderCell(position, text, column)
    return HeaderCell(position, text, column, _unit_key(column, hint) or f"?{hint}")


def _unit_of_alias(column: ColumnSpec, text: str) -> str:
    # An alias may end in a unit of its own (``weight lb``): then the bare numbers below it are in that unit.
    if column.kind != "quantity" or fold(text) in (fold(column.label), fold(column.name)):
        return ""
    words = re.split(r"[\s,_(\[]+", text.strip().rstrip(")]"))
    return (_unit_key(column, words[-1]) or "") if len(words) > 1 else ""


def _unit_key(column: ColumnSpec, hint: str) -> str | None:
    if column.kind != "quantity":
        return None
    found = find_unit(hint, UNITS[column.unit].dimension)
    return found.key if found else None


def _is_utc(column: ColumnSpec, hint: str) -> bool:
    return column.kind == "instant" and fold(hint) in {"utc", "gmt", "z", "zulu"}


def find_header(spec: SheetSpec, rows: Sequence[RawRow]) -> tuple[int, list[HeaderCell], list[str]] | None:
    """The header of ``spec`` among the first rows: the row that holds the key columns and the most columns at all.

    Returns (index in ``rows``, cells, headers not used) or None.
    """
    best: tuple[int, list[HeaderCell], list[str]] | None = None
    for index, row in enumerate(rows[:HEADER_SEARCH_ROWS]):
        cells, unknown = match_header(spec, row)
        names = {cell.column.name for cell in cells}
        if len(cells) < min(2, len(spec.columns)) or not ((set(spec.key) - spec.optional_key) & names):
            continue
        if best is None or len(cells) > len(best[1]):
            best = (index, cells, unknown)
    return best


def choose_spec(title: str, rows: Sequence[RawRow], specs: Iterable[SheetSpec]) -> SheetSpec | None:
    """The kind of a sheet: by its title, else by the kind whose columns its header fits best."""
    wanted = fold(title)
    all_specs = list(specs)
    for spec in all_specs:
        if wanted in {fold(spec.name), fold(spec.label), *(fold(alias) for alias in spec.aliases)}:
            return spec
    best: SheetSpec | None = None
    best_score = (0.0, 0)
    for spec in all_specs:
        found = find_header(spec, rows)
        if found is None or not set(spec.key) - spec.optional_key <= {cell.column.name for cell in found[1]}:
            continue
        matched, unknown = len(found[1]), len(found[2])
        score = (matched / (matched + unknown), matched)
        if score > best_score:
            best, best_score = spec, score
    return best if best_score[0] > 0.5 else None


def open_sheet(title: str, rows: Iterable[RawRow], spec: SheetSpec) -> SheetData:
    """Find the header and keep the rows below it. A sheet without a usable header has one fault and no rows."""
    iterator = iter(rows)
    head = list(islice(iterator, HEADER_SEARCH_ROWS))
    found = find_header(spec, head)
    if found is None:
        return _without_header(title, spec, head)
    index, cells, unknown = found
    row = head[index]
    data = SheetData(
        title=title,
        spec=spec,
        header_row=row.number,
        header=tuple(value if isinstance(value, str) else "" for value in row.cells),
        cells=tuple(cells),
        unused=tuple(unknown),
    )
    data.faults.extend(_header_faults(data))
    data.rows = list(chain(head[index + 1 :], iterator))
    return data


def _without_header(title: str, spec: SheetSpec, head: Sequence[RawRow]) -> SheetData:
    needed = ", ".join(spec.by_name[name].label for name in spec.key if name not in spec.optional_key)
    data = SheetData(title, spec, 0, (), ())
    data.faults.append(
        Fault(
            title,
            head[0].number if head else 0,
            "",
            "",
            "header.missing",
            f"No row of this sheet reads like the header of '{spec.label}'.",
            f"Give it a header row with at least: {needed}.",
        )
    )
    return data


def _header_faults(data: SheetData) -> Iterator[Fault]:
    for name in data.spec.key:
        if name not in data.at and name not in data.spec.optional_key:
            label = data.spec.by_name[name].label
            yield Fault(
                data.title,
                data.header_row,
                label,
                "",
                "header.key_missing",
                f"The column '{label}' is missing, by which a row is recognised.",
                f"Add the column '{label}'.",
            )
    for cell in data.cells:
        if cell.unit.startswith("?"):
            known = ", ".join(known_spellings(cell.column.unit))
            yield Fault(
                data.title,
                data.header_row,
                cell.text,
                cell.unit[1:],
                "header.unit",
                f"The unit '{cell.unit[1:]}' in the header is not known for '{cell.column.label}'.",
                f"Write one of: {known}.",
            )
