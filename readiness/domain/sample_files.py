"""Files and bodies of samples, as text: CSV of many makes and JSON, turned into rows of named values."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fleet.lib.errors import DomainError
from readiness.domain.samples import field_named

MOST_ROWS = 50_000
MOST_BYTES = 10_000_000
_DELIMITERS = (";", "\t", "|", ",")


@dataclass(frozen=True)
class SampleFile:
    """Rows as sent; `first_row` is the number of the first one as its sender counts, `ignored` the columns not read."""

    rows: list[Any]
    first_row: int = 1
    decimal_comma: bool = False
    ignored: tuple[str, ...] = field(default=())


def read_samples(content: bytes) -> SampleFile:
    """CSV or JSON, told apart by content. Raises DomainError where the whole of it cannot be read."""
    if len(content) > MOST_BYTES:
        raise DomainError(
            "samples.too_large",
            "This is {size} MB; at most {most} MB can be read at a time. Send it in parts.",
            size=len(content) // 1_000_000,
            most=MOST_BYTES // 1_000_000,
        )
    text = _text_of(content)
    start = text.lstrip()[:1]
    if not start:
        raise DomainError(
            "samples.empty", "There is nothing in it. Send a header row and at least one row of values."
        )
    return _json(text) if start in "[{" else _csv(text)


def _text_of(content: bytes) -> str:
    if content.startswith(b"PK\x03\x04") or b"\x00" in content[:4096]:
        raise DomainError("samples.binary", "This is not a text file. Save the sheet as CSV and send that.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _json(text: str) -> SampleFile:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise DomainError(
            "samples.not_json", "This begins like JSON and cannot be read as such. Check brackets and commas."
        ) from None
    shared: Mapping[str, Any] = {}
    if isinstance(data, dict):
        shared, data = data, data.get("samples")
    if not isinstance(data, list):
        raise DomainError(
            "samples.no_list",
            "The rows are missing. Send a list of rows, or an object with the list 'samples'.",
        )
    bank = shared.get("bank")
    return SampleFile(_bounded([_named(row, bank) for row in data]))


def _named(row: Any, bank: Any) -> Any:
    if not isinstance(row, Mapping):
        return row
    named = {field_named(str(key)) or str(key): value for key, value in row.items()}
    if bank is not None:
        named.setdefault("bank", bank)
    return named


def _csv(text: str) -> SampleFile:
    head = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(_DELIMITERS, key=lambda mark: (head.count(mark), -_DELIMITERS.index(mark)))
    table = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    header: list[str] = []
    fields: list[str] = []
    rows: list[Any] = []
    first_row = 0
    try:
        for number, cells in enumerate(table, start=1):
            if not any(cell.strip() for cell in cells):
                if rows:
                    rows.append(None)
                continue
            if not header:
                header = [cell.strip() for cell in cells]
                fields = [field_named(cell) for cell in header]
                _check_header(header, fields)
                continue
            first_row = first_row or number
            rows.append(dict(zip((name or f"?{n}" for n, name in enumerate(fields)), cells, strict=False)))
            if len(rows) > MOST_ROWS:
                break
    except csv.Error:
        raise DomainError(
            "samples.not_csv",
            "Row {row} cannot be read as CSV. Check its quotation marks.",
            row=table.line_num,
        ) from None
    while rows and rows[-1] is None:
        rows.pop()
    ignored = tuple(name for name, known in zip(header, fields, strict=True) if name and not known)
    return SampleFile(_bounded(rows), first_row or 2, delimiter == ";", ignored)


def _check_header(header: list[str], fields: list[str]) -> None:
    if "at" not in fields:
        raise DomainError(
            "samples.no_time_column",
            "The header row has no column of times: it reads '{header}'. Name one 'at'.",
            header=", ".join(header)[:120],
        )
    twice = sorted({name for name in fields if name and fields.count(name) > 1})
    if twice:
        raise DomainError(
            "samples.column_twice",
            "Two columns stand for '{name}'. Take one of them out.",
            name=", ".join(twice),
        )


def _bounded(rows: list[Any]) -> list[Any]:
    if not rows:
        raise DomainError("samples.empty", "There are no rows in it. Send at least one row of values.")
    if len(rows) > MOST_ROWS:
        raise DomainError(
            "samples.too_many",
            "At most {most} rows can be sent at a time. Send them in parts; what is known already does no harm.",
            most=MOST_ROWS,
        )
    return rows
