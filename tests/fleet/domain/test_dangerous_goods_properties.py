"""What must hold for every battery record: bulk equals single, and less knowledge never permits more."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.answers import battery_decision, decide_item, reasons
from fleet.domain.dangerous_goods.batteries import decide_batteries
from fleet.domain.dangerous_goods.records import WORDS, Battery, Carbon, Engine, Goods, Item, Lamp, Nadcc
from fleet.domain.dangerous_goods.unit import UnitItem, judge_unit
from fleet.domain.dangerous_goods.words import Mode, Verdict, worst_of

SHIP_DATES = st.sampled_from([date(2025, 6, 1), date(2026, 6, 30)])
MODES = st.sampled_from(list(Mode))
YES_NO = st.sampled_from([None, True, True, False])


def number(*values: float) -> st.SearchStrategy[float | None]:
    return st.sampled_from([None, *values])


def words(name: str, *more: str | None) -> st.SearchStrategy[str | None]:
    return st.sampled_from([None, *WORDS[name], *more])


BATTERIES = st.builds(
    Battery,
    chemistry=words("chemistry"),
    form=words("form"),
    condition=words("condition", "ok", "ok", "ok", "ok"),
    terminals_protected=st.sampled_from([None, True, True, True, True, False]),
    config=words("config"),
    host=words("host", "equipment"),
    un383=words("un383", "pass", "pass"),
    wh=number(2.0, 2.7, 2.8, 20.0, 21.0, 60.0, 100.0, 101.0, 300.0, 1280.0),
    li_g=number(0.5, 1.0, 1.5, 2.0, 13.0, 600.0),
    soc_pct=number(10.0, 30.0, 31.0),
    indicated_pct=number(25.0, 26.0),
    net_mass_kg=number(2.5, 5.0, 5.1, 10.0, 11.0, 35.0, 36.0),
    package_gross_kg=number(25.0, 30.0, 31.0, 231.0),
    spare_sets=number(0.0, 2.0, 3.0),
    wet_type=words("wet_type"),
    vib_pressure_ok=YES_NO,
    no_free_liquid_55c=YES_NO,
    marked_nonspillable=YES_NO,
    upright_secured=YES_NO,
    sp598_ok=YES_NO,
    us_159e_ok=YES_NO,
    ctu_gross_kg=number(99.0, 100.0),
    electrolyte=words("electrolyte"),
    sodium_molten=YES_NO,
    adr_1137_ruling=YES_NO,
)
OTHERS: st.SearchStrategy[Item] = st.one_of(
    st.builds(
        Goods,
        un=st.sampled_from([None, "none", "1748", "2880", "1791", "1044", "1978", "9999"]),
        pg=st.sampled_from([None, "II", "III"]),
        qty=number(0.4, 5.0, 25.0, 500.0),
        active_chlorine_pct=number(5.0, 12.0),
        sp594_ok=YES_NO,
    ),
    st.builds(
        Lamp,
        hg_g_each=number(0.1, 0.2, 1.1, 1001.0),
        hg_g_package=number(1.0, 1.1, 31.0),
        radioactive=YES_NO,
        lamp_packing_ok=YES_NO,
    ),
    st.builds(
        Carbon,
        activation=st.sampled_from([None, "steam", "chemical"]),
        n4_result=st.sampled_from([None, "pass", "fail"]),
        qty=number(0.5, 0.6),
    ),
    st.builds(
        Nadcc,
        form=st.sampled_from([None, "anhydrous", "dihydrate"]),
        inner_kg=number(5.0, 5.1),
        sds_env_hazard=YES_NO,
        qty=number(5.0, 26.0),
    ),
    st.builds(
        Engine,
        fuel=st.sampled_from([None, "petrol", "diesel", "lpg"]),
        fuel_state=st.sampled_from([None, "never_fuelled", "drained_purged", "drained", "in_tank"]),
        tank_fill_pct=number(25.0, 26.0),
        fuel_l=number(250.0, 251.0, 1001.0),
        upright_only=YES_NO,
        ullage_ok=YES_NO,
        other_dg=YES_NO,
    ),
)


def permission(verdict: Verdict) -> int:
    """How little it permits: what cannot be decided permits as little as what is forbidden."""
    return int(Verdict.CANNOT_DECIDE) if verdict is Verdict.FORBIDDEN else int(verdict)


@given(st.lists(BATTERIES, min_size=1, max_size=20), MODES, SHIP_DATES)
@settings(max_examples=50, deadline=None)
def test_many_at_once_equal_one_by_one(records: list[Battery], mode: Mode, day: date) -> None:
    together = decide_batteries(records, mode, day)
    for place, record in enumerate(records):
        assert battery_decision(together, place) == decide_item(record, mode, day)


@given(BATTERIES | OTHERS, MODES, SHIP_DATES, st.data())
@settings(max_examples=400, deadline=None)
def test_removing_a_fact_never_permits_more(item: Item, mode: Mode, day: date, data: st.DataObject) -> None:
    known = [field.name for field in fields(item) if getattr(item, field.name) is not None]
    if not known:
        return
    fact = data.draw(st.sampled_from(known))
    before = decide_item(item, mode, day).verdict
    after = decide_item(replace(item, **{fact: None}), mode, day).verdict
    assert permission(after) >= permission(before), f"without {fact}"


VALUES: dict[str, Any] = {
    "chemistry": "li_ion",
    "condition": "ok",
    "terminals_protected": True,
    "config": "alone",
    "host": "equipment",
    "un383": "pass",
    "electrolyte": "organic",
    "wet_type": "flooded",
    "vib_pressure_ok": False,
    "upright_secured": True,
    "sodium_molten": False,
}


@given(BATTERIES, MODES, SHIP_DATES)
@settings(max_examples=200, deadline=None)
def test_the_missing_facts_are_those_that_decide(record: Battery, mode: Mode, day: date) -> None:
    """Filling in what is named as missing, and what is then named, ends in a decision; the first named is the reason's."""
    for _round in range(5):
        decision = decide_item(record, mode, day)
        if decision.verdict is not Verdict.CANNOT_DECIDE:
            assert decision.missing == ()
            return
        if decision.reason in ("damaged_wet_expert", "li_content_over_pi970"):
            return
        assert decision.missing, decision.reason
        first = decision.missing[0]
        assert (
            decide_item(replace(record, **{first: VALUES.get(first, 1.0)}), mode, day).reason
            != decision.reason
        )
        record = replace(record, **{fact: VALUES.get(fact, 1.0) for fact in decision.missing})
    pytest.fail(f"still undecided: {decide_item(record, mode, day)}")


@given(st.permutations([Verdict.NOT_RESTRICTED, Verdict.FORBIDDEN, Verdict.CANNOT_DECIDE, Verdict.PERMITTED]))
def test_the_worst_does_not_depend_on_the_order(verdicts: list[Verdict]) -> None:
    assert worst_of(verdicts) is Verdict.FORBIDDEN
    assert worst_of(verdicts[:0]) is Verdict.CANNOT_DECIDE


@given(st.lists(BATTERIES | OTHERS, min_size=1, max_size=6), MODES, st.randoms(use_true_random=False))
@settings(max_examples=50, deadline=None)
def test_a_unit_is_its_worst_item_in_any_order(items: list[Item], mode: Mode, random: Any) -> None:
    day = date(2026, 6, 30)
    listed = [UnitItem(f"item {place}", item) for place, item in enumerate(items)]
    unit = judge_unit(listed, mode, day, list_confirmed=True)
    assert unit.verdict == max(decide_item(item, mode, day).verdict for item in items)
    assert {label for label, _decision in unit.lines} == {entry.label for entry in listed}
    shuffled = list(listed)
    random.shuffle(shuffled)
    again = judge_unit(shuffled, mode, day, list_confirmed=True)
    assert again.verdict == unit.verdict
    assert set(again.deciding) == set(unit.deciding)


def test_every_reason_the_procedure_can_give_has_its_sentence() -> None:
    seen = {
        decide_item(item, mode, date(2026, 6, 30)).reason for item in (Battery(), Goods()) for mode in Mode
    }
    assert seen <= reasons().keys()
    for reason in reasons().values():
        assert reason.sentence
        assert reason.mark in ("published", "memory", "rule")


@pytest.mark.parametrize("condition", ["damaged", "recalled", "critical"])
@pytest.mark.parametrize("mode", [Mode.ROAD, Mode.SEA, Mode.ROAD_US])
def test_a_damaged_sodium_battery_of_unknown_electrolyte_is_not_taken_for_the_better_kind(
    condition: str, mode: Mode
) -> None:
    """Reference section 4.1: with an aqueous electrolyte it goes to G4, an expert's matter; G6 asks which it is."""
    record = Battery(chemistry="na_ion", condition=condition, un383="pass")
    decided = decide_item(record, mode, date(2026, 6, 30))
    assert (decided.verdict, decided.reason) == (Verdict.CANNOT_DECIDE, "missing_electrolyte")
