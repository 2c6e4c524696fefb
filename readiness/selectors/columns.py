"""Reading many rows at once into columns: one query by the plain driver, numbers instead of Python dates, both engines."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from typing import Any

import numpy as np
from django.db import connection

from readiness.domain.snapshot import Frame

_DTYPES: dict[str, Any] = {"i": np.int64, "f": np.float64, "b": np.bool_, "s": object}
# No row: a condition that is false whatever the table holds.
NOBODY = "(-1)"
# About where SQLite reads a table through as fast as it looks so many units up.
MANY = 5000


def id_list(ids: Iterable[int]) -> str:
    """`(1,2,3)` for an IN clause: numbers only, so they may stand in the text; free of the engines' limits on parameters."""
    numbers = [str(int(number)) for number in ids]
    return f"({','.join(numbers)})" if numbers else NOBODY


def among(column: str, ids: Collection[int]) -> str:
    """SQL for `column` being one of the ids. Of very many ones the table is read through instead of looked up one by one."""
    through = "+" if connection.vendor == "sqlite" and len(ids) > MANY else ""
    return f"{through}{column} IN {id_list(ids)}"


def day(column: str) -> str:
    """SQL for a date column as days since 1970-01-01."""
    if connection.vendor == "sqlite":
        return f"(julianday({column}) - 2440587.5)"
    return f"({column} - DATE '1970-01-01')::float8"


def instant(column: str) -> str:
    """SQL for an instant as days since 1970-01-01 UTC."""
    if connection.vendor == "sqlite":
        return f"(julianday({column}) - 2440587.5)"
    return f"(extract(epoch from {column}) / 86400.0)::float8"


def utc_day(column: str) -> str:
    """SQL for the day of an instant in UTC, as whole days since 1970-01-01; NULL as nan."""
    if connection.vendor == "sqlite":
        return f"(julianday(substr({column}, 1, 10)) - 2440587.5)"
    return f"(({column} AT TIME ZONE 'UTC')::date - DATE '1970-01-01')::float8"


def exact(column: str) -> str:
    """SQL for an instant to the microsecond, of kind s: only good for being compared with others read in the same way."""
    return f"CAST({column} AS TEXT)" if connection.vendor == "sqlite" else column


def as_exact(at: dt.datetime) -> Any:
    """An aware instant in the way `exact` reads a column."""
    return str(at.astimezone(dt.UTC).replace(tzinfo=None)) if connection.vendor == "sqlite" else at


def instant_text(at: dt.datetime) -> str:
    """SQL text of an aware instant to the microsecond, to compare with a column."""
    text = str(at.astimezone(dt.UTC).replace(tzinfo=None))
    return f"'{text}'" if connection.vendor == "sqlite" else f"'{text}+00:00'"


def moment(at_day: float) -> str:
    """SQL text of an instant given as days since 1970-01-01 UTC, to compare with a column."""
    at = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=at_day)
    return f"'{at:%Y-%m-%d %H:%M:%S}'" if connection.vendor == "sqlite" else f"'{at:%Y-%m-%d %H:%M:%S}+00:00'"


def standing(until: str, start: str = "started_at", end: str = "ended_at") -> str:
    """SQL for a stay that holds at the instant `until` (SQL text)."""
    return f"{start} <= {until} AND ({end} IS NULL OR {end} > {until})"


def number(column: str) -> str:
    return f"CAST({column} AS DOUBLE PRECISION)"


def flag(condition: str) -> str:
    return f"(CASE WHEN {condition} THEN 1 ELSE 0 END)"


def maybe(column: str) -> str:
    """SQL for a yes or no that may not be known: 1, 0 or NULL, to be read as kind f."""
    return f"(CASE WHEN {column} THEN 1.0 WHEN NOT {column} THEN 0.0 END)"


def fetch(columns: Mapping[str, tuple[str, str]], tail: str) -> Frame:
    """`columns` maps a name to (SQL, kind); kinds are i whole number, f number (NULL is NaN), b flag, s text.

    `tail` is everything from FROM on. One query. Whole numbers and flags must not be NULL: COALESCE them.
    """
    chosen = ", ".join(sql for sql, _ in columns.values())
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {chosen} {tail}")
        rows = cursor.fetchall()
    values: Iterable[Any] = zip(*rows, strict=True) if rows else [()] * len(columns)
    return Frame(
        {
            name: np.array(column, dtype=_DTYPES[kind])
            for (name, (_, kind)), column in zip(columns.items(), values, strict=True)
        }
    )


def spread(first: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Spans `first`, `count` (k,) laid out one after another: (which span, place) of every line."""
    which = np.repeat(np.arange(len(count)), count)
    place = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    return which, place


class RowOf:
    """From ids to row numbers, many at once; -1 for an id that is not there."""

    def __init__(self, ids: Any) -> None:
        keys = np.asarray(ids, dtype=np.int64)
        self._order = np.argsort(keys, kind="stable")
        self._sorted = keys[self._order]

    def __call__(self, ids: Any) -> np.ndarray:
        wanted = np.asarray(ids, dtype=np.int64)
        if not len(self._sorted):
            return np.full(wanted.shape, -1, dtype=np.int64)
        place = np.minimum(np.searchsorted(self._sorted, wanted), len(self._sorted) - 1)
        return np.where(self._sorted[place] == wanted, self._order[place], -1)


def mapped(frame: Frame, column: str, rows: RowOf, *, into: str) -> Frame:
    """The frame with ids of `column` turned into row numbers `into`; lines whose id is not there are dropped."""
    found = rows(frame[column])
    keep = np.flatnonzero(found >= 0)
    return frame.take(keep).with_columns(**{into: found[keep]})
