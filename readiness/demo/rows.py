"""A pile of plain rows, one list a table, each row with a number of its own that other rows point to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Row = dict[str, Any]


@dataclass(frozen=True)
class NamedRow:
    """A row named inside a text, such as `line:12`; the writer puts the key it gives that row."""

    prefix: str
    table: str
    number: int


class Rows:
    """Tables are named `app.Model`; keys are the columns of that model (`unit_id`, not `unit`)."""

    def __init__(self) -> None:
        self.tables: dict[str, list[Row]] = {}

    def add(self, table: str, **columns: Any) -> int:
        rows = self.tables.setdefault(table, [])
        columns["id"] = len(rows) + 1
        rows.append(columns)
        return len(rows)

    def of(self, table: str) -> list[Row]:
        return self.tables.get(table, [])

    def get(self, table: str, number: int) -> Row:
        return self.tables[table][number - 1]

    def count(self) -> int:
        return sum(len(rows) for rows in self.tables.values())
