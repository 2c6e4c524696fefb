"""What must hold for every load and conveyance: bulk equals single, more slack never refuses, less known never permits."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.fit.answers import (
    answer_fleet,
    answer_one,
    conveyances_of,
    held_conveyances,
)
from fleet.domain.fit.checks import FITS, REFUSED
from fleet.domain.fit.loads import Load
from fleet.domain.fit.reasons import CAN_FAIL, CAN_LACK, REASONS, UNIT_OF
from fleet.domain.fit.trip import EVERYTHING, SIZE_AND_MASS, WHOLE_TRIP, Clearance, Clearances, Lashing, Trip
from fleet.lib.errors import DomainError

KEYS = held_conveyances().keys


def maybe(*values: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from([None, *values])


def size(least: int, most: int) -> st.SearchStrategy[Any]:
    number = st.integers(least, most).map(float)
    return st.one_of(number, number, number, number, number, number, st.none())


LOADS = st.builds(
    Load,
    length_mm=size(500, 7000),
    width_mm=size(500, 3500),
    height_mm=size(500, 3200),
    mass_kg=size(100, 9000),
    no_rotate=st.booleans(),
    cg_offset_mm=maybe(-700.0, 0.0, 100.0, 250.0),
    bearing_length_mm=maybe(1000.0, 3000.0),
    bearing_area_m2=maybe(1.0, 8.0),
    csc_valid=maybe(True, True, False),
    proof_in_date=maybe(True, True, False),
    braked=maybe(True, True, False),
    tongue_kg=maybe(20.0, 120.0, 300.0),
    trailer_gvwr_kg=maybe(700.0, 3500.0, 6000.0),
    axle_count=maybe(1.0, 2.0),
    axle_load_kg=maybe(2000.0, 9500.0),
    axle_spacing_mm=maybe(900.0, 1300.0),
    lift_points=maybe(0.0, 4.0, 4.0),
    lift_point_wll_kg=maybe(500.0, 3000.0),
    point_length_mm=maybe(3000.0),
    point_width_mm=maybe(1800.0),
    cg_above_points_mm=maybe(-200.0, 400.0),
    half_width_mm=maybe(900.0),
    on_wheels=maybe(True, False, False),
    boxed=maybe(True, False, False),
    plate_in_date=maybe(True, True, False),
    container_gross_kg=maybe(5000.0, 10160.0),
)
TRIPS = st.builds(
    Trip,
    asked=st.sampled_from([SIZE_AND_MASS, WHOLE_TRIP, EVERYTHING]),
    clearances=st.sampled_from([Clearances(), Clearances.same(Clearance(0.0, 0.0, 0.0))]),
    load_by=st.sampled_from(["door", "crane_top"]),
    allow_overheight=st.booleans(),
    allow_oog=st.booleans(),
    forklift_axle_kg=maybe(7000.0, 7900.0),
    leg_km=maybe(60.0, 1500.0),
    runway_m=maybe(900.0, 2500.0),
    elevation_m=maybe(0.0, 1800.0),
    isa_dev_c=maybe(0.0, 20.0),
    surface=maybe("paved", "unpaved"),
    alt_m=maybe(0.0, 2000.0, 3500.0),
    driver_licence=maybe("B", "CE", "standard", "CDL_A"),
    sae_class=maybe("3"),
    lashing=maybe(Lashing(0.3, 90.0, 400.0, 6.0)),
    sling_leg_mm=maybe(1900.0, 3660.0),
    sling_leg_wll_kg=maybe(1000.0, 4000.0),
)
# Facts of a load: how a better value looks, where better is the same for every conveyance.
EASIER = {"length_mm": 0.9, "width_mm": 0.9, "height_mm": 0.9, "cg_offset_mm": 0.5, "axle_load_kg": 0.8}


@given(st.lists(LOADS, min_size=1, max_size=6), TRIPS, st.sampled_from(KEYS))
@settings(max_examples=60, deadline=None)
def test_the_fleet_answer_equals_the_single_answer(loads: list[Load], trip: Trip, key: str) -> None:
    together = answer_fleet(loads, trip)
    for place, load in enumerate(loads):
        plane, _plus, uld = key.partition("+")
        one = answer_one(load, plane, replace(trip, uld=uld or None)).answer
        assert replace(together.answer(place, key), conveyance=plane) == one


def test_every_pair_of_a_fleet_equals_its_single_answer() -> None:
    rng = np.random.default_rng(7)
    loads = [
        Load(*sizes, mass, braked=True, tongue_kg=mass * 0.1, lift_points=4.0)
        for *sizes, mass in rng.uniform((1000, 900, 900, 300), (6500, 2600, 2800, 8000), (5, 4)).tolist()
    ]
    trip = Trip(asked=EVERYTHING - WHOLE_TRIP, sling_leg_mm=4000.0, lashing=Lashing(0.45, 90.0, 400.0, 4.0))
    together = answer_fleet(loads, trip)
    for place, load in enumerate(loads):
        for key in KEYS:
            plane, _plus, uld = key.partition("+")
            one = answer_one(load, plane, replace(trip, uld=uld or None)).answer
            assert replace(together.answer(place, key), conveyance=plane) == one


def test_a_fleet_over_several_chunks_is_the_fleet(monkeypatch: pytest.MonkeyPatch) -> None:
    loads = [Load(3000.0 + n, 2000.0, 2000.0, 2000.0 + n) for n in range(7)]
    trip = Trip(asked=SIZE_AND_MASS)
    whole = answer_fleet(loads, trip)
    monkeypatch.setattr("fleet.domain.fit.answers.CHUNK", 3)
    chunked = answer_fleet(loads, trip)
    for name in ("verdict", "reason", "margin", "margin_check", "fails", "turned"):
        assert np.array_equal(getattr(whole.verdicts, name), getattr(chunked.verdicts, name), equal_nan=True)


@given(LOADS, TRIPS, st.data())
@settings(max_examples=150, deadline=None)
def test_a_removed_fact_never_makes_a_fit(load: Load, trip: Trip, data: st.DataObject) -> None:
    measures_taken = {"bearing_length_mm", "bearing_area_m2", "no_rotate"}
    known = [
        f.name for f in fields(load) if f.name not in measures_taken and getattr(load, f.name) is not None
    ]
    if not known:
        return
    fact = data.draw(st.sampled_from(known))
    before = answer_fleet([load], trip).verdicts.verdict
    after = answer_fleet([replace(load, **{fact: None})], trip).verdicts.verdict
    made = (after == FITS) & (before != FITS)
    assert not made.any(), (fact, [key for key, new in zip(KEYS, made[0], strict=True) if new])


@given(LOADS, TRIPS, st.sampled_from(["leg_km", "runway_m", "elevation_m", "isa_dev_c", "surface", "alt_m"]))
@settings(max_examples=60, deadline=None)
def test_a_removed_circumstance_never_makes_a_fit(load: Load, trip: Trip, fact: str) -> None:
    before = answer_fleet([load], trip).verdicts.verdict
    after = answer_fleet([load], replace(trip, **{fact: None})).verdicts.verdict
    assert not ((after == FITS) & (before != FITS)).any()


@given(LOADS, TRIPS, st.data())
@settings(max_examples=80, deadline=None)
def test_a_refusal_stays_whatever_the_missing_facts_turn_out_to_be(
    load: Load, trip: Trip, data: st.DataObject
) -> None:
    """No rests on what is known: filling in the blanks of the load never takes it back."""
    before = answer_fleet([load], trip).verdicts.verdict
    other = data.draw(LOADS)
    # not facts but measures that can be taken, and a spacing without which the strictest axle group counts
    not_facts = {"bearing_length_mm", "bearing_area_m2", "no_rotate", "axle_spacing_mm"}
    blanks = {
        f.name: getattr(other, f.name)
        for f in fields(load)
        if f.name not in not_facts and getattr(load, f.name) is None
    }
    after = answer_fleet([replace(load, **blanks)], trip).verdicts.verdict
    taken_back = (before == REFUSED) & (after != REFUSED)
    assert not taken_back.any(), [key for key, back in zip(KEYS, taken_back[0], strict=True) if back]


@given(LOADS, TRIPS, st.sampled_from(list(EASIER)))
@settings(max_examples=100, deadline=None)
def test_a_smaller_load_is_never_refused_where_the_larger_fits(load: Load, trip: Trip, fact: str) -> None:
    value = getattr(load, fact)
    if value is None:
        return
    # boards of a stated size stay as they are; a footprint that shrinks presses harder
    load = replace(load, bearing_area_m2=8.0, bearing_length_mm=3000.0)
    trip = replace(trip, sling_leg_mm=None)
    before = answer_fleet([load], trip).verdicts
    after = answer_fleet([replace(load, **{fact: value * EASIER[fact]})], trip).verdicts
    assert not ((before.verdict == FITS) & (after.verdict != FITS)).any()


@given(LOADS, TRIPS)
@settings(max_examples=60, deadline=None)
def test_a_lighter_load_is_never_refused_where_the_heavier_fits(load: Load, trip: Trip) -> None:
    if load.mass_kg is None:
        return
    # the coupling load of a trailer is a share of its mass, so it goes down with it
    lighter = replace(
        load,
        mass_kg=load.mass_kg * 0.9,
        tongue_kg=None if load.tongue_kg is None else load.tongue_kg * 0.9,
        trailer_gvwr_kg=load.trailer_gvwr_kg or load.mass_kg,
    )
    heavier = replace(load, trailer_gvwr_kg=load.trailer_gvwr_kg or load.mass_kg)
    before, after = answer_fleet([heavier], trip).verdicts, answer_fleet([lighter], trip).verdicts
    turned_no = (before.verdict == FITS) & (after.verdict != FITS)
    # the least coupling load of 25 kg does not shrink with a light trailer
    names = {KEYS[place] for place in np.flatnonzero(turned_no[0])}
    assert all(name.startswith("tow_") and (lighter.tongue_kg or 99.0) < 25.0 for name in names)


@given(LOADS, TRIPS, st.sampled_from(["w", "h", "l"]))
@settings(max_examples=60, deadline=None)
def test_asking_more_clearance_never_makes_a_fit(load: Load, trip: Trip, axis: str) -> None:
    def with_clearance(mm: float) -> Any:
        wanted = Clearances.same(replace(Clearance(20.0, 20.0, 20.0), **{axis: mm}))
        return answer_fleet([load], replace(trip, clearances=wanted)).verdicts.verdict

    assert not ((with_clearance(120.0) == FITS) & (with_clearance(20.0) != FITS)).any()


@given(LOADS, TRIPS)
@settings(max_examples=60, deadline=None)
def test_margin_and_verdict_agree(load: Load, trip: Trip) -> None:
    fleet = answer_fleet([load], trip)
    for key in KEYS:
        answer = fleet.answer(0, key)
        if answer.verdict == "fits":
            assert answer.margin is None or answer.margin >= 0.0
            assert answer.reason in ("ok", "ok_rotated")
            assert answer.margin_mm is None or answer.margin_mm >= 0.0
            assert answer.margin_kg is None or answer.margin_kg >= 0.0
        elif answer.verdict == "refused":
            assert answer.margin is None or answer.margin < 0.0
            assert answer.margin is None or answer.margin_check == answer.reason
        else:
            assert answer.margin is None
            assert answer.reason.startswith(("missing_", "outside_"))
            assert not answer.also_fails
        assert answer.verdict != "fits" or not answer.missing


def test_every_key_that_can_fail_has_a_sentence_and_fits_the_bits() -> None:
    assert len(CAN_FAIL) <= 64
    assert len(CAN_LACK) <= 64
    assert set(UNIT_OF) <= set(CAN_FAIL)
    assert all(REASONS[key].sentence and REASONS[key].source for key in CAN_FAIL)


@pytest.mark.parametrize(
    ("field", "value"),
    [("mass_kg", -3.0), ("length_mm", 0.0), ("width_mm", float("inf")), ("tongue_kg", -1.0)],
)
def test_an_impossible_size_is_refused_by_name(field: str, value: float) -> None:
    good = Load(3000.0, 2000.0, 2000.0, 2500.0)
    with pytest.raises(DomainError, match=f"Load 2, {field}"):
        answer_fleet([good, replace(good, **{field: value})], Trip())


def test_an_unknown_conveyance_is_refused_by_name() -> None:
    with pytest.raises(DomainError, match="'b763f\\+nothing'"):
        conveyances_of(["c20gp_min", "b763f+nothing"])
