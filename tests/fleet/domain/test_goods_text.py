"""Facts of dangerous goods as one line of text, there and back."""

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.as_text import TYPE_OF, facts_asked, facts_from_text, text_of_facts
from fleet.domain.dangerous_goods.records import KINDS
from fleet.lib.errors import DomainError


def test_each_name_asks_for_one_type_whatever_the_kind() -> None:
    for record in KINDS.values():
        for field in fields(record):
            assert TYPE_OF[field.name] == str(field.type).partition(" ")[0]
    assert set(TYPE_OF.values()) == {"float", "str", "bool"}


@pytest.mark.parametrize(
    ("text", "facts"),
    [
        ("", {}),
        ("chemistry=li_ion; wh=12.5", {"chemistry": "li_ion", "wh": 12.5}),
        (" UN = UN 2880 ;; pg=II;", {"un": "UN 2880", "pg": "II"}),
        ("un=2880", {"un": "2880"}),
        ("Wet type=flooded; no-free-liquid 55c=Yes", {"wet_type": "flooded", "no_free_liquid_55c": True}),
        ("radioactive=no; hg_g_each=unknown", {"radioactive": False}),
        ("colour=blue", {"colour": "blue"}),
        ("wh=-3", {"wh": -3.0}),
    ],
)
def test_a_text_is_read(text, facts) -> None:
    assert facts_from_text(text) == facts


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("li_ion", "goods.fact_unreadable"),
        ("wh=", "goods.fact_unreadable"),
        ("=5", "goods.fact_unreadable"),
        ("wh=5; WH=6", "goods.fact_twice"),
        ("wh=12,5", "goods.not_a_number"),
        ("wh=12 Wh", "goods.not_a_number"),
        ("wh=nan", "goods.not_a_number"),
        ("radioactive=perhaps", "goods.not_yes_no"),
    ],
)
def test_what_is_no_fact_is_refused_with_a_mend(text, key) -> None:
    with pytest.raises(DomainError) as caught:
        facts_from_text(text)
    assert caught.value.key == key
    assert caught.value.data["mend"]


NUMBERS = st.floats(0, 1e9, allow_nan=False).map(lambda value: round(value, 6))


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "wh": NUMBERS, "li_g": st.sampled_from([1e-6, 0.0, 3.0]), "radioactive": st.booleans(),
            "un": st.sampled_from(["2880", "none"]),
        },
    )
)  # fmt: skip
def test_there_and_back_is_the_same(facts) -> None:
    assert facts_from_text(text_of_facts(facts)) == facts


def test_the_help_names_the_facts_that_stand_and_none_that_goes_stale() -> None:
    asked = facts_asked("engine")
    assert "fuel (petrol/diesel/kerosene/lpg)" in asked
    assert "fuel_state" not in asked
    assert "ullage_ok (yes/no)" in asked
