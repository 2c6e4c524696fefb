"""What a sweep writes: verdicts by period of unchanged result, states of banks, alerts. Short transactions, unique keys."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from django.db import connection
from django.db.models import Q

from readiness.domain.bank_records import Anchor, DueBy, Note, Reason
from readiness.domain.checks import Assessment
from readiness.domain.checks_charge import local_day
from readiness.domain.inputs import FloatArray
from readiness.domain.snapshot import FleetSnapshot
from readiness.domain.time_to_ready import VERDICT_KEYS
from readiness.models import Alert, SetAside, Verdict
from readiness.selectors.snapshot import date_of
from readiness.services import sweep_alerts
from readiness.services.sweep_labels import Labels, load_labels
from readiness.services.sweep_results import SCHEMA, result_texts

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass
class Written:
    """What one sweep, or one slice of it, did."""

    units: int = 0
    changed: int = 0
    set_aside: int = 0
    raised: int = 0
    cleared: int = 0
    reasons: list[str] = field(default_factory=list)

    def add(self, other: Written) -> None:
        self.units += other.units
        self.changed += other.changed
        self.set_aside += other.set_aside
        self.raised += other.raised
        self.cleared += other.cleared
        self.reasons += other.reasons


def write_slice(
    snapshot: FleetSnapshot, found: Assessment, units: np.ndarray, *, as_of: dt.date, loaded_at: dt.datetime
) -> Written:
    """Write the results of the given unit rows. Call inside a transaction.

    A unit whose verdict was computed from a later reading of the records, or for a later day, keeps that verdict.
    """
    current = _current_verdicts(snapshot.units["id"][units].tolist())
    keep = np.array(
        [_may_write(current.get(pk), as_of, loaded_at) for pk in snapshot.units["id"][units].tolist()],
        dtype=bool,
    )
    units = units[keep]
    written = Written(units=len(units))
    written.changed = _write_verdicts(snapshot, found, units, current, as_of, loaded_at)
    banks = np.flatnonzero(np.isin(snapshot.banks["unit"], units))
    _write_states(snapshot, found, banks, as_of, loaded_at)
    changes = _alert_changes(snapshot, found, units, banks, loaded_at)
    _write_alerts(changes)
    written.raised, written.cleared = len(changes.raised), len(changes.cleared)
    ids = snapshot.units["id"][units].tolist()
    SetAside.objects.filter(unit_id__in=ids, cleared_at__isnull=True).update(cleared_at=loaded_at)
    return written


def _current_verdicts(unit_ids: list[int]) -> dict[int, tuple[int, str, dt.date, dt.date, dt.datetime]]:
    rows = Verdict.objects.filter(unit_id__in=unit_ids, current=True).order_by()
    return {
        unit_id: (pk, digest, from_day, last_day, confirmed_at)
        for pk, unit_id, digest, from_day, last_day, confirmed_at in rows.values_list(
            "pk", "unit_id", "digest", "from_day", "last_confirmed_day", "confirmed_at"
        )
    }


def _may_write(there: Any, as_of: dt.date, loaded_at: dt.datetime) -> bool:
    return there is None or (there[3] <= as_of and there[4] <= loaded_at)


def digest_texts(digest: np.ndarray) -> list[str]:
    return [f"{first:016x}{second:016x}" for first, second in digest.tolist()]


def _write_verdicts(
    snapshot: FleetSnapshot,
    found: Assessment,
    units: np.ndarray,
    current: dict[int, tuple[int, str, dt.date, dt.date, dt.datetime]],
    as_of: dt.date,
    loaded_at: dt.datetime,
) -> int:
    ids = snapshot.units["id"][units].tolist()
    fresh = digest_texts(found.digest[units])
    same = [
        current[pk][0]
        for pk, digest in zip(ids, fresh, strict=True)
        if pk in current and current[pk][1] == digest
    ]
    Verdict.objects.filter(pk__in=same).update(last_confirmed_day=as_of, confirmed_at=loaded_at)
    changed = [
        n
        for n, (pk, digest) in enumerate(zip(ids, fresh, strict=True))
        if pk not in current or current[pk][1] != digest
    ]
    if not changed:
        return 0
    Verdict.objects.filter(pk__in=[current[ids[n]][0] for n in changed if ids[n] in current]).update(
        current=False
    )
    rows = units[changed]
    labels = load_labels(found.rows.take(np.flatnonzero(np.isin(found.rows.unit, rows))))
    texts = result_texts(snapshot, found, rows, labels)
    hours, turns = found.hours[rows].tolist(), found.turns_on[rows].tolist()
    outcome = [VERDICT_KEYS[code] for code in found.verdict[rows].tolist()]
    _insert(
        Verdict._meta.db_table,
        (
            "unit_id",
            "from_day",
            "last_confirmed_day",
            "confirmed_at",
            "outcome",
            "time_to_ready_h",
            "turns_on",
            "digest",
            "result_schema",
            "result",
            "current",
        ),
        [
            (
                ids[n],
                as_of.isoformat(),
                as_of.isoformat(),
                _moment(loaded_at),
                outcome[k],
                hours[k] if np.isfinite(hours[k]) else None,
                _iso(turns[k]),
                fresh[n],
                SCHEMA,
                texts[k],
                True,
            )
            for k, n in enumerate(changed)
        ],
    )
    return len(changed)


def _insert(
    table: str, columns: tuple[str, ...], rows: list[tuple[Any, ...]], *, upsert_on: str = ""
) -> None:
    """Many rows by the plain driver, one statement; with `upsert_on` an existing row is overwritten."""
    marks = ", ".join(["%s"] * len(columns))
    sql = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})"
    if upsert_on:
        others = ", ".join(f"{name} = excluded.{name}" for name in columns if name != upsert_on)
        sql += f" ON CONFLICT ({upsert_on}) DO UPDATE SET {others}"
    with connection.cursor() as cursor:
        cursor.executemany(sql, rows)


def _moment(value: dt.datetime) -> str:
    """An instant as the engine stores it when it comes as text."""
    aware = value.astimezone(dt.UTC)
    return aware.strftime("%Y-%m-%d %H:%M:%S.%f") + ("" if connection.vendor == "sqlite" else "+00:00")


def _iso(day: float) -> str | None:
    found = date_of(day)
    return found.isoformat() if found else None


_STATE_COLUMNS = (
    "bank_id",
    "as_of",
    "computed_at",
    "status",
    "reasons",
    "soc",
    "sigma",
    "low_soc",
    "high_soc",
    "floor_soc",
    "floor_day",
    "interval_used",
    "interval_day",
    "due_day",
    "due_by",
    "anchor_at",
    "anchor_kind",
    "last_reading_at",
    "readings_used",
)
_ANCHOR = {Anchor.NONE: "", Anchor.CHARGE: "charge", Anchor.READING: "reading"}
_DUE_BY = {DueBy.NONE: "", DueBy.FLOOR: "floor", DueBy.INTERVAL: "interval"}


def words_of(reasons: int, notes: int) -> list[str]:
    """Reasons and notes of a charge state as the stable words that pages translate."""
    return [part.name.lower() for part in Reason(reasons) if part.name] + [
        part.name.lower() for part in Note(notes) if part.name
    ]


def _write_states(
    snapshot: FleetSnapshot, found: Assessment, banks: np.ndarray, as_of: dt.date, loaded_at: dt.datetime
) -> None:
    if not len(banks):
        return
    e = found.estimates
    offset = snapshot.units["offset_days"][snapshot.banks["unit"][banks]]

    def plain(values: FloatArray) -> list[float | None]:
        return [None if value != value else value for value in values[banks].tolist()]

    def days(values: FloatArray) -> list[str | None]:
        return [_iso(day) for day in local_day(values[banks], offset).tolist()]

    def moments(values: FloatArray) -> list[str | None]:
        return [None if at != at else _moment(EPOCH + dt.timedelta(days=at)) for at in values[banks].tolist()]

    words: dict[tuple[int, int], str] = {}
    reasons = []
    for pair in zip(e.reasons[banks].tolist(), e.notes[banks].tolist(), strict=True):
        if pair not in words:
            words[pair] = json.dumps(words_of(*pair))
        reasons.append(words[pair])
    count = len(banks)
    rows = zip(
        snapshot.banks["id"][banks].tolist(),
        [as_of.isoformat()] * count,
        [_moment(loaded_at)] * count,
        ["decided" if ok else "cannot_decide" for ok in e.decided[banks].tolist()],
        reasons,
        plain(e.soc),
        plain(e.sigma),
        plain(e.low),
        plain(e.high),
        plain(e.floor_soc),
        days(e.floor_at),
        plain(e.used),
        days(e.interval_at),
        days(e.due_at),
        [_DUE_BY[DueBy(code)] for code in e.due_by[banks].tolist()],
        moments(e.anchor_at),
        [_ANCHOR[Anchor(code)] for code in e.anchor_kind[banks].tolist()],
        moments(e.reading_at),
        e.readings_used[banks].tolist(),
        strict=True,
    )
    _insert("readiness_bankstate", _STATE_COLUMNS, list(rows), upsert_on="bank_id")


def _alert_changes(
    snapshot: FleetSnapshot, found: Assessment, units: np.ndarray, banks: np.ndarray, now: dt.datetime
) -> sweep_alerts.AlertChanges:
    ids, bank_ids = snapshot.units["id"][units].tolist(), snapshot.banks["id"][banks].tolist()
    rows = found.rows.take(np.flatnonzero(np.isin(found.rows.unit, units)))
    matter = rows.take(sweep_alerts._matters(rows, snapshot))
    labels = load_labels(matter) if len(matter) else Labels()
    part = Assessment(rows, found.verdict, found.hours, found.turns_on, found.digest, found.estimates)
    open_alerts = list(
        Alert.objects.filter(
            Q(about_unit_id__in=ids) | Q(bank_id__in=bank_ids), cleared_at__isnull=True
        ).order_by("pk")
    )
    return sweep_alerts.changes(
        sweep_alerts.drafts(snapshot, part, labels),
        open_alerts,
        undecided=sweep_alerts.undecided_subjects(snapshot, part),
        swept_banks=set(bank_ids),
        evidence=_evidence(snapshot, found, banks),
        now=now,
    )


def _evidence(snapshot: FleetSnapshot, found: Assessment, banks: np.ndarray) -> dict[str, str]:
    """What shows a bank's matters settled: its latest charge or reading, as `charge 2026-11-03`."""
    e = found.estimates
    said = {}
    for bank in banks.tolist():
        charged, read = e.charged_at[bank], e.reading_at[bank]
        kind, at = ("charge", charged) if not read > charged else ("reading", read)
        if at == at:
            said[f"bank:{int(snapshot.banks['id'][bank])}"] = f"{kind} {_iso(at)}"
    return said


def _write_alerts(changes: sweep_alerts.AlertChanges) -> None:
    if changes.cleared:
        Alert.objects.bulk_update(changes.cleared, ["cleared_at", "cleared_by"], batch_size=500)
    if changes.updated:
        Alert.objects.bulk_update(changes.updated, sweep_alerts.UPDATED_FIELDS, batch_size=200)
    if changes.raised:
        Alert.objects.bulk_create(changes.raised, batch_size=500)
