"""Checks of the battery banks: known, above the floor, enough to leave, cared for in time, and what their records give away.

All dates come from the estimate and follow from the records; the charge state itself, which changes daily, is not in a row.
"""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_records import BankEstimates, Note, Reason, Supply
from readiness.domain.charge_times import charge_courses
from readiness.domain.charging import CHARGE_END_H, charge_hours_unstated, fleet_charge_hours
from readiness.domain.check_rows import CheckOutcome, CheckRows
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.snapshot import FleetSnapshot

READING_H = 0.25
CAPACITY_TEST_H = 24.0
OPEN_CHARGE_DAYS = 1.5
FACTS_MISSING = int(Reason.NO_STATE | Reason.LOAD_UNKNOWN | Reason.NO_CLIMATE)


def local_day(at: FloatArray, offset_days: FloatArray) -> FloatArray:
    """The calendar day of an instant at its place; NaN and infinite stay what they are."""
    return np.where(np.isfinite(at), np.floor(at + offset_days + 1e-9), at)


def finite_day(day: FloatArray) -> FloatArray:
    return np.where(np.isfinite(day), day, np.nan)


def outcome_of(passes: BoolArray, undecided: BoolArray) -> FloatArray:
    return np.where(
        undecided,
        int(CheckOutcome.CANNOT_DECIDE),
        np.where(passes, int(CheckOutcome.PASS), int(CheckOutcome.FAIL)),
    )


def later_turn(passes: BoolArray, day: FloatArray) -> FloatArray:
    """A passing check turns on `day`; one that fails does not mend itself by waiting."""
    return np.where(passes, finite_day(day), np.nan)


def charge_hours(snapshot: FleetSnapshot, estimates: BankEstimates) -> FloatArray:
    """Whole hours of a full charge from the low end (NaN: no known charger); whole, so that a quiet bank stays quiet."""
    banks = snapshot.bank_arrays
    return np.ceil(fleet_charge_hours(banks.chem, banks.capacity_ah, estimates.low, banks.charger_a))


def hours_unstated(snapshot: FleetSnapshot, estimates: BankEstimates) -> FloatArray:
    """Why `charge_hours` cannot be told (bits of `Unstated`), per bank; NaN where it can."""
    banks = snapshot.bank_arrays
    return charge_hours_unstated(banks.capacity_ah, estimates.low, banks.charger_a)


def bank_checks(snapshot: FleetSnapshot, estimates: BankEstimates) -> list[CheckRows]:
    """Every check about a bank; `unit` rows are those of the snapshot, `subject` the bank's id."""
    banks, units = snapshot.banks, snapshot.units
    unit = banks["unit"]
    today = float(snapshot.as_of_day)
    offset = units["offset_days"][unit]
    subject = banks["id"]
    decided = estimates.decided
    floor_day, depart_day, interval_day, stale_day = (
        local_day(at, offset)
        for at in (estimates.floor_at, estimates.depart_at, estimates.interval_at, estimates.stale_at)
    )
    hours = charge_hours(snapshot, estimates)
    unstated = hours_unstated(snapshot, estimates)
    under, too_little = floor_day <= today, depart_day <= today
    above, enough = decided & ~under, decided & ~too_little
    rows = [
        CheckRows.of(
            "charge_known",
            unit,
            subject=subject,
            outcome=outcome_of(decided, ~decided),
            missing=(estimates.reasons & FACTS_MISSING) > 0,
            turns=later_turn(decided, stale_day),
            due=finite_day(stale_day),
            late=finite_day(stale_day),
            mend_h=READING_H,
            a=estimates.reasons,
            b=estimates.notes & int(Note.PLATEAU | Note.VOLTAGE_SAYS_NOTHING | Note.READING_REFUSED),
        ),
        CheckRows.of(
            "charge_floor",
            unit,
            subject=subject,
            outcome=outcome_of(above, ~decided & ~under),
            turns=later_turn(above, floor_day),
            due=finite_day(floor_day),
            late=finite_day(floor_day),
            mend_h=hours,
            a=estimates.floor_soc,
            b=estimates.notes & int(Note.SUPPLY_UNKNOWN | Note.AGE_UNKNOWN | Note.PARTIAL_CHARGE),
            c=unstated,
        ),
        CheckRows.of(
            "charge_depart",
            unit,
            subject=subject,
            outcome=outcome_of(enough, ~decided & ~too_little),
            turns=later_turn(enough, depart_day),
            mend_h=np.where(under, 0.0, hours),  # one charge mends both: its hours count once
            a=estimates.depart_soc,
            c=unstated,
        ),
    ]
    never = np.isnan(interval_day)
    in_time = ~never & (interval_day > today)
    rows.append(
        CheckRows.of(
            "charge_interval",
            unit,
            subject=subject,
            gates=False,
            outcome=outcome_of(in_time, never),
            missing=never & ((estimates.notes & int(Note.NO_COMPLETED_CHARGE)) > 0),
            turns=later_turn(in_time, interval_day),
            due=finite_day(np.fmin(floor_day, interval_day)),
            late=finite_day(floor_day),
            mend_h=hours,
            a=finite_day(interval_day),
            b=estimates.due_by,
            c=unstated,
        )
    )
    rows.append(_kept(snapshot, estimates, today, offset))
    return rows + _record_checks(snapshot, estimates, today, offset)


def hours_to_keep(snapshot: FleetSnapshot, estimates: BankEstimates, at: IntArray) -> FloatArray:
    """Whole hours of a charge of the banks `at`, from the low end to the level the owner keeps them at; NaN: not known."""
    banks = snapshot.bank_arrays
    course = charge_courses(
        banks.chem[at],
        banks.capacity_ah[at],
        estimates.low[at],
        banks.charger_a[at],
        np.ones(len(at)),
        to_soc=banks.kept_soc[at],
    )
    return np.ceil(course.total_h)


def _kept(snapshot: FleetSnapshot, estimates: BankEstimates, today: float, offset: FloatArray) -> CheckRows:
    """The owner's own level, where one was chosen. It asks for a charge earlier than the floor, never later, and holds no
    unit back by itself: what it needs to leave is judged as ever.
    """
    banks = snapshot.banks
    at = np.flatnonzero(np.isfinite(estimates.top_up_soc))
    day = local_day(estimates.top_up_at, offset)[at]
    decided = estimates.decided[at]
    above = decided & ~(day <= today)
    return CheckRows.of(
        "charge_kept",
        banks["unit"][at],
        subject=banks["id"][at],
        gates=False,
        outcome=outcome_of(above, ~decided),
        turns=later_turn(above, day),
        due=finite_day(day),
        mend_h=hours_to_keep(snapshot, estimates, at),
        a=snapshot.bank_arrays.kept_soc[at],
        b=estimates.top_up_soc[at],
        c=hours_unstated(snapshot, estimates)[at],
    )


def _record_checks(
    snapshot: FleetSnapshot, estimates: BankEstimates, today: float, offset: FloatArray
) -> list[CheckRows]:
    """What the records of a bank give away besides its charge state; none of these holds a unit back by itself."""
    banks, units = snapshot.banks, snapshot.units
    unit, subject = banks["unit"], banks["id"]
    rows = []

    started, planned = banks["charge_started"], banks["planned_end"]
    open_ = np.flatnonzero(np.isfinite(started))
    end = np.where(np.isnan(planned), started + OPEN_CHARGE_DAYS, planned)[open_]
    end_day = local_day(end, offset[open_])
    # By the clock: what should have ended at nine this morning is open at ten, not only tomorrow.
    running = end > units["seen_at"][unit[open_]]
    rows.append(
        CheckRows.of(
            "charge_open",
            unit[open_],
            subject=subject[open_],
            gates=False,
            outcome=outcome_of(running, np.zeros_like(running)),
            turns=later_turn(running, end_day + 1),
            due=end_day,
            mend_h=CHARGE_END_H,
        )
    )

    connected = np.isin(estimates.supply, (int(Supply.FLOAT), int(Supply.OWN_ARRAY)))
    at = np.flatnonzero(connected)
    until = local_day(estimates.float_until, offset)[at]
    proven = until > today
    rows.append(
        CheckRows.of(
            "float_proof",
            unit[at],
            subject=subject[at],
            gates=False,
            outcome=outcome_of(proven, np.zeros_like(proven)),
            turns=later_turn(proven, until),
            due=until,
            mend_h=READING_H,
        )
    )

    broken_day = local_day(estimates.broken_at, offset)
    at = np.flatnonzero(broken_day <= today)
    tested = banks["tested"][at] > estimates.broken_at[at]
    rows.append(
        CheckRows.of(
            "capacity_test",
            unit[at],
            subject=subject[at],
            gates=False,
            outcome=outcome_of(tested, np.zeros_like(tested)),
            due=broken_day[at],
            mend_h=CAPACITY_TEST_H,
            a=broken_day[at],
        )
    )

    def noted(key: str, at: IntArray, note: Note, day_at: FloatArray) -> CheckRows:
        clean = (estimates.notes[at] & int(note)) == 0
        return CheckRows.of(
            key,
            unit[at],
            subject=subject[at],
            gates=False,
            outcome=outcome_of(clean, np.zeros_like(clean)),
            a=finite_day(local_day(np.where(clean, estimates.reading_at[at], day_at[at]), offset[at])),
        )

    loss, weak = Note.UNEXPLAINED_LOSS, Note.WEAK_BLOCK
    read = np.flatnonzero((estimates.readings_used > 0) | ((estimates.notes & int(loss)) > 0))
    rows.append(noted("charge_explained", read, loss, estimates.alarm_at))
    # A bank whose blocks nobody measured shows nothing about them, so there is no row that could pass.
    measured = np.flatnonzero(np.isfinite(estimates.block_at))
    rows.append(noted("blocks_even", measured, weak, estimates.block_at))
    return rows
