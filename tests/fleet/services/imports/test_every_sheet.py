"""Every kind of sheet once, with the example row of its own template: it comes in, twice is once, and it goes again."""

import pytest

from fleet.models import BatteryBlock, ImportRun, SupplyState, Unit, Weighing, WetState
from fleet.services.imports.books import heading
from fleet.services.imports.kinds import kinds_in_order
from inventory.models import DesignItem, FittedPart
from readiness.models import BankTest, Fault, Inspection
from tests.fleet.services.imports.steps import applied, bring_in, counts, read, take_back, workbook
from tests.fleet.services.imports.test_conflicts_and_undo import snapshot

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

# The example of one column does not fit those of the others when all come in together.
INSTEAD = {
    ("banks", "place"): "",
    ("blocks", "place"): "",
    ("stock_counts", "unit"): "",
    ("lots", "expires_on"): "06/2028",
    ("deployments", "site"): "NORD",
    (
        "transport_terms",
        "source",
    ): "an order of the pool",  # its first column is a date, which has no small letters
}
# What the ledger names, and what that rests on: a part in a unit was counted, in a depot something was.
KEPT_BY_THE_LEDGER = {
    "Place": 1, "Item": 1, "Lot": 1, "Unit": 1, "UnitStay": 1, "Design": 1, "PackedForm": 1, "FittedPart": 1,
}  # fmt: skip


def everything():
    """A workbook with one row for each kind; written in small letters, it is no example row any more."""
    sheets = {}
    for kind in kinds_in_order():
        spec = kind.spec
        row = [INSTEAD.get((spec.name, each.name), each.example) or None for each in spec.columns]
        row[0] = row[0].lower()
        sheets[spec.label.replace(" ", "_")] = [[heading(each) for each in spec.columns], row]
    return workbook(**sheets)


def test_every_kind_of_sheet_comes_in_twice_is_once_and_goes_again():
    before = snapshot()
    run = read(everything())
    assert run.faults == []
    assert {name: numbers for name, numbers in counts(run).items() if numbers != (1, 0, 0, 0)} == {}
    run = bring_in(run)
    assert run.state == ImportRun.State.APPLIED, run.error
    assert {name for name, sheet in applied(run).items() if sheet.get("added") != 1} == set()
    for model in (BatteryBlock, SupplyState, WetState, Weighing, DesignItem, BankTest, Inspection, Fault):
        assert model._base_manager.count() == 1, model

    again = read(everything())
    assert again.faults == []
    assert {name: numbers for name, numbers in counts(again).items() if numbers != (0, 0, 1, 0)} == {}

    run = take_back(run)
    assert run.state == ImportRun.State.UNDONE
    after = snapshot()
    left = {name: len(rows) for name, rows in after.items() if rows != before[name]}
    assert left == KEPT_BY_THE_LEDGER
    assert FittedPart.objects.get().void
    assert Unit.objects.get().stays.get().ended_at is None
