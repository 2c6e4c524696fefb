"""Which edition of the rules holds on a ship date; a date outside what is held cannot be decided."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from itertools import pairwise

from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError
from fleet.lib.tables import Row, read_table

TABLES = "fleet.domain.tables"
COLUMNS = (
    "mode",
    "key",
    "name",
    "valid_from",
    "valid_to",
    "soc_packed_with_mandatory",
    "soc_vehicle_mandatory",
    "goods_table",
    "source",
    "confidence",
)


@dataclass(frozen=True, slots=True)
class Edition:
    """One edition of one rule set, valid from and through its dates; `valid_to` None is a running text."""

    mode: Mode
    key: str
    name: str
    valid_from: date
    valid_to: date | None
    soc_packed_with_mandatory: bool
    soc_vehicle_mandatory: bool
    goods_table: str
    source: str
    confidence: str = ""

    def holds_on(self, day: date) -> bool:
        return self.valid_from <= day and (self.valid_to is None or day <= self.valid_to)


Editions = tuple[Edition, ...]


@cache
def held_editions() -> Editions:
    """The editions shipped with the product."""
    return parse_editions(read_table(TABLES, "dangerous_goods_editions", COLUMNS))


def edition_for(mode: Mode, ship_date: date, editions: Editions | None = None) -> Edition | None:
    """The edition that holds for a mode on a ship date, or None when none is held for that day."""
    held = held_editions() if editions is None else editions
    return next((edition for edition in held if edition.mode == mode and edition.holds_on(ship_date)), None)


def parse_editions(rows: Iterable[Mapping[str, str]]) -> Editions:
    """Editions from table rows, ordered by mode and first day.

    Raises DomainError naming line, column and mend: a missing column, a date or word that cannot be read, an end before its
    start, two editions of one mode on one day, or days between two editions that none covers.
    """
    editions = [parse_edition(row, line_of(row, place)) for place, row in enumerate(rows, start=2)]
    editions.sort(key=lambda edition: (edition.mode, edition.valid_from))
    for earlier, later in pairwise(editions):
        if earlier.mode == later.mode:
            _follows(earlier, later)
    return tuple(editions)


def line_of(row: Mapping[str, str], otherwise: int) -> int:
    """The line of its file a row stands in, so that a sentence names what the reader sees."""
    return row.line if isinstance(row, Row) else otherwise


def parse_edition(row: Mapping[str, str], line: int) -> Edition:
    """One edition. Raises DomainError naming line and column of what cannot be used."""
    missing = [column for column in COLUMNS if column not in row]
    if missing:
        raise _bad(line, ", ".join(missing), "", "Add the column.")
    if row["mode"] not in Mode.__members__:
        raise _bad(line, "mode", row["mode"], f"Write one of {', '.join(Mode)}.")
    for column in ("key", "name", "goods_table", "source"):
        if not row[column].strip():
            raise _bad(line, column, "", "Write what stands there; it must not be empty.")
    first = _day(row, "valid_from", line)
    last = _day(row, "valid_to", line) if row["valid_to"].strip() else None
    if last is not None and last < first:
        raise _bad(line, "valid_to", row["valid_to"], f"It must not be before {first.isoformat()}.")
    return Edition(
        Mode(row["mode"]),
        row["key"],
        row["name"],
        first,
        last,
        _flag(row, "soc_packed_with_mandatory", line),
        _flag(row, "soc_vehicle_mandatory", line),
        row["goods_table"],
        row["source"],
        row["confidence"],
    )


def _day(row: Mapping[str, str], column: str, line: int) -> date:
    try:
        return date.fromisoformat(row[column].strip())
    except ValueError:
        raise _bad(line, column, row[column], "Write the day as 2026-12-31.") from None


def _flag(row: Mapping[str, str], column: str, line: int) -> bool:
    word = row[column].strip().lower()
    if word not in {"yes", "no"}:
        raise _bad(line, column, row[column], "Write yes or no.")
    return word == "yes"


def _follows(earlier: Edition, later: Edition) -> None:
    if earlier.valid_to is None or earlier.valid_to >= later.valid_from:
        raise DomainError(
            "edition.overlap",
            "{mode}: the editions '{earlier}' and '{later}' both hold on {day}. Shorten one of them.",
            mode=earlier.mode,
            earlier=earlier.key,
            later=later.key,
            day=later.valid_from.isoformat(),
        )
    if later.valid_from - earlier.valid_to > timedelta(days=1):
        raise DomainError(
            "edition.gap",
            "{mode}: no edition holds from {first} to {last}, between '{earlier}' and '{later}'. Close the gap.",
            mode=earlier.mode,
            earlier=earlier.key,
            later=later.key,
            first=(earlier.valid_to + timedelta(days=1)).isoformat(),
            last=(later.valid_from - timedelta(days=1)).isoformat(),
        )


def _bad(line: int, column: str, value: str, mend: str) -> DomainError:
    return DomainError(
        "edition.bad_cell",
        "Edition table, line {line}, column '{column}': '{value}' cannot be used. {mend}",
        line=line,
        column=column,
        value=value,
        mend=mend,
    )
