"""Dangerous goods by sheet: what items are, what else is aboard, looks with a date, and the word that a list is complete."""

import pytest
import time_machine

from fleet.services.imports.kinds import kind_named
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck, ItemGoods
from inventory.selectors.goods import goods_keys, goods_keys_of
from inventory.services.goods import (
    goods_line_add,
    goods_line_strike,
    goods_list_confirm,
    item_goods_save,
)
from tests.factories.fleet import NOW, BankFactory, DepotFactory, UnitFactory, ago
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard
from tests.fleet.services.imports.steps import (
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    take_back,
    workbook,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
WHO = {"actor": None, "now": NOW}
MOMENT = "2026-06-01 10:00"


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def unit():
    return UnitFactory(tag="MW-1", home=DepotFactory(code="NORD"))


def faults(run):
    return [(fault["row"], fault["column"], fault["key"]) for fault in run.faults]


def refused(run, name, *models):
    assert all(fault["mend"] for fault in run.faults)
    assert applied(bring_in(run))[name]["refused"]
    assert not any(model.objects.exists() for model in models)


# --- items ---

ITEM = ("Item", "It is", "Facts", "Removable", "Source")


def items(*rows, header=ITEM):
    return workbook(Items_in_transport=[header, *rows])


def test_what_an_item_is_comes_in_is_put_right_and_goes_again():
    ItemFactory(code="BLEACH")
    row = ("BLEACH", "other goods", "un=UN 2880; pg=II; qty=5", "yes", "safety sheet")
    run = read_and_bring_in(items(row))
    goods = ItemGoods.objects.get()
    assert (goods.kind, goods.attributes) == ("goods", {"un": "2880", "pg": "II", "qty": 5.0})
    assert (goods.removable, goods.source) == (True, "safety sheet")
    assert counts(read(items(row)))["item_goods"] == (0, 0, 1, 0)
    assert counts(read(items(("BLEACH", None, "UN=2880; qty=5.0; pg=II", None, None))))["item_goods"] == (
        0,
        0,
        1,
        0,
    )
    # The cell tells all the facts: what it leaves out is not known any more.
    changed = read_and_bring_in(items(("BLEACH", None, "un=2880; pg=III", None, None)))
    goods.refresh_from_db()
    assert (goods.attributes, goods.version) == ({"un": "2880", "pg": "III"}, 2)
    cell = changed.preview["sheets"][0]["changed"][0]["cells"][0]
    assert (cell["old"], cell["new"]) == ("pg=II; qty=5; un=2880", "pg=III; un=2880")
    none = read_and_bring_in(items(("BLEACH", "none", None, None, None)))
    goods.refresh_from_db()
    assert (goods.kind, goods.attributes) == ("none", {})
    for each in (none, changed):
        take_back(each)
    goods.refresh_from_db()
    assert (goods.kind, goods.attributes) == ("goods", {"un": "2880", "pg": "II", "qty": 5.0})
    take_back(run)
    assert not ItemGoods.objects.exists()


@pytest.mark.parametrize(
    ("kind", "text", "found"),
    [
        ("other goods", "un=9999", ("Facts", "goods.un_unknown")),
        ("other goods", "un=3480", ("Facts", "goods.un_of_battery")),
        ("other goods", "un=2880; colour=blue", ("Facts", "goods.attribute_unknown")),
        ("other goods", "pg=IV", ("Facts", "goods.word_unknown")),
        ("other goods", "qty=-1", ("Facts", "goods.negative")),
        ("other goods", "qty=some", ("Facts", "goods.not_a_number")),
        ("other goods", "just text", ("Facts", "goods.fact_unreadable")),
        ("lamp", "un=2880", ("Facts", "goods.attribute_unknown")),
        ("engine", "fuel=diesel; fuel_state=drained", ("Facts", "goods.dated")),
        ("battery", "chemistry=gold", ("Facts", "goods.word_unknown")),
        ("explosive", None, ("It is", "cell.not_a_choice")),
        (None, "un=2880", ("It is", "row.needed")),
    ],
)
def test_what_an_item_cannot_be_names_the_row_and_the_mend(kind, text, found):
    ItemFactory(code="BLEACH")
    ItemFactory(code="SALT")
    run = read(items(("SALT", "none", None, None, None), ("BLEACH", kind, text, None, None)))
    assert faults(run) == [(3, *found)]
    refused(run, "item_goods", ItemGoods)


def test_a_kind_alone_must_fit_the_facts_on_file():
    item = ItemFactory(code="BLEACH")
    item_goods_save(item=item, kind="goods", attributes={"un": "2880"}, actor=None)
    assert faults(read(items(("BLEACH", "lamp", None, None, None)))) == [
        (2, "Facts", "goods.attribute_unknown")
    ]
    read_and_bring_in(items(("BLEACH", "lamp", "hg_g_each=0.01", None, None)))
    assert ItemGoods.objects.get().attributes == {"hg_g_each": 0.01}


def test_units_that_carry_the_item_are_judged_again(unit):
    item = aboard(unit).item
    read_and_bring_in(items((item.code, "none", None, None, None)))
    assert unit.pk in kind_named("item_goods").unit_ids([ItemGoods.objects.get().pk])


# --- lines ---

LINE = ("Unit", "What it is", "Aboard since", "Kind", "Facts", "How many", "Mass", "Can be sent apart")


def lines(*rows, header=LINE):
    return workbook(Other_goods_aboard=[header, *rows])


PHONE = ("MW-1", "Phone", MOMENT, "battery", "chemistry=li_ion; wh=12.5", 2, "2 lb", "yes")


def test_a_line_comes_in_is_put_right_and_goes_again(unit):
    run = read_and_bring_in(lines(PHONE))
    line = GoodsLine.objects.get()
    assert (line.unit, line.label, line.kind, line.pieces, line.removable) == (
        unit,
        "Phone",
        "battery",
        2,
        True,
    )
    assert line.attributes == {"chemistry": "li_ion", "wh": 12.5}
    assert line.mass_kg == pytest.approx(0.90718, abs=1e-5)
    assert counts(read(lines(PHONE)))["goods_lines"] == (0, 0, 1, 0)
    changed = read_and_bring_in(lines((*PHONE[:4], "chemistry=li_ion; wh=15", *PHONE[5:])))
    right = GoodsLine.objects.counting().get()
    assert (right.attributes["wh"], right.pk != line.pk) == (15.0, True)
    take_back(changed)
    assert GoodsLine.objects.counting().get().pk == line.pk
    take_back(run)
    assert not GoodsLine.objects.exists()


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        ({"Unit": "MW-9"}, ("Unit", "reference.unknown")),
        ({"Kind": "none"}, ("Kind", "cell.not_a_choice")),
        ({"Kind": "other goods", "Facts": "un=9999"}, ("Facts", "goods.un_unknown")),
        ({"Facts": "condition=ok"}, ("Facts", "goods.dated")),
        ({"How many": 0}, ("How many", "cell.out_of_bounds")),
        ({"Mass": -1}, ("Mass", "cell.out_of_bounds")),
        ({"Aboard since": "2099-01-01"}, ("Aboard since", "record.in_future")),
        ({"Aboard since": "1990-01-01"}, ("Aboard since", "record.before_birth")),
    ],
)
def test_a_line_that_cannot_be_is_refused(unit, cells, found):
    run = read(lines(tuple((dict(zip(LINE, PHONE, strict=True)) | cells)[name] for name in LINE)))
    assert faults(run) == [(2, *found)]
    refused(run, "goods_lines", GoodsLine)


# --- looks ---

LOOK = ("Unit", "Bank", "Other goods", "Looked at", "Date", "Found", "Tank filled to", "Fuel")


def looks(*rows, **more):
    return workbook(**more, Looks_at_goods=[LOOK, *rows])


def test_looks_come_in_for_banks_and_for_lines_of_the_same_file(unit):
    bank = BankFactory(unit=unit, serial="BK-1")
    pump = ("MW-1", "Pump", MOMENT, "engine", "fuel=diesel", 1, None, None)
    content = looks(
        ("MW-1", "BK-1", None, "terminals covered", MOMENT, "yes", None, None),
        ("MW-1", "BK-1", None, "condition", MOMENT, "sound", None, None),
        ("MW-1", None, "pump", "tank", MOMENT, "fuel in the tank", 40, "8 L"),
        Other_goods_aboard=[LINE, pump],
    )
    run = read_and_bring_in(content)
    found = {
        (look.kind, look.answer, look.bank, look.line and look.line.label)
        for look in GoodsCheck.objects.all()
    }
    assert found == {
        ("terminals", "yes", bank, None), ("condition", "ok", bank, None), ("tank", "in_tank", None, "Pump"),
    }  # fmt: skip
    tank = GoodsCheck.objects.get(kind="tank")
    assert (tank.fill_pct, tank.fuel_l) == (40.0, 8.0)
    again = read(content)
    assert again.faults == []
    assert counts(again) == {"goods_lines": (0, 0, 1, 0), "goods_checks": (0, 0, 3, 0)}
    changed = read_and_bring_in(looks(("MW-1", "BK-1", None, "terminals", MOMENT, "no", None, None)))
    assert GoodsCheck.objects.counting().get(kind="terminals").answer == "no"
    take_back(changed)
    take_back(run)
    assert not GoodsCheck.objects.exists()
    assert not GoodsLine.objects.exists()


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (("MW-1", None, None, "terminals", MOMENT, "yes", None, None), ("Bank", "goods.one_subject")),
        (("MW-1", "BK-1", "Phone", "terminals", MOMENT, "yes", None, None), ("Bank", "goods.one_subject")),
        (
            ("MW-1", None, "Radio", "terminals", MOMENT, "yes", None, None),
            ("Other goods", "reference.unknown"),
        ),
        (("MW-1", "BK-1", None, "terminals", MOMENT, "sound", None, None), ("Found", "goods.no_answer")),
        (
            ("MW-1", "BK-1", None, "tank", MOMENT, "drained", None, None),
            ("Looked at", "goods.check_does_not_fit"),
        ),
        (("MW-1", "BK-1", None, "terminals", MOMENT, "yes", 40, None), ("Tank filled to", "goods.no_tank")),
        (("MW-1", "BK-2", None, "terminals", MOMENT, "yes", None, None), ("Bank", "goods.bank_elsewhere")),
        (("MW-1", "BK-1", None, "terminals", "2099-01-01", "yes", None, None), ("Date", "record.in_future")),
        (
            ("MW-1", None, "Pump", "tank", MOMENT, "drained", 101, None),
            ("Tank filled to", "cell.out_of_bounds"),
        ),
        (("MW-1", None, "Pump", "tank", MOMENT, "drained", None, -1), ("Fuel", "cell.out_of_bounds")),
    ],
)
def test_a_look_that_cannot_be_is_refused(unit, row, found):
    BankFactory(unit=unit, serial="BK-1")
    BankFactory(unit=UnitFactory(), serial="BK-2")
    for label, kind, facts in (("Phone", "battery", {}), ("Pump", "engine", {"fuel": "diesel"})):
        goods_line_add(unit=unit, label=label, kind=kind, attributes=facts, happened_at=ago(200), **WHO)
    run = read(looks(row))
    assert (2, *found) in faults(run)
    refused(run, "goods_checks", GoodsCheck)


def test_the_charge_of_other_goods_comes_in_and_goes_out(unit):
    goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(200), **WHO)
    header = ("Unit", "Other goods", "Looked at", "Date", "Found", "Charged to, %")

    def sheet(soc_pct):
        row = ("MW-1", "Phone", "charge", MOMENT, "measured", soc_pct)
        return workbook(Looks_at_goods=[header, row])

    for soc_pct, fault in ((None, "goods.charge_not_said"), (101, "cell.out_of_bounds")):
        assert (2, "Charged to, %", fault) in faults(read(sheet(soc_pct)))
    read_and_bring_in(sheet(28.5))
    look = GoodsCheck.objects.get()
    assert (look.kind, look.answer, look.soc_pct) == ("charge", "measured", 28.5)
    assert counts(read(sheet(28.5)))["goods_checks"] == (0, 0, 1, 0)


def test_a_line_that_was_taken_off_is_not_looked_at(unit):
    line = goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(200), **WHO)
    goods_line_strike(line=line, reason="sold", **WHO)
    run = read(looks(("MW-1", None, "Phone", "terminals", MOMENT, "yes", None, None)))
    assert faults(run) == [(2, "Other goods", "reference.unknown")]


# --- the word on the list ---


def complete(*rows, **more):
    return workbook(
        **more, Lists_of_goods_complete=[("Unit", "Looked through at", "All that is aboard", "Note"), *rows]
    )


def test_a_list_is_confirmed_by_naming_what_stands_on_it(unit):
    BankFactory(unit=unit, serial="BK-1")
    item = aboard(unit).item
    goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(200), **WHO)
    all_of_it = f"LINE:phone; bank:bk-1 ;item:{item.code}"
    run = read_and_bring_in(complete(("MW-1", MOMENT, all_of_it, "yard")))
    word = GoodsListCheck.objects.get()
    assert (word.keys, word.note) == (goods_keys(unit, now=NOW), "yard")
    assert counts(read(complete(("MW-1", MOMENT, all_of_it, None))))["goods_lists"] == (0, 0, 1, 0)
    noted = read_and_bring_in(complete(("MW-1", MOMENT, all_of_it, "bay 4")))
    right = GoodsListCheck.objects.counting().get()
    assert (right.keys, right.note) == (word.keys, "bay 4")
    take_back(noted)
    take_back(run)
    assert not GoodsListCheck.objects.exists()


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ("bank:BK-1", "goods.list_changed", "+ line:Phone"),
        ("bank:BK-1; line:Phone; line:Phone", "goods.list_changed", "- line:Phone"),
        ("bank:BK-1; line:Phone; item:SALT", "goods.list_changed", "- item:SALT"),
        ("bank:BK-1; Phone", "goods.key_unreadable", "Phone"),
        (None, "row.needed", "All that is aboard"),
    ],
)
def test_a_list_that_is_not_what_stands_there_is_refused(unit, text, key, said):
    BankFactory(unit=unit, serial="BK-1")
    goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(200), **WHO)
    run = read(complete(("MW-1", MOMENT, text, None)))
    assert [fault["key"] for fault in run.faults] == [key]
    assert said in run.faults[0]["message"]
    refused(run, "goods_lists", GoodsListCheck)


def test_a_list_with_what_the_file_itself_brings_is_judged_when_it_is_written(unit):
    row = ("MW-1", MOMENT, "line:Phone", None)
    run = read(complete(row, Other_goods_aboard=[LINE, PHONE]))
    assert run.faults == []
    run = bring_in(run)
    assert GoodsListCheck.objects.get().keys == [f"line:{GoodsLine.objects.get().pk}"]
    take_back(run)
    assert not GoodsListCheck.objects.exists()
    # What was not brought in after all is missing then: the word is not taken.
    run = bring_in(read(complete(row, Other_goods_aboard=[LINE, PHONE])), sheets={"goods_lines": "skip"})
    assert applied(run)["goods_lists"]["refused"]
    assert "These are not the goods" in applied(run)["goods_lists"]["reason"]
    assert not GoodsListCheck.objects.exists()


def test_a_word_that_is_told_anew_passes_the_same_rule(unit):
    goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(200), **WHO)
    goods_list_confirm(unit=unit, keys_shown=goods_keys(unit, now=NOW), happened_at=ago(2), **WHO)
    goods_line_add(unit=unit, label="Radio", kind="battery", happened_at=ago(1), **WHO)
    moment = ago(2).isoformat()
    assert counts(read(complete(("MW-1", moment, "line:Phone", None))))["goods_lists"] == (0, 0, 1, 0)
    assert [fault["key"] for fault in read(complete(("MW-1", moment, "line:Radio", None))).faults] == [
        "goods.list_changed"
    ]
    run = read_and_bring_in(complete(("MW-1", moment, "line:Radio; line:Phone", None)))
    assert GoodsListCheck.objects.counting().get().keys == goods_keys(unit, now=NOW)
    take_back(run)
    assert len(GoodsListCheck.objects.counting().get().keys) == 1


def test_the_keys_of_many_units_are_those_of_each(unit, django_assert_num_queries):
    other = UnitFactory()
    aboard(unit)
    BankFactory(unit=other)
    DesignItemFactory(design=other.design)
    old = DesignItemFactory(design=other.design)
    type(old).objects.filter(pk=old.pk).update(valid_to=old.valid_from)
    for each in (unit, other):
        goods_line_add(unit=each, label="Phone", kind="battery", happened_at=ago(1), **WHO)
    with django_assert_num_queries(6):
        found = goods_keys_of([unit, other], now=NOW)
    assert found == {each.pk: goods_keys(each, now=NOW) for each in (unit, other)}
    assert f"item:{old.item.code}" not in found[other.pk]
