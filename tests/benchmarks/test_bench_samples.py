"""Samples of battery monitors: rows a second, against a loop that saves row by row, and how long one transaction takes.

.venv/bin/pytest -m bench -s tests/benchmarks/test_bench_samples.py     (SAMPLE_ROWS=2000 for a quick look)
"""

import datetime as dt
import os
import time
from typing import Any

import pytest
from django.db import transaction

from fleet.models import BatteryBank
from readiness.domain.sample_days import DAY_US, sample_days
from readiness.domain.sample_files import SampleFile
from readiness.domain.samples import VALUES, micros
from readiness.models import Sample, SampleDay, SamplePost
from readiness.selectors.samples import bank_columns, day_rows, samples_between
from readiness.services import samples as service
from readiness.services.samples import samples_take
from tests.factories.fleet import NOW, BankFactory, UnitFactory

pytestmark = [pytest.mark.bench, pytest.mark.django_db(transaction=True)]
ROWS = int(os.environ.get("SAMPLE_ROWS", "10000"))
LOOP_ROWS = 300
BANKS = 4
MOST_CPU_S = 5.0
LEAST_RATIO = 8.0
LONGEST_TRANSACTION_S = 1.0


def rows_of(count: int, prefix: str) -> list[dict[str, Any]]:
    return [
        {
            "bank": f"{prefix}-{n % BANKS}",
            "at": (NOW - dt.timedelta(minutes=5 * (n // BANKS))).isoformat(),
            "volts_v": 25.5 + n % 7 / 100,
            "current_a": -0.02,
            "temp_c": 12 + n % 50 / 10,
            "soc": 0.9,
            "counted_ah": -1.5,
        }
        for n in range(count)
    ]


def decent_loop(rows: list[dict[str, Any]]) -> None:
    """Row by row: the bank is known, the row is looked for, saved in its own transaction, and its day worked out again."""
    banks = {bank.serial: bank for bank in BatteryBank.objects.all()}
    post = SamplePost.objects.create(how="command")
    for row in rows:
        bank, at = banks[row["bank"]], dt.datetime.fromisoformat(row["at"])
        values = {name: row[name] for name in VALUES}
        with transaction.atomic():
            there = Sample.objects.filter(bank=bank, at=at, struck=False).first()
            if there is not None:
                continue
            Sample.objects.create(bank=bank, at=at, post=post, **values)
            day = micros(at) // DAY_US
            days = sample_days(samples_between([(bank.pk, day - 2, day)]), bank_columns([bank.pk]))
            fresh = day_rows(days.take(days.day == day))[0]
            SampleDay.objects.update_or_create(
                bank=bank,
                day=fresh.day,
                defaults={"samples": fresh.samples, "last_at": fresh.last_at, "mean_c": fresh.mean_c},
            )


def bare_loop(rows: list[dict[str, Any]]) -> None:
    """The least a loop can do: look for the row and save it. No check, no day, no logger, no unit judged."""
    banks = {bank.serial: bank for bank in BatteryBank.objects.all()}
    post = SamplePost.objects.create(how="command")
    for row in rows:
        values = {name: row[name] for name in VALUES}
        at = dt.datetime.fromisoformat(row["at"])
        Sample.objects.get_or_create(
            bank=banks[row["bank"]], at=at, struck=False, defaults={"post": post, **values}
        )


def test_ten_thousand_rows_within_seconds_and_far_faster_than_row_by_row(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for prefix in ("A", "B", "L"):
        for n in range(BANKS):
            BankFactory(serial=f"{prefix}-{n}", unit=UnitFactory())
    longest = 0.0
    plain = service._write

    def timed(*args: Any) -> Any:
        nonlocal longest
        began = time.perf_counter()
        try:
            return plain(*args)
        finally:
            longest = max(longest, time.perf_counter() - began)

    monkeypatch.setattr(service, "_write", timed)
    began, wall = time.process_time(), time.perf_counter()
    taken = samples_take(file=SampleFile(rows_of(ROWS, "A")), how="api", actor=None, rights=None, now=NOW)
    cpu, wall = time.process_time() - began, time.perf_counter() - wall
    assert taken.kept == ROWS
    began = time.process_time()
    again = samples_take(file=SampleFile(rows_of(ROWS, "A")), how="api", actor=None, rights=None, now=NOW)
    repeated = time.process_time() - began
    assert again.known == ROWS
    began = time.process_time()
    decent_loop(rows_of(LOOP_ROWS, "L"))
    loop = (time.process_time() - began) / LOOP_ROWS
    began = time.process_time()
    bare_loop(rows_of(LOOP_ROWS, "B"))
    bare = (time.process_time() - began) / LOOP_ROWS
    ratio, bare_ratio = loop / (cpu / ROWS), bare / (cpu / ROWS)
    with capsys.disabled():
        print(
            f"\n{ROWS} rows: {cpu:.2f} s of processor, {wall:.2f} s by the clock, units judged; again {repeated:.2f} s; "
            f"longest batch {longest:.2f} s; row by row {1000 * loop:.2f} ms a row: {ratio:.0f} times as long; only "
            f"looked for and saved {1000 * bare:.2f} ms: {bare_ratio:.0f} times"
        )
    assert cpu < MOST_CPU_S
    assert longest < LONGEST_TRANSACTION_S
    assert ratio > LEAST_RATIO
