"""Editions, papers behind a verdict, what would turn it round, loads, pairs and whole units."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from fleet.domain.dangerous_goods.answers import decide_item, reasons
from fleet.domain.dangerous_goods.banks import RULE_WORDS, battery_of_bank
from fleet.domain.dangerous_goods.edition_change import changed_verdicts
from fleet.domain.dangerous_goods.editions import held_editions, parse_editions
from fleet.domain.dangerous_goods.entries import held_entries, parse_entries
from fleet.domain.dangerous_goods.loads import LoadItem, TradeItem, adr_points, materials_of_trade
from fleet.domain.dangerous_goods.records import Battery, Carbon, Engine, Goods, Lamp, fresh, item_from
from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.dangerous_goods.segregation import Stowed, rule_pair
from fleet.domain.dangerous_goods.turn_round import turn_rounds
from fleet.domain.dangerous_goods.unit import UnitItem, judge_unit
from fleet.domain.dangerous_goods.words import Mode, Verdict, verdict_of
from fleet.lib.errors import DomainError
from fleet.models.banks import Chemistry

DAY = date(2026, 6, 30)
PACK = Battery(
    chemistry="li_ion",
    form="battery",
    condition="ok",
    terminals_protected=True,
    config="alone",
    un383="pass",
    wh=1280.0,
    soc_pct=70.0,
    net_mass_kg=11.0,
)
SATELLITE_PHONE = replace(PACK, wh=15.0, config="installed", host="equipment", net_mass_kg=0.2)
DRUMS = Goods(un="2880", pg="II", qty=40.0)


def rows(**changes: str) -> list[dict[str, str]]:
    first = {
        "mode": "AIR",
        "key": "a",
        "name": "first",
        "valid_from": "2027-01-01",
        "valid_to": "2028-12-31",
        "soc_packed_with_mandatory": "yes",
        "soc_vehicle_mandatory": "yes",
        "goods_table": "dangerous_goods",
        "source": "an edition",
        "confidence": "memory",
    }
    second = first | {"key": "b", "valid_from": "2029-01-01", "valid_to": ""}
    return [first | changes, second]


@pytest.mark.parametrize(
    ("mode", "day", "held"),
    [
        (Mode.AIR, date(2026, 12, 31), True),
        (Mode.AIR, date(2027, 1, 1), False),
        (Mode.AIR, date(2024, 12, 31), False),
        (Mode.ROAD, date(2026, 12, 31), True),
        (Mode.ROAD, date(2027, 1, 1), False),
        (Mode.SEA, date(2027, 12, 31), True),
        (Mode.SEA, date(2028, 1, 1), False),
        (Mode.ROAD_US, date(2028, 1, 1), True),
    ],
)
def test_a_ship_date_outside_what_is_held_cannot_be_decided(mode: Mode, day: date, held: bool) -> None:
    for item in (SATELLITE_PHONE, Lamp(hg_g_each=0.05, hg_g_package=0.5)):
        decision = decide_item(item, mode, day)
        assert (decision.edition is not None) is held
        assert (decision.verdict is Verdict.CANNOT_DECIDE) is not held
        if not held:
            assert (decision.reason, decision.missing) == ("edition_not_held", ("edition",))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"valid_to": "2028-12-30"}, "no edition holds from 2028-12-31 to 2028-12-31"),
        ({"valid_to": "2029-01-01"}, "both hold on 2029-01-01"),
        ({"valid_to": ""}, "both hold on 2029-01-01"),
        ({"valid_to": "2026-12-31"}, "line 2, column 'valid_to'"),
        ({"valid_from": "1/1/2027"}, "line 2, column 'valid_from'"),
        ({"mode": "RAIL"}, "line 2, column 'mode'"),
        ({"soc_vehicle_mandatory": "maybe"}, "line 2, column 'soc_vehicle_mandatory'"),
    ],
)
def test_an_edition_file_with_a_fault_says_where(changes: dict[str, str], said: str) -> None:
    with pytest.raises(DomainError) as error:
        parse_editions(rows(**changes))
    assert said in error.value.sentence


def test_an_edition_file_without_a_column_names_it() -> None:
    short = [{name: value for name, value in row.items() if name != "goods_table"} for row in rows()]
    with pytest.raises(DomainError, match="goods_table"):
        parse_editions(short)


def test_a_next_edition_takes_effect_from_its_day_and_shows_what_it_changes() -> None:
    new = replace(held_rules(), editions=(*held_editions(), *parse_editions(rows())))
    item = ("phone", SATELLITE_PHONE)
    changes = changed_verdicts([item], [Mode.AIR], [DAY, date(2027, 1, 1)], held_rules(), new)
    assert [(c.label, c.before.reason, c.after.reason) for c in changes] == [
        ("phone", "edition_not_held", "installed_pax_ok")
    ]


def test_a_new_goods_table_shows_what_it_changes() -> None:
    text = [
        {
            "un_number": "UN 2880",
            "proper_shipping_name": "CALCIUM HYPOCHLORITE, HYDRATED",
            "class": "5.1",
            "subsidiary": "",
            "packing_group": "II",
            "pax_pi": "558",
            "pax_max": "5 kg",
            "cao_pi": "562",
            "cao_max": "50 kg",
            "adr_transport_category": "2",
            "adr_tunnel_code": "E",
            "special_provisions": "",
            "source": "a next edition",
            "confidence": "memory",
        }
    ]
    changes = changed_verdicts(
        [("drums", DRUMS)],
        [Mode.AIR],
        [DAY],
        held_rules(),
        replace(held_rules(), tables={"dangerous_goods": parse_entries(text)}),
    )
    assert [(c.before.verdict, c.after.verdict) for c in changes] == [
        (Verdict.FORBIDDEN, Verdict.CARGO_AIRCRAFT_ONLY)
    ]
    with pytest.raises(DomainError, match="line 2, column 'cao_max'"):
        parse_entries([text[0] | {"cao_max": "plenty"}])
    with pytest.raises(DomainError, match="line 2, column 'un_number'"):
        parse_entries([text[0] | {"un_number": "2880"}])


@pytest.mark.parametrize(
    ("un", "pax", "cao"),
    [
        ("2794", 30.0, float("inf")),
        ("1978", 0.0, 150.0),
        ("3536", 0.0, 0.0),
        ("3496", float("inf"), float("inf")),
        ("3480", 0.0, 10.0),
        ("3363", 0.5, 0.5),
    ],
)
def test_limits_are_read_from_the_words_of_the_table(un: str, pax: float, cao: float) -> None:
    (entry,) = held_entries()[un]
    assert (entry.pax_limit, entry.cao_limit) == (pax, cao)


def test_a_decision_carries_its_provision_conditions_source_and_caution() -> None:
    decision = decide_item(replace(DRUMS, qty=8.0), Mode.AIR, DAY)
    assert decision.provision == "PI 562"
    assert decision.conditions
    assert decision.source
    assert decision.verify_before_use
    assert not decision.passenger_aircraft
    assert decision.cargo_aircraft


@pytest.mark.parametrize(
    ("battery", "provision"),
    [
        (replace(PACK, soc_pct=20.0), "PI 965 Section IA"),
        (replace(PACK, soc_pct=20.0, wh=90.0, net_mass_kg=10.0), "PI 965 Section IB"),
        (replace(PACK, soc_pct=20.0, wh=90.0, net_mass_kg=10.1), "PI 965 Section IA"),
        (replace(PACK, chemistry="li_metal", li_g=1.5, net_mass_kg=2.6), "PI 968 Section IA"),
        (replace(PACK, chemistry="li_metal", li_g=1.5, net_mass_kg=2.5), "PI 968 Section IB"),
        (SATELLITE_PHONE, "PI 967 Section II"),
        (replace(SATELLITE_PHONE, wh=101.0), "PI 967 Section I"),
        (replace(SATELLITE_PHONE, chemistry="na_ion", electrolyte="organic"), "PI 978 Section II"),
        (
            replace(PACK, config="packed_with", soc_pct=20.0, spare_sets=1.0, net_mass_kg=6.0),
            "PI 966 Section I",
        ),
    ],
)
def test_the_section_of_the_packing_instruction(battery: Battery, provision: str) -> None:
    """IATA PI 965-970, 976-978: IB and II are for small batteries, up to 10 kg (metal 2.5 kg) and 5 kg net."""
    assert decide_item(battery, Mode.AIR, DAY).provision == provision


def test_all_missing_facts_are_named_with_the_first_met_in_front() -> None:
    bare = Battery(chemistry="li_ion", config="alone")
    decision = decide_item(bare, Mode.AIR, DAY)
    assert decision.reason == "missing_condition"
    assert decision.missing[0] == "condition"
    assert set(decision.missing) == {
        "condition",
        "terminals_protected",
        "un383",
        "wh",
        "soc_pct",
        "net_mass_kg",
    }


def test_strict_asks_for_spare_sets_by_air_only() -> None:
    packed = replace(PACK, config="packed_with", soc_pct=20.0, net_mass_kg=2.0)
    assert decide_item(packed, Mode.AIR, DAY).reason == "missing_spare_sets"
    assert decide_item(packed, Mode.AIR, DAY, strict=False).reason == "packed_pax_ok"
    assert decide_item(packed, Mode.ROAD, DAY).reason == "class9_full_road"


def test_a_word_or_number_that_cannot_be_is_refused_by_name() -> None:
    with pytest.raises(DomainError, match="chemistry: 'lithium'"):
        decide_item(Battery(chemistry="lithium"), Mode.AIR, DAY)
    with pytest.raises(DomainError, match="wh: '-5"):
        decide_item(replace(PACK, wh=-5.0), Mode.AIR, DAY)
    with pytest.raises(DomainError, match="has no 'colour'"):
        item_from("battery", {"colour": "red"})
    with pytest.raises(DomainError, match="'perhaps'"):
        verdict_of("perhaps")


def test_a_check_goes_stale() -> None:
    assert fresh(True, date(2026, 6, 1), date(2026, 6, 8), 7) is True
    assert fresh(True, date(2026, 6, 1), date(2026, 6, 9), 7) is None
    assert fresh(True, date(2026, 6, 10), date(2026, 6, 9), 7) is None
    assert fresh(True, None, DAY, 7) is None


def ways(item: object, mode: Mode = Mode.AIR, **facts: object) -> list[tuple[tuple[str, ...], Verdict]]:
    decision = decide_item(item, mode, DAY)  # type: ignore[arg-type]
    return [(way.steps, way.verdict) for way in turn_rounds(item, decision, **facts)]  # type: ignore[arg-type]


def test_discharging_is_proposed_only_where_the_maker_allows_it() -> None:
    assert ways(PACK) == []
    assert ways(PACK, discharge_allowed=False) == []
    assert ways(PACK, discharge_allowed=True) == [(("discharge_to_30",), Verdict.CARGO_AIRCRAFT_ONLY)]


def test_hours_of_discharging_follow_from_energy_and_load() -> None:
    decision = decide_item(PACK, Mode.AIR, DAY)
    (way,) = turn_rounds(PACK, decision, discharge_allowed=True, discharge_w=128.0)
    assert way.discharge_h == pytest.approx(1280.0 * 0.40 / 128.0)


def test_two_steps_are_proposed_when_one_does_not_do() -> None:
    bare = replace(PACK, terminals_protected=False)
    assert ways(bare, discharge_allowed=True) == [
        (("fit_terminal_caps", "discharge_to_30"), Verdict.CARGO_AIRCRAFT_ONLY)
    ]


@pytest.mark.parametrize(
    ("item", "steps", "verdict"),
    [
        (replace(PACK, un383=None, soc_pct=20.0), "obtain_test_summary", Verdict.CARGO_AIRCRAFT_ONLY),
        (replace(PACK, soc_pct=20.0, net_mass_kg=50.0), "split_packages", Verdict.CARGO_AIRCRAFT_ONLY),
        (
            replace(SATELLITE_PHONE, wh=2560.0, soc_pct=20.0, net_mass_kg=176.0),
            "take_modules_out",
            Verdict.CARGO_AIRCRAFT_ONLY,
        ),
        (DRUMS, "split_packages", Verdict.PERMITTED),
        (Carbon("chemical", "fail", 25.0), "split_packages", Verdict.PERMITTED),
        (Engine("petrol", "in_tank", 60.0, upright_only=True), "drain_to_quarter", Verdict.PERMITTED),
        (Engine("petrol", "in_tank", 60.0, upright_only=False), "drain_and_purge", Verdict.NOT_RESTRICTED),
    ],
)
def test_what_would_turn_it_round(item: object, steps: str, verdict: Verdict) -> None:
    assert ((steps,), verdict) in ways(item)


def test_what_is_damaged_has_no_way_round() -> None:
    assert ways(replace(PACK, condition="damaged"), discharge_allowed=True) == []


WORKED = [
    LoadItem("1203", 2, 60),
    LoadItem("1202", 3, 200),
    LoadItem("2880", 2, 40),
    LoadItem("1791", 3, 25),
    LoadItem("3480", 2, 22),
    LoadItem("2794", 3, 120),
    LoadItem("1044", 3, 12, exempt=True),
]


def test_load_points_of_the_worked_example() -> None:
    """ADR 1.1.3.6.4, one van and trailer: 711 points, and 1011 with 100 kg more of UN 2880 II."""
    within = adr_points(WORKED)
    assert (within.points, within.ruling.reason) == (711, "adr_1136_within")
    assert within.lines == (180, 200, 120, 25, 66, 120, 0)
    over = adr_points([*WORKED, LoadItem("2880", 2, 100)])
    assert (over.points, over.ruling.reason) == (1011, "adr_1136_exceeded")


@pytest.mark.parametrize(
    ("items", "reason"),
    [
        ([LoadItem("1203", 2, 333)], "adr_1136_within"),
        ([LoadItem("1203", 2, 333.2)], "adr_1136_exceeded"),
        ([LoadItem("1203", 2, 333), LoadItem("1202", 3, 1)], "adr_1136_within"),
        ([LoadItem("1203", 2, 333), LoadItem("1202", 3, 2)], "adr_1136_exceeded"),
        ([LoadItem("1362", 4, 90000)], "adr_1136_within"),
        ([LoadItem("x", 1, 20)], "adr_1136_within"),
        ([LoadItem("x", 1, 20.1)], "adr_1136_exceeded"),
        ([LoadItem("x", 7, 1)], "missing_transport_category"),
        ([LoadItem("x", 2, 500, lq=True)], "adr_1136_within"),
        ([], "missing_items"),
    ],
)
def test_the_limits_of_the_load_points(items: list[LoadItem], reason: str) -> None:
    """ADR 1.1.3.6.3: 20 / 333 / 1000 for one category alone, 1000 points (itself in) for a mixture."""
    assert adr_points(items).ruling.reason == reason


@pytest.mark.parametrize(
    ("items", "reason"),
    [
        ([TradeItem("3", "II", 30, 30)], "mot_within"),
        ([TradeItem("3", "I", 0.5, 1)], "mot_within"),
        ([TradeItem("3", "I", 0.6, 1)], "mot_package_exceeded"),
        ([TradeItem("2.1", None, None, 100)], "mot_within"),
        ([TradeItem("2.1", None, None, 101)], "mot_package_exceeded"),
        ([TradeItem("8", "II", 10, 100), TradeItem("8", "II", 10, 101)], "mot_total_exceeded"),
        ([TradeItem("8", None, 10, 10)], "missing_packing_group"),
        ([TradeItem("8", "II", None, 10)], "missing_quantity"),
        ([TradeItem("7", None, 1, 1)], "mot_not_eligible"),
    ],
)
def test_materials_of_trade(items: list[TradeItem], reason: str) -> None:
    """49 CFR 173.6."""
    assert materials_of_trade(items).reason == reason


@pytest.mark.parametrize(
    ("one", "other", "mode", "reason"),
    [
        (Stowed("9", "li_alone"), Stowed("3"), Mode.AIR, "segregation_conflict"),
        (Stowed("9", "li_alone"), Stowed("1.4S"), Mode.AIR, "no_table_conflict"),
        (Stowed("9", "li_alone"), Stowed("1.1D"), Mode.AIR, "segregation_conflict"),
        (Stowed("9", "li_installed"), Stowed("3"), Mode.AIR, "no_table_conflict"),
        (Stowed("9", "li_alone"), Stowed("3"), Mode.SEA, "no_table_conflict"),
        (Stowed("5.1"), Stowed("3"), Mode.AIR, "segregation_conflict"),
        (Stowed("5.1"), Stowed("3"), Mode.SEA, "segregation_conflict"),
        (Stowed("5.1"), Stowed("3"), Mode.ROAD, "keep_apart_reactive"),
        (Stowed("5.1", "hypochlorite"), Stowed("8", "acid"), Mode.AIR, "keep_apart_reactive"),
        (Stowed("8", "hypochlorite"), Stowed("8", "acid"), Mode.SEA, "segregation_conflict"),
        (Stowed("4.3"), Stowed("8"), Mode.AIR, "segregation_conflict"),
        (Stowed("8"), Stowed(None), Mode.SEA, "missing_class"),
    ],
)
def test_pairs_are_ruled_alike_in_both_orders(one: Stowed, other: Stowed, mode: Mode, reason: str) -> None:
    """DGR 9.3; IMDG 7.2.4; ADR 7.5.2."""
    assert rule_pair(one, other, mode).reason == reason
    assert rule_pair(other, one, mode).reason == reason


def test_a_consumable_that_alone_blocks_the_unit_is_named() -> None:
    items = [UnitItem("phone", SATELLITE_PHONE), UnitItem("chlorine", DRUMS, removable=True)]
    unit = judge_unit(items, Mode.AIR, DAY, list_confirmed=True)
    assert unit.verdict is Verdict.FORBIDDEN
    assert unit.deciding == ("chlorine",)
    assert unit.ship_apart == ("chlorine",)
    assert unit.without_them is Verdict.PERMITTED
    assert [label for label, _decision in unit.lines] == ["phone", "chlorine"]


def test_a_list_that_nobody_confirmed_cannot_be_decided() -> None:
    unit = judge_unit([UnitItem("phone", SATELLITE_PHONE)], Mode.AIR, DAY, list_confirmed=False)
    assert unit.verdict is Verdict.CANNOT_DECIDE
    assert ("", "goods_list") in unit.missing
    empty = judge_unit([], Mode.AIR, DAY, list_confirmed=True)
    assert empty.verdict is Verdict.CANNOT_DECIDE


def test_reasons_are_held_once_and_every_permission_from_memory_says_so() -> None:
    assert len(reasons()) > 120
    assert decide_item(Lamp(hg_g_each=0.3), Mode.ROAD, DAY).verify_before_use
    assert not decide_item(Lamp(hg_g_each=0.05, hg_g_package=0.5), Mode.AIR, DAY).verify_before_use


def test_every_bank_chemistry_has_its_words_in_the_rules() -> None:
    assert set(RULE_WORDS) == set(Chemistry.values)
    for code in RULE_WORDS:
        assert decide_item(battery_of_bank(code), Mode.AIR, DAY).reason == "missing_condition"
    with pytest.raises(DomainError, match="'lto'"):
        battery_of_bank("lto")
