"""Supply circuits, and the air of the charging room: worked examples, and that one unknown leaves the whole undecided."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.charge_supply import breaker_min, breaker_ratings_a, circuit_load, supply_current
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import chemistries, chemistry
from readiness.domain.errors import RejectedInput
from readiness.domain.ventilation import (
    GassingBank,
    Room,
    gas_current_ma_ah,
    room_ventilation,
    spark_distance_mm,
    vent_area,
    vent_flow,
)

PASS, FAIL, OPEN = CheckOutcome.PASS, CheckOutcome.FAIL, CheckOutcome.CANNOT_DECIDE

# Source: reference page on battery storage 6.2 (NEC art. 100, 210.19, 210.20): the two worked examples; then the edges of
# three hours and of 80 %.
BREAKERS = [
    (3310.0, 230.0, 0.95, 8.0, 20.0),
    (3310.0, 120.0, 0.95, 8.0, 40.0),
    (3310.0, 230.0, 0.95, 2.9, 20.0),
    (3680.0, 230.0, 1.0, 3.0, 20.0),
    (3681.0, 230.0, 1.0, 3.0, 25.0),
    (4600.0, 230.0, 1.0, 2.99, 20.0),
    (4600.0, 230.0, 1.0, None, 25.0),
]


@pytest.mark.parametrize(("watts", "volts", "pf", "hours", "amps"), BREAKERS)
def test_the_smallest_breaker(
    watts: float, volts: float, pf: float, hours: float | None, amps: float
) -> None:
    assert breaker_min(watts, volts, pf=pf, hours=hours) == amps


def test_current_of_one_and_three_phases() -> None:
    """15.2 A of the reference page 6.2; three phases by sqrt 3."""
    assert supply_current(3310.0, 230.0, pf=0.95) == pytest.approx(15.15, abs=0.05)
    assert supply_current(6928.2, 400.0, phases=3) == pytest.approx(10.0, abs=0.001)


@pytest.mark.parametrize(
    ("key", "facts"),
    [
        ("power_negative", {"ac_watts": -1.0}),
        ("voltage_not_positive", {"volts": 0.0}),
        ("power_factor_out_of_range", {"pf": 1.1}),
        ("power_factor_out_of_range", {"pf": 0.0}),
        ("phases_unknown", {"phases": 2}),
        ("negative_duration", {"hours": -1.0}),
        ("over_largest_breaker", {"ac_watts": 1e7}),
    ],
)
def test_breaker_refusals(key: str, facts: dict[str, Any]) -> None:
    told: dict[str, Any] = {"ac_watts": 3310.0, "volts": 230.0} | facts
    with pytest.raises(RejectedInput) as refusal:
        breaker_min(told.pop("ac_watts"), told.pop("volts"), **told)
    assert refusal.value.key == key


def test_a_circuit_adds_all_its_bays() -> None:
    two = circuit_load([1.84, 1.84], volts=230.0, pf=1.0, breaker_a=20.0, hours=8.0)
    assert (two.start_a, two.counted_a, two.needed_breaker_a) == (
        pytest.approx(16.0),
        pytest.approx(20.0),
        20.0,
    )
    assert two.outcome == PASS
    with_fan = circuit_load([1.84, 1.84], volts=230.0, pf=1.0, breaker_a=20.0, hours=8.0, other_kw=0.1)
    assert with_fan.outcome == FAIL
    assert with_fan.needed_breaker_a == 25.0
    short = circuit_load([1.84, 1.84], volts=230.0, pf=1.0, breaker_a=20.0, hours=2.0, other_kw=0.1)
    assert short.outcome == PASS


@pytest.mark.parametrize("gone", ["volts", "pf", "breaker_a"])
def test_what_is_not_known_of_a_circuit_cannot_be_decided(gone: str) -> None:
    facts: dict[str, Any] = {"volts": 230.0, "pf": 0.95, "breaker_a": 32.0}
    answer = circuit_load([1.0], **(facts | {gone: None}))
    assert answer.outcome == OPEN
    assert answer.missing == (gone,)


def test_one_bay_of_unknown_power_leaves_the_circuit_open_unless_it_is_overloaded_already() -> None:
    assert circuit_load([1.0, None], volts=230.0, pf=1.0, breaker_a=20.0).outcome == OPEN
    assert circuit_load([5.0, None], volts=230.0, pf=1.0, breaker_a=20.0).outcome == FAIL
    assert circuit_load([5.0], volts=230.0, pf=None, breaker_a=20.0).outcome == FAIL


@given(
    st.lists(st.one_of(st.none(), st.floats(0.0, 5.0)), max_size=5),
    st.floats(0.0, 5.0),
    st.floats(0.5, 1.0),
    st.sampled_from(breaker_ratings_a().tolist()[:20]),
)
def test_one_more_bay_never_helps_and_one_fact_less_never_passes(
    powers: list[float | None], more: float, pf: float, breaker_a: float
) -> None:
    facts: dict[str, Any] = {"volts": 230.0, "pf": pf, "breaker_a": breaker_a}
    answer = circuit_load(powers, **facts)
    if answer.outcome != PASS:
        assert circuit_load([*powers, more], **facts).outcome != PASS
        for name in facts:
            assert circuit_load(powers, **(facts | {name: None})).outcome != PASS
    if answer.outcome == FAIL:
        assert circuit_load([*powers, more], **facts).outcome == FAIL


# Source: reference page 4.5, W3 (EN IEC 62485-2): 24 V gel, 1000 Ah, boost and float, and vented.
@pytest.mark.parametrize(
    ("gas", "flow"), [(8.0, 4.8), (1.0, 0.6), (20.0, 12.0)], ids=["gel boost", "gel float", "vented boost"]
)
def test_airflow(gas: float, flow: float) -> None:
    assert vent_flow(12, gas, 1000.0) == pytest.approx(flow)


def test_openings_and_the_distance_to_sparks() -> None:
    """134 cm2 each and 576 mm: reference page 4.5, W3; the distance from memory."""
    assert vent_area(4.8) == pytest.approx(134.4)
    assert spark_distance_mm(8.0, 1000.0) == pytest.approx(576.0)


def bank(code: str = "vrla_gel", key: str = "a", **facts: Any) -> GassingBank:
    return GassingBank(key, code, 12, 1000.0, **facts)


# Gas currents per Ah on float and boost: reference page 4.5 (EN IEC 62485-2); flooded at 2.45 V and AGM above 2.40 V fall to
# the IUI traction values of EN 50272-3.
@pytest.mark.parametrize(
    ("code", "boost", "volts", "gas"),
    [
        ("vrla_gel", True, 2.37, 8.0),
        ("vrla_gel", False, 2.27, 1.0),
        ("vrla_agm", True, 2.40, 8.0),
        ("vrla_agm", True, 2.41, 15.0),
        ("flooded_low_sb", True, 2.40, 20.0),
        ("flooded_low_sb", False, 2.23, 5.0),
        ("flooded_ca", True, 2.45, 60.0),
        ("flooded_sb", True, 2.45, 60.0),
        ("lfp", True, 3.55, 0.0),
        ("nicd_vented", True, 1.50, 50.0),
        ("nicd_vented", True, 1.56, None),
        ("nimh", True, None, None),
    ],
)
def test_gas_currents(code: str, boost: bool, volts: float | None, gas: float | None) -> None:
    assert gas_current_ma_ah(chemistry(code), boost=boost, v_cell_25c=volts) == gas


GOOD = Room(inlet_cm2=135.0, outlet_cm2=135.0, free_volume_m3=12.0, temp_high_c=35.0)


def test_a_room_that_airs_itself() -> None:
    answer = room_ventilation([bank()], GOOD)
    assert answer.outcome == PASS
    assert answer.flow_m3_h == pytest.approx(4.8)
    assert answer.opening_cm2 == pytest.approx(134.4)
    assert answer.free_volume_m3 == pytest.approx(12.0)
    assert answer.distance_mm == pytest.approx(576.0)
    assert answer.how == "natural"


def test_two_banks_at_once_need_the_air_of_both() -> None:
    answer = room_ventilation([bank(), bank(key="b")], GOOD)
    assert answer.flow_m3_h == pytest.approx(9.6)
    assert answer.outcome == FAIL
    assert {check.key for check in answer.checks if check.outcome == FAIL} == {
        "inlet_area",
        "outlet_area",
        "free_volume",
    }


@pytest.mark.parametrize("gone", ["inlet_cm2", "outlet_cm2", "free_volume_m3", "temp_high_c"])
def test_what_is_not_known_of_a_room_cannot_be_decided(gone: str) -> None:
    known: dict[str, Any] = {
        name: getattr(GOOD, name) for name in ("inlet_cm2", "outlet_cm2", "free_volume_m3", "temp_high_c")
    }
    answer = room_ventilation([bank()], Room(**(known | {gone: None})))
    assert answer.outcome == OPEN
    assert answer.missing == (gone,)


def test_a_fan_counts_only_when_nothing_charges_without_it() -> None:
    fan = {"forced_m3_h": 5.0, "temp_high_c": 30.0}
    assert room_ventilation([bank()], Room(fan_interlocked=True, **fan)).outcome == PASS
    assert room_ventilation([bank()], Room(fan_interlocked=None, **fan)).missing == ("fan_interlocked",)
    assert room_ventilation([bank()], Room(fan_interlocked=False, **fan)).outcome == OPEN
    small = Room(
        inlet_cm2=10.0,
        outlet_cm2=10.0,
        free_volume_m3=2.0,
        fan_interlocked=True,
        forced_m3_h=4.7,
        temp_high_c=30.0,
    )
    assert room_ventilation([bank()], small).outcome == FAIL


def test_above_40_degrees_the_table_ends() -> None:
    hot = Room(inlet_cm2=1e4, outlet_cm2=1e4, free_volume_m3=1e3, temp_high_c=40.1)
    assert room_ventilation([bank()], hot).outcome == OPEN
    assert room_ventilation([bank()], hot).missing == ("i_gas_ma_ah",)


def test_lithium_needs_no_air_for_charging_gas() -> None:
    answer = room_ventilation([bank("lfp")], Room())
    assert (answer.how, answer.outcome, answer.flow_m3_h) == ("none_needed", PASS, 0.0)


def test_a_bank_whose_gas_nobody_knows_leaves_the_room_open() -> None:
    large = Room(inlet_cm2=1e4, outlet_cm2=1e4, free_volume_m3=1e3, temp_high_c=30.0)
    answer = room_ventilation([bank(), bank("nimh", key="b")], large)
    assert answer.flow_m3_h is None
    assert answer.outcome == OPEN
    assert "i_gas_ma_ah:b" in answer.missing
    told = room_ventilation([bank(), bank("nimh", key="b", i_gas_ma_ah=0.0)], large)
    assert told.outcome == PASS


BANKS = st.lists(
    st.builds(
        GassingBank,
        st.just("x"),
        st.sampled_from(sorted(chemistries())),
        st.integers(1, 24).map(float),
        st.floats(1.0, 2000.0),
        st.booleans(),
    ),
    max_size=4,
)
ROOMS = st.builds(
    Room,
    *(st.one_of(st.none(), st.floats(0.0, 500.0)) for _ in range(2)),
    st.one_of(st.none(), st.floats(0.0, 100.0)),
    st.one_of(st.none(), st.floats(0.0, 30.0)),
    st.one_of(st.none(), st.booleans()),
    st.one_of(st.none(), st.floats(0.0, 60.0)),
)
FIELDS = ["inlet_cm2", "outlet_cm2", "free_volume_m3", "forced_m3_h", "fan_interlocked", "temp_high_c"]


@given(BANKS, BANKS, ROOMS, st.sets(st.sampled_from(FIELDS)))
def test_more_banks_never_help_and_fewer_facts_never_pass(
    banks: list[GassingBank], more: list[GassingBank], room: Room, gone: set[str]
) -> None:
    answer = room_ventilation(banks, room)
    if answer.outcome == PASS:
        return
    assert room_ventilation(banks + more, room).outcome != PASS
    fewer = Room(**{name: None if name in gone else getattr(room, name) for name in FIELDS})
    assert room_ventilation(banks, fewer).outcome != PASS


def test_bad_numbers_of_a_room_are_refused() -> None:
    with pytest.raises(RejectedInput) as refusal:
        room_ventilation([bank()], Room(inlet_cm2=-1.0))
    assert refusal.value.key == "airflow_negative"
    with pytest.raises(RejectedInput) as refusal:
        vent_flow(12, -1.0, 100.0)
    assert refusal.value.key == "gas_current_negative"
