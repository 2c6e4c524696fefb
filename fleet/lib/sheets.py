"""Reading and writing the workbooks and delimited files that people really keep, without trusting them.

A file from outside may be a bomb: before anything is parsed, the unpacked size, the ratio and the number of parts are
checked, and any document type or entity declaration is refused. Rows are streamed; nothing here guesses what a cell
means, it only says what stands in it. Text that goes out is never a formula.
"""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
import os
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Literal
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.utils.datetime import from_excel
from openpyxl.worksheet._reader import WorkSheetParser

from fleet.lib.errors import DomainError

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
ERROR_VALUES = frozenset(
    {"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"}
)
DELIMITERS = (";", ",", "\t", "|")
CHUNK = 1 << 20
_TEXT_TAG = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}t"


class SheetError(DomainError):
    """A file cannot be read as a workbook or a table."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How large a file may be; every bound has a sentence of its own when it is passed."""

    file_bytes: int = 50_000_000
    unpacked_bytes: int = 400_000_000
    ratio: int = 200
    ratio_from_bytes: int = 20_000_000
    parts: int = 2_000
    sheets: int = 40
    rows: int = 120_000
    columns: int = 200
    cell_chars: int = 32_767
    merges: int = 5_000


@dataclass(frozen=True, slots=True)
class Measured:
    """A number whose unit is only in the cell's number format (``8200`` shown as ``8200 lb``)."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class BadCell:
    """A cell without a usable value: an error value, a formula never computed, or the covered part of a merged cell."""

    kind: Literal["error", "no_result", "merged", "bad_date"]
    text: str = ""


Value = str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta | Measured | BadCell | None


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row with content; ``number`` counts from 1 as the person's own program shows it."""

    number: int
    cells: tuple[Value, ...]


@dataclass
class Sheet:
    """A sheet whose rows are read when iterated; rows without content are left out."""

    title: str
    source: _Source
    part: str = ""
    hidden: bool = False

    def rows(self) -> Iterator[RawRow]:
        yield from self.source.rows(self)


@dataclass
class Book:
    """An opened file. Use as a context manager."""

    name: str
    sheets: list[Sheet]
    modified_at: dt.datetime | None = None
    epoch: dt.datetime = dt.datetime(1899, 12, 30)  # noqa: DTZ001 - clock times in cells have no zone
    typed_text: bool = False
    close: Any = field(default=lambda: None, repr=False)

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class _Source:
    def rows(self, sheet: Sheet) -> Iterator[RawRow]:
        raise NotImplementedError


def open_book(
    source: str | os.PathLike[str] | IO[bytes], name: str = "", limits: Limits | None = None
) -> Book:
    """Open a workbook (XLSX) or a delimited text file, told apart by content.

    Raises SheetError with a sentence when the file is too large, not readable, or not what it says.
    """
    bounds = limits or Limits()
    if isinstance(source, (str, os.PathLike)):
        path = Path(os.fspath(source))
        stream: IO[bytes] = path.open("rb")  # closed by Book.close or below
        title = name or path.name
    else:
        stream, title = source, name or "file"
    try:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(0)
        if size > bounds.file_bytes:
            raise SheetError(
                "sheet.file_too_large",
                "The file has {size} MB; at most {most} MB can be read.",
                size=size // 1_000_000,
                most=bounds.file_bytes // 1_000_000,
            )
        if size == 0:
            raise SheetError("sheet.empty", "The file is empty.")
        head = stream.read(8)
        stream.seek(0)
        if head.startswith(b"PK"):
            return _open_workbook(stream, title, bounds)
        if head.startswith(b"\xd0\xcf\x11\xe0"):
            raise SheetError(
                "sheet.old_format",
                "This is an old or password-protected workbook. Save it as .xlsx without a password and bring it again.",
            )
        return _open_delimited(stream, title, bounds)
    except BaseException:
        stream.close()
        raise


# --- workbooks -------------------------------------------------------------------------------------------------------


def _open_workbook(stream: IO[bytes], name: str, limits: Limits) -> Book:
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


class _WorkbookSource(_Source):
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
                        raise _too_many_rows(sheet.title, self.limits)
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
        from openpyxl.styles.numbers import BUILTIN_FORMATS, BUILTIN_FORMATS_MAX_SIZE

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


def _too_many_rows(sheet: str, limits: Limits) -> SheetError:
    return SheetError(
        "sheet.too_many_rows",
        "Sheet '{sheet}' has over {most} filled rows. Split it and bring the parts one after the other.",
        sheet=sheet,
        most=limits.rows,
    )


def serial_to_local(serial: float, epoch: dt.datetime) -> dt.datetime | None:
    """The clock time behind a serial number, or None where it is none."""
    try:
        moment = from_excel(serial, epoch)
    except (OverflowError, ValueError):
        return None
    return moment if isinstance(moment, dt.datetime) else None


# --- delimited text --------------------------------------------------------------------------------------------------


def _open_delimited(stream: IO[bytes], name: str, limits: Limits) -> Book:
    encoding = _encoding(stream)
    source = _DelimitedSource(stream, encoding, limits)
    title = Path(name).stem or "file"
    return Book(name, [Sheet(title, source)], None, typed_text=True, close=stream.close)


def _encoding(stream: IO[bytes]) -> str:
    head = stream.read(4)
    stream.seek(0)
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    decoder = codecs.getincrementaldecoder("utf-8")()
    plain = True
    try:
        while chunk := stream.read(CHUNK):
            if b"\x00" in chunk:
                raise SheetError(
                    "sheet.binary", "This is neither a workbook nor a text file. Save it as .xlsx or .csv."
                )
            if plain:
                try:
                    decoder.decode(chunk)
                except UnicodeDecodeError:
                    plain = False
        if plain:
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        plain = False
    stream.seek(0)
    return "utf-8" if plain else "cp1252"


class _DelimitedSource(_Source):
    def __init__(self, stream: IO[bytes], encoding: str, limits: Limits) -> None:
        self.stream = stream
        self.encoding = encoding
        self.limits = limits

    def rows(self, sheet: Sheet) -> Iterator[RawRow]:
        self.stream.seek(0)
        text = io.TextIOWrapper(self.stream, encoding=self.encoding, errors="replace", newline="")
        try:
            yield from self._parsed(text, sheet)
        finally:
            text.detach()

    def _parsed(self, text: io.TextIOWrapper, sheet: Sheet) -> Iterator[RawRow]:
        delimiter, skip = _delimiter(text)
        text.seek(0)
        reader = csv.reader(text, delimiter=delimiter, strict=True)
        count = 0
        number = 0
        while True:
            start = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise SheetError(
                    "sheet.quotes",
                    "Line {line}: the quotation marks do not close ({why}). Mend that line and bring the file again.",
                    line=start,
                    why=str(error),
                ) from None
            number += 1
            if start <= skip:
                continue
            row = _text_cells(cells, start, self.limits)
            if row is None:
                continue
            count += 1
            if count > self.limits.rows:
                raise _too_many_rows(sheet.title, self.limits)
            yield RawRow(number, row)


def _text_cells(cells: list[str], line: int, limits: Limits) -> tuple[Value, ...] | None:
    row: list[Value] = [_unescaped(cell.replace("\x00", "").strip()) or None for cell in cells]
    while row and row[-1] is None:
        row.pop()
    if not row:
        return None
    if len(row) > limits.columns:
        raise SheetError(
            "sheet.too_many_columns", "Line {row} has over {most} cells.", row=line, most=limits.columns
        )
    return tuple(
        BadCell("error", cell) if isinstance(cell, str) and cell in ERROR_VALUES else cell for cell in row
    )


def _delimiter(text: io.TextIOWrapper) -> tuple[str, int]:
    sample: list[str] = []
    for line in text:
        stripped = line.strip("\r\n\ufeff")
        if not sample and (match := re.fullmatch(r"sep=(.)", stripped, re.IGNORECASE)):
            return match[1], 1
        if stripped.strip():
            sample.append(re.sub(r'"[^"]*"', "", stripped))
        if len(sample) >= 40:
            break
    best, best_score = ",", (0.0, 0)
    for candidate in DELIMITERS:
        counts = [line.count(candidate) for line in sample]
        usual = max(set(counts), key=lambda each: (counts.count(each), each)) if counts else 0
        if usual:
            score = (counts.count(usual) / len(counts), usual)
            if score > best_score:
                best, best_score = candidate, score
    return best, 0


# --- writing ---------------------------------------------------------------------------------------------------------


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


def _unescaped(text: str) -> str:
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
