"""The goods table: one entry per UN number and packing group, with its air limits as numbers.

Source: `tables/dangerous_goods.csv`, documents in `tables/SOURCES.md`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from fleet.domain.dangerous_goods.editions import line_of
from fleet.lib.errors import DomainError
from fleet.lib.tables import read_table

TABLES = "fleet.domain.tables"
BATTERY_ENTRIES = frozenset(
    f"{number}"
    for number in (
        2794,
        2795,
        2800,
        3028,
        3090,
        3091,
        3171,
        3292,
        3480,
        3481,
        3496,
        3536,
        3551,
        3552,
        3556,
        3557,
        3558,
    )
)
COLUMNS = (
    "un_number",
    "proper_shipping_name",
    "class",
    "subsidiary",
    "packing_group",
    "pax_pi",
    "pax_max",
    "cao_pi",
    "cao_max",
    "adr_transport_category",
    "adr_tunnel_code",
    "special_provisions",
    "source",
    "confidence",
)
# '1,5 L' would be read as 5 L, and '-5 kg' as 5 kg.
_OTHER_MARK = re.compile(r"\d[,'’ ]\d|[-−–]\s*\d|\.\d+\.")
_AMOUNT = re.compile(r"(\d+(?:\.\d+)?)\s*(kg|L)\b")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the goods table. A limit is per package in kg or L: 0 = forbidden, inf = no limit."""

    un: str
    name: str
    hazard_class: str
    subsidiary: str
    packing_group: str
    pax_pi: str
    pax_text: str
    pax_limit: float
    cao_pi: str
    cao_text: str
    cao_limit: float
    transport_category: str
    tunnel_code: str
    provisions: str
    source: str
    confidence: str

    @property
    def full_un(self) -> str:
        return f"UN {self.un}"


Entries = Mapping[str, tuple[Entry, ...]]


@cache
def held_entries(table: str = "dangerous_goods") -> Entries:
    """The goods table of an edition, by UN number without its letters."""
    return parse_entries(read_table(TABLES, table, COLUMNS))


def parse_entries(rows: Iterable[Mapping[str, str]]) -> Entries:
    """Entries from table rows. Raises DomainError naming line and column of what cannot be used."""
    found: dict[str, list[Entry]] = {}
    for place, row in enumerate(rows, start=2):
        entry = parse_entry(row, line_of(row, place))
        found.setdefault(entry.un, []).append(entry)
    return {un: tuple(entries) for un, entries in found.items()}


def un_digits(text: object) -> str:
    """'UN 2880', '2880' and 2880 are the same number; anything without four digits is returned trimmed."""
    trimmed = str(text).strip()
    match = re.fullmatch(r"(?:UN|ID)?\s*(\d{4})", trimmed, re.IGNORECASE)
    return match.group(1) if match else trimmed


def parse_entry(row: Mapping[str, str], line: int) -> Entry:
    """One line of the goods table. Raises DomainError naming line and column of what cannot be used."""
    missing = [column for column in COLUMNS if column not in row]
    if missing:
        raise _bad(line, ", ".join(missing), "", "Add the column.")
    if not re.fullmatch(r"UN \d{4}", row["un_number"].strip()):
        raise _bad(line, "un_number", row["un_number"], "Write it as UN 1234.")
    return Entry(
        un_digits(row["un_number"]),
        row["proper_shipping_name"],
        row["class"],
        row["subsidiary"],
        row["packing_group"],
        row["pax_pi"],
        row["pax_max"],
        _limit(row, "pax_max", line),
        row["cao_pi"],
        row["cao_max"],
        _limit(row, "cao_max", line),
        row["adr_transport_category"],
        row["adr_tunnel_code"],
        row["special_provisions"],
        row["source"],
        row["confidence"],
    )


def _limit(row: Mapping[str, str], column: str, line: int) -> float:
    """The smallest amount the cell names: where a text gives several, the strictest counts."""
    text = row[column].strip()
    if text.lower() == "forbidden":
        return 0.0
    if text.lower() in {"no limit", "not restricted"} or (
        not text and not row[column.replace("_max", "_pi")]
    ):
        return float("inf")
    if not text and row[column.replace("_max", "_pi")].strip().lower() == "not restricted":
        return float("inf")
    amounts = [float(number) for number, _unit in _AMOUNT.findall(text)]
    if not amounts or _OTHER_MARK.search(text):
        raise _bad(line, column, text, "Write an amount such as '5 kg', 'No limit' or 'Forbidden'.")
    return min(amounts)


def _bad(line: int, column: str, value: str, mend: str) -> DomainError:
    return DomainError(
        "goods_table.bad_cell",
        "Goods table, line {line}, column '{column}': '{value}' cannot be used. {mend}",
        line=line,
        column=column,
        value=value,
        mend=mend,
    )
