"""Charges brought in by a sheet pass the rule of the form: only lithium is put away at less than full."""

import pytest

from readiness.models import Charge
from tests.factories.fleet import BankFactory, UnitFactory, ago
from tests.fleet.services.imports.steps import read, read_and_bring_in, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def charges(bank, to_soc):
    rows = [
        ("Bank", "Begun at", "Ended at", "End sign", "Charged to"),
        (bank.serial, f"{ago(3):%Y-%m-%d %H:%M}", f"{ago(2):%Y-%m-%d %H:%M}", "charger full", to_soc),
    ]
    return workbook(Charges=rows)


def test_a_gel_bank_charged_to_85_percent_is_refused_at_its_cell():
    run = read(charges(BankFactory(unit=UnitFactory()), "85 %"))
    assert [(fault["key"], fault["column"]) for fault in run.faults] == [
        ("charge.only_lithium_in_part", "Charged to")
    ]


def test_lithium_charged_to_60_percent_comes_in():
    read_and_bring_in(charges(BankFactory(unit=UnitFactory(), chemistry="lfp", cells_in_series=8), "60 %"))
    assert Charge.objects.get().to_soc == pytest.approx(0.6)
