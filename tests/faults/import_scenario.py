"""A workbook of readings, stock counts and moved banks: read and brought in, and, as a kind of its own, taken back again."""

import datetime as dt
import io
from collections import Counter
from collections.abc import Mapping
from typing import Any

from django.db.models import F
from openpyxl import Workbook

from fleet.models import AuditEntry, BankStay, BatteryBank, ImportChange, ImportRun, Job, Unit
from fleet.services.imports.runs import import_apply, import_create, import_undo
from fleet.services.jobs import job_run
from inventory.models import Balance, Movement
from readiness.models import Reading
from tests.data.messy_workbook import saved_at
from tests.faults.sweep_scenario import SCALE, load_fleet

UNITS = 60 * SCALE
LEAD_ACID = ("vrla_gel", "vrla_agm")
READINGS_A_BANK = 15
COUNTS, MOVES = 20 * SCALE, 4 * SCALE
FIRST = dt.datetime(2026, 11, 20, 6, 30)  # noqa: DTZ001  (typed as a depot types it, in its own zone)
FAR_AHEAD = dt.datetime(2100, 1, 1, tzinfo=dt.UTC)  # the file is newer than all that is here
SHEETS = {"readings": "all", "stock_counts": "all", "banks": "all"}


def workbook() -> bytes:
    book = Workbook()
    readings = book.active
    readings.title = "Readings"
    readings.append(["Battery", "Date", "Volts", "Temp", "Rest hours", "Remarks"])
    banks = BatteryBank.objects.filter(chemistry__in=LEAD_ACID).order_by("serial")
    for serial, cells in banks.values_list("serial", "cells_in_series"):
        for number in range(READINGS_A_BANK):
            moment = FIRST + dt.timedelta(minutes=30 * number)
            volts = 2.08 * cells + number / 100
            readings.append([serial, moment, f"{volts:.2f} V", "15 °C", 24, f"walk {number}"])
    counts = book.create_sheet("Stock counts")
    counts.append(["Place", "Item", "Lot", "Counted", "Counted at", "Note"])
    shelves = Balance.objects.filter(place__kind="depot", qty__gt=0, lot__item__serialised=False)
    for balance in shelves.select_related("place", "lot__item").order_by("pk")[:COUNTS]:
        found = int(balance.qty) + 3
        counts.append(
            [
                balance.place.code,
                balance.lot.item.code,
                balance.lot.code,
                found,
                FIRST + dt.timedelta(days=4),
                "found",
            ]
        )
    moves = book.create_sheet("Banks")
    moves.append(["Serial", "Chemistry", "Capacity", "Cells", "On the shelf at"])
    at_home = Unit.objects.filter(stays__ended_at=None, stays__place=F("home"))
    here = BankStay.objects.current().filter(unit__in=at_home).select_related("bank", "unit__home")
    for stay in here.order_by("bank__serial")[:MOVES]:
        bank = stay.bank
        moves.append(
            [bank.serial, bank.chemistry, f"{bank.capacity_ah} Ah", bank.cells_in_series, stay.unit.home.code]
        )
    out = io.BytesIO()
    book.save(out)
    return saved_at(out.getvalue(), FAR_AHEAD)


def what_stands() -> Mapping[str, Any]:
    """What the import left, without row ids and times."""
    run = ImportRun.objects.get()
    readings = Reading.objects.filter(note__startswith="walk ").order_by("bank__serial", "happened_at")
    changes = ImportChange.objects.order_by("sheet", "row", "model").values_list(
        "sheet", "row", "action", "model"
    )
    balances = Balance.objects.filter(qty__gt=0).order_by(
        "lot__code", "lot__item__code", "place__code", "unit__tag"
    )
    stays = BankStay.objects.current().order_by("bank__serial")
    return {
        "run": [run.state, run.error, run.faults, run.preview.get("applied")],
        "readings": [
            list(row) for row in readings.values_list("bank__serial", "happened_at", "volts_v", "note")
        ],
        "changes": Counter(f"{sheet} {action} {model}" for sheet, _row, action, model in changes),
        "rows": len({(sheet, row) for sheet, row, _action, _model in changes}),
        "movements": Counter(Movement.objects.values_list("kind", flat=True)),
        "balances": [
            list(row)
            for row in balances.values_list("lot__item__code", "lot__code", "place__code", "unit__tag", "qty")
        ],
        "banks": [list(row) for row in stays.values_list("bank__serial", "unit__tag", "place__code")],
        "audit": Counter(AuditEntry.objects.values_list("action", flat=True)),
    }


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
            assert not run.faults, run.faults
            run = import_apply(run=run, choices={"sheets": SHEETS}, actor=None)
        assert run is not None
        run.refresh_from_db()
        job = run.apply_job if step else run.read_job
        assert job is not None
        return [job]

    def digest(self) -> Mapping[str, Any]:
        return what_stands()


class TakeBackScenario:
    """The same workbook, brought in while the scene is set; the work is to take it back."""

    kind = "import_undo"
    steps = 1
    fault_points = ("import:taken-back",)
    further_points = ("job:claimed",)

    def prepare(self) -> None:
        scenario = ImportScenario()
        scenario.prepare()
        for step in range(scenario.steps):
            for job in scenario.start(step):
                job_run(job_id=job.id)
        assert ImportRun.objects.get().state == ImportRun.State.APPLIED
        assert what_stands()["movements"]["count"] > 0, "the counts were brought in"
        Job.objects.all().delete()

    def start(self, step: int) -> list[Job]:
        run = ImportRun.objects.get()
        if run.undone_by_id is None and run.state == ImportRun.State.APPLIED and not Job.objects.exists():
            run = import_undo(run=run, actor=None)
        run.refresh_from_db()
        assert run.apply_job is not None
        return [run.apply_job]

    def digest(self) -> Mapping[str, Any]:
        return what_stands()
