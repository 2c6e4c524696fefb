import datetime as dt
from functools import cache
from pathlib import Path

import pytest

from readiness.demo.rows import Row, Rows
from readiness.demo.scenario import SEED, build
from readiness.demo.source import Source, read_source

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
# Three days on which everything about the scenario must hold: an ordinary one, a deep winter one, a leap day.
DAYS = [dt.date(2026, 11, 25), dt.date(2027, 1, 15), dt.date(2028, 2, 29)]


@cache
def the_source() -> Source:
    return read_source(FIXTURES)


@cache
def the_rows(today: dt.date) -> Rows:
    return build(the_source(), today, SEED)


@pytest.fixture(scope="session")
def source() -> Source:
    return the_source()


@pytest.fixture(params=DAYS, ids=str, scope="session")
def day(request: pytest.FixtureRequest) -> dt.date:
    assert isinstance(request.param, dt.date)
    return request.param


@pytest.fixture
def rows(day: dt.date) -> Rows:
    return the_rows(day)


def unit_number(rows: Rows, tag: str) -> int:
    return next(int(row["id"]) for row in rows.of("fleet.Unit") if row["tag"] == tag)


def bank_number(rows: Rows, tag: str, position: str = "main") -> int:
    unit = unit_number(rows, tag)
    stays = rows.of("fleet.BankStay")
    return next(
        int(row["bank_id"]) for row in stays if row["unit_id"] == unit and row["position"] == position
    )


def about(rows: Rows, table: str, **columns: object) -> list[Row]:
    """Rows of a table with these values."""
    return [row for row in rows.of(table) if all(row.get(name) == value for name, value in columns.items())]
