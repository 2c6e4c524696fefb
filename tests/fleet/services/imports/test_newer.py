"""What changed here after the file is marked and kept unless ticked, whatever kind of row tells that it changed."""

import datetime as dt
import uuid

import pytest
import time_machine

from fleet.models import BankStay, BlockStay, ClimateNormal, DepotTerms, UnitStay
from fleet.services.banks import bank_move, block_move
from fleet.services.records import facts, note_change
from fleet.services.units import absence_end, absence_start, absence_strike, unit_move
from inventory.models import DesignItem
from inventory.services.stock import stock_count
from tests.factories.fleet import NOW, BankFactory, BlockFactory, DepotFactory, UnitFactory, ago
from tests.factories.inventory import DesignItemFactory, in_store
from tests.fleet.services.imports.steps import applied, bring_in, counts, read, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
FILE_AT = ago(5)


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def places():
    return DepotFactory(code="NORD"), DepotFactory(code="SOUTH")


def old_file(**sheets):
    return read(workbook(**sheets), file_as_of=FILE_AT.isoformat())


def is_newer(run, name, column):
    """The one differing value is marked, kept, and taken when ticked."""
    (sheet,) = run.preview["sheets"]
    assert run.faults == []
    assert counts(run)[name] == (0, 0, 1, 1)
    return [cell["name"] for row in sheet["newer"] for cell in row["cells"]] == [column]


# `at` says when it was, `said` when it was written down: either alone makes it newer than the file.
MOMENTS = pytest.mark.parametrize("at", [ago(2), ago(9)], ids=["since", "told since"])


@MOMENTS
def test_a_unit_moved_since_stays_where_it_is_unless_ticked(places, at):
    nord, south = places
    unit = UnitFactory(home=nord)
    unit_move(unit=unit, to=south, at=at, actor=None)
    rows = [("Unit", "Stands at"), (unit.tag, "NORD")]
    run = old_file(Units=rows)
    assert is_newer(run, "units", "place")
    bring_in(run)
    assert UnitStay.objects.current().get(unit=unit).place == south
    bring_in(old_file(Units=rows), newer={"units": ["2:place"]})
    assert UnitStay.objects.current().get(unit=unit).place == nord


def test_a_unit_moved_before_the_file_is_moved_by_it(places):
    unit = UnitFactory(home=places[0])
    with time_machine.travel(ago(20), tick=False):
        unit_move(unit=unit, to=places[1], at=ago(20), actor=None)
    assert counts(old_file(Units=[("Unit", "Stands at"), (unit.tag, "NORD")]))["units"] == (0, 1, 0, 0)


def test_a_unit_back_from_an_absence_since_is_newer(places):
    unit = UnitFactory(home=places[0])
    away = absence_start(unit=unit, purpose="loan", custodian="Harbour board", started_at=ago(30), actor=None)
    absence_end(absence=away, ended_at=ago(9), to=places[1], actor=None)
    assert is_newer(old_file(Units=[("Unit", "Stands at"), (unit.tag, "NORD")]), "units", "place")


def test_a_unit_whose_absence_was_struck_out_since_is_newer(places):
    unit = UnitFactory(home=places[0])
    with time_machine.travel(ago(20), tick=False):
        unit_move(unit=unit, to=places[1], at=ago(25), actor=None)
        away = absence_start(
            unit=unit, purpose="loan", custodian="Harbour board", started_at=ago(22), actor=None
        )
    absence_strike(absence=away, reason="never was", actor=None)
    assert is_newer(old_file(Units=[("Unit", "Stands at"), (unit.tag, "NORD")]), "units", "place")


@MOMENTS
def test_a_bank_moved_since_stays_where_it_is(places, at):
    unit = UnitFactory(home=places[0])
    bank = BankFactory(place=places[0])
    bank_move(bank=bank, at=at, actor=None, unit=unit)
    run = old_file(Banks=[("Serial", "On the shelf at"), (bank.serial, "NORD")])
    assert is_newer(run, "banks", "place")
    bring_in(run)
    assert BankStay.objects.current().get(bank=bank).unit == unit


@MOMENTS
def test_a_block_moved_since_stays_where_it_is(places, at):
    bank = BankFactory(place=places[0])
    block = BlockFactory(place=places[0])
    block_move(block=block, at=at, actor=None, bank=bank, position="1")
    run = old_file(Blocks=[("Serial", "On the shelf at"), (block.serial, "NORD")])
    assert is_newer(run, "blocks", "place")
    bring_in(run)
    assert BlockStay.objects.current().get(block=block).bank == bank


def changed_by_hand(row, **values):
    """As the admin site changes rows that carry no version."""
    before = {name: getattr(row, name) for name in values}
    for name, value in values.items():
        setattr(row, name, value)
    row.save()
    note_change(row, action=f"{row._meta.model_name}.edit", actor=None, before=before, after=values)


def test_rows_without_a_time_of_their_own_are_known_by_the_trail(places):
    line = DesignItemFactory(qty=2, position="", purpose=DesignItem.Purpose.KIT)
    normal = ClimateNormal.objects.get(place=places[0], month=1)
    terms = DepotTerms.objects.get(place=places[0])
    bill = ("Design", "Item", "From", "Quantity")
    line_row = (line.design.code, line.item.code, line.valid_from.isoformat(), 3)
    terms_row = ("NORD", terms.valid_from.isoformat(), "99 h")
    files = {
        "design_items": ("qty", {"Bill": [bill, line_row]}),
        "climate": ("mean_c", {"Climate": [("Depot", "Month", "Mean"), ("NORD", 1, "-9 °C")]}),
        "depot_terms": ("notice_h", {"Terms": [("Depot", "From", "Notice"), terms_row]}),
    }
    for name, (_column, sheets) in files.items():
        assert counts(old_file(**sheets))[name] == (0, 1, 0, 0), name
    changed_by_hand(line, qty=5)
    changed_by_hand(normal, mean_c=1.5)
    changed_by_hand(terms, notice_h=12.0)
    for name, (column, sheets) in files.items():
        assert is_newer(old_file(**sheets), name, column), name


def test_rows_that_were_added_since_are_newer(places):
    line = DesignItemFactory(qty=2, position="", purpose=DesignItem.Purpose.KIT)
    note_change(line, action="designitem.add", actor=None, after=facts(line))
    rows = [("Design", "Item", "From", "Quantity")]
    rows.append((line.design.code, line.item.code, line.valid_from.isoformat(), 3))
    assert is_newer(old_file(Bill=rows), "design_items", "qty")


def test_terms_that_came_in_are_newer_than_an_older_file(places):
    day = (FILE_AT - dt.timedelta(days=1)).date().isoformat()
    bring_in(read(workbook(Terms=[("Depot", "From", "Notice"), ("NORD", day, "6 h")])))
    rows = [("Depot", "From", "Notice"), ("NORD", day, "48 h")]
    assert is_newer(old_file(Terms=rows), "depot_terms", "notice_h")


def test_a_count_written_down_since_is_newer(places):
    lot = in_store(5, place=places[0])
    stock_count(lot=lot, counted_qty=4, happened_at=ago(9), actor=None, place=places[0], token=uuid.uuid4())
    head = ("Depot", "Item", "Lot", "Quantity", "Counted at (UTC)")
    row = ("NORD", lot.item.code, lot.code, 3, f"{ago(9):%Y-%m-%d %H:%M}")
    run = old_file(Stock=[head, row])
    assert is_newer(run, "stock_counts", "counted_qty")


@pytest.mark.parametrize("how", ["edit", "move"])
def test_what_is_edited_while_the_file_is_read_was_not_seen(places, monkeypatch, how):
    from fleet.services.imports import runs
    from tests.fleet.services.imports.test_conflicts_and_undo import edit

    unit = UnitFactory(home=places[0])
    plan_sheet = runs.plan_sheet

    def slow(*args, **kwargs):
        """The file is planned, then somebody edits, then the preview is saved."""
        plan = plan_sheet(*args, **kwargs)
        clock.shift(30)
        if how == "edit":
            edit(unit.tag, note="typed meanwhile")
        else:
            unit_move(unit=unit, to=places[1], at=NOW, actor=None)
        clock.shift(30)
        return plan

    monkeypatch.setattr(runs, "plan_sheet", slow)
    column, value = ("Remarks", "from the file") if how == "edit" else ("Yard", "row 2")
    rows = [("Unit", column, "Stands at"), (unit.tag, value, "NORD" if how == "edit" else "QUAY")]
    DepotFactory(code="QUAY")
    with time_machine.travel(NOW, tick=False) as clock:
        run = read(workbook(Units=rows))
        monkeypatch.setattr(runs, "plan_sheet", plan_sheet)
        bring_in(run, newer={"units": "*"})
    unit.refresh_from_db()
    if how == "edit":
        assert unit.note == "typed meanwhile"
    else:
        assert unit.yard_place == "row 2"
        assert UnitStay.objects.current().get(unit=unit).place == places[1]


# --- a row that rests on one that stays as it is here ---


def bank_that_takes_the_place_of_a_kept_one(places):
    """The file sends OLD to the shelf and NEW into its position; OLD was moved there after the file, so it stays."""
    unit = UnitFactory(home=places[0])
    old = BankFactory(place=places[0], serial="OLD")
    BankFactory(place=places[0], serial="NEW")
    BankFactory(place=places[1], serial="SPARE")
    bank_move(bank=old, at=ago(2), actor=None, unit=unit)
    rows = [("Serial", "In unit", "On the shelf at"), ("OLD", None, "NORD"), ("NEW", unit.tag, None)]
    rows.append(("SPARE", None, "NORD"))
    run = old_file(Banks=rows)
    assert run.faults == []
    assert counts(run)["banks"] == (0, 2, 1, 1)
    return run, unit


def where(serial):
    stay = BankStay.objects.current().get(bank__serial=serial)
    return stay.unit or stay.place


def test_a_row_that_rests_on_a_kept_one_is_left_out_by_its_number(places):
    run, unit = bank_that_takes_the_place_of_a_kept_one(places)
    done = applied(bring_in(run, sheets={"banks": "good"}))["banks"]
    assert (done["changed"], done["kept"], done["faulty"]) == (1, 1, 1)
    assert done["reason"].startswith("Row 3: Position 'main' of ")
    assert (where("OLD"), where("NEW"), where("SPARE")) == (unit, places[0], places[0])


def test_a_whole_sheet_is_refused_before_anything_is_written(places, monkeypatch):
    from fleet.services.imports import runs

    run, _unit = bank_that_takes_the_place_of_a_kept_one(places)
    monkeypatch.setattr(runs.Writer, "write", None)
    done = applied(bring_in(run))["banks"]
    assert done["refused"]
    assert done["reason"].startswith("Row 3: Position 'main' of ")
    assert "OLD" in done["reason"]


def test_both_rows_come_in_when_the_kept_one_is_ticked(places):
    run, unit = bank_that_takes_the_place_of_a_kept_one(places)
    done = applied(bring_in(run, newer={"banks": ["2:place"]}))["banks"]
    assert (done["changed"], done["kept"], "reason" in done) == (3, 0, False)
    assert (where("OLD"), where("NEW"), where("SPARE")) == (places[0], unit, places[0])
