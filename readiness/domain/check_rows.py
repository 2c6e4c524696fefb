"""Results of checks as columns: which unit, which check, about what, how it came out, when that turns, what mends it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from readiness.domain.inputs import BoolArray, FloatArray, IntArray


class CheckOutcome(IntEnum):
    PASS = 0
    FAIL = 1
    CANNOT_DECIDE = 2


@dataclass(frozen=True)
class CheckKind:
    """One rule: its stable key, what it is about, the alert it feeds (empty: none), and the source shown beside it."""

    key: str
    subject: str
    rule: str
    source: str


# What a reader is shown: the rule in words, and the published documents behind it (`tables/SOURCES.md`), as far as there are
# any; limits that were not seen in the printed standard say so.
_MAKER = "; the maker's manual for the exact model overrides it"
CHECK_KINDS: tuple[CheckKind, ...] = (
    CheckKind("terms_known", "unit", "survey", "Depot terms: notice and standard mission"),
    CheckKind("place_known", "unit", "survey", "Every unit is in one place or one absence"),
    CheckKind("at_place", "unit", "", "A unit away is not ready here"),
    CheckKind("bank_aboard", "unit", "bank_missing", "The unit's own battery bank"),
    CheckKind(
        "charge_known",
        "bank",
        "reading_stale",
        "A reading counts for the days the depot states; rest before a voltage counts: VRLA product literature, US Army TM "
        "9-6115-730-24 WP 0050" + _MAKER,
    ),
    CheckKind(
        "charge_floor",
        "bank",
        "charge_due",
        "Floor of the charge state by chemistry: VRLA and battery product literature; loss of charge by temperature: "
        "off-grid electricity handbook 2.5.10, US Army TM 9-6140-200-14 paras 4-6 to 4-8c, nickel pack manuals"
        + _MAKER,
    ),
    CheckKind(
        "charge_depart",
        "bank",
        "",
        "Charge state to leave with, as stated for the bank; where none is stated its floor, for lithium 90 % (own "
        "rule); loss of charge by temperature as for the floor",
    ),
    CheckKind(
        "charge_interval",
        "bank",
        "charge_due",
        "Longest time between completed charges, halved for each step of warmth: VRLA operating instructions, US Army TM "
        "9-6140-200-14 and TM 5-1185, off-grid electricity handbook 2.5.10, IEC 60623 clause 4.3 for nickel"
        + _MAKER,
    ),
    CheckKind(
        "charge_kept",
        "bank",
        "charge_due",
        "The level at which the owner chose to keep banks of this chemistry in this depot; charged again 10 points under "
        "it, never later than the floor asks (own rule)" + _MAKER,
    ),
    CheckKind(
        "charge_open",
        "bank",
        "charge_open",
        "A charge is ended with its sign, or it does not count as full: VRLA product literature (steady current over 3 h)",
    ),
    CheckKind(
        "float_proof",
        "bank",
        "float_unproven",
        "On float is believed until its check interval ends (own rule)",
    ),
    CheckKind(
        "capacity_test",
        "bank",
        "floor_broken",
        "Test of capacity after a stay at the floor or below: IEEE 1188-2005 and 1188a-2014 practice (limits to be checked "
        "against the printed standard)",
    ),
    CheckKind(
        "charge_explained",
        "bank",
        "unexplained_loss",
        "Reading against prediction, over three of their common sigma (own rule); rest voltage by charge state: "
        "BCI-type table and VRLA technical literature, J. Electrochem. Soc. 158 A562 and 167 080534 for lithium",
    ),
    CheckKind(
        "blocks_even", "bank", "weak_block", "VRLA receiving instruction: over 0.15 V between 12 V blocks"
    ),
    CheckKind(
        "bank_rate",
        "bank",
        "bank_rate",
        "Own loss, learnt from its records, against banks of the same chemistry: half as much again and beyond their spread "
        "(own rule)",
    ),
    CheckKind(
        "bank_ohmic",
        "bank",
        "bank_weak",
        "Ohmic value 30 % over the bank's own baseline: look; 50 %: test or replace (IEEE 1188 annex, from memory)",
    ),
    CheckKind(
        "bank_capacity",
        "bank",
        "bank_weak",
        "Capacity under 80 % of rated at 20 °C: replace (IEEE 1188 practice, seen in a test-gear summary)",
    ),
    CheckKind(
        "bank_returned",
        "bank",
        "bank_returned",
        "Ah that the last full charge returned against what was missing by prediction, over three of their common sigma "
        "(own rule)",
    ),
    CheckKind(
        "bank_age",
        "bank",
        "bank_age",
        "Float life at 20 °C, halved for every 10 K (product literature), by the temperature where the bank stands",
    ),
    CheckKind(
        "logger_heard",
        "bank",
        "logger",
        "A logger replaces the climate while it is heard, moves and lies near the climate (own rule)",
    ),
    CheckKind(
        "acid_frost", "bank", "frost", "US Army TM 5-1185 Table III: freezing of the acid; record lows"
    ),
    CheckKind(
        "water_frost",
        "unit",
        "frost",
        "Water freezes at 0 °C; record lows of the coming fourteen days' months (own rule)",
    ),
    CheckKind(
        "wet_known", "unit", "survey", "Wet or dry, as last recorded since the unit came back (own rule)"
    ),
    CheckKind("wet_idle", "unit", "wet_idle", "A wetted train left idle over seven days breeds"),
    CheckKind("kit", "item", "kit_short", "Bill of consumables of the design, through the last mission day"),
    CheckKind("lots_aboard", "unit", "lots_aboard", "Expiry dates of the lots aboard"),
    CheckKind("part_fitted", "position", "part_missing", "Bill of consumables of the design"),
    CheckKind(
        "part_life",
        "position",
        "part_life",
        "Service life of the item (hours, volume, months) against the standard mission at the design's planned use",
    ),
    CheckKind(
        "part_ahead",
        "position",
        "part_life",
        "Service life of the item against two standard missions at the design's planned use",
    ),
    CheckKind("certificate", "certificate_kind", "certificate", "Certificate rules of the design"),
    CheckKind("inspection", "inspection_type", "inspection", "Inspection types and their intervals"),
    CheckKind("fault", "fault", "fault_open", "Faults as reported"),
    CheckKind(
        "evidence", "evidence", "evidence_void", "A change voids the evidence it touches until shown again"
    ),
    CheckKind("debt", "debt", "debt", "Parts lent from this unit"),
)
CHECK = {kind.key: number for number, kind in enumerate(CHECK_KINDS)}


@dataclass(frozen=True)
class CheckRows:
    """One row a check of a unit.

    `unit` row; `check` index into CHECK_KINDS; `subject` id (0: the unit itself); `outcome` a CheckOutcome; `gates` whether
    the verdict rests on it; `missing` a fact was never recorded; `turns` first day on which this outcome no longer holds by
    dates alone (NaN none); `due` day by which to act, `late` day from which it is too late (NaN none); `mend_h` hours of
    work (0 none needed, NaN not known, inf cannot be mended here); `crew`; `a`, `b`, `c` what the sentence needs (by check).

    `takes_h` hours the work takes whenever it is done (as given for `mend_h` unless stated): what still passes needs no
    mend today, but its work is coming. It is no part of a verdict and of no stored result.
    """

    unit: IntArray
    check: IntArray
    subject: IntArray
    outcome: IntArray
    gates: BoolArray
    missing: BoolArray
    turns: FloatArray
    due: FloatArray
    late: FloatArray
    mend_h: FloatArray
    crew: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    takes_h: FloatArray

    @classmethod
    def of(cls, key: str, unit: Any, **columns: Any) -> Self:
        """Rows of one check; what is not given: about the unit, pass, gating, nothing missing, no dates, nothing to mend."""
        rows = np.asarray(unit, dtype=np.int64)
        count = len(rows)
        defaults: dict[str, Any] = {
            "subject": 0,
            "outcome": 0,
            "gates": True,
            "missing": False,
            "mend_h": 0.0,
            "crew": 1.0,
        }
        columns.setdefault("takes_h", columns.get("mend_h", 0.0))
        values: dict[str, NDArray[Any]] = {"unit": rows, "check": np.full(count, CHECK[key], dtype=np.int64)}
        for part in fields(cls):
            if part.name in values:
                continue
            given = columns.pop(part.name, defaults.get(part.name, np.nan))
            values[part.name] = np.ascontiguousarray(
                np.broadcast_to(np.asarray(given, dtype=_TYPES.get(part.name, np.float64)), (count,))
            )
        if columns:
            raise TypeError(f"unknown columns of checks: {', '.join(sorted(columns))}")
        return cls(**values)

    @classmethod
    def joined(cls, parts: Sequence[CheckRows]) -> Self:
        """All rows by unit, then check, then subject: the order in which they are stored. What passes needs no mend."""
        whole = {
            part.name: np.concatenate([getattr(rows, part.name) for rows in parts]) for part in fields(cls)
        }
        order = np.lexsort((whole["subject"], whole["check"], whole["unit"]))
        whole["mend_h"] = np.where(whole["outcome"] == CheckOutcome.PASS, 0.0, whole["mend_h"])
        return cls(**{name: column[order] for name, column in whole.items()})

    def __len__(self) -> int:
        return len(self.unit)

    def take(self, rows: Any) -> Self:
        return type(self)(**{part.name: getattr(self, part.name)[rows] for part in fields(self)})


_TYPES: dict[str, Any] = {"subject": np.int64, "outcome": np.int64, "gates": np.bool_, "missing": np.bool_}


# What a stored result does not say, so that a print of it must not change with it.
_NOT_STORED = frozenset({"unit", "takes_h"})


def row_prints(
    rows: CheckRows, more: Sequence[NDArray[Any]] = (), seed: int = 0x9E3779B97F4A7C15
) -> NDArray[np.uint64]:
    """A 64-bit print of every row: of all columns that a stored result says, and of `more` columns."""
    mixed = np.full(len(rows), seed, dtype=np.uint64)
    for part in fields(rows):
        if part.name not in _NOT_STORED:
            mixed = _mix(mixed ^ _bits(getattr(rows, part.name)))
    for column in more:
        mixed = _mix(mixed ^ _bits(column))
    return mixed


def digests(rows: CheckRows, verdicts: Sequence[NDArray[Any]], count: int) -> NDArray[np.uint64]:
    """Two 64-bit sums per unit, (count, 2): equal when every stored field of every check and the verdict are equal.

    Order of rows does not matter; two units differ by chance once in 2^128.
    """
    out = np.zeros((count, 2), dtype=np.uint64)
    for half, seed in enumerate((0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F)):
        sums = np.zeros(count, dtype=np.uint64)
        np.add.at(sums, rows.unit, row_prints(rows, seed=seed))
        for column in verdicts:
            sums = _mix(sums ^ _bits(column))
        out[:, half] = sums
    return out


def _bits(column: NDArray[Any]) -> NDArray[np.uint64]:
    if column.dtype.kind == "f":
        clean = np.where(np.isnan(column), np.float64(-1.25e300), np.round(column, 9) + 0.0)
        return np.ascontiguousarray(clean, dtype=np.float64).view(np.uint64)
    return np.ascontiguousarray(column.astype(np.int64)).view(np.uint64)


def _mix(value: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The finaliser of splitmix64."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))
