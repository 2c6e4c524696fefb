"""Samples of battery monitors brought in: by a machine, by the command, or by hand. Late, doubled and out of order is fine.

A post is cut into batches, each one transaction: samples, the days made of them, what the logger was last heard to say and
the mark on the unit stand or fall together. A process that is killed leaves whole batches; the same post adds the rest.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.db.models import F, Max
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.lib.faults import fault_point
from fleet.models import ApiToken, BatteryBank, User
from fleet.permissions import Rights
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from readiness.domain.inputs import BoolArray, IntArray
from readiness.domain.loggers import silent_after_days
from readiness.domain.sample_days import DAY_US, REACH_DAYS, SampleDays, days_touched, sample_days
from readiness.domain.sample_files import SampleFile
from readiness.domain.samples import (
    VALUES,
    KnownBank,
    SampleFault,
    Series,
    conflict_fault,
    instant,
    micros,
    read_rows,
    sort_out,
)
from readiness.models import BankLogger, Sample, SampleDay, SamplePost
from readiness.selectors.samples import (
    DAY_COLUMNS,
    bank_columns,
    day_rows,
    days_between,
    known_banks,
    samples_between,
    units_of_banks,
)
from readiness.services.judgement_due import judgement_due_mark

BATCH_ROWS = 2000
# Spans of days one query reads; more would strain the engines' parsers.
BATCH_SPANS = 150
FAULTS_KEPT = 50
WRITE_ROWS = 500


@dataclass
class Taken:
    """What became of a post. `kept` are new, `known` were on file already, `conflicts` said something else than what is on
    file, `refused` could not be; `faults` say so row by row. `banks`: serials concerned, `post` its row (None: a mere look).
    """

    rows: int = 0
    kept: int = 0
    known: int = 0
    conflicts: int = 0
    refused: int = 0
    faults: list[SampleFault] = field(default_factory=list)
    banks: list[str] = field(default_factory=list)
    ignored: tuple[str, ...] = ()
    first_at: dt.datetime | None = None
    last_at: dt.datetime | None = None
    post: SamplePost | None = None


@dataclass(frozen=True)
class _Read:
    series: Series
    taken: Taken
    banks: Mapping[int, KnownBank]
    refused_of: Mapping[int, int]
    conflicts_of: dict[int, int] = field(default_factory=dict)


def _read(
    file: SampleFile, *, rights: Rights | None, only: BatteryBank | None, zone: str, now: dt.datetime
) -> _Read:
    named = {str(row.get("bank") or "") for row in file.rows if isinstance(row, Mapping)}
    if only is not None:
        named.add(only.serial)
    banks = known_banks(named - {""}, rights=rights, only=only.pk if only else None)
    series, faults = read_rows(
        file.rows,
        banks,
        now=now,
        zone=zone,
        decimal_comma=file.decimal_comma,
        first_row=file.first_row,
        only=banks.get(only.serial.upper()) if only else None,
    )
    bad_rows = {fault.row for fault in faults}
    refused_of: dict[int, int] = {}
    for number in bad_rows:
        row = file.rows[number - file.first_row]
        serial = str(row.get("bank") or "").strip().upper() if isinstance(row, Mapping) else ""
        bank = banks.get(serial)
        if bank is not None and not bank.refused:
            refused_of[bank.pk] = refused_of.get(bank.pk, 0) + 1
    by_id = {bank.pk: bank for bank in banks.values()}
    seen = sorted({by_id[pk].serial for pk in np.unique(series.bank).tolist()})
    taken = Taken(
        rows=sum(row is not None for row in file.rows),
        refused=len(bad_rows),
        faults=faults,
        banks=seen,
        ignored=file.ignored,
        first_at=instant(int(series.at_us.min())) if len(series) else None,
        last_at=instant(int(series.at_us.max())) if len(series) else None,
    )
    return _Read(series, taken, by_id, refused_of)


def samples_look(
    *,
    file: SampleFile,
    rights: Rights | None,
    only: BatteryBank | None = None,
    zone: str = "",
    now: dt.datetime | None = None,
) -> Taken:
    """What would become of these rows; nothing is written."""
    read = _read(file, rights=rights, only=only, zone=zone, now=now or timezone.now())
    for part in _batches(read.series):
        there = samples_between(_spans(part.bank, part.at_us // DAY_US, 0))
        _count(read, part, there)
    return read.taken


def samples_take(
    *,
    file: SampleFile,
    how: str,
    actor: User | None,
    rights: Rights | None,
    key: ApiToken | None = None,
    only: BatteryBank | None = None,
    zone: str = "",
    name: str = "",
    now: dt.datetime | None = None,
) -> Taken:
    """Takes what can be taken and says of every other row why not. The same rows again change nothing.

    `rights` None: all banks; `only`: the one bank of a key or a page, which rows need not name.
    """
    now = now or timezone.now()
    read = _read(file, rights=rights, only=only, zone=zone, now=now)
    taken = read.taken
    post = _open_post(read, how=how, actor=actor, key=key, name=name, now=now)
    taken.post = post
    units: set[int] = set()
    for part in _batches(read.series):
        with transaction.atomic():
            units |= _write(read, part, post, now)
        fault_point("samples:batch-written")
    _close_post(read, post, now)
    units_changed(units)
    return taken


def _open_post(
    read: _Read, *, how: str, actor: User | None, key: ApiToken | None, name: str, now: dt.datetime
) -> SamplePost:
    """The row of the arrival."""
    return SamplePost.objects.create(
        received_at=now,
        received_by=actor,
        key=key,
        how=how,
        name=name[:200],
        rows=read.taken.rows,
        refused=read.taken.refused,
        faults=[fault.as_dict() for fault in read.taken.faults[:FAULTS_KEPT]],
    )


def _close_post(read: _Read, post: SamplePost, now: dt.datetime) -> None:
    """What only shows at the end: rows in conflict, and what was refused of each bank that has a logger."""
    refused, clashing = read.refused_of, read.conflicts_of
    with transaction.atomic():
        if clashing:
            faults = [fault.as_dict() for fault in read.taken.faults[:FAULTS_KEPT]]
            SamplePost.objects.filter(pk=post.pk).update(faults=faults)
        for bank in sorted({*refused, *clashing}):
            BankLogger.objects.filter(bank=bank).update(
                refused=F("refused") + refused.get(bank, 0),
                conflicts=F("conflicts") + clashing.get(bank, 0),
                seen_at=now,
            )
    post.refresh_from_db()


def _batches(series: Series) -> Iterator[Series]:
    """Parts of a sorted series that one transaction writes, and whose days one query reads."""
    if not len(series):
        return
    day = series.at_us // DAY_US
    begins = np.r_[True, (np.diff(series.bank) != 0) | (np.diff(day) > 2 * REACH_DAYS + 1)]
    span = np.cumsum(begins) - 1
    start = 0
    while start < len(series):
        end = min(start + BATCH_ROWS, int(np.searchsorted(span, span[start] + BATCH_SPANS, side="left")))
        while end < len(series) and series.at_us[end] == series.at_us[end - 1]:
            end += 1  # rows about one instant stay together
        yield series.take(slice(start, end))
        start = end


def _spans(bank: IntArray, day: IntArray, before: int) -> list[tuple[int, int, int]]:
    """(bank, first day, last day) that cover these sorted pairs, with `before` days ahead of each."""
    if not len(bank):
        return []
    begins = np.r_[True, (np.diff(bank) != 0) | (np.diff(day) > before + 1)]
    first = np.flatnonzero(begins)
    last = np.r_[first[1:] - 1, len(bank) - 1]
    return [
        (int(bank[a]), int(day[a]) - before, int(day[b]))
        for a, b in zip(first.tolist(), last.tolist(), strict=True)
    ]


def _count(read: _Read, part: Series, there: Series) -> tuple[Series, Series]:
    """Counts the rows of a batch and tells of conflicts; returns the fresh ones and the known ones."""
    found = sort_out(part, there)
    read.taken.kept += len(found.fresh)
    read.taken.known += len(found.known)
    read.taken.conflicts += len(found.conflict)
    for n in found.conflict.tolist():
        bank = read.banks[int(part.bank[n])]
        read.conflicts_of[bank.pk] = read.conflicts_of.get(bank.pk, 0) + 1
        read.taken.faults.append(conflict_fault(int(part.row[n]), bank.serial, int(part.at_us[n])))
    read.taken.faults.sort(key=lambda fault: fault.row)
    return part.take(found.fresh), part.take(found.known)


def _write(read: _Read, part: Series, post: SamplePost, now: dt.datetime) -> set[int]:
    """One batch, inside its transaction. Returns the units of which something changed."""
    bank_ids = np.unique(part.bank).tolist()
    loggers = _locked(bank_ids)
    banks, days = days_touched(part)
    there = samples_between(_spans(banks, days, REACH_DAYS))
    fresh, known = _count(read, part, there)
    _insert(fresh, post)
    fault_point("samples:writing")
    changed = _days_again(_joined(there, fresh), banks, days, now) if len(fresh) else set()
    changed |= _heard(loggers, fresh, known, now)
    SamplePost.objects.filter(pk=post.pk).update(
        kept=F("kept") + len(fresh),
        known=F("known") + len(known),
        conflicts=F("conflicts") + len(part) - len(fresh) - len(known),
    )
    units = units_of_banks(changed) if changed else set()
    if units:
        judgement_due_mark(units, now=now)
    return units


def _locked(bank_ids: list[int]) -> dict[int, BankLogger]:
    """The loggers of these banks, made where a bank is heard of for the first time; others wait until we are done."""
    BankLogger.objects.bulk_create([BankLogger(bank_id=pk) for pk in bank_ids], ignore_conflicts=True)
    rows = BankLogger.objects.select_for_update().filter(bank__in=bank_ids).order_by("bank")
    return {row.bank_id: row for row in rows}


def _insert(series: Series, post: SamplePost) -> None:
    """New samples by the plain driver: making ten thousand objects takes longer than all the rest."""
    if not len(series):
        return
    if connection.vendor == "sqlite":
        texts = np.datetime_as_string(series.at_us.astype("datetime64[us]"), unit="us").tolist()
        ats: list[Any] = [text[:10] + " " + text[11:].removesuffix(".000000") for text in texts]
    else:
        ats = [instant(at) for at in series.at_us.tolist()]
    rows = [
        (bank, at, post.pk, False, *(None if value != value else value for value in line))
        for bank, at, line in zip(series.bank.tolist(), ats, series.values.tolist(), strict=True)
    ]
    columns = ("bank_id", '"at"', "post_id", "struck", *VALUES)
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {Sample._meta.db_table} ({', '.join(columns)}) VALUES ({', '.join(['%s'] * len(columns))})",
            rows,
        )


def _joined(there: Series, fresh: Series) -> Series:
    both = {
        each.name: np.concatenate([getattr(there, each.name), getattr(fresh, each.name)])
        for each in fields(Series)
    }
    return Series.of(**both)


def _days_again(whole: Series, banks: IntArray, days: IntArray, now: dt.datetime) -> set[int]:
    """Works the touched days out again; returns the banks of which a day that is over changed."""
    spans = _spans(banks, days, 0)
    there = days_between(spans)
    fresh = sample_days(whole, bank_columns(np.unique(banks).tolist()))
    fresh = fresh.take(_pairs_in(fresh.bank, fresh.day, banks, days))
    moved = ~_same_days(fresh, there)
    SampleDay.objects.bulk_create(
        day_rows(fresh.take(moved)),
        update_conflicts=True,
        unique_fields=["bank", "day"],
        update_fields=list(DAY_COLUMNS),
        batch_size=WRITE_ROWS // 5,
    )
    gone = ~_pairs_in(there.bank, there.day, fresh.bank, fresh.day)
    for bank, day in zip(there.bank[gone].tolist(), there.day[gone].tolist(), strict=True):
        SampleDay.objects.filter(bank=bank, day=instant(day * DAY_US).date()).delete()
    today = micros(now) // DAY_US
    over = fresh.bank[moved & (fresh.day < today)].tolist() + there.bank[gone].tolist()
    return set(over)


def _pairs_in(bank: IntArray, day: IntArray, banks: IntArray, days: IntArray) -> BoolArray:
    code: BoolArray = np.isin(bank * 1_000_000 + day, banks * 1_000_000 + days)
    return code


def _same_days(fresh: SampleDays, there: SampleDays) -> BoolArray:
    """Which fresh days are on file as they are."""
    code, codes = fresh.bank * 1_000_000 + fresh.day, there.bank * 1_000_000 + there.day
    if not len(codes):
        return np.zeros(len(code), dtype=bool)
    at = np.minimum(np.searchsorted(codes, code), len(codes) - 1)
    same = codes[at] == code
    for each in fields(SampleDays):
        a, b = getattr(fresh, each.name), getattr(there, each.name)[at]
        same &= (a == b) | ((a != a) & (b != b))
    return same


def _heard(loggers: Mapping[int, BankLogger], fresh: Series, known: Series, now: dt.datetime) -> set[int]:
    """What each logger was last heard to say; returns the banks whose logger speaks again after a silence."""
    again: set[int] = set()
    hot = np.isfinite(fresh.values[:, VALUES.index("temp_c")])
    kept_of = _per_bank(fresh)
    known_of = _per_bank(known)
    newest, newest_temp = _newest(fresh), _newest(fresh.take(hot))
    for bank, logger in loggers.items():
        logger.seen_at = now
        logger.kept += kept_of.get(bank, 0)
        logger.known += known_of.get(bank, 0)
        if bank in newest:
            logger.last_at = max(filter(None, (logger.last_at, newest[bank])))
        if bank in newest_temp:
            quiet = dt.timedelta(days=float(silent_after_days(logger.expected_min)))
            if logger.last_temp_at is None or now - logger.last_temp_at > quiet:
                again.add(bank)
            logger.last_temp_at = max(filter(None, (logger.last_temp_at, newest_temp[bank])))
    BankLogger.objects.bulk_update(
        loggers.values(), ["seen_at", "kept", "known", "last_at", "last_temp_at"], batch_size=WRITE_ROWS // 5
    )
    return again


def _per_bank(series: Series) -> dict[int, int]:
    banks, number = np.unique(series.bank, return_counts=True)
    return dict(zip(banks.tolist(), number.tolist(), strict=True))


def _newest(series: Series) -> dict[int, dt.datetime]:
    """Latest instant of each bank of a sorted series."""
    banks, first = np.unique(series.bank, return_index=True)
    last = np.r_[first[1:] - 1, len(series) - 1] if len(series) else first
    return {bank: instant(at) for bank, at in zip(banks.tolist(), series.at_us[last].tolist(), strict=True)}


def samples_take_back(
    *, post: SamplePost, reason: str, actor: User | None, now: dt.datetime | None = None
) -> SamplePost:
    """The rows that a post brought count no longer; they stay on file. Sent again, they are taken as new ones."""
    now = now or timezone.now()
    if not reason.strip():
        raise DomainError("samples.no_reason", _("Say why the rows are taken back."))
    with transaction.atomic():
        post = SamplePost.objects.select_for_update().get(pk=post.pk)
        if post.taken_back_at is not None:
            return post
        rows = Sample.objects.filter(post=post, struck=False)
        series = _series_of(rows)
        loggers = _locked(np.unique(series.bank).tolist())
        rows.update(struck=True)
        changed: set[int] = set()
        for part in _batches(series):
            banks, days = days_touched(part)
            changed |= _days_again(samples_between(_spans(banks, days, REACH_DAYS)), banks, days, now)
        _heard_less(loggers, series)
        post.taken_back_at, post.taken_back_by, post.taken_back_reason = now, actor, reason.strip()[:400]
        post.save(update_fields=["taken_back_at", "taken_back_by", "taken_back_reason"])
        audit_record(
            actor=actor,
            action="samples.take_back",
            subject=post,
            after={"rows": len(series)},
            note=reason.strip()[:400],
        )
        units_changed(units_of_banks(set(loggers)))
    return post


def _series_of(rows: Any) -> Series:
    found = list(rows.values_list("bank_id", "at"))
    banks, ats = zip(*found, strict=True) if found else ((), ())
    return Series.of(
        banks, [micros(at) for at in ats], np.full((len(found), len(VALUES)), np.nan), [0] * len(found)
    )


def _heard_less(loggers: Mapping[int, BankLogger], gone: Series) -> None:
    latest = {
        row["bank"]: row
        for row in SampleDay.objects.filter(bank__in=list(loggers))
        .values("bank")
        .annotate(at=Max("last_at"), temp_at=Max("last_temp_at"))
    }
    fewer = _per_bank(gone)
    for bank, logger in loggers.items():
        found = latest.get(bank, {"at": None, "temp_at": None})
        logger.last_at, logger.last_temp_at = found["at"], found["temp_at"]
        logger.kept -= min(logger.kept, fewer.get(bank, 0))
    BankLogger.objects.bulk_update(loggers.values(), ["last_at", "last_temp_at", "kept"], batch_size=100)
