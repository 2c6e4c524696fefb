"""Rows of battery monitors: read, held against what the bank can show, and refused one by one with a sentence.

Limits are those of a bank in use, so wider than those of a rested one: up to the charging voltage, down to the lowest
voltage a rested bank can show. Sources: charging voltages of `tables/battery_chemistries.csv`; temperatures as every battery
calculation takes them; the limits of current and counted charge are own rules, meant to catch slips of unit only.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.lib.dates import DateError, resolve_local
from readiness.domain.chemistry import chemistry, chemistry_index
from readiness.domain.inputs import TEMP_MAX_C, TEMP_MIN_C, FloatArray, IntArray
from readiness.domain.plausible import rest_v_bounds

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
FIRST_AT = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
CLOCK_SLACK = dt.timedelta(minutes=5)
MICROSECOND = dt.timedelta(microseconds=1)
VALUES: tuple[str, ...] = ("volts_v", "current_a", "temp_c", "soc", "counted_ah")
FIELDS: tuple[str, ...] = ("bank", "at", *VALUES)
# Highest volts per cell that a charger or an equalising charge brings; above it the value is a slip (common practice).
CHARGE_V_CELL: dict[str, float] = {"lead_acid": 2.75, "lithium": 4.35, "nickel": 1.75}
CHARGE_V_CELL_LFP = 3.80
MOST_CURRENT_C = 10.0
MOST_COUNTED_C = 1000.0
_MS_FROM = 1.0e11

# What loggers call their columns; compared without case, spaces and marks.
ALIASES: dict[str, str] = {
    **{name.replace("_", ""): name for name in FIELDS},
    **dict.fromkeys(("serial", "bankserial", "battery", "batterybank"), "bank"),
    **dict.fromkeys(("time", "timestamp", "datetime", "measuredat", "happenedat"), "at"),
    **dict.fromkeys(("v", "volt", "volts", "voltage", "voltagev", "batteryvoltage"), "volts_v"),
    **dict.fromkeys(("a", "amp", "amps", "ampere", "current", "batterycurrent"), "current_a"),
    **dict.fromkeys(("c", "temp", "temperature", "temperaturec", "batterytemperature"), "temp_c"),
    **dict.fromkeys(("f", "tempf", "temperaturef"), "temp_f"),
    **dict.fromkeys(("chargestate", "stateofcharge"), "soc"),
    **dict.fromkeys(("socpct", "socpercent", "stateofchargepct", "chargestatepct"), "soc_pct"),
    **dict.fromkeys(("ah", "chargecounted", "chargecountedah", "counted", "consumedah"), "counted_ah"),
}


@dataclass(frozen=True)
class KnownBank:
    """What rows about a bank are held against. `refused`: why this sender may not write about it, else empty."""

    pk: int
    serial: str
    chemistry: str
    cells: int
    capacity_ah: float
    refused: str = ""


@dataclass(frozen=True)
class SampleFault:
    """One field of one row that cannot be taken; `message` names both and says how to mend it."""

    row: int
    field: str
    key: str
    message: str

    def as_dict(self) -> dict[str, Any]:
        return {"row": self.row, "field": self.field, "key": self.key, "message": self.message}


@dataclass(frozen=True)
class Series:
    """Good rows as columns: `bank` id, `at_us` microseconds since 1970 UTC, `values` (rows, 5) as in VALUES, NaN where not
    measured, `row` the number in what was sent. Sorted by bank and time; equal instants keep the order in which they came.
    """

    bank: IntArray
    at_us: IntArray
    values: FloatArray
    row: IntArray

    def __len__(self) -> int:
        return len(self.bank)

    def take(self, index: Any) -> Series:
        return Series(self.bank[index], self.at_us[index], self.values[index], self.row[index])

    @classmethod
    def of(cls, bank: Any, at_us: Any, values: Any, row: Any) -> Series:
        banks, ats = np.asarray(bank, dtype=np.int64), np.asarray(at_us, dtype=np.int64)
        table = np.asarray(values, dtype=np.float64).reshape(len(banks), len(VALUES))
        order = np.lexsort((ats, banks))
        return cls(banks[order], ats[order], table[order], np.asarray(row, dtype=np.int64)[order])


def field_named(header: str) -> str:
    """The field a column stands for; empty when it is none of ours."""
    name = ALIASES.get("".join(mark for mark in header.lower() if mark.isalnum()), "")
    return "soc_pct" if name == "soc" and "%" in header else name


def micros(at: dt.datetime) -> int:
    """An aware instant as microseconds since 1970 UTC."""
    return (at - EPOCH) // MICROSECOND


def instant(at_us: int) -> dt.datetime:
    return EPOCH + dt.timedelta(microseconds=int(at_us))


class _Bad(Exception):
    def __init__(self, key: str, said: str) -> None:
        super().__init__(key)
        self.key, self.said = key, said


def read_rows(
    rows: Iterable[Mapping[str, Any]],
    banks: Mapping[str, KnownBank],
    *,
    now: dt.datetime,
    zone: str = "",
    decimal_comma: bool = False,
    first_row: int = 1,
    only: KnownBank | None = None,
) -> tuple[Series, list[SampleFault]]:
    """Rows as sent, each a mapping of field to value, into good rows and faults.

    `banks` by serial in capitals; `only` a bank for rows that name none; `zone` the time zone of times without an offset
    (empty: such a time is refused); `first_row` the number of the first row as its sender counts. Values are read as numbers
    or text, `soc_pct` in %, `temp_f` in degF. A row with one fault is left out whole, all its faults are told.
    """
    good: list[tuple[int, int, tuple[float, ...], int]] = []
    faults: list[SampleFault] = []
    latest = now + CLOCK_SLACK
    bounds: dict[int, dict[str, tuple[float, float, str]]] = {}
    for number, row in enumerate(rows, start=first_row):
        found: list[SampleFault] = []

        def bad(field: str, key: str, said: str, number: int = number, found: list[Any] = found) -> None:
            found.append(SampleFault(number, field, f"sample.{key}", f"Row {number}, {field}: {said}"))

        if row is None:  # an empty line of a file
            continue
        if not isinstance(row, Mapping):
            bad(
                "row",
                "not_a_row",
                "this is not a row of named values. Send an object with bank, at and values.",
            )
            faults += found
            continue
        bank = _bank_of(row, banks, only, bad)
        at = _time_of(row, zone, latest, bad)
        if bank is not None and bank.pk not in bounds:
            bounds[bank.pk] = _bounds(bank)
        values = [
            _value_of(row, name, bounds.get(bank.pk) if bank else None, decimal_comma, bad) for name in VALUES
        ]
        if not found and all(math.isnan(value) for value in values):
            bad("row", "empty", f"nothing was measured. Send at least one of {', '.join(VALUES)}, or no row.")
        if found or bank is None or at is None:
            faults += found
            continue
        good.append((bank.pk, micros(at), tuple(values), number))
    columns: Sequence[Any] = list(zip(*good, strict=True)) if good else [(), (), (), ()]
    return Series.of(*columns), faults


def _bank_of(row: Mapping[str, Any], banks: Mapping[str, KnownBank], only: KnownBank | None, bad: Any) -> Any:
    said = str(row.get("bank") if row.get("bank") is not None else "").strip()
    if not said:
        if only is not None:
            return only
        bad(
            "bank",
            "no_bank",
            "no bank is named. Send its serial number as it stands on the page of the bank.",
        )
        return None
    bank = banks.get(said.upper())
    if bank is None:
        bad(
            "bank",
            "bank_unknown",
            f"no bank bears the serial '{said[:60]}'. Use the serial as it stands on the page of the bank.",
        )
        return None
    if bank.refused:
        bad("bank", "bank_refused", bank.refused)
        return None
    return bank


def _time_of(row: Mapping[str, Any], zone: str, latest: dt.datetime, bad: Any) -> dt.datetime | None:
    said = row.get("at")
    try:
        at = _instant_of(said, zone)
    except _Bad as error:
        bad("at", error.key, error.said)
        return None
    if at > latest:
        bad(
            "at",
            "in_future",
            f"{at:%Y-%m-%d %H:%M} UTC has not come yet. Set the clock of the logger, and send the offset of its time.",
        )
        return None
    if at < FIRST_AT:
        bad("at", "too_old", f"{at:%Y-%m-%d} lies before 2000. Set the clock of the logger.")
        return None
    return at


def _instant_of(said: Any, zone: str) -> dt.datetime:
    if said is None or said == "":
        raise _Bad("no_time", "the time is missing. Send it as 2026-11-25T07:30:00+01:00.")
    if isinstance(said, dt.datetime):
        read = said
    elif isinstance(said, (int, float)) and not isinstance(said, bool):
        seconds = said / 1000.0 if abs(said) >= _MS_FROM else float(said)
        if not math.isfinite(seconds) or abs(seconds) > 1.0e10:
            raise _Bad(
                "no_time", f"{said} is no time. Send seconds since 1970, or 2026-11-25T07:30:00+01:00."
            )
        return EPOCH + dt.timedelta(microseconds=round(seconds * 1.0e6))
    else:
        try:
            read = dt.datetime.fromisoformat(str(said).strip())
        except ValueError:
            raise _Bad(
                "no_time", f"'{str(said)[:40]}' is no time. Send it as 2026-11-25T07:30:00+01:00."
            ) from None
    if read.tzinfo is not None:
        try:
            return read.astimezone(dt.UTC)
        except OverflowError:
            raise _Bad("no_time", f"'{str(said)[:40]}' is no time that can be. Check the year.") from None
    if not zone:
        raise _Bad(
            "no_offset", "the time has no offset from UTC. Send 2026-11-25T07:30:00+01:00, or Z for UTC."
        )
    try:
        return resolve_local(read, zone, str(said)).astimezone(dt.UTC)
    except DateError as error:
        raise _Bad("no_time", error.sentence) from None


def _bounds(bank: KnownBank) -> dict[str, tuple[float, float, str]]:
    """Least and most of each value that this bank can show, and how a value outside is mended."""
    family = chemistry(bank.chemistry).family
    low_v = rest_v_bounds(bank.chemistry, bank.cells)[0]
    per_cell = CHARGE_V_CELL_LFP if bank.chemistry == "lfp" else CHARGE_V_CELL[family]
    right = f"Check that it is bank {bank.serial} and that the value is"
    return {
        "volts_v": (
            low_v,
            round(per_cell * bank.cells, 6),
            f"{right} in V, of the whole bank, with the sense wire on.",
        ),
        "current_a": (
            -MOST_CURRENT_C * bank.capacity_ah,
            MOST_CURRENT_C * bank.capacity_ah,
            f"{right} in A, not in mA.",
        ),
        "temp_c": (TEMP_MIN_C, TEMP_MAX_C, "Check the sensor and its wire, and that the value is in °C."),
        "soc": (0.0, 1.0, "Send a share from 0 to 1, or soc_pct in %."),
        "counted_ah": (
            -MOST_COUNTED_C * bank.capacity_ah,
            MOST_COUNTED_C * bank.capacity_ah,
            f"{right} in Ah, not in mAh or As.",
        ),
    }


_UNITS = {"volts_v": " V", "current_a": " A", "temp_c": " °C", "soc": "", "counted_ah": " Ah"}
_OTHER_UNIT = {"temp_c": ("temp_f", 5.0 / 9.0, -32.0), "soc": ("soc_pct", 0.01, 0.0)}


def _value_of(
    row: Mapping[str, Any],
    name: str,
    bounds: Mapping[str, tuple[float, float, str]] | None,
    decimal_comma: bool,
    bad: Any,
) -> float:
    said, field, scale, shift = row.get(name), name, 1.0, 0.0
    if name in _OTHER_UNIT and (said is None or said == ""):
        field, scale, shift = _OTHER_UNIT[name]
        said = row.get(field)
        if said is None or said == "":
            field = name
    if said is None or said == "":
        return math.nan
    try:
        value = _number(said, decimal_comma)
    except _Bad as error:
        bad(field, error.key, error.said)
        return math.nan
    if field != name:
        value = (value + shift) * scale
    if bounds is not None:
        low, high, mend = bounds[name]
        if not low <= value <= high:
            unit = _UNITS[name]
            bad(
                field,
                f"{name}_impossible",
                f"{value:g}{unit} cannot be: {low:g} to {high:g}{unit} can. {mend}",
            )
            return math.nan
    return value


def _number(said: Any, decimal_comma: bool) -> float:
    if isinstance(said, bool) or not isinstance(said, (int, float, str)):
        raise _Bad(
            "not_a_number", f"'{str(said)[:40]}' is not a number. Send a plain number, or leave it out."
        )
    text = said
    if isinstance(said, str):
        text = said.strip().replace("\u2212", "-")
        if decimal_comma and "." not in text:
            text = text.replace(",", ".", 1)
        if "_" in text:
            text = "?"
    try:
        value = float(text)
    except (ValueError, OverflowError):
        raise _Bad(
            "not_a_number", f"'{str(said)[:40]}' is not a number. Send a plain number, or leave it out."
        ) from None
    if not math.isfinite(value):
        raise _Bad(
            "not_a_number",
            f"'{said}' is not a number that can be measured. Leave the field out where nothing was.",
        )
    return value


def same_values(a: FloatArray, b: FloatArray) -> Any:
    """Whether rows of values (n, 5) are equal, what is missing included."""
    return np.all((a == b) | (np.isnan(a) & np.isnan(b)), axis=1)


@dataclass(frozen=True)
class Sorted:
    """What becomes of good rows beside those on file: indices of the `fresh`, the `known`, those in `conflict`."""

    fresh: IntArray
    known: IntArray
    conflict: IntArray


def sort_out(series: Series, there: Series) -> Sorted:
    """Which rows are new, which are on file already, and which say something else about the same bank and instant.

    Of rows of one post about one instant the first counts; the others are known or in conflict with it.
    """
    n = len(series)
    empty = np.zeros(0, dtype=np.int64)
    if not n:
        return Sorted(empty, empty, empty)
    bank = np.concatenate([there.bank, series.bank])
    at = np.concatenate([there.at_us, series.at_us])
    values = np.concatenate([there.values, series.values])
    turn = np.concatenate([np.zeros(len(there), dtype=np.int64), 1 + series.row])
    order = np.lexsort((turn, at, bank))
    new = np.r_[True, (np.diff(bank[order]) != 0) | (np.diff(at[order]) != 0)]
    first = order[np.maximum.accumulate(np.where(new, np.arange(len(order)), 0))]
    head = np.empty(len(order), dtype=np.int64)
    head[order] = first
    mine = np.arange(len(there), len(there) + n)
    own = head[mine] == mine
    alike = same_values(values[mine], values[head[mine]])
    return Sorted(np.flatnonzero(own), np.flatnonzero(~own & alike), np.flatnonzero(~own & ~alike))


def conflict_fault(row: int, serial: str, at_us: int) -> SampleFault:
    return SampleFault(
        row,
        "at",
        "sample.conflict",
        f"Row {row}, at: bank {serial} has other values on file for {instant(at_us):%Y-%m-%d %H:%M:%S} UTC. What is on file "
        "stays. Take back the rows that were wrong, then send these again.",
    )


def chem_of(code: str) -> int:
    return chemistry_index()[code]
