"""What stands in a sheet, how large it may be, and the file it came from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from fleet.lib.errors import DomainError

ERROR_VALUES = frozenset(
    {"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"}
)
CHUNK = 1 << 20


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
    source: Source
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


class Source:
    def rows(self, sheet: Sheet) -> Iterator[RawRow]:
        raise NotImplementedError


def too_many_rows(sheet: str, limits: Limits) -> SheetError:
    return SheetError(
        "sheet.too_many_rows",
        "Sheet '{sheet}' has over {most} filled rows. Split it and bring the parts one after the other.",
        sheet=sheet,
        most=limits.rows,
    )
