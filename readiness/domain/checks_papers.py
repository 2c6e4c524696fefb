"""Checks of papers and standing matters: certificates, inspections, voided evidence, faults, debts, where the unit is."""

from __future__ import annotations

import numpy as np

from readiness.domain.check_rows import CheckOutcome, CheckRows
from readiness.domain.checks_charge import finite_day, later_turn, local_day, outcome_of
from readiness.domain.checks_parts import Keys, aboard_for, last_mission_day, stock_for
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.snapshot import FleetSnapshot, Frame

EVIDENCE = ("mass", "cog", "lifting", "wiring", "type_test")
CERTIFICATE_KINDS = (
    "lifting_exam",
    "proof_load",
    "container_plate",
    "trailer",
    "non_spillable",
    "battery_summary",
    "extinguisher",
    "electrical",
    "water_test",
    "radio_permit",
)
# Which evidence each certificate rests on, and so shows again when it is renewed.
RESTS_ON: dict[str, tuple[str, ...]] = {
    "lifting_exam": ("lifting", "mass"),
    "proof_load": ("lifting", "mass"),
    "container_plate": ("type_test",),
    "trailer": ("mass",),
    "non_spillable": ("type_test",),
    "battery_summary": ("type_test",),
    "electrical": ("wiring",),
}
SHOWN_BY_WEIGHING = ("mass", "cog")
WEIGH_H = 1.0
AWAY_NOT = 0
AWAY_CALL, AWAY_EXERCISE, AWAY_LOAN, AWAY_WORKSHOP = 1, 2, 3, 4
# Why a paper does not hold, as stored.
VOIDED, LAPSED = 1, 2
NEVER, FAILED, DUE, RAN_OUT = 1, 2, 3, 4


def _rests() -> np.ndarray:
    return np.array(
        [[word in RESTS_ON.get(kind, ()) for word in EVIDENCE] for kind in CERTIFICATE_KINDS], dtype=bool
    )


def unit_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """What is known of the unit at all, and whether it is at its place."""
    units = snapshot.units
    everyone = np.arange(len(units))
    away, recall = units["away"], units["recall_h"]
    stated = np.isfinite(units["notice_h"]) & np.isfinite(units["mission_days"])
    placed = units["known_place"]
    at_home = away == AWAY_NOT
    can_recall = np.isin(away, (AWAY_EXERCISE, AWAY_WORKSHOP)) & np.isfinite(recall)
    has_bank = np.bincount(snapshot.banks["unit"], minlength=len(units)) > 0
    return [
        CheckRows.of("terms_known", everyone, outcome=outcome_of(stated, ~stated), missing=~stated),
        CheckRows.of("place_known", everyone, outcome=outcome_of(placed, ~placed), missing=~placed),
        CheckRows.of(
            "at_place",
            everyone,
            outcome=outcome_of(at_home, np.zeros_like(at_home)),
            due=np.where(at_home, np.nan, units["due_back"]),
            mend_h=np.where(at_home, 0.0, np.where(can_recall, recall, np.inf)),
            a=away,
        ),
        CheckRows.of(
            "bank_aboard",
            everyone,
            outcome=outcome_of(has_bank, ~has_bank & ~units["had_bank"]),
            missing=~has_bank & ~units["had_bank"],
            mend_h=np.where(has_bank | ~units["had_bank"], 0.0, np.inf),
        ),
    ]


def issued_after(
    issued: FloatArray, recorded: FloatArray, change_at: FloatArray, offset_days: FloatArray
) -> BoolArray:
    """Whether papers came after a change (instants; -inf none). A paper bears only a day: of those issued on the day of the
    change, the ones written down after it count."""
    day = local_day(change_at, offset_days)
    after: BoolArray = (issued > day) | ((issued == day) & (recorded > change_at))
    return after


def certificate_ends(
    held: Frame,
    latest: FloatArray,
    offset_days: FloatArray,
    on_day: float,
    unit: IntArray,
    kind: IntArray,
) -> tuple[FloatArray, FloatArray]:
    """Through which day each asked (unit, kind) is certified, and through which by papers a change has voided.

    `held` are the papers on file (unit, kind, issued, expires, recorded), `latest` as `last_changes` gives it. Papers not
    yet issued on `on_day` do not count. -inf: none; inf: no end. Shapes as `unit`.
    """
    changed = np.where(_rests()[held["kind"]], latest[held["unit"]], -np.inf).max(axis=1, initial=-np.inf)
    in_force = held["issued"] <= on_day
    void = ~issued_after(held["issued"], held["recorded"], changed, offset_days[held["unit"]])
    row = Keys(unit, kind).find(held["unit"], held["kind"])
    ends, ends_void = np.full(len(unit), -np.inf), np.full(len(unit), -np.inf)
    good, voided = (row >= 0) & in_force & ~void, (row >= 0) & in_force & void
    np.maximum.at(ends, row[good], held["expires"][good])
    np.maximum.at(ends_void, row[voided], held["expires"][voided])
    return ends, ends_void


def last_changes(changes: Frame, count: int) -> FloatArray:
    """Instant of the latest change that touched each kind of evidence (count, EVIDENCE); -inf where none did."""
    latest = np.full((count, len(EVIDENCE)), -np.inf)
    for number in range(len(EVIDENCE)):
        touched = (changes["touches"].astype(np.int64) >> number) & 1 > 0
        np.maximum.at(latest[:, number], changes["unit"][touched], changes["at"][touched])
    return latest


def certificate_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """Certificates the design must hold: on file, not voided by a change, and valid through the last mission day.

    None ever recorded is a missing fact, so nothing is decided; one that lapsed or was voided fails.
    """
    needs, held = snapshot.certificate_needs, snapshot.certificates
    today = float(snapshot.as_of_day)
    unit, kind = needs["unit"], needs["kind"]
    latest = last_changes(snapshot.changes, len(snapshot.units))
    ends, ends_void = certificate_ends(held, latest, snapshot.units["offset_days"], today, unit, kind)
    mission_end = last_mission_day(snapshot)[unit]
    lasts = ends >= mission_end
    day = finite_day(ends)
    never = ~lasts & np.isneginf(ends) & np.isneginf(ends_void)
    rows = [
        CheckRows.of(
            "certificate",
            unit,
            subject=kind + 1,
            gates=needs["gates_all"],
            outcome=outcome_of(lasts, never),
            missing=never,
            turns=later_turn(lasts, ends - (mission_end - today) + 1),
            # A certificate without an end is never due; one that is not on file is due now.
            due=np.where(np.isfinite(ends), day - needs["lead_days"], np.where(lasts, np.nan, today)),
            late=np.where(np.isfinite(ends), day + 1, np.nan),
            mend_h=needs["renew_h"],
            a=day,
            b=np.where(lasts, 0, np.where(ends_void > ends, VOIDED, np.where(day < today, LAPSED, 0))),
        )
    ]
    rows.append(_evidence(snapshot, latest))
    return rows


def _evidence(snapshot: FleetSnapshot, latest: FloatArray) -> CheckRows:
    """Evidence that a change voided and nothing has shown again since."""
    renewed_by = np.zeros(latest.shape, dtype=bool)
    weighed, held = snapshot.weighed, snapshot.certificates
    offset = snapshot.units["offset_days"]
    rests = _rests()
    for number, word in enumerate(EVIDENCE):
        change_at = latest[:, number]
        if word in SHOWN_BY_WEIGHING:
            after = weighed["at"] > change_at[weighed["unit"]]
            renewed_by[weighed["unit"][after], number] = True
        else:
            of = np.flatnonzero(rests[held["kind"], number])
            unit, issued, recorded = held["unit"][of], held["issued"][of], held["recorded"][of]
            after = issued_after(issued, recorded, change_at[unit], offset[unit])
            renewed_by[unit[after], number] = True
    unit, word_at = np.nonzero(np.isfinite(latest))
    renewed = renewed_by[unit, word_at]
    changed_day = local_day(latest[unit, word_at], offset[unit])
    by_scale = np.isin(word_at, [EVIDENCE.index(word) for word in SHOWN_BY_WEIGHING])
    return CheckRows.of(
        "evidence",
        unit,
        subject=word_at + 1,
        gates=False,
        outcome=outcome_of(renewed, np.zeros_like(renewed)),
        due=changed_day,
        mend_h=np.where(by_scale, WEIGH_H, np.nan),
        a=changed_day,
    )


def inspection_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """Inspections the design falls due for: the latest one passed and lasts through the mission. Never done: undecided."""
    needs, done = snapshot.inspection_needs, snapshot.inspections
    unit = needs["unit"]
    row = Keys(unit, needs["type"]).find(done["unit"], done["type"])
    known = np.flatnonzero((row >= 0) & (done["day"] <= snapshot.as_of_day))
    # The latest by its instant stays; of two at the same instant the one that failed.
    order = known[np.lexsort((~done["passed"][known], done["at"][known]))]
    last_day, passed = np.full(len(needs), np.nan), np.zeros(len(needs), dtype=bool)
    last_day[row[order]] = done["day"][order]
    passed[row[order]] = done["passed"][order]
    due = last_day + needs["interval_days"]
    today = float(snapshot.as_of_day)
    # What falls due more often than a mission lasts is done again on the mission: it must hold on the day of leaving.
    mission = last_mission_day(snapshot)[unit] - today
    ahead = np.where(needs["interval_days"] > mission, mission, 0.0)
    lasts = passed & (due >= today + ahead)
    never = np.isnan(last_day)
    why = np.where(never, NEVER, np.where(~passed, FAILED, np.where(due < today, RAN_OUT, DUE)))
    return [
        CheckRows.of(
            "inspection",
            unit,
            subject=needs["type"],
            gates=needs["grounds"],
            outcome=outcome_of(lasts, never),
            missing=never,
            turns=later_turn(lasts, due - ahead + 1),
            due=np.where(passed, due, today),
            late=np.where(passed, due + 1, np.nan),
            mend_h=needs["work_h"],
            crew=needs["crew"],
            a=np.where(passed, due, np.nan),
            b=np.where(lasts, 0, why),
        )
    ]


def standing_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """Open faults (only one that stops the unit holds it back) and what other units owe this one."""
    faults, debts = snapshot.faults, snapshot.debts
    offset = snapshot.units["offset_days"]
    mend = np.where(faults["mend_here"], faults["mend_h"], np.inf)
    item: IntArray = faults["item"]
    wants = np.flatnonzero(item > 0)
    held = _spares(snapshot, faults["unit"][wants], item[wants])
    mend[wants] = np.where(held >= faults["qty"][wants], mend[wants], np.inf)
    return [
        CheckRows.of(
            "fault",
            faults["unit"],
            subject=faults["id"],
            gates=faults["severity"] >= 2,
            outcome=CheckOutcome.FAIL,
            due=local_day(faults["since"], offset[faults["unit"]]),
            mend_h=mend,
            crew=faults["crew"],
            a=faults["severity"],
            b=np.where(item > 0, item, np.nan),
        ),
        CheckRows.of(
            "debt",
            debts["unit"],
            subject=debts["id"],
            gates=False,
            outcome=CheckOutcome.FAIL,
            due=local_day(debts["since"], offset[debts["unit"]]),
        ),
    ]


def _spares(snapshot: FleetSnapshot, unit: IntArray, item: IntArray) -> FloatArray:
    """What is aboard and in the depot of an item, for pairs that may repeat."""
    pairs, back = np.unique(np.stack([unit, item], axis=1), axis=0, return_inverse=True)
    held = aboard_for(snapshot, pairs[:, 0], pairs[:, 1]) + stock_for(snapshot, pairs[:, 0], pairs[:, 1])
    return held[back.ravel()] if len(pairs) else np.zeros(0)
