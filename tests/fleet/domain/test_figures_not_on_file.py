"""A figure of a conveyance that is not on file permits nothing, whichever it is; the floor of aircraft is always asked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from fleet.domain.fit.aircraft import Freighters, freighters
from fleet.domain.fit.answers import Conveyances, answer_fleet, answer_one, conveyances_of
from fleet.domain.fit.conveyances import (
    ConveyanceTable,
    aircraft,
    containers,
    decks,
    helicopters,
    tow_vehicles,
    ulds,
)
from fleet.domain.fit.helicopters import hook
from fleet.domain.fit.loads import Load
from fleet.domain.fit.trip import EVERYTHING, Clearance, Clearances, Lashing, Topic, Trip
from fleet.domain.placement import faults_of, place
from fleet.domain.placement_rooms import hold_of
from fleet.domain.placement_shapes import Piece, Room
from fleet.domain.transport.answers import ALWAYS_ASKED

LOAD = Load(
    1900.0,
    1500.0,
    1500.0,
    1400.0,
    csc_valid=True,
    proof_in_date=True,
    braked=False,
    tongue_kg=150.0,
    trailer_gvwr_kg=1500.0,
    axle_count=1.0,
    axle_load_kg=700.0,
    cg_offset_mm=0.0,
    lift_points=4.0,
    lift_point_wll_kg=9000.0,
    point_length_mm=1800.0,
    point_width_mm=1400.0,
    cg_above_points_mm=-100.0,
    half_width_mm=900.0,
    on_wheels=False,
    boxed=False,
)
LIGHT = replace(LOAD, mass_kg=700.0, tongue_kg=70.0)
TRIP = Trip(
    asked=EVERYTHING,
    clearances=Clearances.same(Clearance()),
    forklift_axle_kg=5000.0,
    leg_km=40.0,
    runway_m=4000.0,
    elevation_m=0.0,
    isa_dev_c=0.0,
    surface="paved",
    alt_m=0.0,
    driver_licence="CE",
    lashing=Lashing(0.45, 90.0, 400.0, 6.0),
    sling_leg_mm=4000.0,
    sling_leg_wll_kg=4000.0,
    rigging_kg=100.0,
)
TABLES: dict[str, ConveyanceTable] = {
    "c20gp_typ": containers(),
    "c20fr_typ": containers(),
    "c17": aircraft(),
    "atr72f": aircraft(),
    "ch47f": helicopters(),
    "flat_18_eu": decks(),
    "tow_truck_75": tow_vehicles(),
    "tow_pintle_us": tow_vehicles(),
}
# Columns that are no limit, or one that another column stands for, each with the reason.
NO_LIMIT = {
    "ext_length_mm": "the outside of the box limits nothing that goes into it",
    "roof_open_length_mm": "loaded by the door",
    "roof_open_width_mm": "loaded by the door",
    "needs_high_loader": "how it is loaded, not what it takes",
    "uld_contour_mm": "loaded loose",
}
OF_A_RACK = {
    "open_sides": "then it has a door that nobody measured",
    "door_width_mm": "a flat rack has no door",
    "door_height_mm": "a flat rack has no door",
}


def emptied(table: ConveyanceTable, name: str) -> ConveyanceTable:
    return replace(table, numbers=table.numbers | {name: np.full_like(table[name], np.nan)})


def held(key: str, table: ConveyanceTable) -> Conveyances:
    one = table.pick([key])
    if key in aircraft().keys:
        return Conveyances.only(planes=freighters(one, ulds(), [(key, None)]))
    name = {"c": "containers", "h": "helicopters", "f": "decks", "t": "tow_vehicles"}
    return Conveyances.only(**{"helicopters" if key == "ch47f" else name[key[0]]: one})  # type: ignore[arg-type]


def figures() -> Iterator[tuple[str, str]]:
    for key, table in TABLES.items():
        yield from ((key, name) for name in table.numbers)


@pytest.mark.parametrize(("key", "name"), list(figures()))
def test_an_empty_figure_is_cannot_decide_and_never_a_fit(key: str, name: str) -> None:
    load = LIGHT if key in ("tow_truck_75", "tow_pintle_us", "atr72f") else LOAD
    load = replace(load, on_wheels=key in tow_vehicles().keys)
    trip = replace(TRIP, driver_licence="CDL_A") if key == "tow_pintle_us" else TRIP
    whole = answer_fleet([load], trip, held(key, TABLES[key])).answer(0, key)
    assert whole.fits, whole
    less = answer_fleet([load], trip, held(key, emptied(TABLES[key], name))).answer(0, key)
    if (
        name in NO_LIMIT
        or (key, name) == ("c20gp_typ", "open_sides")
        or (key == "c20fr_typ" and name in OF_A_RACK and name != "open_sides")
    ):
        assert less.fits
        return
    assert less.verdict == "cannot_decide", name
    assert less.missing
    assert all(reason.startswith("missing_") for reason in less.missing)


@pytest.mark.parametrize(
    "name", [n for n in ulds().numbers if n not in ("max_load_kg", "height_main_118in_mm")]
)
def test_an_empty_figure_of_a_pallet_is_never_a_fit(name: str) -> None:
    load = replace(LOAD, height_mm=1200.0)

    def ask(pallets: ConveyanceTable) -> str:
        planes: Freighters = freighters(aircraft(), pallets, [("b763f", "pmc")])
        return answer_fleet([load], TRIP, Conveyances.only(planes=planes)).answer(0, "b763f+pmc").verdict

    assert ask(ulds()) == "fits"
    empty = ulds().numbers[name].copy()
    empty[0, ulds().keys.index("pmc")] = np.nan
    found = ask(replace(ulds(), numbers=ulds().numbers | {name: empty}))
    # a base of which a side is not known is no pallet at all: then it is loaded loose, where the floor is asked
    assert found == "cannot_decide", name


def test_a_hook_of_which_the_radius_is_not_known_is_asked_for_it() -> None:
    trip = replace(TRIP, asked=frozenset({Topic.RADIUS}))
    asked = Conveyances.only(helicopters=hook(5000.0))
    assert answer_fleet([LOAD], trip, asked).answer(0, "hook").missing == ("missing_radius",)


# --- the floor of an aircraft ---------------------------------------------------------------------------------------


def floor(key: str, kg_m2: float | None = None, **load: object) -> str:
    stated = () if kg_m2 is None else ((key, kg_m2),)
    trip = replace(TRIP, asked=frozenset({Topic.FLOOR}), floors_kg_m2=stated)
    return answer_one(replace(LOAD, **load), key, trip).answer.reason  # type: ignore[arg-type]


def test_a_loose_load_is_asked_for_the_floor_and_the_lower_of_two_figures_counts() -> None:
    """1,400 kg on 1.9 × 1.5 m press with 491.2 kg/m2."""
    assert Topic.FLOOR in ALWAYS_ASKED
    assert floor("il76td") == "missing_floor_limit"
    assert floor("il76td", 492.0) == "ok"
    assert floor("il76td", 491.0) == "floor_pressure"
    assert floor("il76td", 491.0, bearing_area_m2=3.0) == "ok"
    assert floor("c27j") == "ok"
    assert floor("c27j", 491.0) == "floor_pressure"
    assert floor("dhc6", 99_000.0, length_mm=1200.0, width_mm=1000.0, height_mm=1200.0) == "floor_pressure"
    assert floor("atr72f", 99_000.0) == "floor_pressure"


def test_what_the_operator_says_of_one_type_says_nothing_of_another() -> None:
    trip = replace(TRIP, asked=frozenset({Topic.FLOOR}), floors_kg_m2=(("il76td", 900.0),))
    found = answer_fleet([LOAD], trip, conveyances_of(["il76td", "c130h", "b763f+pmc"]))
    assert found.answer(0, "il76td").fits
    assert found.answer(0, "c130h").missing == ("missing_floor_limit",)
    assert found.answer(0, "b763f+pmc").fits


def test_a_pallet_stands_on_the_rollers_and_is_not_asked() -> None:
    trip = replace(TRIP, asked=frozenset({Topic.FLOOR}))
    assert answer_one(LOAD, "b763f", replace(trip, uld="pmc")).answer.fits


def test_nothing_is_placed_where_nobody_knows_what_the_floor_bears() -> None:
    pieces = [Piece("a", 1900.0, 1500.0, 1500.0, 1400.0)]
    unknown, known = hold_of("c130h"), hold_of("c130h", floor_kg_m2=500.0)
    assert unknown.lacks == ("missing_floor_limit",)
    assert place(pieces, unknown.room).placed == ()
    assert known.lacks == ()
    placement = place(pieces, known.room)
    assert len(placement.placed) == 1
    assert any("presses" in fault for fault in faults_of(placement, pieces, unknown.room))
    assert not hold_of("c130h", floor_kg_m2=491.0).lacks
    assert place(pieces, hold_of("c130h", floor_kg_m2=491.0).room).placed == ()


# --- the deck of a truck --------------------------------------------------------------------------------------------


def test_what_is_wider_than_the_deck_does_not_stand_on_it() -> None:
    """The deck of the 7.5 t flatbed is 2,450 mm wide; the law allows 2,550 mm."""
    assert Topic.DECK_WIDTH in ALWAYS_ASKED
    trip = replace(TRIP, asked=frozenset({Topic.DECK_WIDTH}))
    wide = replace(LOAD, length_mm=2600.0, width_mm=2500.0, no_rotate=True)
    refused = answer_one(wide, "flat_75_eu", trip).answer
    assert (refused.reason, refused.margin) == ("deck_width", -50.0)
    just = answer_one(replace(wide, width_mm=2450.0), "flat_75_eu", trip).answer
    assert (just.fits, just.margin, just.margin_check) == (True, 0.0, "deck_width")
    assert answer_one(replace(wide, width_mm=2560.0), "lowloader_eu", trip).answer.refusals == (
        "deck_width",
        "over_width",
    )


def test_pieces_beside_one_another_stand_within_the_deck() -> None:
    """Two of 1,220 mm with 50 mm between them are 2,490 mm: within the law, beyond the deck."""
    pieces = [Piece(key, 5000.0, 1220.0, 1000.0, 500.0, may_turn=False) for key in "ab"]
    room: Room = hold_of("flat_75_eu", gap_mm=50.0).room
    assert len(place(pieces, room).placed) == 1
    narrower = [replace(piece, width_mm=1200.0) for piece in pieces]
    assert len(place(narrower, room).placed) == 2
