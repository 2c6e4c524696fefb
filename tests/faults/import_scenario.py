"""A workbook of readings and stock counts: read, brought in, and taken back again; each step is a job."""

import datetime as dt
import io
from collections import Counter
from collections.abc import Mapping
from typing import Any

from openpyxl import Workbook

from fleet.models import AuditEntry, BatteryBank, ImportChange, ImportRun, Job
from fleet.services.imports.runs import import_apply, import_create
from readiness.models import Reading
from tests.faults.sweep_scenario import SCALE, load_fleet

UNITS = 60 * SCALE
LEAD_ACID = ("vrla_gel", "vrla_agm")
READINGS_A_BANK = 15
FIRST = dt.datetime(2026, 11, 20, 6, 30)  # noqa: DTZ001  (typed as a depot types it, in its own zone)


def workbook() -> bytes:
    book = Workbook()
    sheet = book.active
    sheet.title = "Readings"
    sheet.append(["Battery", "Date", "Volts", "Temp", "Rest hours", "Remarks"])
    banks = BatteryBank.objects.filter(chemistry__in=LEAD_ACID).order_by("serial")
    for serial, cells in banks.values_list("serial", "cells_in_series"):
        for number in range(READINGS_A_BANK):
            moment = FIRST + dt.timedelta(minutes=30 * number)
            volts = 2.08 * cells + number / 100
            sheet.append([serial, moment, f"{volts:.2f} V", "15 °C", 24, f"walk {number}"])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


class ImportScenario:
    kind = "import"
    steps = 2
    fault_points = ("import:chunk-written", "import:applied")
    further_points = ("import:read", "import:planned", "import:sheet-written")

    def prepare(self) -> None:
        load_fleet(UNITS)

    def start(self, step: int) -> list[Job]:
        run = ImportRun.objects.first()
        if step == 0:
            run = run or import_create(name="walks.xlsx", content=workbook(), actor=None)
        elif run is not None and run.state == ImportRun.State.PREVIEW:
            run = import_apply(run=run, choices={"sheets": {"readings": "all"}}, actor=None)
        assert run is not None
        run.refresh_from_db()
        job = run.apply_job if step else run.read_job
        assert job is not None
        return [job]

    def digest(self) -> Mapping[str, Any]:
        run = ImportRun.objects.get()
        readings = Reading.objects.filter(note__startswith="walk ").order_by("bank__serial", "happened_at")
        changes = ImportChange.objects.order_by("sheet", "row", "model").values_list(
            "sheet", "row", "action", "model"
        )
        return {
            "run": [run.state, run.error, run.faults, run.preview.get("applied")],
            "readings": [
                list(row) for row in readings.values_list("bank__serial", "happened_at", "volts_v", "note")
            ],
            "changes": Counter(f"{sheet} {action} {model}" for sheet, _row, action, model in changes),
            "rows": len({(sheet, row) for sheet, row, _action, _model in changes}),
            "audit": Counter(AuditEntry.objects.values_list("action", flat=True)),
        }
