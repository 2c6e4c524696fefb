"""50,000 rows: seconds, memory, the length of the transactions, and how long a form waits meanwhile.

.venv/bin/pytest -m bench -s tests/benchmarks/test_import_scale.py     (IMPORT_ROWS=5000 for a quick look)
"""

import datetime as dt
import io
import json
import os
import resource
import subprocess
import sys
import time

import pytest
from django.conf import settings
from django.db import connection

from fleet.lib.sheets import OutSheet, write_xlsx
from fleet.models import ImportRun, Job
from fleet.services.imports.runs import import_apply, import_create
from fleet.services.imports.writing import Writer
from fleet.services.jobs import job_run
from readiness.models import Reading
from tests.factories.fleet import BankFactory, DepotFactory, DesignFactory, UnitFactory

pytestmark = [pytest.mark.bench, pytest.mark.django_db(transaction=True)]
ROWS = int(os.environ.get("IMPORT_ROWS", "50000"))
BANKS = 500
MOST_MEMORY_MB = 1000
LONGEST_WAIT_S = 2.0


def workbook(serials):
    begin = dt.datetime(2025, 1, 1, 8, 0)  # noqa: DTZ001 - typed in the depot's own zone

    def rows():
        for number in range(ROWS):
            moment = begin + dt.timedelta(hours=5 * (number // BANKS))
            volts = f"{25 + number % 10 / 20:.2f} V"
            yield (
                serials[number % BANKS],
                f"{moment:%Y-%m-%d %H:%M}",
                volts,
                "18 °C",
                "26 h",
                f"row {number}",
            )

    out = io.BytesIO()
    write_xlsx(
        out, [OutSheet("Readings", ("Bank", "Date", "Volts", "Temp", "Rest hours", "Remarks"), rows())]
    )
    return out.getvalue()


def percentile(values, share):
    return sorted(values)[min(len(values) - 1, int(len(values) * share))]


def test_fifty_thousand_readings(monkeypatch):
    monkeypatch.setattr("fleet.services.jobs.announce", lambda job_id: None)
    depot, design = DepotFactory(time_zone="Europe/Oslo"), DesignFactory()
    banks = [BankFactory(unit=UnitFactory(home=depot, design=design)) for _ in range(BANKS)]
    transactions: list[float] = []
    write = Writer.write
    monkeypatch.setattr(
        Writer, "write", lambda self, rows, fence: timed(write, transactions, self, rows, fence)
    )

    begun, used = time.monotonic(), time.process_time()
    run = import_create(name="readings.xlsx", content=workbook([bank.serial for bank in banks]), actor=None)
    run.refresh_from_db()
    job_run(job_id=run.read_job_id)
    run.refresh_from_db()
    read_s = time.monotonic() - begun
    assert run.preview["sheets"][0]["counts"]["added"] == ROWS

    names = ("NAME", "USER", "PASSWORD", "HOST", "PORT")
    database = {name: str(connection.settings_dict.get(name) or "") for name in names}
    forms = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.save_forms", "2025-11-01"],
        env={**os.environ, "BENCH_DATABASE": json.dumps(database)},
        cwd=settings.BASE_DIR,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert forms.stdout.readline() == "ready\n"
    begun = time.monotonic()
    import_apply(run=run, choices={}, actor=None)
    run.refresh_from_db()
    job_run(job_id=run.apply_job_id)
    apply_s, cpu_s = time.monotonic() - begun, time.process_time() - used
    out, _ = forms.communicate("stop\n", timeout=60)
    waits = json.loads(out.splitlines()[-1])
    run.refresh_from_db()
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    print(
        f"\n{ROWS} rows on {connection.vendor}: read {read_s:.0f} s, written {apply_s:.0f} s "
        f"(processor {cpu_s:.0f} s), peak {peak_mb:.0f} MB; "
        f"{len(transactions)} transactions, p95 {percentile(transactions, 0.95):.2f} s, "
        f"longest {max(transactions):.2f} s; {len(waits)} forms saved meanwhile, "
        f"p50 {percentile(waits, 0.5):.2f} s, p95 {percentile(waits, 0.95):.2f} s, longest {max(waits):.2f} s"
    )
    assert run.state == ImportRun.State.APPLIED
    assert Reading.objects.filter(note__startswith="row ").count() == ROWS
    assert Job.objects.get(pk=run.apply_job_id).progress_done == ROWS
    assert peak_mb < MOST_MEMORY_MB
    assert percentile(waits, 0.95) < LONGEST_WAIT_S


def timed(write, transactions, writer, rows, fence):
    start = time.monotonic()
    write(writer, rows, fence)
    transactions.append(time.monotonic() - start)
