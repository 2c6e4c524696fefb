"""Loaded editions come after the ones held, leave no day out and name a goods table that is held."""

from datetime import date

import pytest

from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.entries import COLUMNS, TABLES
from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError
from fleet.lib.tables import read_table


def row(**changes: str) -> dict[str, str]:
    return {
        "mode": "AIR",
        "key": "air_test",
        "name": "test edition",
        "valid_from": "2027-01-01",
        "valid_to": "2027-12-31",
        "soc_packed_with_mandatory": "yes",
        "soc_vehicle_mandatory": "yes",
        "goods_table": "dangerous_goods",
        "source": "invented for this test",
        "confidence": "test",
    } | changes


def test_a_loaded_edition_holds_on_its_days_and_the_shipped_rules_stay_as_they_are() -> None:
    rules = held_rules().with_loaded([row()], {})
    found = edition_for(Mode.AIR, date(2027, 2, 1), rules.editions)
    assert found is not None
    assert found.key == "air_test"
    assert edition_for(Mode.AIR, date(2027, 2, 1), held_rules().editions) is None


def test_a_running_text_ends_the_day_before_the_loaded_one_begins() -> None:
    rules = held_rules().with_loaded([row(mode="ROAD_US", valid_to="")], {})
    old = edition_for(Mode.ROAD_US, date(2026, 12, 31), rules.editions)
    new = edition_for(Mode.ROAD_US, date(2027, 1, 1), rules.editions)
    assert old is not None
    assert old.valid_to == date(2026, 12, 31)
    assert new is not None
    assert new.key == "air_test"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"valid_from": "2027-01-02"}, "Begin on 2027-01-01"),
        ({"valid_from": "2026-12-31"}, "Begin on 2027-01-01"),
        ({"key": "air_2026"}, "already held"),
        ({"goods_table": "nowhere"}, "no goods table 'nowhere'"),
        ({"mode": "KITE"}, "line 2, column 'mode'"),
    ],
)
def test_what_does_not_follow_on_is_refused(changes: dict[str, str], said: str) -> None:
    with pytest.raises(DomainError, match=said):
        held_rules().with_loaded([row(**changes)], {})


def test_no_line_and_a_table_of_a_held_name_are_refused() -> None:
    with pytest.raises(DomainError, match="no line"):
        held_rules().with_loaded([], {})
    with pytest.raises(DomainError, match="already held"):
        held_rules().with_loaded([row()], {"dangerous_goods": []})


def test_the_shipped_goods_table_can_be_loaded_under_another_name() -> None:
    rows = read_table(TABLES, "dangerous_goods", COLUMNS)
    rules = held_rules().with_loaded([row(goods_table="test_goods")], {"test_goods": rows})
    assert rules.tables["test_goods"] == held_rules().tables["dangerous_goods"]


@pytest.mark.parametrize("columns", [("class",), ("pax_pi", "pax_max"), ("cao_pi", "cao_max")])
def test_a_loaded_line_without_class_or_limit_is_refused(columns: tuple[str, ...]) -> None:
    first = dict(next(iter(read_table(TABLES, "dangerous_goods", COLUMNS)))) | dict.fromkeys(columns, "")
    with pytest.raises(DomainError, match=f"line 2, column '{columns[-1]}'"):
        held_rules().with_loaded([row(goods_table="test_goods")], {"test_goods": [first]})
