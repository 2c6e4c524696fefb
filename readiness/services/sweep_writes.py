"""What a sweep writes: verdicts by period of unchanged result, states of banks, alerts. Short transactions, unique keys."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from django.db import connection

from fleet.lib.dates import find_zone
from readiness.domain.bank_flags import Unknown
from readiness.domain.bank_records import Anchor, DueBy, Note, Reason
from readiness.domain.check_rows import CheckRows
from readiness.domain.checks import Assessment
from readiness.domain.checks_charge import local_day
from readiness.domain.inputs import FloatArray
from readiness.domain.snapshot import FleetSnapshot
from readiness.domain.time_to_ready import VERDICT_KEYS
from readiness.models import Alert, Verdict
from readiness.selectors.columns import day, fetch, flag, id_list, instant
from readiness.selectors.snapshot import date_of, day_number
from readiness.services import sweep_alerts
from readiness.services.judgement_due import Marks, judgement_due_settle
from readiness.services.sweep_labels import load_labels
from readiness.services.sweep_results import SCHEMA, result_texts

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
LAST_DAY = 2_900_000.0


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


Texts = dict[int, str]


def prepared_texts(snapshot: FleetSnapshot, found: Assessment, units: np.ndarray) -> Texts:
    """Results of the units whose stored digest differs, by unit row: made before the transaction, to keep that short."""
    ids = snapshot.units["id"][units].tolist()
    current = _current_verdicts(ids)
    fresh = digest_texts(found.digest[units])
    differs = [
        pk not in current or current[pk].digest != digest for pk, digest in zip(ids, fresh, strict=True)
    ]
    return _texts_of(snapshot, found, units[np.array(differs, dtype=bool)])


def _texts_of(snapshot: FleetSnapshot, found: Assessment, units: np.ndarray) -> Texts:
    if not len(units):
        return {}
    labels = load_labels(_rows_of(found.rows, units))
    return dict(zip(units.tolist(), result_texts(snapshot, found, units, labels), strict=True))


def write_slice(
    snapshot: FleetSnapshot,
    found: Assessment,
    units: np.ndarray,
    texts: Texts,
    *,
    as_of: dt.date,
    loaded_at: dt.datetime,
    seen: Marks,
) -> Written:
    """Write the results of the given unit rows. Call inside a transaction, with what `prepared_texts` made before it.

    A unit whose verdict was computed from a later reading of the records keeps that verdict; so does one judged for a later
    day than this, unless this day is today at its home: what holds today is what was read last.
    """
    ids = snapshot.units["id"][units].tolist()
    _take_turns(ids)
    current = _current_verdicts(ids)
    today = _is_today(snapshot, units, as_of, loaded_at)
    keep = np.array(
        [
            _may_write(current.get(pk), as_of, loaded_at, here)
            for pk, here in zip(ids, today.tolist(), strict=True)
        ],
        dtype=bool,
    )
    units = units[keep]
    written = Written(units=len(units))
    written.changed = _write_verdicts(snapshot, found, units, texts, current, as_of, loaded_at)
    banks = np.flatnonzero(np.isin(snapshot.banks["unit"], units))
    _write_states(snapshot, found, banks, as_of, loaded_at)
    changes = _alert_changes(snapshot, found, units, banks, loaded_at)
    _write_alerts(changes)
    written.raised, written.cleared = len(changes.raised), len(changes.cleared)
    ids = snapshot.units["id"][units].tolist()
    _execute(
        f"UPDATE readiness_setaside SET cleared_at = %s WHERE unit_id IN {id_list(ids)} AND cleared_at IS NULL",
        [_moment(loaded_at)],
    )
    judgement_due_settle(ids, seen)
    return written


@dataclass(frozen=True)
class Current:
    """The current verdict of a unit: day numbers, and the instant of the records it was computed from."""

    pk: int
    digest: str
    last_day: float
    confirmed_at: float


def _current_verdicts(unit_ids: list[int]) -> dict[int, Current]:
    frame = fetch(
        {
            "unit": ("unit_id", "i"),
            "pk": ("id", "i"),
            "digest": ("digest", "s"),
            "last_day": (day("last_confirmed_day"), "f"),
            "confirmed_at": (instant("confirmed_at"), "f"),
        },
        f"FROM readiness_verdict WHERE unit_id IN {id_list(unit_ids)} AND {flag('current')} = 1",
    )
    columns = [frame[name].tolist() for name in ("unit", "pk", "digest", "last_day", "confirmed_at")]
    return {unit: Current(pk, digest, last, at) for unit, pk, digest, last, at in zip(*columns, strict=True)}


def _is_today(
    snapshot: FleetSnapshot, units: np.ndarray, as_of: dt.date, loaded_at: dt.datetime
) -> np.ndarray:
    """Whether `as_of` was the day at each unit's home when the records were read."""
    zones, back = np.unique(snapshot.units["zone"][units].astype(str), return_inverse=True)
    return np.array(
        [loaded_at.astimezone(find_zone(zone)).date() == as_of for zone in zones.tolist()], dtype=bool
    )[back.ravel()]


def _may_write(there: Current | None, as_of: dt.date, loaded_at: dt.datetime, is_today: bool) -> bool:
    """A microsecond is allowed for what the engines round."""
    loaded = (loaded_at - EPOCH) / dt.timedelta(days=1)
    return there is None or (
        there.confirmed_at <= loaded + 1e-9 and (is_today or there.last_day <= day_number(as_of))
    )


def digest_texts(digest: np.ndarray) -> list[str]:
    return [f"{first:016x}{second:016x}" for first, second in digest.tolist()]


def _write_verdicts(
    snapshot: FleetSnapshot,
    found: Assessment,
    units: np.ndarray,
    texts: Texts,
    current: dict[int, Current],
    as_of: dt.date,
    loaded_at: dt.datetime,
) -> int:
    ids = snapshot.units["id"][units].tolist()
    fresh = digest_texts(found.digest[units])
    same, replaced, changed = [], [], []
    for n, (pk, digest) in enumerate(zip(ids, fresh, strict=True)):
        there = current.get(pk)
        if there is not None and there.digest == digest:
            same.append(there.pk)
            continue
        changed.append(n)
        if there is not None:
            replaced.append(there.pk)
    _execute(
        "UPDATE readiness_verdict SET last_confirmed_day = %s, confirmed_at = %s,"
        f" from_day = CASE WHEN from_day > %s THEN %s ELSE from_day END WHERE id IN {id_list(same)}",
        [as_of.isoformat(), _moment(loaded_at), as_of.isoformat(), as_of.isoformat()],
    )
    if not changed:
        return 0
    _execute(f"UPDATE readiness_verdict SET current = %s WHERE id IN {id_list(replaced)}", [False])
    rows = units[changed]
    texts = texts | _texts_of(snapshot, found, rows[[row not in texts for row in rows.tolist()]])
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
                texts[int(rows[k])],
                True,
            )
            for k, n in enumerate(changed)
        ],
    )
    return len(changed)


def _take_turns(unit_ids: list[int]) -> None:
    """Two passes over the same units write one after the other; people's records of them are not held up."""
    if connection.vendor == "postgresql":
        _execute(
            f"SELECT id FROM fleet_unit WHERE id IN {id_list(unit_ids)} ORDER BY id FOR NO KEY UPDATE", []
        )


def _execute(sql: str, parameters: list[Any]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)


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


def _iso(day_: float) -> str | None:
    found = date_of(day_)
    return found.isoformat() if found else None


def _texts(values: FloatArray, unit: Literal["D", "us"]) -> list[str | None]:
    """Day numbers as the engines take them in text, many at once; None for what is not known or beyond the calendar."""
    known = np.isfinite(values) & (values < LAST_DAY)
    scaled = np.where(known, values, 0.0) * (1.0 if unit == "D" else 86_400e6)
    stamps = np.floor(scaled + (0.0 if unit == "D" else 0.5)).astype(np.int64).astype(f"datetime64[{unit}]")
    zone = "+00:00" if unit == "us" and connection.vendor != "sqlite" else ""
    written = np.datetime_as_string(stamps, unit=unit).tolist()
    return [
        text.replace("T", " ") + zone if ok else None
        for text, ok in zip(written, known.tolist(), strict=True)
    ]


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
    "learned_count",
    "own_pct_month",
    "own_low_pct_month",
    "own_high_pct_month",
    "published_pct_month",
    "peer_ratio",
    "likelier",
    "flags",
    "test_due_day",
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
    e, learned, flags = found.estimates, found.learned, found.flags
    offset = snapshot.units["offset_days"][snapshot.banks["unit"][banks]]

    def plain(values: FloatArray) -> list[float | None]:
        return [None if value != value else value for value in values[banks].tolist()]

    def days(values: FloatArray) -> list[str | None]:
        return _texts(local_day(values[banks], offset), "D")

    def moments(values: FloatArray) -> list[str | None]:
        return _texts(values[banks], "us")

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
        learned.count[banks].tolist(),
        plain(learned.total_pct_month),
        plain(learned.total_low),
        plain(learned.total_high),
        plain(learned.published_pct_month),
        plain(np.where(flags.unknown & int(Unknown.RATE), np.nan, flags.ratio)),
        flags.likelier[banks].tolist(),
        flags.flags[banks].tolist(),
        days(np.where(np.isfinite(flags.test_due_at), flags.test_due_at, np.nan)),
        strict=True,
    )
    _insert("readiness_bankstate", _STATE_COLUMNS, list(rows), upsert_on="bank_id")


def _alert_changes(
    snapshot: FleetSnapshot, found: Assessment, units: np.ndarray, banks: np.ndarray, now: dt.datetime
) -> sweep_alerts.AlertChanges:
    ids, bank_ids = snapshot.units["id"][units].tolist(), snapshot.banks["id"][banks].tolist()
    rows = _rows_of(found.rows, units)
    return sweep_alerts.changes(
        snapshot,
        sweep_alerts.matters(rows, snapshot),
        sweep_alerts.load_open(ids, bank_ids),
        undecided=sweep_alerts.undecided_subjects(snapshot, rows, bank_ids, found.estimates.decided[banks]),
        swept_banks=set(bank_ids),
        evidence=_evidence(snapshot, found, banks),
        now=now,
    )


def _rows_of(rows: CheckRows, units: np.ndarray) -> CheckRows:
    """The rows of these units; rows are sorted by unit."""
    if len(units) and units[-1] - units[0] + 1 == len(units):
        first, last = (
            np.searchsorted(rows.unit, units[0]),
            np.searchsorted(rows.unit, units[-1], side="right"),
        )
        return rows.take(slice(first, last))
    return rows.take(np.flatnonzero(np.isin(rows.unit, units)))


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


_ALERT_COLUMNS = (
    "data",
    "cost_of_delay",
    "work_h",
    "due_on",
    "too_late_on",
    "owner_role",
    "depot_id",
    "about_unit_id",
    "updated_at",
)


def _write_alerts(changes: sweep_alerts.AlertChanges) -> None:
    """Updates by the plain driver, one statement for many rows; what people set is touched only where a matter worsened."""
    for sql, rows in (
        (
            "UPDATE readiness_alert SET cleared_at = %s, cleared_by = %s WHERE id = %s",
            [(_cell(alert.cleared_at), alert.cleared_by, alert.pk) for alert in changes.cleared],
        ),
        (
            f"UPDATE readiness_alert SET {', '.join(f'{name} = %s' for name in _ALERT_COLUMNS)} WHERE id = %s",
            [
                (*(_cell(getattr(alert, name)) for name in _ALERT_COLUMNS), alert.pk)
                for alert in changes.updated
            ],
        ),
        (
            "UPDATE readiness_alert SET worsened_at = %s, snoozed_until = NULL WHERE id = %s",
            [(_cell(alert.worsened_at), alert.pk) for alert in changes.updated if alert.pk in changes.worse],
        ),
    ):
        if rows:
            with connection.cursor() as cursor:
                cursor.executemany(sql, rows)
    if changes.raised:
        Alert.objects.bulk_create(changes.raised, batch_size=500)


def _cell(value: Any) -> Any:
    """A value as the plain driver takes it on either engine."""
    if isinstance(value, dt.datetime):
        return _moment(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return json.dumps(value) if isinstance(value, dict) else value
