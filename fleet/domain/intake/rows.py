"""Settling what only the whole file can tell, and turning rows into typed values."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from fleet.domain.intake.cells import mend_of, read_cell, shown
from fleet.domain.intake.spec import (
    CLEAR,
    CLEAR_WORD,
    NUMERIC_KINDS,
    TOTAL_WORDS,
    UNCHANGED,
    Conventions,
    HeaderCell,
    LeftOut,
    ParsedRow,
    ParsedSheet,
    SheetData,
    fold,
)
from fleet.lib.dates import EPOCH_1900, DayOrder, DayOrderSettler
from fleet.lib.errors import DomainError, Fault
from fleet.lib.numbers import DecimalMark, DecimalSettler, Question
from fleet.lib.sheets import BadCell, Measured, RawRow, Value

EXAMPLE_ROWS = 5  # the example of a template stands right below its header


def settle(
    sheets: Iterable[SheetData],
    *,
    decimal_mark: DecimalMark | None = None,
    day_order: DayOrder | None = None,
    epoch: dt.datetime = EPOCH_1900,
) -> tuple[Conventions, list[Question]]:
    """Settle decimal mark and day-month order from every typed cell of a file, or say what must be asked.

    Numbers and dates that the workbook stores as such need no mark and decide nothing.
    """
    decimals, days = DecimalSettler(decimal_mark), DayOrderSettler(day_order)
    for data in sheets:
        numeric = [cell for cell in data.cells if cell.column.kind in NUMERIC_KINDS]
        dated = [cell for cell in data.cells if cell.column.kind in ("date", "instant")]
        for index, row in enumerate(data.rows):
            if index < EXAMPLE_ROWS and _is_example(data, row):
                continue
            for settler, cells in ((decimals, numeric), (days, dated)):
                for cell in cells:
                    value = row.cells[cell.position] if cell.position < len(row.cells) else None
                    if isinstance(value, str):
                        settler.look(value, data.title, row.number, cell.text)
    mark, order = decimals.settle(), days.settle()
    questions = [answer for answer in (mark, order) if isinstance(answer, Question)]
    return (
        Conventions(
            mark if not isinstance(mark, Question) else ".",
            order if not isinstance(order, Question) else "day_first",
            epoch,
        ),
        questions,
    )


def parse_sheet(
    data: SheetData,
    conventions: Conventions,
    zone_of: Callable[[Mapping[str, Any]], str] | None = None,
    on_row: Callable[[], None] | None = None,
) -> ParsedSheet:
    """Turn the rows of a sheet into typed values.

    ``zone_of`` is given the other values of a row and returns the time zone in which its clock times are meant
    (``UTC`` when not given). A row whose header is repeated, or that is a total, is left out and said so. ``on_row`` is
    called for each row, so that somebody can tell how far it is.
    """
    parsed = ParsedSheet(data, faults=list(data.faults))
    if data.header_row == 0 or any(fault.key == "header.key_missing" for fault in data.faults):
        return parsed
    reader = _RowReader(data, conventions, zone_of or (lambda _: "UTC"))
    sums = _RunningSums(data)
    seen: dict[tuple[Any, ...], int] = {}
    last = data.rows[-1].number if data.rows else 0
    for row in data.rows:
        if on_row is not None:
            on_row()
        left = _left_out(data, row, sums, row.number == last)
        if left is not None:
            parsed.left_out.append(left)
            continue
        sums.add(row)
        result = reader.read(row)
        if result is None:
            continue
        key = tuple(_key_part(result.values[name]) for name in data.spec.key)
        if not result.faults and key in seen:
            result.faults.append(_twice(data, row, key, seen[key]))
        seen.setdefault(key, row.number)
        parsed.rows.append(result)
        parsed.faults.extend(result.faults)
    return parsed


def _key_part(value: Any) -> Any:
    return value.casefold() if isinstance(value, str) else value


def _twice(data: SheetData, row: RawRow, key: tuple[Any, ...], first: int) -> Fault:
    cell = data.at[data.spec.key[0]]
    return Fault(
        data.title,
        row.number,
        cell.text,
        " / ".join(str(part) for part in key),
        "row.twice",
        f"The same row stands in row {first} already.",
        "Delete one of the two.",
    )


class _RunningSums:
    """Sums of the stored numbers of each column, to know a total that bears no word."""

    def __init__(self, data: SheetData) -> None:
        self.keys = {data.at[name].position for name in data.spec.key if name in data.at}
        self.sums: dict[int, float] = {}
        self.count = 0

    def add(self, row: RawRow) -> None:
        self.count += 1
        for position, value in enumerate(row.cells):
            number = _stored_number(value)
            if number is not None:
                self.sums[position] = self.sums.get(position, 0.0) + number

    def is_total(self, row: RawRow) -> bool:
        filled = {position: value for position, value in enumerate(row.cells) if not _empty(value)}
        if self.count < 2 or not filled or self.keys & set(filled):
            return False
        numbers = {position: _stored_number(value) for position, value in filled.items()}
        return all(
            number is not None
            and position in self.sums
            and abs(number - self.sums[position]) <= 1e-6 * max(1, abs(number))
            for position, number in numbers.items()
        )


def _stored_number(value: Value) -> float | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, (int, float)):
        return float(value)
    if isinstance(value, Measured):
        return value.value
    if isinstance(value, str) and re.fullmatch(r"-?\d+(\.\d+)?", value):
        return float(value)
    return None


def _empty(value: Value) -> bool:
    return value is None or value == "" or (isinstance(value, BadCell) and value.kind == "merged")


def _left_out(data: SheetData, row: RawRow, sums: _RunningSums, last: bool) -> LeftOut | None:
    first = next((value for value in row.cells if not _empty(value)), None)
    if isinstance(first, str):
        if TOTAL_WORDS.match(fold(first)) and _lacks_key(data, row, first):
            return LeftOut(row.number, "total", first)
        if fold(first) in data.spec.spellings and _is_header_again(data, row):
            return LeftOut(row.number, "header_again", first)
    if _is_example(data, row):
        return LeftOut(row.number, "example", str(first))
    if last and sums.is_total(row):
        return LeftOut(row.number, "total", "")
    return None


def _is_example(data: SheetData, row: RawRow) -> bool:
    """The example row of a template, left in by the person who filled it in below."""
    example = data.spec.example
    typed = {
        cell.column.name: row.cells[cell.position] if cell.position < len(row.cells) else None
        for cell in data.cells
    }
    return len(typed) > len(data.spec.key) and all(
        shown(value or "") == example.get(name, "") for name, value in typed.items()
    )


def _lacks_key(data: SheetData, row: RawRow, first: str) -> bool:
    values = [
        row.cells[data.at[name].position] if data.at[name].position < len(row.cells) else None
        for name in data.spec.key
        if name in data.at and name not in data.spec.optional_key
    ]
    return any(_empty(value) for value in values) or (
        values == [first] and TOTAL_WORDS.fullmatch(fold(first)) is not None
    )


def _is_header_again(data: SheetData, row: RawRow) -> bool:
    same = sum(
        1
        for cell in data.cells
        if cell.position < len(row.cells)
        and isinstance(value := row.cells[cell.position], str)
        and fold(value) == fold(cell.text)
    )
    return same >= max(1, round(0.8 * len(data.cells)))


class _RowReader:
    def __init__(
        self, data: SheetData, conventions: Conventions, zone_of: Callable[[Mapping[str, Any]], str]
    ) -> None:
        self.data = data
        self.conventions = conventions
        self.zone_of = zone_of
        self.plain = [cell for cell in data.cells if cell.column.kind != "instant"]
        self.instants = [cell for cell in data.cells if cell.column.kind == "instant"]

    def read(self, row: RawRow) -> ParsedRow | None:
        values: dict[str, Any] = dict.fromkeys(self.data.spec.by_name, UNCHANGED)
        result = ParsedRow(row.number, values)
        if all(self._raw(row, cell) is None for cell in self.data.cells):
            return None
        for cell in self.plain:
            self._take(row, cell, result, "")
        if self.instants:
            zone = self.zone_of(values)
            for cell in self.instants:
                self._take(row, cell, result, "UTC" if cell.utc else zone)
        for name in self.data.spec.key:
            self._need_key(row, name, result)
        return result

    def _raw(self, row: RawRow, cell: HeaderCell) -> Value:
        value = row.cells[cell.position] if cell.position < len(row.cells) else None
        return None if value == "" else value

    def _take(self, row: RawRow, cell: HeaderCell, result: ParsedRow, zone: str) -> None:
        raw = self._raw(row, cell)
        if raw is None:
            return
        if isinstance(raw, str) and raw.casefold() == CLEAR_WORD:
            result.values[cell.column.name] = CLEAR
            return
        try:
            value, typed = read_cell(raw, cell, zone, self.conventions)
        except DomainError as error:
            result.faults.append(self._fault(row, cell, raw, error))
            return
        result.values[cell.column.name] = value
        if typed:
            result.typed[cell.column.name] = typed

    def _need_key(self, row: RawRow, name: str, result: ParsedRow) -> None:
        if result.values[name] is not UNCHANGED and result.values[name] is not CLEAR:
            return
        if name in self.data.spec.optional_key:
            if not any(
                name in self.data.at and fault.column == self.data.at[name].text for fault in result.faults
            ):
                result.values[name] = ""
            return
        cell = self.data.at[name]
        if any(fault.column == cell.text for fault in result.faults):
            return
        result.faults.append(
            Fault(
                self.data.title,
                row.number,
                cell.text,
                CLEAR_WORD if result.values[name] is CLEAR else "",
                "row.key_missing",
                f"'{cell.text}' is empty, by which the row is recognised.",
                f"Fill in '{cell.text}', or delete the row.",
            )
        )

    def _fault(self, row: RawRow, cell: HeaderCell, raw: Value, error: DomainError) -> Fault:
        mend = str(error.data.get("mend", "")) or mend_of(cell.column)
        return Fault(self.data.title, row.number, cell.text, shown(raw), error.key, error.sentence, mend)
