"""Tables that an owner loads: every fault with line and column; released ones join the rules, or cut their days off."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.edition_change import change_days, changed_items, changed_verdicts
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.entries import COLUMNS as GOODS_COLUMNS
from fleet.domain.dangerous_goods.loaded import (
    LoadedTables,
    TableFaults,
    check_tables,
    editions_text,
    goods_text,
    put_together,
)
from fleet.domain.dangerous_goods.records import Battery, Goods, Item, Lamp
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import Mode, Verdict
from tests.editions import AIR_2027, US_2027, table

FIRST = date(2027, 1, 1)
ROAD_2027 = AIR_2027 | {"mode": "ROAD", "key": "adr_test", "valid_to": "2028-12-31"}
ENTRY = {
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
    "source": "invented for this test",
    "confidence": "test",
}


def goods(*rows: dict[str, str]) -> str:
    lines = [",".join(GOODS_COLUMNS), *(",".join(f'"{row[name]}"' for name in GOODS_COLUMNS) for row in rows)]
    return "\n".join(lines)


def faults(editions: str, goods_csv: str = "") -> str:
    with pytest.raises(TableFaults) as error:
        check_tables(held_rules(), LoadedTables("x", editions, goods_csv))
    return "\n".join(error.value.sentences)


def test_the_table_in_use_with_one_line_more_can_be_loaded_as_it_is() -> None:
    text = editions_text(held_rules().editions) + table(AIR_2027).splitlines()[1]
    checked = check_tables(held_rules(), LoadedTables("Air 2027", text))
    assert [edition.key for edition in checked.editions] == ["air_test"]
    assert checked.tables.covers == (("AIR", "2027-01-01"),)
    assert "air_2026" not in checked.tables.editions_csv
    assert checked.gone == checked.new == ()


def test_the_tables_in_use_come_out_as_they_went_in() -> None:
    assert "is held already" in faults(editions_text(held_rules().editions))
    held = held_rules().tables["dangerous_goods"]
    own = AIR_2027 | {"goods_table": "goods_test"}
    checked = check_tables(held_rules(), LoadedTables("x", table(own), goods_text(held)))
    assert checked.rules.tables["goods_test"] == held
    assert checked.gone == checked.new == ()


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"valid_from": "2027-01-02"}, "Begin on 2027-01-01"),
        ({"valid_from": "2026-12-31"}, "Begin on 2027-01-01"),
        ({"valid_from": "1.1.2027"}, "line 2, column 'valid_from'"),
        ({"valid_to": ""}, "line 2, column 'valid_to'"),
        ({"valid_to": "2026-01-01"}, "line 2, column 'valid_to'"),
        ({"mode": "RAIL"}, "line 2, column 'mode'"),
        ({"soc_vehicle_mandatory": "perhaps"}, "line 2, column 'soc_vehicle_mandatory'"),
        ({"key": ""}, "line 2, column 'key'"),
        ({"key": "air_2026"}, "already held"),
        ({"source": " "}, "line 2, column 'source'"),
        ({"goods_table": "nowhere"}, "no goods table 'nowhere'"),
    ],
)
def test_a_fault_of_the_editions_says_where(row: dict[str, str], said: str) -> None:
    assert said in faults(table(AIR_2027 | row))


def test_all_faults_are_said_at_once() -> None:
    said = faults(
        table(AIR_2027 | {"mode": "RAIL"}, ROAD_2027 | {"valid_to": "soon"}), goods(ENTRY | {"class": "x"})
    )
    assert "line 2, column 'mode'" in said
    assert "line 3, column 'valid_to'" in said
    assert "line 2, column 'class'" in said
    said = faults(table(AIR_2027 | {"mode": "RAIL"}), goods(ENTRY) + "\nUN 1234,x\n")
    assert "line 2, column 'mode'" in said
    assert "Table goods, line 3: 2 cells" in said


def test_what_is_no_table_is_refused_with_a_sentence() -> None:
    assert "has no header row" in faults("")
    assert "no line" in faults(table())
    assert "semicolons" in faults(table(AIR_2027).replace(",", ";"))
    assert "columns missing: goods_table" in faults(table(AIR_2027).replace("goods_table", "goods", 1))
    assert "cells where the header has" in faults(table(AIR_2027) + "AIR,more\n")
    assert "cannot be read as comma-separated" in faults(table(AIR_2027) + '"AIR\n')
    assert "no text file" in faults("\0" + table(AIR_2027))


def test_editions_with_days_between_or_in_common_are_refused() -> None:
    later = AIR_2027 | {"key": "air_later", "valid_to": "2028-12-31"}
    assert "no edition holds from 2028-01-01" in faults(table(AIR_2027, later | {"valid_from": "2028-01-02"}))
    assert "both hold on 2027-12-31" in faults(table(AIR_2027, later | {"valid_from": "2027-12-31"}))


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"un_number": "2880"}, "line 2, column 'un_number'"),
        ({"un_number": "UN 9999"}, "There is no such number"),
        ({"proper_shipping_name": ""}, "column 'proper_shipping_name'"),
        ({"class": ""}, "column 'class'"),
        ({"packing_group": "IV"}, "column 'packing_group'"),
        ({"pax_max": "1,5 kg"}, "column 'pax_max'"),
        ({"pax_max": "-5 kg"}, "column 'pax_max'"),
        ({"pax_max": "some"}, "column 'pax_max'"),
        ({"cao_max": "2 kg"}, "takes no less than a passenger aircraft"),
        ({"adr_transport_category": "5"}, "column 'adr_transport_category'"),
        ({"cao_pi": "", "cao_max": ""}, "column 'cao_max'"),
    ],
)
def test_a_fault_of_the_goods_says_where(row: dict[str, str], said: str) -> None:
    assert said in faults(table(AIR_2027 | {"goods_table": "goods_test"}), goods(ENTRY | row))


def test_a_goods_table_must_be_named_once_and_hold_each_entry_once() -> None:
    named = AIR_2027 | {"goods_table": "goods_test"}
    assert "is in line 2 already" in faults(table(named), goods(ENTRY, ENTRY))
    assert "No edition uses the table of goods" in faults(table(AIR_2027), goods(ENTRY))
    assert "several goods tables" in faults(table(named, ROAD_2027 | {"goods_table": "other"}), goods(ENTRY))
    assert "has no line" in faults(table(named), goods())


def test_entries_gone_and_new_are_named() -> None:
    text = goods(ENTRY, ENTRY | {"un_number": "UN 3600"})
    named = AIR_2027 | {"goods_table": "goods_test"}
    checked = check_tables(held_rules(), LoadedTables("x", table(named), text))
    assert checked.new == ("3600",)
    assert "3480" in checked.gone
    assert "2880" not in checked.gone


AIR = LoadedTables("air", table(AIR_2027))
AIR_NEXT = LoadedTables(
    "air next",
    table(AIR_2027 | {"key": "air_next", "valid_from": "2028-01-01", "valid_to": "2028-12-31"}),
)
US = LoadedTables("us", table(US_2027))


def on(rules: Rules, mode: Mode, day: date) -> str:
    edition = edition_for(mode, day, rules.editions)
    return edition.key if edition else ""


def test_released_editions_join_whatever_the_order_of_their_rows() -> None:
    for loaded in ([AIR, AIR_NEXT, US], [US, AIR_NEXT, AIR]):
        rules = put_together(held_rules(), loaded)
        assert rules.faults == ()
        assert [on(rules, Mode.AIR, date(year, 6, 1)) for year in (2026, 2027, 2028, 2029)] == [
            "air_2026",
            "air_test",
            "air_next",
            "",
        ]
        assert on(rules, Mode.ROAD_US, date(2026, 12, 31)) == "cfr_49"
        assert on(rules, Mode.ROAD_US, FIRST) == "us_test"


@pytest.mark.parametrize(
    "broken",
    [
        US_2027 | {"soc_vehicle_mandatory": "?"},
        US_2027 | {"key": "cfr_49"},
        US_2027 | {"goods_table": "gone"},
        US_2027 | {"valid_to": "2026-12-31"},
    ],
)
def test_an_older_running_text_does_not_stand_in_for_a_released_edition_that_cannot_be_used(
    broken: dict[str, str],
) -> None:
    rules = put_together(held_rules(), [LoadedTables("us", table(broken)), AIR])
    assert on(rules, Mode.ROAD_US, date(2026, 12, 31)) == "cfr_49"
    assert on(rules, Mode.ROAD_US, FIRST) == ""
    assert on(rules, Mode.ROAD_US, date(2031, 1, 1)) == ""
    assert on(rules, Mode.AIR, FIRST) == "air_test"
    fault = rules.fault_on(Mode.ROAD_US, FIRST)
    assert fault is not None
    assert fault.name == "us"
    assert rules.fault_on(Mode.ROAD_US, date(2026, 12, 31)) is None
    decision = decide_item(Goods(un="none"), Mode.ROAD_US, FIRST, rules=rules)
    assert (decision.verdict, decision.reason) == (Verdict.CANNOT_DECIDE, "edition_not_held")


def test_a_day_that_cannot_be_read_takes_the_whole_mode_and_no_readable_line_takes_all() -> None:
    rules = put_together(held_rules(), [LoadedTables("us", table(US_2027 | {"valid_from": "soon"}))])
    assert on(rules, Mode.ROAD_US, date(2026, 6, 1)) == ""
    assert on(rules, Mode.AIR, date(2026, 6, 1)) == "air_2026"
    rules = put_together(held_rules(), [LoadedTables("all", "")])
    assert {on(rules, mode, date(2026, 6, 1)) for mode in Mode} == {""}
    kept = LoadedTables("us", "", covers=(("ROAD_US", "2027-01-01"),))
    rules = put_together(held_rules(), [kept])
    assert on(rules, Mode.ROAD_US, date(2026, 12, 31)) == "cfr_49"
    assert on(rules, Mode.ROAD_US, FIRST) == ""
    assert on(rules, Mode.SEA, FIRST) == "imdg_42_24"


def test_what_rests_on_a_broken_edition_goes_with_it() -> None:
    rules = put_together(held_rules(), [LoadedTables("air", table(AIR_2027 | {"valid_to": "?"})), AIR_NEXT])
    assert on(rules, Mode.AIR, date(2026, 12, 31)) == "air_2026"
    assert on(rules, Mode.AIR, date(2028, 6, 1)) == ""
    assert {fault.name for fault in rules.faults} == {"air", "air next"}


def test_the_same_edition_shipped_later_is_no_fault_and_another_of_its_days_is() -> None:
    shipped = put_together(held_rules(), [AIR])
    assert put_together(replace(shipped, faults=()), [AIR]).faults == ()
    other = LoadedTables("other", table(AIR_2027 | {"key": "air_other"}))
    rules = put_together(shipped, [other])
    assert on(rules, Mode.AIR, FIRST) == ""
    assert [fault.name for fault in rules.faults] == ["other"]


def test_nothing_is_loaded_on_top_of_a_fault() -> None:
    rules = put_together(held_rules(), [LoadedTables("us", table(US_2027 | {"key": "cfr_49"}))])
    with pytest.raises(TableFaults, match="Withdraw it first"):
        check_tables(rules, US)
    assert check_tables(rules, AIR).tables.covers == (("AIR", "2027-01-01"),)


BATTERIES = st.builds(
    Battery,
    chemistry=st.sampled_from(["li_ion", "na_ion", "lead_acid", "li_metal", "nimh"]),
    form=st.just("battery"),
    condition=st.just("ok"),
    terminals_protected=st.just(True),
    config=st.sampled_from(["alone", "packed_with", "installed"]),
    host=st.sampled_from(["equipment", "vehicle"]),
    un383=st.just("pass"),
    wh=st.sampled_from([2.0, 90.0, 1200.0]),
    li_g=st.just(1.0),
    soc_pct=st.sampled_from([None, 20.0, 80.0]),
    net_mass_kg=st.sampled_from([1.0, 20.0, 80.0]),
    spare_sets=st.just(1.0),
    wet_type=st.just("flooded"),
    electrolyte=st.just("organic"),
)
ITEMS = BATTERIES | st.sampled_from(
    [Goods(un="2880", pg="II", qty=20.0), Goods(un="none"), Lamp(hg_g_each=0.05, hg_g_package=0.5)]
)


@given(
    item=ITEMS,
    mode=st.sampled_from(list(Mode)),
    days_before=st.integers(1, 700),
    flags=st.tuples(st.sampled_from(["yes", "no"]), st.sampled_from(["yes", "no"])),
    first=st.dates(date(2026, 2, 1), date(2029, 1, 1)),
)
def test_no_verdict_of_a_day_before_its_first_differs(
    item: Item, mode: Mode, days_before: int, flags: tuple[str, str], first: date
) -> None:
    own = {
        "soc_packed_with_mandatory": flags[0],
        "soc_vehicle_mandatory": flags[1],
        "goods_table": "goods_test",
    }
    rows = [AIR_2027 | own, US_2027 | own | {"valid_from": first.isoformat()}]
    rules = put_together(held_rules(), [LoadedTables("x", table(*rows), goods(ENTRY))])
    assert rules.faults == ()
    begins = first if mode is Mode.ROAD_US else FIRST
    day = begins - timedelta(days=days_before)
    before, after = decide_item(item, mode, day), decide_item(item, mode, day, rules=rules)
    assert replace(before, edition=None) == replace(after, edition=None)
    assert changed_items([item], mode, day, held_rules(), rules) == {}


@given(items=st.lists(ITEMS, max_size=6), mode=st.sampled_from(list(Mode)))
def test_many_at_once_change_as_each_alone(items: list[Item], mode: Mode) -> None:
    rows = [AIR_2027 | {"goods_table": "goods_test"}, US_2027 | {"goods_table": "goods_test"}]
    rules = put_together(held_rules(), [LoadedTables("x", table(*rows), goods(ENTRY))])
    found = changed_items(items, mode, FIRST, held_rules(), rules)
    alone = {}
    for place, item in enumerate(items):
        old, new = decide_item(item, mode, FIRST), decide_item(item, mode, FIRST, rules=rules)
        if (old.verdict, old.un, old.reason) != (new.verdict, new.un, new.reason):
            alone[place] = (old, new)
    assert found == alone
    listed = changed_verdicts([("x", item) for item in items], [mode], [FIRST], held_rules(), rules)
    assert [(change.before, change.after) for change in listed] == list(alone.values())


def test_days_compared_are_today_and_the_first_days_of_what_is_new() -> None:
    today = date(2026, 11, 25)
    after = put_together(held_rules(), [AIR, AIR_NEXT, US])
    assert change_days(held_rules(), after, today) == {
        Mode.AIR: (today, FIRST, date(2028, 1, 1)),
        Mode.ROAD_US: (today, FIRST),
    }
    assert change_days(after, after, today) == {}
