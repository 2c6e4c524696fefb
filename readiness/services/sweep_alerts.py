"""From checks to open matters: raised once, updated when the facts change, cleared only when new evidence shows it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from django.db import connection

from fleet.models.office import Role
from readiness.domain.charging import CHARGE_WORK_H
from readiness.domain.check_rows import CHECK_KINDS, CheckOutcome, CheckRows, row_prints
from readiness.domain.snapshot import FleetSnapshot, Frame
from readiness.models import Alert
from readiness.selectors.columns import fetch, id_list
from readiness.selectors.snapshot import date_of
from readiness.services.sweep_labels import Labels, load_labels
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
    "bank_rate": 46,
    "bank_weak": 44,
    "weak_block": 42,
    "bank_returned": 38,
    "logger": 32,
    "bank_age": 28,
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
    "inspection": 10.0,
    "reading_stale": 14.0,
    "float_unproven": 7.0,
    # Nothing to do before the day has passed.
    "charge_open": -1.0,
    "wet_idle": -1.0,
}


_CHARGE_CHECKS = frozenset({"charge_floor", "charge_depart", "charge_interval", "charge_kept"})
# Mended by a charge: its hours are the charger's, a person only starts and ends it.
_BY_CHARGER = _CHARGE_CHECKS | {"acid_frost"}
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
    charged: set[int] = field(default_factory=set)
    weight: float = 0.0
    buy: bool = False
    mark: str = ""

    @property
    def key(self) -> tuple[str, str]:
        return self.rule, f"bank:{self.bank_id}" if self.bank_id else f"unit:{self.unit_id}"

    @property
    def owner_role(self) -> str:
        return Role.PROCUREMENT if self.buy else Role.DEPOT_MANAGER


STAGES = (COMING, NOW, LATE)
RULES: tuple[str, ...] = (
    "survey",
    *sorted({kind.rule for kind in CHECK_KINDS if kind.rule and kind.rule != "survey"}),
)
_RULE_OF = np.array([RULES.index(kind.rule) if kind.rule else -1 for kind in CHECK_KINDS])
# One alert a bank, save for what concerns the whole unit.
_BY_BANK = np.array([kind.subject == "bank" and kind.rule != "frost" for kind in CHECK_KINDS])
_AT_MOST = np.array([LOOKAHEAD_AT_MOST.get(kind.rule, np.inf) for kind in CHECK_KINDS])
_THROUGH = np.array([kind.key in _THROUGH_MISSION for kind in CHECK_KINDS])
# Looked at ahead of its time: it always lies ahead.
_AHEAD = np.array([kind.key == "part_ahead" for kind in CHECK_KINDS])
_UNTOLD = np.array([kind.key in _CHARGE_CHECKS for kind in CHECK_KINDS])


@dataclass(frozen=True)
class Matters:
    """Rows that are, or soon will be, somebody's work, and the alert (rule and subject) each belongs to.

    `stage` per row; `group` per row, index into the alerts; per alert `rule` (index into RULES), `by_bank`, `subject` id,
    `unit` row, and `prints`: equal when everything the alert says is equal.
    """

    rows: CheckRows
    stage: np.ndarray
    group: np.ndarray
    rule: np.ndarray
    by_bank: np.ndarray
    subject: np.ndarray
    unit: np.ndarray
    prints: np.ndarray

    def keys(self) -> list[tuple[str, str]]:
        return [
            (RULES[rule], f"bank:{subject}" if by_bank else f"unit:{subject}")
            for rule, by_bank, subject in zip(
                self.rule.tolist(), self.by_bank.tolist(), self.subject.tolist(), strict=True
            )
        ]


def matters(rows: CheckRows, snapshot: FleetSnapshot) -> Matters:
    """The alerts that should be open, found for all units at once."""
    today = float(snapshot.as_of_day)
    lookahead = np.nan_to_num(snapshot.units["lookahead_days"], nan=DEFAULT_LOOKAHEAD_DAYS)[rows.unit]
    # What cannot be told about a charge is the matter of its missing evidence, not of a charge.
    untold = (rows.outcome == CheckOutcome.CANNOT_DECIDE) & _UNTOLD[rows.check]
    # What passes and will not turn by itself is settled, however long ago it was due.
    coming = np.isfinite(rows.turns) & (rows.due <= today + np.minimum(lookahead, _AT_MOST[rows.check]))
    work = (_RULE_OF[rows.check] >= 0) & ~untold & ((rows.outcome != CheckOutcome.PASS) | coming)
    rows = rows.take(np.flatnonzero(work | rows.missing))
    stage = np.where(rows.outcome == CheckOutcome.PASS, 0, np.where(rows.late <= today, 2, 1))
    last = np.fmax(rows.due, rows.late)
    stage = np.where(
        (stage == 1) & _THROUGH[rows.check] & np.isfinite(rows.mend_h) & (last > today), 0, stage
    )
    stage = np.where((stage == 1) & _AHEAD[rows.check], 0, stage)
    rule = np.where(rows.missing, 0, _RULE_OF[rows.check])
    by_bank = _BY_BANK[rows.check] & ~rows.missing
    subject = np.where(by_bank, rows.subject, snapshot.units["id"][rows.unit])
    code = (rule * 2 + by_bank) * (np.int64(1) << np.int64(48)) + subject
    _, first, group = np.unique(code, return_index=True, return_inverse=True)
    prints = np.zeros(len(first), dtype=np.uint64)
    columns = [stage, snapshot.units["home"][rows.unit], snapshot.units["id"][rows.unit], rows.takes_h]
    np.add.at(prints, group.ravel(), row_prints(rows, columns))
    return Matters(
        rows, stage, group.ravel(), rule[first], by_bank[first], subject[first], rows.unit[first], prints
    )


def drafts(
    snapshot: FleetSnapshot, found: Matters, which: np.ndarray, labels: Labels
) -> dict[tuple[str, str], Draft]:
    """What the chosen alerts (indices into the groups of `found`) should say."""
    units = snapshot.units
    chosen = np.zeros(len(found.rule), dtype=bool)
    chosen[which] = True
    at = np.flatnonzero(chosen[found.group])
    rows, stages, groups = found.rows.take(at), found.stage[at].tolist(), found.group[at].tolist()
    made: dict[int, Draft] = {}
    for number in which.tolist():
        unit = int(found.unit[number])
        bank_id = int(found.subject[number]) if found.by_bank[number] else None
        made[number] = Draft(
            RULES[int(found.rule[number])],
            int(units["id"][unit]),
            bank_id,
            int(units["home"][unit]),
            mark=f"{int(found.prints[number]):016x}",
        )
    for n, (stage, group) in enumerate(zip(stages, groups, strict=True)):
        _add(made[group], rows, n, STAGES[stage], labels)
    minutes = np.nan_to_num(units["survey_min"], nan=5.0)
    for number, draft in made.items():
        if draft.rule == "survey":
            draft.hours = len(draft.items) * float(minutes[int(found.unit[number])]) / 60.0
    return {draft.key: draft for draft in made.values()}


def _add(draft: Draft, rows: CheckRows, n: int, stage: str, labels: Labels) -> None:
    kind = CHECK_KINDS[int(rows.check[n])]
    key, subject = kind.key, kind.subject
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
    due, late = float(rows.due[n]), float(rows.late[n])
    if np.isfinite(due):
        item["due_on"] = iso_day(int(due))
        draft.due = min(draft.due, due)
    if np.isfinite(late):
        item["late_on"] = iso_day(int(late))
        draft.late = min(draft.late, late)
    _add_hours(draft, item, rows, n)
    item["stage"] = stage
    severity = SEVERITY_WEIGHT[int(rows.a[n])] if key == "fault" else 1.0
    draft.weight = max(draft.weight, COST.get(draft.rule, 30.0) * STAGE_WEIGHT[stage] * severity)
    draft.items.append(item)


def _add_hours(draft: Draft, item: dict[str, Any], rows: CheckRows, n: int) -> None:
    """The hours a person works on it: now, or when its day comes; those of a charger beside them (`charge_h`)."""
    coming = rows.outcome[n] == CheckOutcome.PASS
    hours = float(rows.takes_h[n] if coming else rows.mend_h[n])
    if item["key"] in _BY_CHARGER:
        if item["id"] not in draft.charged:  # floor and interval of a bank are one charge
            draft.charged.add(item["id"])
            draft.hours += CHARGE_WORK_H
        if np.isfinite(hours):
            item["charge_h"] = hours
        else:
            item["hours_unknown"] = True
    elif np.isinf(hours):
        item["not_here"] = True
        draft.buy = draft.buy or item["key"] in ("kit", "part_fitted", "part_life", "part_ahead")
    elif np.isnan(hours):
        item["hours_unknown"] = True
    else:
        draft.hours += hours


def alert_fields(draft: Draft) -> dict[str, Any]:
    """The columns of an alert that follow from the facts."""
    return {
        "data": {"items": draft.items, "print": draft.mark},
        "cost_of_delay": round(draft.weight, 2),
        "work_h": round(draft.hours, 2) or None,
        "due_on": date_of(draft.due),
        "too_late_on": date_of(draft.late),
        "owner_role": draft.owner_role,
        "depot_id": draft.depot_id,
        "about_unit_id": draft.unit_id,
    }


# What a bank whose charge is not known shows nothing about either.
_SILENT_RULES = (
    "charge_due",
    "floor_broken",
    "unexplained_loss",
    "weak_block",
    "bank_rate",
    "bank_weak",
    "bank_returned",
    "bank_age",
)

Key = tuple[str, str]


@dataclass(frozen=True)
class Undecided:
    """What nothing can be said about now: an open alert about it is not cleared, because nothing shows it settled.

    `items`: by rule and subject the things (check key and id) that cannot be decided, or were never recorded; `silent`:
    rules and subjects of which nothing at all is shown.
    """

    items: dict[Key, set[tuple[str, int]]]
    silent: set[Key]


def undecided_subjects(
    snapshot: FleetSnapshot, rows: CheckRows, bank_ids: list[int], decided: np.ndarray
) -> Undecided:
    """What the checks leave open; `decided` says of each of `bank_ids` whether its charge state is known."""
    at = np.flatnonzero((rows.outcome == CheckOutcome.CANNOT_DECIDE) & (_RULE_OF[rows.check] >= 0))
    by_bank = _BY_BANK[rows.check[at]]
    about = np.where(by_bank, rows.subject[at], snapshot.units["id"][rows.unit[at]])
    items: dict[Key, set[tuple[str, int]]] = {}
    for check, number, bank, thing in zip(
        rows.check[at].tolist(), about.tolist(), by_bank.tolist(), rows.subject[at].tolist(), strict=True
    ):
        kind = CHECK_KINDS[check]
        key = (kind.rule, f"bank:{number}" if bank else f"unit:{number}")
        items.setdefault(key, set()).add((kind.key, thing))
    silent = {
        (rule, f"bank:{bank_id}")
        for bank_id, known in zip(bank_ids, decided.tolist(), strict=True)
        if not known
        for rule in _SILENT_RULES
    }
    return Undecided(items, silent)


@dataclass(frozen=True)
class AlertChanges:
    """`worse` names those among the updated that got graver."""

    raised: list[Alert]
    updated: list[Alert]
    cleared: list[Alert]
    worse: set[int]


@dataclass(frozen=True)
class OpenAlerts:
    """What is open now about the units and banks looked at: enough to see what stays as it is."""

    pk: list[int]
    key: list[tuple[str, str]]
    mark: list[str]
    bank: list[int]

    def not_wanted(
        self, wanted: set[Key], undecided: Undecided, banks: set[int]
    ) -> tuple[list[int], list[int]]:
        """Alerts whose matter is shown settled, and those of which some thing is left open and that must be looked at.

        Those of other rules, of banks not looked at, and those nothing is shown about are left.
        """
        settled: list[int] = []
        doubtful: list[int] = []
        for pk, key, bank in zip(self.pk, self.key, self.bank, strict=True):
            if key in wanted or key[0] not in COST or key in undecided.silent or (bank and bank not in banks):
                continue
            (doubtful if key in undecided.items else settled).append(pk)
        return settled, doubtful


def load_open(unit_ids: list[int], bank_ids: list[int]) -> OpenAlerts:
    """One query by the plain driver: a quiet fleet has many open alerts that need no more than a look."""
    mark = "json_extract(data, '$.print')" if connection.vendor == "sqlite" else "data->>'print'"
    columns = {
        "pk": ("id", "i"),
        "rule": ("rule", "s"),
        "subject": ("subject_key", "s"),
        "mark": (f"COALESCE({mark}, '')", "s"),
        "bank": ("COALESCE(bank_id, 0)", "i"),
    }
    frame = fetch(
        columns, f"FROM readiness_alert WHERE about_unit_id IN {id_list(unit_ids)} AND cleared_at IS NULL"
    )
    # A bank that came from another unit brings its open matters along.
    brought = fetch(
        columns, f"FROM readiness_alert WHERE bank_id IN {id_list(bank_ids)} AND cleared_at IS NULL"
    )
    extra = np.flatnonzero(~np.isin(brought["pk"], frame["pk"]))
    both = Frame({name: np.concatenate([frame[name], brought[name][extra]]) for name in columns})
    return OpenAlerts(
        both["pk"].tolist(),
        list(zip(both["rule"].tolist(), both["subject"].tolist(), strict=True)),
        both["mark"].tolist(),
        both["bank"].tolist(),
    )


def changes(
    snapshot: FleetSnapshot,
    found: Matters,
    there: OpenAlerts,
    *,
    undecided: Undecided,
    swept_banks: set[int],
    evidence: dict[str, str],
    now: dt.datetime,
) -> AlertChanges:
    """What to raise, update and clear; only what differs is looked at closer."""
    keys = found.keys()
    known = dict(zip(there.key, zip(there.pk, there.mark, strict=True), strict=True))
    marks = [f"{value:016x}" for value in found.prints.tolist()]
    differing = [
        n for n, (key, mark) in enumerate(zip(keys, marks, strict=True)) if known.get(key, (0, ""))[1] != mark
    ]
    settled, doubtful = there.not_wanted(set(keys), undecided, swept_banks)
    result = AlertChanges([], [], [], set())
    if differing:
        which = np.array(differing, dtype=np.int64)
        chosen = np.isin(found.group, which)
        wanted = drafts(snapshot, found, which, load_labels(found.rows.take(np.flatnonzero(chosen))))
        old = Alert.objects.in_bulk([known[key][0] for key in wanted if key in known])
        for key, draft in wanted.items():
            if key not in known:
                result.raised.append(_raised(draft, now))
            else:
                _update(result, old[known[key][0]], draft, now)
    clear = dict(Alert.objects.in_bulk(settled))
    for alert in Alert.objects.in_bulk(doubtful).values():
        left = _left_open(alert, undecided)
        if not left:
            clear[alert.pk] = alert
        elif len(left) < len(alert.data["items"]):
            _rewrite(alert, left, now)
            result.updated.append(alert)
    for alert in clear.values():
        alert.cleared_at = now
        alert.cleared_by = evidence.get(alert.subject_key, "records")[:200]
        result.cleared.append(alert)
    return result


def _left_open(alert: Alert, undecided: Undecided) -> list[dict[str, Any]]:
    """The things of an alert that cannot be decided now; the others are shown settled."""
    open_ = undecided.items[alert.rule, alert.subject_key]
    return [item for item in alert.data.get("items", ()) if (item["key"], int(item.get("id", 0))) in open_]


def _rewrite(alert: Alert, items: list[dict[str, Any]], now: dt.datetime) -> None:
    """An alert about fewer things than before. How long these take is not known until they can be decided."""
    alert.data = {"items": items, "print": ""}
    alert.due_on = min((day for item in items if (day := _day(item.get("due_on")))), default=None)
    alert.too_late_on = min((day for item in items if (day := _day(item.get("late_on")))), default=None)
    alert.cost_of_delay = round(
        max(COST.get(alert.rule, 30.0) * STAGE_WEIGHT.get(item.get("stage", NOW), 1.0) for item in items), 2
    )
    alert.work_h = None
    alert.updated_at = now


def _day(text: str | None) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


def _update(result: AlertChanges, alert: Alert, draft: Draft, now: dt.datetime) -> None:
    fresh = alert_fields(draft)
    if all(getattr(alert, name) == value for name, value in fresh.items()):
        return
    if is_worse(alert, fresh):
        alert.worsened_at, alert.snoozed_until = now, None
        result.worse.add(alert.pk)
    for name, value in fresh.items():
        setattr(alert, name, value)
    alert.updated_at = now
    result.updated.append(alert)


def is_worse(alert: Alert, fresh: dict[str, Any]) -> bool:
    """Whether a matter got graver than the open alert says: what ends a snooze.

    It costs more to leave, it is too late on an earlier day, another thing is concerned, or more of one is missing.
    """
    before, after = alert.too_late_on, fresh["too_late_on"]
    earlier = after is not None and (before is None or after < before)
    known = {_thing(item): _shortage(item) for item in alert.data.get("items", ())}
    grown = any(
        _thing(item) not in known or _shortage(item) > known[_thing(item)] + 1e-9
        for item in fresh["data"]["items"]
    )
    return fresh["cost_of_delay"] > alert.cost_of_delay or earlier or grown


def _thing(item: dict[str, Any]) -> tuple[str, int]:
    return item["key"], int(item.get("id", 0))


def _shortage(item: dict[str, Any]) -> float:
    """How much of a kit line is missing, how many lots aboard are bad; 0 where there is no quantity."""
    missing = float(item.get("needed") or 0.0) - float(item.get("aboard") or 0.0)
    return max(missing, float(item.get("bad_lots") or 0.0))


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
