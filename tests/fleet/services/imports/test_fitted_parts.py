"""The sheet of fitted parts: through the ledger in, with the use they bring along, and out again."""

import datetime as dt

import pytest
import time_machine

from inventory.models import Balance, FittedPart, Movement
from inventory.selectors.part_use import use_of_parts
from inventory.services.parts import part_remove
from tests.factories.fleet import NOW, DepotFactory, DesignFactory, UnitFactory, ago
from tests.factories.inventory import DesignItemFactory, ItemFactory, LampFactory, LotFactory, in_store
from tests.fleet.services.imports.steps import (
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    take_back,
    workbook,
)
from tests.fleet.services.imports.test_conflicts_and_undo import snapshot

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
HEAD = (
    "Unit", "Position", "Item", "Lot", "Fitted at (UTC)",
    "Hours before", "Volume before", "Starts before", "First fitted at (UTC)", "Earlier use is known",
)  # fmt: skip


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def unit():
    unit = UnitFactory(tag="MW-1", home=DepotFactory(time_zone="UTC"), design=DesignFactory(code="WX-40"))
    lamp = LampFactory(code="LAMP")
    for number in (1, 2):
        DesignItemFactory(design=unit.design, item=lamp, position=f"Lamp {number}", train="a")
    LotFactory(item=lamp, code="L-1")
    return unit


def when(days, clock="09:00"):
    return f"{ago(days):%Y-%m-%d} {clock}"


def row(position="lamp 1", lot="L-1", fitted=None, use=(1200, None, 40, None, None), item="LAMP", tag="MW-1"):
    return (tag, position, item, lot, fitted or when(60), *use)


KNOWN = (1200, None, 40, when(400), None)


def parts_file(*rows):
    return workbook(Fitted_parts=[HEAD, *rows])


def keys(run):
    assert all(fault["mend"].endswith(".") for fault in run.faults)
    return [(fault["row"], fault["key"]) for fault in run.faults]


def test_a_part_comes_in_through_the_ledger_with_its_use(unit):
    run = read(parts_file(row(use=KNOWN)))
    assert (keys(run), counts(run)) == ([], {"fitted_parts": (1, 0, 0, 0)})
    assert not FittedPart.objects.exists()
    bring_in(run)
    part = FittedPart.objects.get()
    assert (part.unit, part.position, part.train, part.lot.code) == (unit, "Lamp 1", "a", "L-1")
    assert part.fitted_at == ago(60).replace(hour=9, minute=0, second=0, microsecond=0)
    assert (part.carried_h, part.carried_starts, part.use_known) == (1200.0, 40, True)
    assert part.first_fitted_at.date() == ago(400).date()
    (use,) = use_of_parts([part], as_of=NOW)
    assert use.hours_h >= 1200
    kinds = list(Movement.objects.order_by("pk").values_list("kind", "to_unit", "from_unit"))
    assert kinds == [("receipt", unit.pk, None), ("fit", None, unit.pk)]
    assert Balance.objects.get().qty == 0
    assert f"import {run.pk}, Fitted parts row 2" in Movement.objects.earliest("pk").reason
    again = read(parts_file(row(use=KNOWN)))
    assert counts(again) == {"fitted_parts": (0, 0, 1, 0)}


@pytest.mark.parametrize(
    ("use", "known"),
    [
        ((None, None, None, None, None), False),
        ((1200, None, None, None, None), False),
        ((1200, None, 40, None, None), False),
        ((0, None, 0, None, None), True),
        (KNOWN, True),
        ((*KNOWN[:4], "no"), False),
    ],
)
def test_use_that_nobody_told_is_not_known(unit, use, known):
    read_and_bring_in(parts_file(row(use=use)))
    assert FittedPart.objects.get().use_known is known


def test_known_is_not_believed_while_what_the_life_asks_for_is_missing(unit):
    assert keys(read(parts_file(row(use=(1200, None, None, None, "yes"))))) == [(2, "part.use_not_told")]
    read_and_bring_in(parts_file(row(use=(None, None, None, None, None))))
    # The zeros on file of a part whose use nobody knew say nothing.
    assert keys(read(parts_file(row(use=(None, None, None, None, "yes"))))) == [(2, "part.use_not_told")]


def test_use_that_becomes_known_is_added_and_taken_back(unit):
    read_and_bring_in(parts_file(row(use=(None, None, None, None, None))))
    before = snapshot()
    run = read(parts_file(row(use=KNOWN)))
    assert counts(run) == {"fitted_parts": (0, 1, 0, 0)}
    assert {cell["name"] for cell in run.preview["sheets"][0]["changed"][0]["cells"]} == {
        "carried_h", "carried_starts", "first_fitted_at", "use_known",
    }  # fmt: skip
    run = bring_in(run)
    part = FittedPart.objects.get()
    assert (part.carried_h, part.use_known, part.version) == (1200.0, True, 2)
    take_back(run)
    assert snapshot() == before


def test_an_import_of_parts_is_taken_back_by_reversal_and_may_come_in_again(unit):
    run = read_and_bring_in(parts_file(row(), row("Lamp 2")))
    run = take_back(run)
    assert run.state == "undone"
    assert not FittedPart.objects.filter(void=False).exists()
    assert Movement.objects.filter(kind="reversal").count() == 4
    assert set(Balance.objects.values_list("qty", flat=True)) == {0}
    again = read_and_bring_in(parts_file(row()))
    assert applied(again)["fitted_parts"]["added"] == 1
    assert FittedPart.objects.filter(void=False).get().position == "Lamp 1"


def test_a_mission_that_the_ledger_names_stays_with_the_stays_of_its_unit(unit):
    """The part was fitted on the mission of the same file, so the ledger names that mission for ever."""
    missions = [("Mission", "Unit", "From", "To date")]
    missions += [("A", "MW-1", when(90)[:10], when(50)[:10]), ("B", "MW-1", when(30)[:10], when(20)[:10])]
    run = read_and_bring_in(workbook(Missions=missions, Fitted_parts=[HEAD, row()]))
    assert Movement.objects.get(kind="fit").deployment.code == "A"
    stays = list(unit.stays.order_by("started_at").values())
    run = take_back(run)
    assert run.state == "undone"
    assert set(run.preview["kept"]) >= {"A", "B"}
    assert list(unit.stays.order_by("started_at").values()) == stays
    assert unit.absences.count() == 2
    assert not FittedPart.objects.filter(void=False).exists()


def test_a_part_removed_since_stops_the_undo(unit):
    run = read_and_bring_in(parts_file(row()))
    part_remove(part=FittedPart.objects.get(), happened_at=ago(1), actor=None)
    from fleet.services.imports.undoing import obstacles

    assert obstacles(run)


def test_what_cannot_be_is_named_row_by_row(unit):
    item = ItemFactory(code="CART")
    LotFactory(item=item, code="C-1")
    UnitFactory(tag="MW-2", home=unit.home, commissioned_on=ago(20).date(), design=unit.design)
    rows = [
        row("lamp 7"),
        row("lamp 1", item="CART", lot="C-1", fitted=when(70)),
        row("lamp 1", fitted=f"{NOW + dt.timedelta(days=3):%Y-%m-%d %H:%M}"),
        row("lamp 1", tag="MW-2"),
        row("lamp 2", use=(1200, None, 40, when(10), None)),
        row("lamp 1"),
        row("lamp 1", fitted=when(30)),
    ]
    run = read(parts_file(*rows))
    named = dict(keys(run))
    assert named.pop(4).endswith("future")
    assert set(named) == {2, 3, 5, 6, 8}
    assert (named[2], named[3], named[6], named[8]) == (
        "part.no_position",
        "part.other_item",
        "part.first_later",
        "part.position_taken",
    )
    assert "Lamp 1, Lamp 2" in run.faults[0]["mend"]
    assert applied(bring_in(run, sheets={"fitted_parts": "good"}))["fitted_parts"]["added"] == 1


def test_a_position_that_holds_a_part_and_another_piece_in_its_place_are_named(unit):
    read_and_bring_in(parts_file(row()))
    LotFactory(item=FittedPart.objects.get().lot.item, code="L-2")
    assert keys(read(parts_file(row(fitted=when(5))))) == [(2, "part.position_taken")]
    assert keys(read(parts_file(row(fitted=when(90))))) == [(2, "part.position_taken")]
    run = read(parts_file(row(lot="L-2")))
    assert keys(run) == [(2, "part.other_lot")]
    assert "L-1" in run.faults[0]["message"]


def test_a_piece_with_a_serial_is_in_one_place(unit):
    pump = ItemFactory(code="PUMP", serialised=True)
    for number in (1, 2):
        DesignItemFactory(design=unit.design, item=pump, position=f"pump {number}")
    one = LotFactory(item=pump, code="P-1", serial="S-1")
    LotFactory(item=pump, code="P-2", serial="S-2")
    twice = read(parts_file(row("pump 1", "P-2", item="PUMP"), row("pump 2", "P-2", item="PUMP")))
    assert keys(twice) == [(3, "part.piece_elsewhere")]
    in_store(1, place=unit.home, lot=one)
    assert keys(read(parts_file(row("pump 1", "P-1", item="PUMP")))) == [(2, "part.piece_elsewhere")]


def test_parts_belong_to_the_depot_of_their_unit(unit, cast):
    unit.home = cast.south
    unit.save()
    assert keys(read(parts_file(row()), actor=cast.nora)) == [(2, "row.not_yours")]
    assert keys(read(parts_file(row()), actor=cast.silas)) == []


@pytest.mark.parametrize("bill", ["on file", "in the file"])
def test_the_preview_takes_the_items_that_the_bill_names_on_the_day(unit, bill):
    """Until 40 days ago the position took one item, since then another: the writing refuses what the preview names."""
    items = {code: ItemFactory(code=code) for code in ("OLD", "NEW")}
    for code, item in items.items():
        LotFactory(item=item, code=f"{code}-1")
    first, change = ago(400).date(), ago(40).date()
    spans = [("OLD", first, change - dt.timedelta(days=1)), ("NEW", change, None)]
    sheets = {}
    if bill == "on file":
        for code, since, until in spans:
            DesignItemFactory(
                design=unit.design, item=items[code], position="filter", valid_from=since, valid_to=until
            )
    else:
        sheets["Bill"] = [("Design", "Item", "Position", "Quantity", "From", "To")]
        sheets["Bill"] += [("WX-40", code, "filter", 1, since, until) for code, since, until in spans]

    def parts(*rows):
        return workbook(**sheets, Fitted_parts=[HEAD, *rows])

    def filter_row(code, fitted):
        return row("filter", f"{code}-1", fitted, (None,) * 5, code)

    run = read(parts(filter_row("OLD", when(30)), filter_row("NEW", when(41))))
    assert keys(run) == [(2, "part.other_item"), (3, "part.other_item")]
    assert "takes NEW, not OLD" in run.faults[0]["message"]
    done = applied(read_and_bring_in(parts(filter_row("OLD", when(41)))))
    assert (done["fitted_parts"]["added"], done["fitted_parts"].get("refused")) == (1, None)


def test_the_day_of_the_bill_is_that_of_the_home_of_the_unit(unit):
    unit.home.time_zone = "Pacific/Auckland"
    unit.home.save()
    lot = LotFactory(item=ItemFactory(code="NEW"), code="NEW-1")
    other = LotFactory(item=ItemFactory(code="OLD"), code="OLD-1")
    since = ago(40).date()
    day_before = since - dt.timedelta(days=1)
    DesignItemFactory(design=unit.design, item=other.item, position="filter", valid_to=day_before)
    DesignItemFactory(design=unit.design, item=lot.item, position="filter", valid_from=since)
    evening = f"{day_before} 20:00"  # UTC: the next day has begun in Auckland
    assert keys(read(parts_file(row("filter", "OLD-1", evening, (None,) * 5, "OLD")))) == [
        (2, "part.other_item")
    ]
    read_and_bring_in(parts_file(row("filter", "NEW-1", evening, (None,) * 5, "NEW")))
    assert FittedPart.objects.get().lot == lot
