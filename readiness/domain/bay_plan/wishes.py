"""From banks and bays to what the plan is asked: how long each bank takes on each kind of bay, and how much it matters.

The missing charge is that at the end of the horizon, so that whenever in the plan a charge begins, what the bank loses until
then is in it. Durations are rounded up to slots; the power of a slot is that of its beginning, which is its highest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from readiness.domain.bay_plan.problem import BoolArray, FloatArray, IntArray, Need
from readiness.domain.charge_times import CHARGER_EFFICIENCY, ChargeCourses, charge_courses
from readiness.domain.chemistry import chemistry_column
from readiness.domain.inputs import as_array

ROUNDING = 1e-6
# Power is planned in steps of a tenth of a watt, rounded up, so that what is kept of a plan is exactly what was planned.
KW_STEPS = 10_000.0


class Why(StrEnum):
    """Why a bank is in the plan, the weightiest first."""

    LEAVES = "leaves"
    UNDER_FLOOR = "under_floor"
    FLOOR = "floor"
    INTERVAL = "interval"
    KEPT = "kept"
    NOT_KNOWN = "not_known"
    RUNNING = "running"
    SHELF = "shelf"


# What one bank that is late costs beside another: the one rule of priority. A bank that is to leave outweighs two that fall
# under their floor; one under its floor suffers by the hour; an interval run over costs life, but slowly.
WEIGHTS: Mapping[Why, float] = {
    Why.LEAVES: 8.0,
    Why.UNDER_FLOOR: 6.0,
    Why.FLOOR: 4.0,
    Why.INTERVAL: 2.0,
    Why.NOT_KNOWN: 2.0,
    Why.KEPT: 1.0,
    Why.RUNNING: 1.0,
    Why.SHELF: 1.0,
}


@dataclass(frozen=True, slots=True)
class BayKind:
    """Bays that are alike. `max_kw` None: its current and the voltage of the bank are the only limits."""

    key: str
    max_a: float
    max_v: float
    max_kw: float | None
    chemistries: frozenset[int]


class Misfit(StrEnum):
    """Why a bay does not charge a bank."""

    NO_CURRENT = "no_current"
    PROGRAMME = "programme"
    VOLTAGE = "voltage"
    CAPACITY = "capacity"
    LENGTH = "length"


@dataclass(frozen=True)
class Banks:
    """Banks that want a charge, arrays of n; NaN not known. `low_soc` is where the charge begins at worst."""

    chem: IntArray
    capacity_ah: FloatArray
    cells: FloatArray
    charger_a: FloatArray
    low_soc: FloatArray
    to_soc: FloatArray

    def __len__(self) -> int:
        return len(self.chem)


@dataclass(frozen=True)
class Fit:
    """What every bank asks of one kind of bay: rows of `courses`, current to set [A], and the banks it does not charge."""

    kind: BayKind
    courses: ChargeCourses
    set_a: FloatArray
    misfit: tuple[Misfit | None, ...]

    def need(self, row: int, slot_h: float, *, elapsed_h: float = 0.0, least_h: float = 0.0) -> Need:
        """In slots; of a charge that has run for `elapsed_h` what is left of it, never less than `least_h` nor one slot."""
        total_h = max(float(self.courses.total_h[row]), elapsed_h + least_h)
        slots = max(1, math.ceil((total_h - elapsed_h) / slot_h - ROUNDING))
        bulk = max(0, math.floor((float(self.courses.bulk_h[row]) - elapsed_h) / slot_h + ROUNDING))
        bulk = min(bulk, slots - 1)
        starts = elapsed_h + slot_h * np.arange(slots)
        kw = self._one(row).wall_kw(starts)[0]
        # Past its reckoned end a charger still holds the voltage.
        kw = np.where(kw > 0.0, kw, float(self.courses.end_kw[row]))
        kw = np.ceil(kw * KW_STEPS) / KW_STEPS
        return Need(bulk, float(kw[0]), tuple(float(value) for value in kw[bulk:]))

    def _one(self, row: int) -> ChargeCourses:
        arrays = {
            name: getattr(self.courses, name)[row : row + 1]
            for name in ChargeCourses.__dataclass_fields__
            if isinstance(getattr(self.courses, name), np.ndarray)
        }
        return ChargeCourses(**arrays)


def fit_of(banks: Banks, kind: BayKind) -> Fit:
    """The charger is set to what bay, bank and chemistry all bear, and to no more than the bay's power gives."""
    top_a = np.full(len(banks), kind.max_a)
    top_a = np.fmin(top_a, banks.charger_a)
    top_a = np.minimum(top_a, chemistry_column("i_charge_max_c")[banks.chem] * banks.capacity_ah)
    plain = charge_courses(
        banks.chem, banks.capacity_ah, banks.low_soc, top_a, banks.cells, to_soc=banks.to_soc
    )
    if kind.max_kw is not None:
        by_power = kind.max_kw * 1000.0 * CHARGER_EFFICIENCY / np.maximum(plain.v_charge, ROUNDING)
        top_a = np.minimum(top_a, by_power)
    courses = charge_courses(
        banks.chem, banks.capacity_ah, banks.low_soc, top_a, banks.cells, to_soc=banks.to_soc
    )
    return Fit(kind, courses, top_a, tuple(_misfit(banks, kind, courses, row) for row in range(len(banks))))


def _misfit(banks: Banks, kind: BayKind, courses: ChargeCourses, row: int) -> Misfit | None:
    if not kind.max_a > 0:
        return Misfit.NO_CURRENT
    if not banks.capacity_ah[row] > 0 or not math.isfinite(courses.total_h[row]):
        return Misfit.CAPACITY
    if int(banks.chem[row]) not in kind.chemistries:
        return Misfit.PROGRAMME
    if courses.v_charge[row] > kind.max_v + ROUNDING:
        return Misfit.VOLTAGE
    return None


def longest_window(present: BoolArray) -> int:
    """Most slots in one piece in which the crew is there."""
    best = run = 0
    for there in present:
        run = run + 1 if there else 0
        best = max(best, run)
    return best


def may_pause(need: Need, *, unattended: bool, window: int) -> bool:
    """Its bulk is split only where it must be: the whole charge is longer than the crew ever stays, its tail is not."""
    return not unattended and need.bulk_slots > 0 and window >= len(need.tail_kw) and need.slots > window


def fits_hours(need: Need, *, unattended: bool, window: int) -> bool:
    """Whether the hours of the crew allow this charge at all."""
    return unattended or need.slots <= window or may_pause(need, unattended=unattended, window=window)


def allowed_from(allowed: BoolArray) -> int | None:
    """First day from which charging is not forbidden by cold or heat, 0 for today; None: on no day."""
    days = np.flatnonzero(as_array(allowed) > 0)
    return int(days[0]) if len(days) else None
