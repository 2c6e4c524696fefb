"""What is on file about transport goes out as the sheets it comes in by: there and back it is the same."""

import io

import pytest
import time_machine
from django.urls import reverse
from openpyxl import load_workbook

from fleet.lib.errors import DomainError
from fleet.models import Weighing
from fleet.services.imports.books import export_book, export_text
from fleet.services.imports.kinds import kinds_in_order
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck
from inventory.selectors.goods import goods_keys
from inventory.services.goods import goods_line_add, goods_line_strike, goods_list_confirm
from tests.factories.fleet import (
    NOW,
    BankFactory,
    DepotFactory,
    DesignFactory,
    PackedFormFactory,
    UnitFactory,
    WeighingFactory,
    ago,
)
from tests.factories.inventory import ItemFactory
from tests.fleet.services.imports.steps import bring_in, counts, read, read_and_bring_in, take_back, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
NEW = (
    "unit_forms", "bank_transport", "transport_terms", "item_goods", "goods_lines", "goods_checks", "goods_lists",
)  # fmt: skip


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def unit():
    design = DesignFactory(code="WX-40")
    PackedFormFactory(design=design, code="skid", mass_kg=3700.123, length_mm=5700.0, braked=False)
    unit = UnitFactory(tag="MW-1", design=design, home=DepotFactory(code="NORD"))
    BankFactory(unit=unit, serial="BK-1")
    ItemFactory(code="BLEACH")
    return unit


def facts():
    """Some of every new kind, as people would bring it in."""
    return workbook(
        Own_measures_of_units=[
            ("Unit", "Packed form", "Measured on", "What differs", "Mass", "Trailer has brakes"),
            ("MW-1", "skid", "2026-04-10", "second tank", "8 400 lb", None),
            ("MW-1", "skid", "2026-06-10", "- both tanks off", None, "yes"),
        ],
        Banks_in_transport=[
            ("Bank", "It travels", "UN 38.3", "Energy", "Marked NON-SPILLABLE", "Where this is written"),
            ("BK-1", "packed with", "passed", "4.8005 kWh", "no", "report, 2025"),
        ],
        Transport_terms=[("From", "Until", "Days that the list of goods counts", "Slings"), ("2026-01-01", None, 90, 1)],
        Items_in_transport=[("Item", "It is", "Facts"), ("BLEACH", "other goods", "un=2880; qty=0.25; pg=II")],
        Other_goods_aboard=[
            ("Unit", "What it is", "Aboard since", "Kind", "Facts", "How many", "Mass"),
            ("MW-1", "Phone", "2026-05-04 09:30", "battery", "chemistry=li_ion; wh=12.345", 3, "1 lb"),
            ("MW-1", "Pump", "2026-05-05", "engine", "fuel=diesel; upright_only=yes", 1, None),
        ],
        Looks_at_goods=[
            ("Unit", "Bank", "Other goods", "Looked at", "Date", "Found", "Fuel"),
            ("MW-1", "BK-1", None, "terminals", "2026-06-01 10:00", "no", None),
            ("MW-1", None, "Phone", "condition", "2026-06-01 10:00", "sound", None),
            ("MW-1", None, "Pump", "tank", "2026-06-01 10:00", "fuel in the tank", "1 gal"),
        ],
        Lists_of_goods_complete=[
            ("Unit", "Looked through at", "All that is aboard"),
            ("MW-1", "2026-06-01 10:00", "bank:BK-1; line:Phone; line:Pump"),
        ],
    )  # fmt: skip


def cells(content):
    book = load_workbook(io.BytesIO(content))
    return {
        tab.title: sorted(tuple(map(str, row)) for row in tab.iter_rows(values_only=True)) for tab in book
    }


def test_what_goes_out_comes_in_again_as_the_same(unit):
    run = read_and_bring_in(facts())
    out = export_book()
    told = cells(out)
    # Beside what is brought in there are designs, packed forms and weighings, and how depots charge; each with its header.
    assert {name: len(rows) - 1 for name, rows in told.items()} == {
        "Designs": 1, "Packed forms": 1, "Own measures of units": 2, "Weighings": 0, "Banks in transport": 1,
        "Transport terms": 1, "Items in transport": 1, "Other goods aboard": 2, "Looks at goods": 3,
        "Lists of goods complete": 1,
        "Charger bays": 0, "Charging terms": 0, "Crew hours": 0, "Odd days": 0, "Supply hours": 0, "Storage policies": 0,
    }  # fmt: skip
    again = read(out)
    assert again.faults == []
    assert {name: each for name, each in counts(again).items() if each[0] or each[1] or each[3]} == {}

    take_back(run)
    assert not GoodsLine.objects.exists()
    back = read(out)
    assert back.faults == []
    assert {name: counts(back)[name][0] for name in NEW} == dict(zip(NEW, (2, 1, 1, 1, 2, 3, 1), strict=True))
    bring_in(back)
    assert cells(export_book()) == told
    assert [word.keys for word in GoodsListCheck.objects.all()] == [goods_keys(unit, now=NOW)]


@pytest.mark.parametrize("name", NEW)
def test_each_goes_out_as_text_as_well(unit, name):
    read_and_bring_in(facts())
    run = read(export_text(name), name=f"{name}.csv", decimal_mark=".")
    assert run.faults == []
    added, changed, left, newer = counts(run)[name]
    assert (added, changed, newer) == (0, 0, 0)
    assert left >= 1


def test_records_of_any_second_are_found_again_and_old_ones_stay_away(unit):
    line = goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(9), actor=None, now=NOW)
    odd = ago(2).replace(microsecond=123_456)
    goods_list_confirm(unit=unit, keys_shown=goods_keys(unit, now=NOW), happened_at=odd, actor=None, now=NOW)
    goods_list_confirm(
        unit=unit, keys_shown=goods_keys(unit, now=NOW), happened_at=ago(5), actor=None, now=NOW
    )
    WeighingFactory(unit=unit, packed_form=unit.design.packed_forms.get(), mass_kg=3800.0, happened_at=odd)
    look = {"unit": unit, "line": line, "kind": "condition", "answer": "ok", "happened_at": odd}
    GoodsCheck.objects.create(**look)
    run = read(export_book(("weighings", "goods_lines", "goods_checks", "goods_lists")))
    assert run.faults == []
    assert counts(run) == dict.fromkeys(
        ("weighings", "goods_lines", "goods_checks", "goods_lists"), (0, 0, 1, 0)
    )
    # What was taken off or struck out does not go out, nor the looks at it.
    goods_line_strike(line=line, reason="sold", actor=None, now=NOW)
    Weighing.objects.update(struck_at=NOW, struck_reason="misread")
    rows = cells(export_book(("weighings", "goods_lines", "goods_checks")))
    assert {name: len(each) for name, each in rows.items()} == dict.fromkeys(rows, 1)


def test_a_list_that_has_changed_since_is_not_confirmed_by_bringing_it_in(unit):
    goods_list_confirm(
        unit=unit, keys_shown=goods_keys(unit, now=NOW), happened_at=ago(2), actor=None, now=NOW
    )
    out = export_book(("goods_lists",))
    goods_line_add(unit=unit, label="Phone", kind="battery", happened_at=ago(1), actor=None, now=NOW)
    later = cells(out)["Lists of goods complete"]
    assert "bank:BK-1" in str(later)
    moved = workbook(
        Lists_of_goods_complete=[("Unit", "Looked through at", "All that is aboard"), ("MW-1", "2026-06-01", "bank:BK-1")]
    )  # fmt: skip
    assert [fault["key"] for fault in read(moved).faults] == ["goods.list_changed"]


def test_the_number_of_queries_does_not_grow(unit, django_assert_max_num_queries):
    for number in range(12):
        other = UnitFactory(design=unit.design, home=unit.home)
        BankFactory(unit=other)
        goods_line_add(
            unit=other, label=f"P{number}", kind="battery", happened_at=ago(9), actor=None, now=NOW
        )
        keys = goods_keys(other, now=NOW)
        goods_list_confirm(unit=other, keys_shown=keys, happened_at=ago(2), actor=None, now=NOW)
    with django_assert_max_num_queries(17):  # one a sheet, as with no unit at all
        export_book()


def test_what_does_not_go_out_is_said(unit):
    with pytest.raises(DomainError, match="no export"):
        export_text("stock_counts")
    assert not {kind.name for kind in kinds_in_order() if kind.exports} & {"units", "banks", "stock_counts"}


def test_it_is_had_from_the_page(client, cast, unit):
    client.force_login(cast.nora)
    page = client.get(reverse("fleet:import-list")).content.decode()
    for kind in NEW:
        assert reverse("fleet:import-export", args=[kind, "csv"]) in page
        assert client.get(reverse("fleet:import-export", args=[kind, "xlsx"])).status_code == 200
    answer = client.get(reverse("fleet:import-export", args=["packed_forms", "csv"]))
    assert answer["Content-Disposition"] == 'attachment; filename="musterwell-packed-forms-on-file.csv"'
    assert "3700.123" in answer.content.decode("utf-8-sig")
    for kind, form in (("all", "csv"), ("stock_counts", "xlsx"), ("nothing", "csv"), ("packed_forms", "pdf")):
        assert client.get(reverse("fleet:import-export", args=[kind, form])).status_code == 404
    assert client.get(reverse("fleet:import-export", args=["all", "xlsx"])).status_code == 200
