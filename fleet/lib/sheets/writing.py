"""Files that go out: text in them is never a formula."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import IO, Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def export_safe(value: Any) -> Any:
    """``value`` for a cell of a file that goes out: text that a program would take for a formula gets an apostrophe.

    A plain number typed as text (``-5.2``) stays as it is; reading takes the apostrophe off again.
    """
    if isinstance(value, str):
        start = value.lstrip(" \u00a0")[:1] or value[:1]
        risky = value.startswith(FORMULA_STARTS) or start in FORMULA_STARTS
        if (risky and not _PLAIN_NUMBER.match(value)) or _ESCAPED.match(value):
            return f"'{value}"
    return value


_PLAIN_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?\Z")
_ESCAPED = re.compile("'+[ \u00a0]*[" + "".join(re.escape(start) for start in FORMULA_STARTS) + "]")


def unescaped(text: str) -> str:
    return text[1:] if text.startswith("'") and _ESCAPED.match(text) else text


@dataclass(frozen=True, slots=True)
class OutSheet:
    """A sheet to write: header, rows, and optional notes that become cell comments of the header."""

    title: str
    header: Sequence[str]
    rows: Iterable[Sequence[Any]]
    widths: Sequence[int] = ()


def write_xlsx(target: IO[bytes], sheets: Iterable[OutSheet]) -> None:
    """Write sheets as a workbook, row by row. Every text is stored as text, never as a formula."""
    book = Workbook(write_only=True)
    for sheet in sheets:
        tab = book.create_sheet(_sheet_title(sheet.title))
        tab.freeze_panes = "A2"
        for position, width in enumerate(sheet.widths):
            tab.column_dimensions[_column_letters(position + 1)].width = width
        tab.append([_out_cell(tab, label, bold=True) for label in sheet.header])
        for row in sheet.rows:
            tab.append([_out_cell(tab, value) for value in row])
    book.save(target)


def _out_cell(tab: Any, value: Any, *, bold: bool = False) -> Any:
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        value = value.isoformat(timespec="seconds")
    if not isinstance(value, str):
        return value
    cell = WriteOnlyCell(tab)
    cell.value = _CONTROL.sub("", value)[:32_767]
    cell.data_type = "s"
    if bold:
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    return cell


_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")


def _sheet_title(title: str) -> str:
    return re.sub(r"[\[\]:*?/\\]", " ", title)[:31] or "Sheet"


def _column_letters(position: int) -> str:
    letters = ""
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def write_csv(
    target: IO[bytes], header: Sequence[str], rows: Iterable[Sequence[Any]], delimiter: str = ","
) -> None:
    """Write a table as UTF-8 CSV with a byte order mark; text is never a formula, instants are ISO with offset."""
    text = io.TextIOWrapper(target, encoding="utf-8-sig", newline="", write_through=True)
    try:
        writer = csv.writer(text, delimiter=delimiter)
        writer.writerow([export_safe(label) for label in header])
        for row in rows:
            writer.writerow([export_safe(_csv_value(value)) for value in row])
    finally:
        text.detach()


def _csv_value(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" " if value.tzinfo is None else "T", timespec="seconds")
    return value.isoformat() if isinstance(value, dt.date) else value
