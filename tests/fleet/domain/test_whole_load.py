"""The law of a whole load: points, materials of trade, pairs, the single-load exception."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.answers import reasons
from fleet.domain.dangerous_goods.entries import held_entries
from fleet.domain.dangerous_goods.loads import LoadItem, adr_points
from fleet.domain.dangerous_goods.records import Battery, Engine, Goods, Item, Lamp
from fleet.domain.dangerous_goods.segregation import Stowed, rule_kinds, rule_pair, sea_table, tag_of
from fleet.domain.dangerous_goods.unit import UnitItem
from fleet.domain.dangerous_goods.whole_load import LoadDecision, LoadedUnit, judge_load
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.lib.tables import read_table

SHIP_DATE = dt.date(2026, 6, 30)
PETROL = UnitItem("petrol cans", Goods(un="1203", pg="II", qty=20.0), True, 60.0, "L", 55.0)
DIESEL = UnitItem("diesel cans", Goods(un="1202", pg="III", qty=20.0), True, 200.0, "L", 190.0)
CHLORINE = UnitItem("drum of hypochlorite", Goods(un="2880", pg="II", qty=40.0), True, 40.0, "kg", 42.0)
SOLUTION = UnitItem("hypochlorite solution", Goods(un="1791", pg="III", qty=25.0), True, 25.0, "L", 32.0)
WET = UnitItem(
    "open bank",
    Battery(
        chemistry="lead_acid",
        form="battery",
        wet_type="flooded",
        config="alone",
        condition="ok",
        terminals_protected=True,
        upright_secured=True,
        sp598_ok=False,
        net_mass_kg=120.0,
    ),
    total_qty=120.0,
)
LAMP = UnitItem("lamps", Lamp(hg_g_each=0.05, hg_g_package=0.5))


def loaded(*items: UnitItem, name: str = "N-1", confirmed: bool = True) -> LoadedUnit:
    return LoadedUnit(name, items, confirmed)


def road(*units: LoadedUnit, mode: Mode = Mode.ROAD) -> LoadDecision:
    return judge_load(units, mode, SHIP_DATE)


def reason(found: LoadDecision) -> str:
    assert found.points is not None
    return found.points.reason


def test_points_are_added_over_all_units_of_the_vehicle() -> None:
    """180 for 60 L of petrol, 200 for diesel, 120 for 40 kg hypochlorite, 25 for solution, 120 for the open bank: worked
    example of ADR 1.1.3.6 in the reference, without the lithium module."""
    found = road(loaded(PETROL, DIESEL), loaded(CHLORINE, SOLUTION, WET, LAMP, name="N-2"))
    assert [line.points for line in found.point_lines] == [180, 200, 120, 25, 120, 0]
    assert [line.counted for line in found.point_lines] == [True] * 5 + [False]
    assert found.points_total == 645
    assert reason(found) == "adr_1136_within"


def test_one_unit_more_may_bring_the_vehicle_over_a_thousand() -> None:
    heavy = replace(CHLORINE, total_qty=240.0)
    alone = [road(loaded(PETROL, DIESEL, SOLUTION)), road(loaded(heavy))]
    assert [reason(one) for one in alone] == ["adr_1136_within"] * 2
    together = road(loaded(PETROL, DIESEL, SOLUTION), loaded(heavy, name="N-2"))
    assert together.points_total == 1125
    assert reason(together) == "adr_1136_exceeded"


@pytest.mark.parametrize(
    ("changed", "missing"),
    [
        (replace(PETROL, total_qty=None), "qty"),
        (replace(PETROL, total_unit="kg"), "qty"),  # how many litres a mass of petrol is, is not known
        (
            replace(CHLORINE, item=Goods(un="1791", qty=5.0), total_unit="L"),
            "tc",
        ),  # II or III decides the category
    ],
)
def test_an_amount_or_a_category_that_is_not_known_shows_no_relief(changed: UnitItem, missing: str) -> None:
    """The load is not within 1.1.3.6 then, and goes under full ADR, if each of its lines may."""
    found = road(loaded(DIESEL, changed))
    assert found.points is not None
    assert found.points.verdict is Verdict.CANNOT_DECIDE
    assert found.points.reason == "adr_1136_not_shown"
    assert missing in found.points.missing
    assert found.points.source == "ADR 1.1.3.6.3, 1.1.3.6.4"
    assert "plates" in found.points.conditions
    assert found.verdict is max(unit.verdict for _name, unit in found.units)


def test_a_lithium_battery_counts_by_its_condition() -> None:
    module = Battery(
        chemistry="li_ion", form="battery", condition="ok", config="alone", un383="pass", wh=1200.0
    )
    module = replace(module, terminals_protected=True, net_mass_kg=22.0)

    def category(battery: Battery) -> int | None:
        return road(loaded(UnitItem("module", battery))).point_lines[0].category

    assert category(module) == 2
    assert category(replace(module, condition="critical")) == 0
    assert category(replace(module, condition=None)) is None


def test_a_small_battery_of_sp_188_is_out_of_the_count() -> None:
    """The worked example of the reference counts a satellite phone under SP 188 with 0."""
    phone = Battery(
        chemistry="li_ion", form="battery", condition="ok", config="installed", host="equipment", un383="pass"
    )
    found = road(
        loaded(UnitItem("phone", replace(phone, wh=10.0, terminals_protected=True, net_mass_kg=0.1)))
    )
    assert found.units[0][1].lines[0][1].reason == "sp188_exempt"
    assert [line.counted for line in found.point_lines] == [False]


def test_a_machine_under_its_special_provision_is_out_of_the_count() -> None:
    """SP 363: the worked example of the reference counts no engine."""
    engine = UnitItem("pump", Engine(fuel="diesel", fuel_state="in_tank", fuel_l=40.0, upright_only=True))
    found = road(loaded(engine))
    assert found.points is None
    assert not found.point_lines[0].counted


def test_a_list_nobody_confirmed_is_never_within() -> None:
    found = road(loaded(PETROL), loaded(DIESEL, name="N-2", confirmed=False))
    assert found.points is not None
    assert found.points.verdict is Verdict.CANNOT_DECIDE
    assert found.verdict is Verdict.CANNOT_DECIDE


def test_a_pallet_of_which_somebody_said_that_nothing_is_on_it_is_free() -> None:
    assert road(LoadedUnit("pallet", (), True)).units == ()
    assert road(LoadedUnit("pallet", (), False)).verdict is Verdict.CANNOT_DECIDE


def test_materials_of_trade_are_asked_of_the_whole_vehicle() -> None:
    """49 CFR 173.6: 200 kg gross on the vehicle."""
    can = replace(PETROL, total_qty=20.0, gross_kg=110.0)
    one, two = (
        road(*units, mode=Mode.ROAD_US) for units in ((loaded(can),), (loaded(can), loaded(can, name="N-2")))
    )
    assert one.trade is not None
    assert two.trade is not None
    assert (one.trade.reason, two.trade.reason) == ("mot_within", "mot_total_exceeded")


def test_materials_of_trade_that_are_not_shown_are_not_granted_and_leave_nothing_open() -> None:
    """49 CFR 173.6 is an exception: who cannot show it goes under the full rules, as one who is over its limits."""
    can = replace(PETROL, total_qty=20.0)
    unknown, over = (road(loaded(replace(can, gross_kg=gross)), mode=Mode.ROAD_US) for gross in (None, 210.0))
    assert unknown.trade is not None
    assert unknown.trade.reason == "mot_not_shown"
    assert unknown.trade.missing == ("gross_kg",)
    assert unknown.trade.source == "49 CFR 173.6"
    assert "full HMR" in unknown.trade.conditions
    assert unknown.verdict is over.verdict is Verdict.PERMITTED


def test_goods_of_which_the_class_is_not_known_are_left_open_by_their_own_line() -> None:
    found = road(loaded(PETROL, UnitItem("a box", Goods())), mode=Mode.ROAD_US)
    assert found.trade is not None
    assert (found.trade.reason, found.trade.missing) == ("mot_not_shown", ("class",))
    assert found.verdict is Verdict.CANNOT_DECIDE


def test_the_single_load_exception_is_lost_beside_other_dangerous_goods() -> None:
    """49 CFR 173.159(e): no other hazardous material on the vehicle."""
    assert isinstance(WET.item, Battery)
    bank = replace(WET, item=replace(WET.item, us_159e_ok=True))
    alone = road(loaded(bank), mode=Mode.ROAD_US)
    assert alone.single_load_lost == ()
    assert alone.units[0][1].lines[0][1].reason == "us_159e_exception"
    beside = road(loaded(bank), loaded(PETROL, name="N-2"), mode=Mode.ROAD_US)
    assert beside.single_load_lost == ("N-1: open bank",)
    assert beside.units[0][1].lines[0][1].reason != "us_159e_exception"
    assert road(loaded(bank), loaded(LAMP, name="N-2"), mode=Mode.ROAD_US).verdict >= alone.verdict


@pytest.mark.parametrize(
    ("mode", "key", "verdict"),
    [
        (Mode.SEA, "segregation_conflict", Verdict.FORBIDDEN),
        (Mode.ROAD, "keep_apart_reactive", Verdict.PERMITTED),
        (Mode.ROAD_US, "keep_apart_us", Verdict.PERMITTED),
    ],
)
def test_goods_of_two_units_are_a_pair(mode: Mode, key: str, verdict: Verdict) -> None:
    """Hypochlorite and acid: IMDG separates them in one box (IMDG 36-12, UN 3486); by road a leak may not join them."""
    found = road(loaded(CHLORINE), loaded(WET, name="N-2"), mode=mode)
    (pair,) = found.pairs
    assert {pair.first.un, pair.second.un} == {"2880", "2794"}
    assert pair.decision.reason == key
    assert pair.decision.verdict is verdict
    assert found.verdict >= verdict
    assert pair.second.held_by == ("N-2: open bank",)


def test_goods_free_of_the_rules_make_no_pair() -> None:
    assert road(loaded(CHLORINE, LAMP), mode=Mode.SEA).pairs == ()


def test_goods_of_no_known_number_cannot_be_paired() -> None:
    found = road(loaded(CHLORINE, UnitItem("a box", Goods())), mode=Mode.SEA)
    assert [pair.decision.verdict for pair in found.pairs] == [Verdict.CANNOT_DECIDE]


def test_a_subsidiary_hazard_counts_like_the_class() -> None:
    """UN 3485 is 5.1 with 8: its 8 reacts with what 8 reacts with."""
    assert rule_kinds(("5.1", "8"), ("4.3",), (None, None), Mode.AIR).reason == "segregation_conflict"
    assert rule_kinds(("5.1",), ("4.3",), (None, None), Mode.AIR).reason == "no_table_conflict"


@pytest.mark.parametrize(
    ("classes", "key"),
    [
        (("4.2", "8"), "segregation_conflict"),  # 49 CFR 177.848(c)
        (("5.1", "3"), "keep_apart_us"),  # 177.848(d), letter O; from memory
        (("4.3", "8"), "keep_apart_us"),
        (("9", "3"), "no_table_conflict"),
    ],
)
def test_pairs_by_road_in_the_united_states(classes: tuple[str, str], key: str) -> None:
    first, second = (Stowed(name) for name in classes)
    assert rule_pair(first, second, Mode.ROAD_US).reason == key
    assert rule_pair(second, first, Mode.ROAD_US).reason == key
    assert key in reasons()


# IMDG 7.2.4, read in two reprints (malvarfreight.com; oocl.com, which says of 1, 'away from': not in one container).
@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ("2.1", "3", True),  # 2
        ("2.2", "3", True),  # 1: an extinguisher beside petrol
        ("2.2", "8", False),
        ("2.2", "5.1", False),
        ("2.1", "8", True),  # 1
        ("4.1", "8", True),  # 1
        ("3", "4.2", True),  # 2
        ("3", "8", False),
        ("3", "6.1", False),
        ("5.1", "6.1", True),  # 1
        ("5.1", "4.3", True),  # 2
        ("5.1", "4.1", True),  # 1
        ("4.2", "6.1", True),  # 1
        ("9", "2.1", False),
        ("1.4S", "3", True),  # 2
    ],
)
def test_pairs_in_one_container_at_sea_are_those_of_the_table(one: str, other: str, apart: bool) -> None:
    wanted = "segregation_conflict" if apart else "no_table_conflict"
    assert rule_pair(Stowed(one), Stowed(other), Mode.SEA).reason == wanted
    assert rule_pair(Stowed(other), Stowed(one), Mode.SEA).reason == wanted


def test_the_table_of_the_sea_is_the_same_read_by_row_or_by_column() -> None:
    rows = {row["class"]: row for row in read_table("fleet.domain.tables", "sea_segregation")}
    for one, row in rows.items():
        for other in rows:
            assert row[other] == rows[other][one], (one, other)
    held = {entry.hazard_class for entries in held_entries().values() for entry in entries}
    assert all(sea_table()[one, other] for one in held for other in held)


def test_a_class_that_the_table_of_the_sea_has_not_cannot_be_decided() -> None:
    assert rule_pair(Stowed("2"), Stowed("9"), Mode.SEA).reason == "missing_class"
    assert rule_pair(Stowed("1.1D"), Stowed("1.4S"), Mode.SEA).reason == "missing_class"


def test_of_a_battery_in_packages_one_package_is_not_all() -> None:
    """Two modules of 32 kg to a case: how many cases there are nobody has said, so no relief is shown by one of them."""
    assert isinstance(WET.item, Battery)
    alone = replace(WET, total_qty=None, gross_kg=None)
    assert road(loaded(alone)).point_lines[0].quantity is None
    assert reason(road(loaded(alone))) == "adr_1136_not_shown"
    lithium = Battery(
        chemistry="li_ion",
        form="battery",
        condition="ok",
        terminals_protected=True,
        un383="pass",
        wh=4800.0,
        net_mass_kg=120.0,
        package_gross_kg=140.0,
    )
    for config, counted in (("installed", 120.0), ("alone", None)):
        battery = replace(lithium, config=config, host="equipment")
        assert road(loaded(UnitItem("bank", battery))).point_lines[0].quantity == counted
    packed = replace(alone, item=replace(WET.item, package_gross_kg=150.0))
    trade = road(loaded(packed), mode=Mode.ROAD_US).trade
    assert trade is not None
    assert "gross_kg" in trade.missing
    weighed = road(loaded(replace(packed, gross_kg=150.0)), mode=Mode.ROAD_US).trade
    assert weighed is not None
    assert "gross_kg" not in weighed.missing


def test_tags_of_numbers() -> None:
    assert [tag_of(un) for un in ("3480", "2880", "2794", "1203")] == [
        "li_alone",
        "hypochlorite",
        "acid",
        None,
    ]


amounts = st.tuples(st.sampled_from([1, 2, 3, 4]), st.floats(0.1, 1200.0))
WITHIN = "adr_1136_within"


@given(st.lists(amounts, min_size=1, max_size=6), amounts)
def test_adding_goods_never_brings_a_load_within_the_relief(
    before: list[tuple[int, float]], more: tuple[int, float]
) -> None:
    items = [LoadItem(tc=category, qty=quantity) for category, quantity in before]
    was = adr_points(items).ruling.reason
    now = adr_points([*items, LoadItem(tc=more[0], qty=more[1])]).ruling.reason
    assert not (was != WITHIN and now == WITHIN)


ITEMS: tuple[UnitItem, ...] = (PETROL, DIESEL, CHLORINE, SOLUTION, WET, LAMP, UnitItem("a box", Goods()))


@given(
    st.lists(st.sampled_from(ITEMS), min_size=1, max_size=5),
    st.sampled_from(ITEMS),
    st.sampled_from(list(Mode)),
)
def test_one_thing_more_never_makes_a_load_better(items: list[UnitItem], more: UnitItem, mode: Mode) -> None:
    before = judge_load([loaded(*items)], mode, SHIP_DATE)
    after = judge_load([loaded(*items), loaded(more, name="N-2")], mode, SHIP_DATE)
    assert after.verdict >= before.verdict


@given(
    st.lists(st.sampled_from(ITEMS), min_size=1, max_size=4), st.integers(0, 3), st.sampled_from(list(Mode))
)
def test_removing_an_amount_never_makes_a_load_better(items: list[UnitItem], place: int, mode: Mode) -> None:
    place %= len(items)
    poorer = replace(items[place], total_qty=None, gross_kg=None)
    before = judge_load([loaded(*items)], mode, SHIP_DATE)
    after = judge_load([loaded(*items[:place], poorer, *items[place + 1 :])], mode, SHIP_DATE)
    assert after.verdict >= before.verdict


def test_what_goes_together_does_not_depend_on_the_order() -> None:
    units = [loaded(PETROL), loaded(CHLORINE, name="N-2"), loaded(WET, name="N-3")]
    ways: list[list[LoadedUnit]] = [units, units[::-1], [units[1], units[2], units[0]]]
    for mode in Mode:
        assert len({judge_load(way, mode, SHIP_DATE).verdict for way in ways}) == 1


def test_an_item_is_an_item() -> None:
    """Keeps the list above honest: every kind of record it names is one of the procedure."""
    assert all(isinstance(entry.item, Item) for entry in ITEMS)
