"""Counts of every table before and after the migrations of the code here: `remember`, then `compare`.

A table that is gone or has fewer rows is an error: a migration may move what people wrote down, never lose it. The few that
a migration is meant to empty or drop are named with the reason in MEANT.
"""

from __future__ import annotations

import json
import os
import sqlite3
import sys
from pathlib import Path

# table: why it may hold fewer rows than before
MEANT: dict[str, str] = {}
OF_THE_FRAMEWORK = ("django_session", "sqlite_sequence", "sqlite_stat1")


def rows(database: Path) -> dict[str, int]:
    """How many rows each table holds."""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        names = [
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        ]
        return {
            name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]
            for name in sorted(names)
            if name not in OF_THE_FRAMEWORK
        }


def lost(before: dict[str, int], after: dict[str, int]) -> list[str]:
    """What is missing after the upgrade, in words."""
    return [
        f"{name}: {count} rows before, {after.get(name, 'no such table')} after"
        for name, count in before.items()
        if after.get(name, -1) < count and name not in MEANT
    ]


def main() -> None:
    database = Path(os.environ["MUSTERWELL_DATA_DIR"]) / "musterwell.sqlite3"
    kept = Path(os.environ["MUSTERWELL_ROWS"])
    if sys.argv[1:] == ["remember"]:
        kept.write_text(json.dumps(rows(database)), encoding="utf-8")
        return
    before = json.loads(kept.read_text(encoding="utf-8"))
    if not sum(before.values()):
        sys.exit("The previous landing's demo holds no rows: nothing was tested.")
    if missing := lost(before, rows(database)):
        sys.exit("\n".join(["The migrations lost rows:", *missing]))
    print(f"{sum(before.values())} rows of {len(before)} tables are still there.")


if __name__ == "__main__":
    main()
