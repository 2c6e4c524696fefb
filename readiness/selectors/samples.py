"""Samples and their days as columns, and the banks that rows are held against. Queries by the plain driver, both engines."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from django.db import connection
from django.db.models import F
from django.db.models.functions import Upper

from fleet.models import BankStay, BatteryBank
from fleet.permissions import Rights
from readiness.domain.chemistry import chemistry_index
from readiness.domain.sample_days import DAY_US, Banks, SampleDays
from readiness.domain.samples import VALUES, KnownBank, Series, instant, micros
from readiness.models import Sample, SampleDay
from readiness.selectors.columns import instant_text

Spans = Sequence[tuple[int, int, int]]
NOT_YOURS = "this key or person may not write about it: it belongs to another depot. Use a key of that depot."
ONLY_ONE = "this key may write about one bank alone, and this is another one. Use the key of this bank."
_DAY_VALUES = ("mean_c", "low_c", "high_c", "rest_v", "rest_c", "rest_h", "counter_soc")
_DAY_INSTANTS = {
    "last_us": "last_at",
    "last_temp_us": "last_temp_at",
    "rest_us": "rest_at",
    "counter_us": "counter_at",
    "synced_us": "synced_at",
}
_DAY_COUNTS = ("samples", "temps", "quarters")


def known_banks(
    serials: Collection[str], *, rights: Rights | None, only: int | None = None
) -> dict[str, KnownBank]:
    """Banks by serial in capitals, with the reason why this sender may not write about one. Two queries.

    `rights` None: who runs a command may write about all; `only` the one bank a key is for.
    """
    wanted = {serial.strip().upper() for serial in serials}
    rows = list(BatteryBank.objects.annotate(capitals=Upper("serial")).filter(capitals__in=wanted))
    depots = depots_of_banks([bank.pk for bank in rows])
    found = {}
    for bank in rows:
        refused = ""
        if rights is not None and not rights.can("upkeep", depots.get(bank.pk)):
            refused = NOT_YOURS
        elif only is not None and bank.pk != only:
            refused = ONLY_ONE
        found[bank.serial.upper()] = KnownBank(
            bank.pk, bank.serial, bank.chemistry, bank.cells_in_series, bank.capacity_ah, refused
        )
    return found


def depots_of_banks(bank_ids: Collection[int]) -> dict[int, int | None]:
    """The depot that keeps each bank, where it is or was last: as `fleet.permissions.depot_of_bank`. One query."""
    stays = BankStay.objects.filter(bank__in=bank_ids).order_by(
        F("ended_at").desc(nulls_first=True), "-started_at"
    )
    found: dict[int, int | None] = {}
    for bank, home, place in stays.values_list("bank", "unit__home", "place"):
        found.setdefault(bank, home or place)
    return found


def units_of_banks(bank_ids: Collection[int]) -> set[int]:
    """The units in which these banks are now. One query."""
    stays = BankStay.objects.filter(bank__in=bank_ids, ended_at__isnull=True, unit__isnull=False)
    return {unit for unit in stays.values_list("unit", flat=True) if unit is not None}


def bank_columns(bank_ids: Collection[int]) -> Banks:
    """The banks concerned as the days need them. One query."""
    index = chemistry_index()
    rows = sorted(
        BatteryBank.objects.filter(pk__in=bank_ids).values_list(
            "pk", "chemistry", "cells_in_series", "capacity_ah"
        )
    )
    return Banks(
        np.array([row[0] for row in rows], dtype=np.int64),
        np.array([index[row[1]] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows], dtype=np.float64),
        np.array([row[3] for row in rows], dtype=np.float64),
    )


def samples_between(spans: Spans) -> Series:
    """Samples that count, of (bank, first day, last day) spans, days since 1970 UTC. One query."""
    table = Sample._meta.db_table
    parts = [
        f'(NOT struck AND bank_id = {int(bank)} AND "at" >= {_midnight(first)} AND "at" < {_midnight(last + 1)})'
        for bank, first, last in spans
    ]
    sqlite = connection.vendor == "sqlite"
    at = 'CAST("at" AS TEXT)' if sqlite else '"at"'
    rows: list[Any] = []
    if parts:
        with connection.cursor() as cursor:
            cursor.execute(
                f"SELECT bank_id, {at}, {', '.join(VALUES)} FROM {table} WHERE {' OR '.join(parts)}"
            )
            rows = cursor.fetchall()
    if not rows:
        return Series.of([], [], [], [])
    columns = list(zip(*rows, strict=True))
    values = np.array(columns[2:], dtype=np.float64).T
    return Series.of(columns[0], _micros_of(columns[1], sqlite), values, np.zeros(len(rows), dtype=np.int64))


def _midnight(day: int) -> str:
    return instant_text(instant(int(day) * DAY_US))


def _micros_of(column: Sequence[Any], sqlite: bool) -> np.ndarray:
    if sqlite:
        return np.array(column, dtype="datetime64[us]").astype(np.int64)
    return np.array([micros(at) for at in column], dtype=np.int64)


def days_between(spans: Spans) -> SampleDays:
    """Days on file of (bank, first day, last day) spans, sorted by bank and day. One query."""
    parts = [
        f"(bank_id = {int(bank)} AND day BETWEEN '{_date(first)}' AND '{_date(last)}')"
        for bank, first, last in spans
    ]
    return days_where(" OR ".join(parts)) if parts else days_where("1 = 0")


def days_where(condition: str) -> SampleDays:
    """Days on file for which an SQL condition holds, sorted by bank and day. One query."""
    sqlite = connection.vendor == "sqlite"
    text = "CAST({} AS TEXT)" if sqlite else "{}"
    instants = ", ".join(text.format(name) for name in _DAY_INSTANTS.values())
    chosen = f"bank_id, {text.format('day')}, {', '.join(_DAY_COUNTS)}, {', '.join(_DAY_VALUES)}, {instants}"
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {chosen} FROM {SampleDay._meta.db_table} WHERE {condition} ORDER BY bank_id, day"
        )
        rows = cursor.fetchall()
    width = 2 + len(_DAY_COUNTS) + len(_DAY_VALUES) + len(_DAY_INSTANTS)
    columns: list[Any] = list(zip(*rows, strict=True)) if rows else [()] * width
    made: dict[str, Any] = {
        "bank": np.array(columns[0], dtype=np.int64),
        "day": np.array(columns[1], dtype="datetime64[D]").astype(np.int64),
    }
    made |= {name: np.array(columns[2 + n], dtype=np.int64) for n, name in enumerate(_DAY_COUNTS)}
    made |= {name: np.array(columns[5 + n], dtype=np.float64) for n, name in enumerate(_DAY_VALUES)}
    made |= {
        name: _maybe_micros(columns[5 + len(_DAY_VALUES) + n], sqlite) for n, name in enumerate(_DAY_INSTANTS)
    }
    return SampleDays(**made)


def _maybe_micros(column: Sequence[Any], sqlite: bool) -> np.ndarray:
    out = np.full(len(column), -1, dtype=np.int64)
    there = [n for n, at in enumerate(column) if at is not None]
    if there:
        out[there] = _micros_of([column[n] for n in there], sqlite)
    return out


def day_rows(days: SampleDays) -> list[SampleDay]:
    """The days as rows to be written."""
    numbers = {name: getattr(days, name).tolist() for name in ("bank", "day", *_DAY_COUNTS, *_DAY_VALUES)}
    ats = {column: getattr(days, name).tolist() for name, column in _DAY_INSTANTS.items()}
    return [
        SampleDay(
            bank_id=numbers["bank"][n],
            day=_date(numbers["day"][n]),
            **{name: numbers[name][n] for name in _DAY_COUNTS},
            **{name: _or_none(numbers[name][n]) for name in _DAY_VALUES},
            **{column: instant(at[n]) if at[n] >= 0 else None for column, at in ats.items()},
        )
        for n in range(len(days))
    ]


DAY_COLUMNS = (*_DAY_COUNTS, *_DAY_VALUES, *_DAY_INSTANTS.values())


def _or_none(value: float) -> float | None:
    return value if value == value else None


def _date(day: int) -> dt.date:
    return dt.date(1970, 1, 1) + dt.timedelta(days=int(day))
