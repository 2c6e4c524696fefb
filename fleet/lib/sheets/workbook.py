"""Workbooks (XLSX): inspected before anything is parsed, then read as a stream."""

from __future__ import annotations

import codecs
import datetime as dt
import re
import warnings
import zipfile
from collections.abc import Iterator
from typing import IO, Any
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from openpyxl import load_workbook
from openpyxl.styles.numbers import BUILTIN_FORMATS, BUILTIN_FORMATS_MAX_SIZE
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.worksheet._reader import WorkSheetParser

from fleet.lib.sheets.values import (
    CHUNK,
    ERROR_VALUES,
    BadCell,
    Book,
    Limits,
    Measured,
    RawRow,
    Sheet,
    SheetError,
    Source,
    Value,
    too_many_rows,
)

_TEXT_TAG = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}t"


def open_workbook(stream: IO[bytes], name: str, limits: Limits) -> Book:
    try:
        with zipfile.ZipFile(stream) as archive:
            merges = _inspect_archive(archive, limits)
        stream.seek(0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = load_workbook(stream, read_only=True, data_only=True, keep_links=False)
    except SheetError:
        raise
    except DefusedXmlException:
        raise _hostile() from None
    except Exception as error:  # a broken workbook fails in many ways inside the reader
        raise SheetError(
            "sheet.unreadable",
            "The file is not a workbook that can be read ({why}). Save it again as .xlsx.",
            why=type(error).__name__,
        ) from None
    source = _WorkbookSource(book, merges, limits)
    tabs = [tab for tab in book.worksheets if hasattr(tab, "_worksheet_path")]
    if len(tabs) > limits.sheets:
        raise SheetError("sheet.too_many_sheets", "The workbook has over {most} sheets.", most=limits.sheets)
    sheets = [Sheet(tab.title, source, tab._worksheet_path, tab.sheet_state != "visible") for tab in tabs]
    modified = book.properties.modified
    if isinstance(modified, dt.datetime) and modified.tzinfo is None:
        modified = modified.replace(tzinfo=dt.UTC)

    def close() -> None:
        book.close()
        stream.close()

    return Book(name, sheets, modified, book.epoch, False, close)


def _hostile() -> SheetError:
    return SheetError(
        "sheet.entities",
        "The file declares XML entities, which no spreadsheet program writes. It is not read.",
    )


def _inspect_archive(archive: zipfile.ZipFile, limits: Limits) -> dict[str, list[tuple[int, int, int, int]]]:
    infos = archive.infolist()
    if len(infos) > limits.parts:
        raise SheetError(
            "sheet.too_many_parts", "The workbook consists of over {most} parts.", most=limits.parts
        )
    unpacked = sum(info.file_size for info in infos)
    packed = sum(info.compress_size for info in infos)
    if unpacked > limits.unpacked_bytes:
        raise SheetError(
            "sheet.unpacked_too_large",
            "The workbook would unpack to {size} MB; at most {most} MB can be read.",
            size=unpacked // 1_000_000,
            most=limits.unpacked_bytes // 1_000_000,
        )
    if unpacked > limits.ratio_from_bytes and unpacked > limits.ratio * max(packed, 1):
        raise SheetError(
            "sheet.ratio",
            "The workbook unpacks to over {ratio} times its size. It is not read.",
            ratio=limits.ratio,
        )
    if "[Content_Types].xml" not in archive.namelist():
        raise SheetError(
            "sheet.not_a_workbook", "This is an archive, not a workbook. Save the table as .xlsx or .csv."
        )
    merges: dict[str, list[tuple[int, int, int, int]]] = {}
    for info in infos:
        if info.filename.lower().endswith((".xml", ".rels", ".vml")):
            merges["/" + info.filename.lstrip("/")] = _inspect_part(archive, info, limits)
    return merges


_DECLARATION = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.IGNORECASE)
_MERGE = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']([A-Z]{1,3}\d{1,7}):([A-Z]{1,3}\d{1,7})[\"']")
_ENCODING = re.compile(rb"""encoding\s*=\s*["']([A-Za-z0-9_.-]+)["']""")
_OVERLAP = 200


def _inspect_part(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, limits: Limits
) -> list[tuple[int, int, int, int]]:
    found: list[tuple[int, int, int, int]] = []
    tail = b""
    seen_to = 0
    base = 0
    with archive.open(info) as part:
        first = True
        while chunk := part.read(CHUNK):
            if first:
                _check_encoding(chunk)
                first = False
            window = tail + chunk
            start = base - len(tail)
            if _DECLARATION.search(window):
                raise _hostile()
            for match in _MERGE.finditer(window):
                if start + match.start() >= seen_to:
                    found.append((*_cell_position(match[1]), *_cell_position(match[2])))
                    seen_to = start + match.end()
            if len(found) > limits.merges:
                raise SheetError("sheet.merges", "A sheet has over {most} merged cells.", most=limits.merges)
            base += len(chunk)
            tail = window[-_OVERLAP:]
    return sorted(found)


def _check_encoding(head: bytes) -> None:
    declared = _ENCODING.search(head[:200])
    odd = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\x00" in head[:200]
    if odd or (declared and declared[1].lower() not in {b"utf-8", b"utf8", b"us-ascii", b"ascii"}):
        raise SheetError(
            "sheet.encoding", "A part of the workbook is in an unusual encoding. Save it again as .xlsx."
        )


def _cell_position(reference: bytes) -> tuple[int, int]:
    letters = reference.rstrip(b"0123456789")
    column = 0
    for letter in letters:
        column = column * 26 + letter - 64
    return int(reference[len(letters) :]), column


class _Parser(WorkSheetParser):  # type: ignore[misc, unused-ignore]
    """The workbook library's streaming reader: quicker with text in the cell, and a formula without result is told."""

    def parse_cell(self, element: Any) -> dict[str, Any]:
        if element.get("t") == "inlineStr" and element.get("r"):
            row, self.col_counter = coordinate_to_tuple(element.get("r"))
            text = "".join(part.text or "" for part in element.iter(_TEXT_TAG))
            return {
                "row": row,
                "column": self.col_counter,
                "value": text or None,
                "data_type": "s",
                "style_id": 0,
            }
        cell: dict[str, Any] = super().parse_cell(element)
        if cell["value"] is None and any(child.tag.endswith("}f") for child in element):
            cell["data_type"] = "no_result"
        return cell


class _WorkbookSource(Source):
    def __init__(self, book: Any, merges: dict[str, list[tuple[int, int, int, int]]], limits: Limits) -> None:
        self.book = book
        self.merges = merges
        self.limits = limits
        self.styles: dict[int, tuple[str, bool]] = {}

    def rows(self, sheet: Sheet) -> Iterator[RawRow]:
        tab = self.book[sheet.title]
        pending = list(reversed(self.merges.get("/" + sheet.part.lstrip("/"), [])))
        active: list[tuple[int, int, int, int]] = []
        count = 0
        try:
            with tab._get_source() as stream, warnings.catch_warnings():
                warnings.simplefilter("ignore")
                for number, parsed in self._parser(stream, tab).parse():
                    while pending and pending[-1][0] <= number:
                        active.append(pending.pop())
                    active = [area for area in active if area[2] >= number]
                    cells = self._cells(parsed, sheet, number)
                    if cells is None:
                        continue
                    count += 1
                    if count > self.limits.rows:
                        raise too_many_rows(sheet.title, self.limits)
                    yield RawRow(number, self._with_merges(cells, active, number))
        except SheetError:
            raise
        except (
            DefusedXmlException,
            ParseError,
            ValueError,
            KeyError,
            IndexError,
            zipfile.BadZipFile,
        ) as error:
            raise SheetError(
                "sheet.broken",
                "Sheet '{sheet}' cannot be read to its end ({why}). Save the workbook again as .xlsx.",
                sheet=sheet.title,
                why=type(error).__name__,
            ) from None

    def _parser(self, stream: Any, tab: Any) -> Any:
        return _Parser(
            stream,
            tab._shared_strings,
            data_only=True,
            epoch=self.book.epoch,
            date_formats=self.book._date_formats,
            timedelta_formats=self.book._timedelta_formats,
        )

    def _cells(self, parsed: list[dict[str, Any]], sheet: Sheet, number: int) -> list[Value] | None:
        cells: list[Value] = []
        for cell in parsed:
            value = self._value(cell)
            if value is None:
                continue
            column = cell["column"]
            if column > self.limits.columns:
                raise SheetError(
                    "sheet.too_many_columns",
                    "Sheet '{sheet}', row {row}: there is something beyond column {most}.",
                    sheet=sheet.title,
                    row=number,
                    most=self.limits.columns,
                )
            while len(cells) < column:
                cells.append(None)
            cells[column - 1] = value
        return cells or None

    def _value(self, cell: dict[str, Any]) -> Value:
        value, kind = cell["value"], cell["data_type"]
        if kind == "no_result":
            return BadCell("no_result")
        if value is None:
            return None
        if kind == "e":
            return BadCell("error", str(value))
        if isinstance(value, str):
            text = value.replace("\x00", "").strip()
            if len(text) > self.limits.cell_chars:
                raise SheetError(
                    "sheet.cell_too_long", "A cell holds over {most} characters.", most=self.limits.cell_chars
                )
            return (BadCell("error", text) if text in ERROR_VALUES else text) or None
        style = int(cell["style_id"])
        if isinstance(value, dt.datetime):
            return value if value.time() != dt.time(0) or self._style(style)[1] else value.date()
        if isinstance(value, (int, float)) and not isinstance(value, bool) and style:
            unit = self._style(style)[0]
            if unit == "%":
                return Measured(round(float(value) * 100, 10), "%")
            if unit:
                return Measured(float(value), unit)
        return value  # type: ignore[no-any-return]

    def _style(self, style: int) -> tuple[str, bool]:
        if style not in self.styles:
            self.styles[style] = format_hints(self._number_format(style))
        return self.styles[style]

    def _number_format(self, style: int) -> str:
        try:
            number = self.book._cell_styles[style].numFmtId
            if number < BUILTIN_FORMATS_MAX_SIZE:
                return BUILTIN_FORMATS.get(number, "General")
            return str(self.book._number_formats[number - BUILTIN_FORMATS_MAX_SIZE])
        except (IndexError, AttributeError):
            return "General"

    def _with_merges(
        self, cells: list[Value], active: list[tuple[int, int, int, int]], number: int
    ) -> tuple[Value, ...]:
        for top, left, _, right in active:
            for column in range(left, min(right, self.limits.columns) + 1):
                if (number, column) == (top, left):
                    continue
                while len(cells) < column:
                    cells.append(None)
                if cells[column - 1] is None:
                    cells[column - 1] = BadCell("merged")
        return tuple(cells)


def format_hints(code: str) -> tuple[str, bool]:
    """What a number format shows beside the number: ``(unit, shows a time of day)``."""
    section = code.split(";", 1)[0]
    literals = [text.strip() for text in re.findall(r'"([^"]*)"', section)]
    bare = re.sub(r'"[^"]*"|\\.|\[[^\]]*\]|_.|\*.', "", section)
    unit = next((text for text in literals if re.search(r"[A-Za-z\u00b0\u2032\u2033%]", text)), "")
    if "%" in bare:
        unit = "%"
    return unit, "h" in bare.lower() or "h" in "".join(re.findall(r"\[([^\]]*)\]", section)).lower()
