"""Whose rows an import may write, and whose import one may act on."""

import pytest
from django.urls import reverse

from fleet.models import BankStay, BatteryBank, BatteryBlock, ImportRun, Membership, Unit
from fleet.models.office import Role
from inventory.models import Lot
from tests.factories.fleet import BankFactory, BlockFactory, UnitFactory, UserFactory
from tests.factories.inventory import ItemFactory, LotFactory, aboard, fitted, in_store
from tests.fleet.services.imports.steps import applied, bring_in, counts, read, run_job, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def units(cast):
    return UnitFactory(tag="NORTH-1", home=cast.north), UnitFactory(tag="SOUTH-1", home=cast.south)


def keys(run):
    return [(fault["row"], fault["key"]) for fault in run.faults]


# --- banks and blocks: where they are counts, not only what the file says ---


def test_a_bank_of_another_depot_is_not_taken_by_a_file_that_names_ones_own_unit(cast, units):
    north, south = units
    bank = BankFactory(unit=south)
    run = read(workbook(Banks=[("Serial", "In unit"), (bank.serial, north.tag)]), actor=cast.nora)
    assert keys(run) == [(2, "row.not_yours")]
    bring_in(run, actor=cast.nora, sheets={"banks": "good"})
    assert BankStay.objects.current().get(bank=bank).unit == south


@pytest.mark.parametrize("shelf", [True, False])
def test_a_bank_of_another_depot_is_not_rewritten(cast, units, shelf):
    bank = BankFactory(place=cast.south) if shelf else BankFactory(unit=units[1])
    run = read(
        workbook(Banks=[("Serial", "On the shelf at", "Capacity"), (bank.serial, "NORTH", 90)]),
        actor=cast.nora,
    )
    assert keys(run) == [(2, "row.not_yours")]


def test_ones_own_bank_needs_no_unit_in_the_file(cast, units):
    rows = [("Serial", "Capacity"), (BankFactory(unit=units[0], serial="B-1").serial, 90)]
    rows += [
        (BankFactory(place=cast.north, serial="B-2").serial, 80),
        (BankFactory(unit=units[1]).serial, 70),
    ]
    run = read(workbook(Banks=rows), actor=cast.nora)
    assert keys(run) == [(4, "row.not_yours")]
    bring_in(run, actor=cast.nora, sheets={"banks": "good"})
    assert BatteryBank.objects.get(serial="B-1").capacity_ah == 90


def test_blocks_belong_to_where_their_bank_is(cast, units):
    mine, theirs = BankFactory(unit=units[0]), BankFactory(unit=units[1])
    one, other = BlockFactory(bank=mine, serial="L-1"), BlockFactory(bank=theirs, serial="L-2")
    shelf = BlockFactory(place=cast.south, serial="L-3")
    rows = [("Serial", "Ohmic baseline"), *((each.serial, "4 mΩ") for each in (one, other, shelf))]
    assert keys(read(workbook(Blocks=rows), actor=cast.nora)) == [(3, "row.not_yours"), (4, "row.not_yours")]
    rows = [("Serial", "In bank"), (other.serial, mine.serial)]
    assert keys(read(workbook(Blocks=rows), actor=cast.nora)) == [(2, "row.not_yours")]
    run = bring_in(read(workbook(Blocks=[("Serial", "Ohmic baseline"), ("L-1", "4 mΩ")]), actor=cast.nora))
    assert applied(run)["blocks"]["changed"] == 1
    assert BatteryBlock.objects.get(serial="L-1").baseline_mohm == 4


# --- lots: added by anybody, corrected where they lie ---


def test_a_lot_is_corrected_by_those_who_have_some_of_it(cast, units):
    item = ItemFactory(code="CART-5")
    there = {name: LotFactory(item=item, code=name) for name in ("SOUTH", "BOTH", "ABOARD", "NOWHERE")}
    in_store(5, place=cast.south, lot=there["SOUTH"])
    in_store(5, place=cast.south, lot=there["BOTH"])
    in_store(5, place=cast.north, lot=there["BOTH"])
    aboard(units[1], 2, lot=there["ABOARD"])
    part = fitted(units[1])
    rows = [("Item", "Lot", "Note"), *(("CART-5", name, "seen") for name in (*there, "NEW"))]
    rows.append((part.lot.item.code, part.lot.code, "seen"))
    run = read(workbook(Lots=rows), actor=cast.nora)
    assert keys(run) == [(2, "row.not_yours"), (4, "row.not_yours"), (7, "row.not_yours")]
    assert "South depot" in run.faults[0]["message"]
    bring_in(run, actor=cast.nora, sheets={"lots": "good"})
    assert set(Lot.objects.filter(note="seen").values_list("code", flat=True)) == {"BOTH", "NOWHERE", "NEW"}
    assert keys(read(workbook(Lots=rows), actor=cast.silas)) == []


# --- whose import it is ---


@pytest.fixture
def southern(cast, units):
    run = read(workbook(Units=[("Unit", "Remarks"), ("SOUTH-1", "seen")]), actor=cast.silas)
    assert run.faults == []
    return run


def act(client, user, run, what):
    client.force_login(user)
    return client.post(reverse(f"fleet:import-{what}", args=[run.pk])).status_code


@pytest.mark.parametrize("what", ["apply", "answer", "undo", "stop"])
def test_the_import_of_another_depot_is_not_acted_on(cast, southern, client, what):
    if what == "undo":
        bring_in(southern, actor=cast.silas)
    before = ImportRun.objects.values().get(pk=southern.pk)
    assert act(client, cast.nora, southern, what) == 403
    assert ImportRun.objects.values().get(pk=southern.pk) == before
    page = client.get(reverse("fleet:import-show", args=[southern.pk]) + "?undo=1").content.decode()
    assert "Someone else brought this file in" in page
    assert f'action="{reverse(f"fleet:import-{what}", args=[southern.pk])}"' not in page or what == "apply"
    assert '<button class="button--main" type="submit">Bring it in' not in page


@pytest.mark.parametrize("who", ["silas", "ada"])
def test_who_brought_it_and_an_administrator_act_on_it(cast, southern, client, who):
    assert act(client, getattr(cast, who), southern, "apply") == 302
    run = run_job(southern, "apply_job")
    assert run.state == ImportRun.State.APPLIED
    assert Unit.objects.get(tag="SOUTH-1").note == "seen"
    assert act(client, getattr(cast, who), run, "undo") == 302
    assert run_job(run, "apply_job").state == ImportRun.State.UNDONE


def test_a_second_manager_of_the_depot_may_act_but_not_on_rows_beyond_it(cast, southern, client, units):
    second = UserFactory(username="sue")
    Membership.objects.create(user=second, role=Role.DEPOT_MANAGER, depot=cast.south)
    assert act(client, second, southern, "apply") == 302
    rows = [("Unit", "Remarks"), ("SOUTH-1", "seen"), ("NORTH-1", "seen")]
    wide = read(workbook(Units=rows), actor=cast.ada)
    assert counts(wide)["units"] == (0, 2, 0, 0)
    assert act(client, second, wide, "apply") == 403
    pool = read(workbook(Designs=[("Design", "Name"), ("D-NEW", "New")]), actor=cast.ada)
    assert act(client, second, pool, "apply") == 403
    unread = ImportRun.objects.create(file=southern.file, created_by=cast.silas)
    assert act(client, second, unread, "stop") == 403
