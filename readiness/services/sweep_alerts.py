"""From checks to open matters: raised once, updated when the facts change, cleared only when new evidence shows it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fleet.models.office import Role
from readiness.domain.check_rows import CHECK, CHECK_KINDS, CheckOutcome, CheckRows
from readiness.domain.checks import Assessment
from readiness.domain.snapshot import FleetSnapshot
from readiness.models import Alert
from readiness.selectors.snapshot import date_of
from readiness.services.sweep_labels import Labels
from readiness.services.sweep_results import DATA_NAMES, OUTCOMES, iso_day

# What leaving a matter undone costs, as an order: damage and danger first, then what stops a unit, then upkeep.
COST: dict[str, float] = {
    "frost": 95,
    "bank_missing": 90,
    "fault_open": 85,
    "charge_due": 80,
    "part_missing": 75,
    "charge_open": 72,
    "certificate": 70,
    "unexplained_loss": 65,
    "floor_broken": 62,
    "kit_short": 60,
    "part_life": 60,
    "inspection": 58,
    "reading_stale": 55,
    "float_unproven": 50,
    "evidence_void": 48,
    "wet_idle": 45,
    "weak_block": 42,
    "survey": 40,
    "lots_aboard": 35,
    "debt": 30,
    "lot_stores": 25,
}
COMING, NOW, LATE = "coming", "now", "late"
STAGE_WEIGHT = {COMING: 0.4, NOW: 1.0, LATE: 1.3}
SEVERITY_WEIGHT = {0: 0.3, 1: 0.6, 2: 1.0}
DEFAULT_LOOKAHEAD_DAYS = 30.0
# A certificate's due day already lies its lead time ahead; a reading is quickly taken.
LOOKAHEAD_AT_MOST = {
    "certificate": 0.0,
    "reading_stale": 14.0,
    "float_unproven": 7.0,
    "charge_open": 0.0,
    "inspection": 10.0,
}


_CHARGE_CHECKS = [CHECK[key] for key in ("charge_floor", "charge_depart", "charge_interval")]
# These fail already when they do not last through a mission that starts today; until their own day they are still coming.
_THROUGH_MISSION = frozenset({"certificate", "inspection", "part_life"})


@dataclass
class Draft:
    """What an alert should say now."""

    rule: str
    unit_id: int
    bank_id: int | None
    depot_id: int
    items: list[dict[str, Any]] = field(default_factory=list)
    due: float = np.inf
    late: float = np.inf
    hours: float = 0.0
    weight: float = 0.0
    buy: bool = False

    @property
    def key(self) -> tuple[str, str]:
        return self.rule, f"bank:{self.bank_id}" if self.bank_id else f"unit:{self.unit_id}"

    @property
    def owner_role(self) -> str:
        return Role.PROCUREMENT if self.buy else Role.DEPOT_MANAGER


def _matters(rows: CheckRows, snapshot: FleetSnapshot) -> np.ndarray:
    """Rows that are, or soon will be, somebody's work."""
    lookahead = np.nan_to_num(snapshot.units["lookahead_days"], nan=DEFAULT_LOOKAHEAD_DAYS)[rows.unit]
    most = np.array([LOOKAHEAD_AT_MOST.get(kind.rule, np.inf) for kind in CHECK_KINDS])[rows.check]
    has_rule = np.array([bool(kind.rule) for kind in CHECK_KINDS])[rows.check]
    # What cannot be told about a charge is the matter of its missing evidence, not of a charge.
    untold = (rows.outcome == CheckOutcome.CANNOT_DECIDE) & np.isin(rows.check, _CHARGE_CHECKS)
    coming = rows.due <= snapshot.as_of_day + np.minimum(lookahead, most)
    return np.flatnonzero(
        (has_rule & ~untold & ((rows.outcome != CheckOutcome.PASS) | coming)) | rows.missing
    )


def drafts(snapshot: FleetSnapshot, found: Assessment, labels: Labels) -> dict[tuple[str, str], Draft]:
    """The alerts that should be open for the units of the snapshot, by rule and subject."""
    units = snapshot.units
    today = float(snapshot.as_of_day)
    rows = found.rows.take(_matters(found.rows, snapshot))
    wanted: dict[tuple[str, str], Draft] = {}
    ids, homes = units["id"].tolist(), units["home"].tolist()
    for n in range(len(rows)):
        kind = CHECK_KINDS[int(rows.check[n])]
        unit = int(rows.unit[n])
        rule = "survey" if rows.missing[n] else kind.rule
        bank_id = int(rows.subject[n]) if kind.subject == "bank" and rule not in ("survey", "frost") else None
        draft = Draft(rule, ids[unit], bank_id, homes[unit])
        draft = wanted.setdefault(draft.key, draft)
        _add(draft, kind.key, rows, n, today, labels, kind.subject)
    minutes = np.nan_to_num(units["survey_min"], nan=5.0)
    place = {unit_id: number for number, unit_id in enumerate(ids)}
    for draft in wanted.values():
        if draft.rule == "survey":
            draft.hours = len(draft.items) * float(minutes[place[draft.unit_id]]) / 60.0
    return wanted


def _add(draft: Draft, key: str, rows: CheckRows, n: int, today: float, labels: Labels, subject: str) -> None:
    outcome = int(rows.outcome[n])
    number = int(rows.subject[n])
    item: dict[str, Any] = {"key": key, "outcome": OUTCOMES[outcome], "id": number}
    if number:
        item["label"] = labels.of(subject, number)
    for name, value in zip(DATA_NAMES.get(key, ("", "", "")), (rows.a[n], rows.b[n], rows.c[n]), strict=True):
        if name and np.isfinite(value):
            item[name] = iso_day(int(value)) if name.endswith("_day") else round(float(value), 4)
    if key == "lots_aboard" and np.isfinite(rows.b[n]):
        item["label"] = labels.of("lot", int(rows.b[n]))
    due, late, mend_h = float(rows.due[n]), float(rows.late[n]), float(rows.mend_h[n])
    if np.isfinite(due):
        item["due_on"] = iso_day(int(due))
        draft.due = min(draft.due, due)
    if np.isfinite(late):
        item["late_on"] = iso_day(int(late))
        draft.late = min(draft.late, late)
    if np.isinf(mend_h):
        item["not_here"] = True
        draft.buy = draft.buy or key in ("kit", "part_fitted", "part_life")
    elif np.isfinite(mend_h) and key != "charge_interval":
        draft.hours += mend_h
    elif not np.isfinite(mend_h):
        item["hours_unknown"] = True
    stage = COMING if outcome == CheckOutcome.PASS else (LATE if late <= today else NOW)
    if (
        stage == NOW
        and key in _THROUGH_MISSION
        and np.isfinite(mend_h)
        and max(due, late if late == late else due) > today
    ):
        stage = COMING
    item["stage"] = stage
    severity = SEVERITY_WEIGHT[int(rows.a[n])] if key == "fault" else 1.0
    draft.weight = max(draft.weight, COST.get(draft.rule, 30.0) * STAGE_WEIGHT[stage] * severity)
    draft.items.append(item)


def alert_fields(draft: Draft) -> dict[str, Any]:
    """The columns of an alert that follow from the facts."""
    return {
        "data": {"items": draft.items},
        "cost_of_delay": round(draft.weight, 2),
        "work_h": round(draft.hours, 2) or None,
        "due_on": date_of(draft.due),
        "too_late_on": date_of(draft.late),
        "owner_role": draft.owner_role,
        "depot_id": draft.depot_id,
        "about_unit_id": draft.unit_id,
    }


def undecided_subjects(snapshot: FleetSnapshot, found: Assessment) -> set[tuple[str, str]]:
    """(rule, subject) whose checks cannot be decided now: an open alert about one of these is not cleared."""
    rows = found.rows
    open_ = np.flatnonzero(rows.outcome == CheckOutcome.CANNOT_DECIDE)
    ids = snapshot.units["id"].tolist()
    subjects = set()
    for check, subject, unit in zip(
        rows.check[open_].tolist(), rows.subject[open_].tolist(), rows.unit[open_].tolist(), strict=True
    ):
        kind = CHECK_KINDS[check]
        if kind.rule:
            by_bank = kind.subject == "bank" and kind.rule != "frost"
            subjects.add((kind.rule, f"bank:{subject}" if by_bank else f"unit:{ids[unit]}"))
    # A bank whose charge is not known shows nothing about its past either.
    known = found.estimates.decided
    for bank in snapshot.banks["id"][~known].tolist():
        subjects.update(
            {
                (rule, f"bank:{bank}")
                for rule in ("charge_due", "floor_broken", "unexplained_loss", "weak_block")
            }
        )
    return subjects


@dataclass(frozen=True)
class AlertChanges:
    raised: list[Alert]
    updated: list[Alert]
    cleared: list[Alert]


UPDATED_FIELDS = [
    "data",
    "cost_of_delay",
    "work_h",
    "due_on",
    "too_late_on",
    "owner_role",
    "depot",
    "about_unit",
    "updated_at",
    "worsened_at",
    "snoozed_until",
]


def changes(
    wanted: dict[tuple[str, str], Draft],
    open_alerts: list[Alert],
    *,
    undecided: set[tuple[str, str]],
    swept_banks: set[int],
    evidence: dict[str, str],
    now: dt.datetime,
) -> AlertChanges:
    """What to raise, update and clear. Alerts of rules that are not the sweep's, and of banks not looked at, are left."""
    result = AlertChanges([], [], [])
    seen = set()
    for alert in open_alerts:
        key = (alert.rule, alert.subject_key)
        seen.add(key)
        draft = wanted.get(key)
        if draft is not None:
            if _updated(alert, draft, now):
                result.updated.append(alert)
        elif (
            alert.rule in COST
            and key not in undecided
            and (alert.bank_id is None or alert.bank_id in swept_banks)
        ):
            alert.cleared_at = now
            alert.cleared_by = evidence.get(alert.subject_key, "records")[:200]
            result.cleared.append(alert)
    for key, draft in wanted.items():
        if key not in seen:
            result.raised.append(_raised(draft, now))
    return result


def _updated(alert: Alert, draft: Draft, now: dt.datetime) -> bool:
    fresh = alert_fields(draft)
    if all(getattr(alert, name) == value for name, value in fresh.items()):
        return False
    worse = fresh["cost_of_delay"] > alert.cost_of_delay or len(draft.items) > len(
        alert.data.get("items", ())
    )
    for name, value in fresh.items():
        setattr(alert, name, value)
    alert.updated_at = now
    if worse:
        alert.worsened_at, alert.snoozed_until = now, None
    return True


def _raised(draft: Draft, now: dt.datetime) -> Alert:
    return Alert(
        rule=draft.rule,
        subject_key=draft.key[1],
        unit_id=None if draft.bank_id else draft.unit_id,
        bank_id=draft.bank_id,
        raised_at=now,
        updated_at=now,
        **alert_fields(draft),
    )
