"""What cannot be is refused in a sentence wherever a sheet brings it, and nothing of the row is saved."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine

from fleet.models import BatteryBank
from readiness.models import Charge, Reading
from tests.factories.fleet import NOW, BankFactory, DepotFactory, UnitFactory
from tests.fleet.services.imports.steps import read, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


def said(run) -> str:
    return " ".join(str(fault) for fault in run.faults)


def test_a_bank_without_capacity_a_charge_of_five_weeks_and_240_v_on_24_v() -> None:
    unit = UnitFactory(tag="MW-1", home=DepotFactory(code="NORD"))
    BankFactory(unit=unit, serial="BK-1")
    day = (NOW - dt.timedelta(days=60)).date().isoformat()
    end = (NOW - dt.timedelta(days=25)).date().isoformat()
    banks = read(
        workbook(
            Banks=[
                ("Serial", "Chemistry", "Capacity", "Cells in series", "Unit"),
                ("BK-2", "gel", "0 Ah", 12, None),
            ]
        )
    )
    readings = read(workbook(Readings=[("Bank", "When", "Voltage"), ("BK-1", day, "240 V")]))
    charges = read(workbook(Charges=[("Bank", "Start", "End"), ("BK-1", day, end)]))
    for run, words in (
        (banks, "0.1"),
        (readings, "reading.voltage_impossible"),
        (charges, "charge.too_long"),
    ):
        assert len(run.faults) >= 1, words
        assert words in said(run), said(run)
    assert BatteryBank.objects.count() == 1
    assert not Reading.objects.exists()
    assert not Charge.objects.exists()
