"""Rows that cannot both be are named in the preview, and what only needs its turn comes in."""

import pytest
import time_machine

from fleet.models import BankStay, BlockStay
from inventory.models import DesignItem
from readiness.models import Charge
from tests.factories.fleet import NOW, BankFactory, BlockFactory, DepotFactory, DesignFactory, UnitFactory
from tests.factories.inventory import DesignItemFactory, ItemFactory
from tests.factories.readiness import OpenChargeFactory
from tests.fleet.services.imports.steps import applied, bring_in, read, take_back, workbook
from tests.fleet.services.imports.test_conflicts_and_undo import snapshot

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


def named(run):
    assert all(fault["mend"].endswith(".") for fault in run.faults)
    return [(fault["row"], fault["key"], fault["column"]) for fault in run.faults]


def in_position(bank, position="1"):
    stay = BlockStay.objects.current().filter(bank=bank, position=position).first()
    return stay and stay.block.serial


# --- blocks in positions of banks ---


def test_two_blocks_in_one_position_are_named_and_the_good_rows_come_in():
    bank = BankFactory(place=DepotFactory())
    rows = [("Serial", "In bank", "Position", "Chemistry")]
    rows += [(f"L-{n}", bank.serial, position, "gel") for n, position in ((1, "1"), (2, "1"), (3, "2"))]
    run = read(workbook(Blocks=rows))
    assert named(run) == [(3, "block.position_taken", "In bank")]
    assert "L-1" in run.faults[0]["message"]
    assert applied(bring_in(run, sheets={"blocks": "good"}))["blocks"]["added"] == 2
    assert in_position(bank) == "L-1"


def test_a_block_in_a_position_that_holds_another_is_named():
    bank = BankFactory(place=DepotFactory())
    BlockFactory(bank=bank, position="1", serial="OLD")
    rows = [("Serial", "In bank", "Position", "Chemistry"), ("NEW", bank.serial, "1", "gel")]
    assert named(read(workbook(Blocks=rows))) == [(2, "block.position_taken", "In bank")]


def test_the_old_block_goes_and_the_new_one_comes_in_whatever_their_order_in_the_file():
    depot = DepotFactory(code="NORD")
    bank = BankFactory(place=depot)
    BlockFactory(bank=bank, position="1", serial="OLD")
    before = snapshot()
    rows = [("Serial", "In bank", "Position", "Chemistry", "On the shelf at")]
    rows += [("NEW", bank.serial, "1", "gel", None), ("OLD", None, None, None, "NORD")]
    run = bring_in(read(workbook(Blocks=rows)))
    assert (applied(run)["blocks"]["added"], applied(run)["blocks"]["changed"]) == (1, 1)
    assert in_position(bank) == "NEW"
    take_back(run)
    assert snapshot() == before


# --- banks in positions of units ---


def test_banks_take_their_turns_and_a_ring_is_named():
    depot = DepotFactory(code="NORD")
    units = [UnitFactory(tag=f"U-{n}", home=depot) for n in range(3)]
    for number, unit in enumerate(units):
        BankFactory(serial=f"B-{number}", unit=unit)
    head = ("Serial", "In unit", "On the shelf at")
    chain = [head, ("B-0", "U-1", None), ("B-1", "U-2", None), ("B-2", None, "NORD")]
    run = bring_in(read(workbook(Banks=chain)))
    assert applied(run)["banks"]["changed"] == 3
    held = dict(
        BankStay.objects.current().filter(unit__isnull=False).values_list("bank__serial", "unit__tag")
    )
    assert held == {"B-0": "U-1", "B-1": "U-2"}
    ring = read(workbook(Banks=[head, ("B-0", "U-2", None), ("B-1", "U-1", None)]))
    assert named(ring) == [(2, "bank.position_taken", "In unit"), (3, "bank.position_taken", "In unit")]


def test_a_bank_that_may_not_leave_frees_no_position(cast):
    mine, theirs = UnitFactory(tag="N-1", home=cast.north), UnitFactory(tag="S-1", home=cast.south)
    BankFactory(serial="OWN", unit=mine)
    rows = [("Serial", "In unit", "On the shelf at"), ("OWN", None, "SOUTH"), ("NEW", "N-1", None)]
    head = (*rows[0], "Type", "Capacity", "Cells")
    rows = [head, (*rows[1], None, None, None), (*rows[2], "gel", 100, 6)]
    run = read(workbook(Banks=rows), actor=cast.nora)
    assert [fault[:2] for fault in named(run)] == [(2, "row.not_yours"), (3, "bank.position_taken")]
    assert theirs.bank_stays.count() == 0


# --- lines of a bill ---


@pytest.mark.parametrize("on_file", [True, False])
def test_two_items_in_one_position_are_named(on_file):
    design = DesignFactory(code="WX-40")
    one, other = ItemFactory(code="LAMP-1"), ItemFactory(code="LAMP-2")
    rows = [("Design", "Item", "Position", "From", "Quantity")]
    rows.append(("WX-40", "LAMP-1", "lamp 1", "2025-01-01", 1))
    if on_file:
        DesignItemFactory(
            design=design, item=other, position="lamp 1", purpose="fitted", qty=1, valid_from="2025-01-01"
        )
        assert named(read(workbook(Bill=rows))) == [(2, "bill.taken", "Position")]
        return
    rows.append(("WX-40", "LAMP-2", "lamp 1", "2025-01-01", 1))
    rows.append(("WX-40", "LAMP-2", "lamp 1", "2026-01-01", 1))
    run = read(workbook(Bill=rows))
    assert named(run) == [(3, "bill.taken", "Position")]
    assert "LAMP-1" in run.faults[0]["message"]
    bring_in(run, sheets={"design_items": "good"})
    assert DesignItem.objects.filter(item__in=[one, other]).count() == 2


# --- what ends goes before what begins ---


def test_a_charge_that_ends_goes_before_the_one_that_begins():
    bank = BankFactory(unit=UnitFactory(home=DepotFactory(time_zone="UTC")))
    running = OpenChargeFactory(bank=bank)
    head = ("Bank", "Start (UTC)", "End (UTC)")
    begun = f"{running.happened_at:%Y-%m-%d %H:%M:%S}"
    type(running).objects.update(happened_at=running.happened_at.replace(microsecond=0))
    ended = running.happened_at.replace(microsecond=0) + (running.planned_end_at - running.happened_at) / 7
    until = f"{ended:%Y-%m-%d %H:%M:%S}"
    rows = [head, (bank.serial, until, None), (bank.serial, begun, until)]
    run = bring_in(read(workbook(Charges=rows)))
    assert run.faults == []
    assert (applied(run)["charges"]["added"], applied(run)["charges"]["changed"]) == (1, 1)
    assert Charge.objects.counting().get(ended_at=None).happened_at == ended.replace(microsecond=0)
