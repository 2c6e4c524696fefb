"""The words of intake: what a sheet may hold, and what became of it."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Literal

from fleet.lib.dates import EPOCH_1900, DayOrder
from fleet.lib.errors import Fault
from fleet.lib.numbers import DecimalMark, normalise
from fleet.lib.quantities import UNITS
from fleet.lib.sheets import RawRow

Kind = Literal[
    "text",
    "code",
    "reference",
    "number",
    "integer",
    "quantity",
    "date",
    "instant",
    "choice",
    "flag",
    "latitude",
    "longitude",
]


class _Word:
    def __init__(self, name: str) -> None:
        self.name = name

    def __repr__(self) -> str:
        return self.name

    def __reduce__(self) -> str:
        return self.name


UNCHANGED: Final = _Word("UNCHANGED")
CLEAR: Final = _Word("CLEAR")

CLEAR_WORD = "clear"
NUMERIC_KINDS = frozenset({"number", "integer", "quantity", "latitude", "longitude"})
YES = frozenset({"yes", "y", "true", "1", "x", "ja", "oui", "si", "passed", "pass", "ok"})
NO = frozenset({"no", "n", "false", "0", "nein", "non", "failed", "fail"})
TOTAL_WORDS = re.compile(
    r"(grand |sub)?\s?(total|totals|sum|summe|gesamt|totaux|totale|suma|totaal)\b[:.]?", re.IGNORECASE
)
HEADER_SEARCH_ROWS = 25
IGNORED_HINTS = frozenset(
    {"required", "optional", "if known", "local", "local time", "needed", "iana name", "yes no"}
)


@dataclass(frozen=True)
class ColumnSpec:
    """One column a sheet may have.

    ``unit`` is the suffix unit of a quantity (``kg``). ``required`` means: needed to add a row. ``choices`` maps a code
    to the words that mean it. ``minimum`` and ``maximum`` are bounds in ``unit``, both allowed values.
    """

    name: str
    label: str
    kind: Kind = "text"
    aliases: tuple[str, ...] = ()
    unit: str = ""
    required: bool = False
    choices: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    refers_to: str = ""
    minimum: float | None = None
    maximum: float | None = None
    max_length: int = 0
    help: str = ""
    example: str = ""

    def __post_init__(self) -> None:
        if self.kind == "quantity" and self.unit not in UNITS:
            raise ValueError(f"Column {self.name}: '{self.unit}' is no unit of the conversion table.")
        if self.kind == "choice" and not self.choices:
            raise ValueError(f"Column {self.name}: a choice needs choices.")
        if self.kind == "reference" and not self.refers_to:
            raise ValueError(f"Column {self.name}: a reference needs the sheet it refers to.")


@dataclass(frozen=True)
class SheetSpec:
    """One kind of sheet: its columns, and the columns that make a row the same row again (the natural key).

    A column of the key that is in `optional_key` may be missing or empty, which then counts as an empty text.
    """

    name: str
    label: str
    columns: tuple[ColumnSpec, ...]
    key: tuple[str, ...]
    aliases: tuple[str, ...] = ()
    help: str = ""
    optional_key: frozenset[str] = frozenset()
    zone_column: str = ""

    @cached_property
    def example(self) -> dict[str, str]:
        """The example row of the template: what a person would type in each column."""
        return {column.name: column.example for column in self.columns if column.example}

    def __post_init__(self) -> None:
        for name in self.key:
            if name not in self.by_name:
                raise ValueError(f"Sheet {self.name}: key column '{name}' is not among its columns.")

    @cached_property
    def by_name(self) -> dict[str, ColumnSpec]:
        return {column.name: column for column in self.columns}

    @cached_property
    def spellings(self) -> dict[str, ColumnSpec]:
        """Folded header text to column; a label wins over an alias."""
        found: dict[str, ColumnSpec] = {}
        for column in self.columns:
            for text in (column.name, column.label):
                found.setdefault(fold(text), column)
        for column in self.columns:
            for text in column.aliases:
                found.setdefault(fold(text), column)
        return found


@dataclass(frozen=True, slots=True)
class HeaderCell:
    """A header matched to a column; ``unit`` is a unit named in the header that replaces the column's own."""

    position: int
    text: str
    column: ColumnSpec
    unit: str = ""
    utc: bool = False


@dataclass
class SheetData:
    """A sheet as found in the file: where its header is, which columns it has, and its rows not yet read.

    `ident` tells sheets of one kind in one file apart: ``readings``, ``readings#2``.
    """

    title: str
    spec: SheetSpec
    header_row: int
    header: tuple[str, ...]
    cells: tuple[HeaderCell, ...]
    rows: list[RawRow] = field(default_factory=list)
    unused: tuple[str, ...] = ()
    faults: list[Fault] = field(default_factory=list)
    ident: str = ""

    @cached_property
    def at(self) -> dict[str, HeaderCell]:
        return {cell.column.name: cell for cell in self.cells}


@dataclass(frozen=True, slots=True)
class Conventions:
    """What was settled for the whole file."""

    decimal_mark: DecimalMark = "."
    day_order: DayOrder = "day_first"
    epoch: dt.datetime = EPOCH_1900


@dataclass
class ParsedRow:
    """A row as typed values. ``values`` holds a value, CLEAR, or UNCHANGED for each column of the sheet."""

    number: int
    values: dict[str, Any]
    typed: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def given(self) -> dict[str, Any]:
        """The columns the row says something about; CLEAR as None."""
        return {
            name: None if value is CLEAR else value
            for name, value in self.values.items()
            if value is not UNCHANGED
        }


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A row that is no data, and why it was left out."""

    number: int
    reason: Literal["header_again", "total", "example"]
    text: str


@dataclass
class ParsedSheet:
    """The rows of one sheet as typed values, the rows left out, and every fault."""

    data: SheetData
    rows: list[ParsedRow] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def fold(text: str) -> str:
    """A header or a word without case, diacritics and punctuation, so that ``Lagergewicht (kg)`` finds its match."""
    plain = (
        unicodedata.normalize("NFKD", normalise(text).replace("\u00df", "ss"))
        .encode("ascii", "ignore")
        .decode()
    )
    return re.sub(r"[^a-z0-9]+", " ", plain.casefold()).strip()
