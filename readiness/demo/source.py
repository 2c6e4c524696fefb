"""The hand-written part of the scenario, as it stands in `fixtures/demo/*.csv`, with numbers read as numbers."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TABLES = (
    "absences",
    "bank_transport",
    "banks",
    "bay_terms",
    "bill",
    "certificate_rules",
    "charger_bays",
    "charging_rooms",
    "climate",
    "crew_days",
    "crew_hours",
    "deployments",
    "depot_terms",
    "design_equipment",
    "designs",
    "funding",
    "goods_lines",
    "item_goods",
    "items",
    "loggers",
    "modifications",
    "offers",
    "packed_forms",
    "people",
    "places",
    "shared_equipment",
    "storage_policies",
    "suppliers",
    "supply_hours",
    "supply_states",
    "transport_cases",
    "transport_terms",
    "troubles",
    "unit_forms",
    "units",
)
# Words that stay text although they look like numbers.
TEXT_COLUMNS = frozenset({"serial", "tag", "code", "train", "note"})

Row = dict[str, Any]


@dataclass
class Source:
    """Every table as a list of rows; an empty cell is None."""

    tables: dict[str, list[Row]]
    inspection_types: list[Row] = field(default_factory=list)

    def __getitem__(self, table: str) -> list[Row]:
        return self.tables[table]

    def by(self, table: str, column: str = "code") -> dict[str, Row]:
        return {row[column]: row for row in self.tables[table]}

    @property
    def depots(self) -> list[str]:
        return [row["code"] for row in self["places"] if row["kind"] == "depot"]


def value_of(column: str, text: str) -> Any:
    if text == "":
        return None
    if column in TEXT_COLUMNS:
        return text
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text


def facts_of(text: str | None) -> Row:
    """Facts of goods as they stand in a cell: `un=1044; qty=6; sp594_ok=yes`. UN numbers stay text."""
    pairs = [part.split("=", 1) for part in (text or "").split(";") if part.strip()]
    named = {name.strip(): value.strip() for name, value in pairs}
    words = {"yes": True, "no": False}
    return {
        name: value if name == "un" else words.get(value, value_of(name, value))
        for name, value in named.items()
    }


def read_rows(path: Path) -> list[Row]:
    """The rows of a table; lines that begin with # are remarks."""
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [
        {column: value_of(column, text or "") for column, text in row.items()}
        for row in csv.DictReader(lines)
    ]


def read_source(fixtures: Path) -> Source:
    """Reads `fixtures/demo`, and of `fixtures/reference` the inspection types that this pool uses."""
    tables = {name: read_rows(fixtures / "demo" / f"{name}.csv") for name in TABLES}
    known = {row["code"]: row for row in read_rows(fixtures / "reference/readiness/inspection_types.csv")}
    used = read_rows(fixtures / "demo/inspection_types.csv")
    return Source(tables, [{**known[row["code"]], **row} for row in used])
