"""Fit against published and worked figures, edges in pairs; the reference cases check the whole answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fleet.domain.fit.aircraft import payload_at_kg, runway_needed_m
from fleet.domain.fit.answers import (
    Answer,
    FullAnswer,
    answer_axle_group,
    answer_forklift,
    answer_one,
    answer_sling,
    conveyances_of,
    held_conveyances,
)
from fleet.domain.fit.atmosphere import density_altitude_m, density_ratio
from fleet.domain.fit.axle_groups import LB_KG, bridge_limit_kg
from fleet.domain.fit.conveyances import aircraft, helicopters, road_limit, tow_vehicles
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.helicopters import usable_sling_kg
from fleet.domain.fit.licences import eu_slack_kg
from fleet.domain.fit.loads import Load
from fleet.domain.fit.mass import MassLine, packed_mass
from fleet.domain.fit.road import lashings_needed
from fleet.domain.fit.sling import leg_tension_kg, sling_angle_deg
from fleet.domain.fit.towing import axle_limit_kg, sae_class_kg, tongue_limits_kg
from fleet.domain.fit.trip import (
    EVERYTHING,
    SIZE_AND_MASS,
    SLING,
    WHOLE_TRIP,
    Clearance,
    Clearances,
    Lashing,
    Topic,
    Trip,
)
from fleet.lib.errors import DomainError

BARE = Trip(asked=SIZE_AND_MASS, clearances=Clearances.same(Clearance()), rigging_kg=0.0)
UNIT = Load(2900.0, 2150.0, 2100.0, 2600.0)


def ask(load: Load, conveyance: str, **trip: object) -> Answer:
    return answer_one(load, conveyance, replace(BARE, **trip)).answer  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("altitude", "deviation", "ratio", "density_altitude"),
    [
        (0, 0, 1.0, 0),
        (0, 20, 0.9351, 694),
        (1000, 0, 0.9075, 1000),
        (1500, 15, 0.8196, 2025),
        (2000, 20, 0.7659, 2692),
        (3000, 10, 0.7155, 3353),
    ],
)
def test_density_altitude(altitude: float, deviation: float, ratio: float, density_altitude: float) -> None:
    """ICAO standard atmosphere, Doc 7488; the table of the reference page."""
    assert density_ratio(altitude, deviation) == pytest.approx(ratio, abs=5e-5)
    assert density_altitude_m(altitude, deviation) == pytest.approx(density_altitude, abs=0.5)


def test_density_altitude_of_a_published_example() -> None:
    """Field 5,000 ft, 29.45 inHg (pressure altitude 5,470 ft), 30 K over standard: 9,070 ft by the rule of thumb."""
    metres = density_altitude_m(5470 * 0.3048, 30.0)
    assert metres / 0.3048 == pytest.approx(9070, rel=0.03)


@pytest.mark.parametrize(
    ("axles", "feet", "pounds"),
    [
        (1, 0, 20000),
        (2, 4, 34000),
        (2, 8, 34000),
        (2, 9, 39000),
        (3, 20, 51000),
        (5, 48, 78000),
        (5, 51, 80000),
        (6, 60, 80000),
    ],
)
def test_bridge_formula(axles: int, feet: float, pounds: float) -> None:
    """FHWA bridge formula weights; 80,000 lb on the Interstate in any case."""
    assert bridge_limit_kg(axles, feet) == pytest.approx(pounds * LB_KG)


def test_an_axle_group_with_something_missing_cannot_be_decided() -> None:
    assert answer_axle_group(3, None, 20000.0).answer.reason == "missing_axle_group"
    assert answer_axle_group(3, 20.0, 23133.0).answer.fits
    assert not answer_axle_group(3, 20.0, 23134.0).answer.fits


@pytest.mark.parametrize(
    ("rated_lb", "centre_in", "load_in", "capacity_lb"),
    [(4000, 24, 36, 2667), (5000, 24, 28, 4286), (4000, 24, 20, 4000)],
)
def test_fork_truck_capacity(rated_lb: float, centre_in: float, load_in: float, capacity_lb: float) -> None:
    """OSHA field method; nearer than the rated centre the plate still rules."""
    truck = ForkTruck(rated_lb, centre_in * 25.4)
    full = answer_forklift(Load(mass_kg=1.0, load_centre_mm=load_in * 25.4), truck)
    assert full.answer.margin == pytest.approx(capacity_lb - 1.0, abs=0.5)


def test_fork_pockets_are_asked_when_wanted() -> None:
    truck = ForkTruck(
        5000, 600, blade_width_mm=150, blade_length_mm=1200, spread_least_mm=300, spread_most_mm=1100
    )
    load = Load(mass_kg=1000, load_centre_mm=800, fork_pocket_width_mm=180, fork_pocket_spacing_mm=900)
    assert answer_forklift(load, truck, ask_pockets=True).answer.fits
    for change in ({"fork_pocket_width_mm": 140}, {"fork_pocket_spacing_mm": 1200}, {"load_centre_mm": 950}):
        answer = answer_forklift(replace(load, **change), truck, ask_pockets=True).answer
        assert answer.reason == "fork_pockets"
    unknown = replace(load, fork_pocket_width_mm=None)
    assert answer_forklift(unknown, truck, ask_pockets=True).answer.reason == "missing_fork_pockets"


def test_leg_tension_of_the_worked_example() -> None:
    """3,000 kg, points 3.0 x 1.8 m, legs 3.66 m: 61.4 degrees, 1,708 kg with two legs bearing, 1,138 kg with three."""
    run = np.hypot(3000.0, 1800.0) / 2.0
    angle = sling_angle_deg(np.array(run), 3660.0)
    assert angle == pytest.approx(61.4, abs=0.05)
    assert leg_tension_kg(np.array(3000.0), angle, 2.0) == pytest.approx(1708, abs=0.5)
    assert leg_tension_kg(np.array(3000.0), angle, 3.0) == pytest.approx(1138, abs=0.5)


@pytest.mark.parametrize(("degrees", "factor"), [(90, 1.0), (75, 1.035), (60, 1.155), (45, 1.414), (30, 2.0)])
def test_leg_tension_factors(degrees: float, factor: float) -> None:
    """Rigging charts: one over the sine of the angle from the horizontal."""
    assert leg_tension_kg(np.array(1.0), np.array(degrees), 1.0) == pytest.approx(factor, abs=5e-4)


def test_a_leg_that_does_not_reach_lies_flat_and_carries_nothing() -> None:
    load = replace(UNIT, point_length_mm=3000.0, point_width_mm=1800.0)
    trip = replace(
        BARE, asked=frozenset({Topic.SLING_ANGLE, Topic.SLING_LEG}), sling_leg_mm=1500.0, sling_leg_wll_kg=9e9
    )
    answer = answer_sling(load, trip).answer
    assert (answer.reason, answer.margin, answer.also_fails) == ("sling_angle", -45.0, ("sling_leg_wll",))


def test_the_whole_sling_is_asked_under_a_helicopter() -> None:
    load = replace(UNIT, point_length_mm=2400.0, point_width_mm=1800.0, lift_point_wll_kg=1500.0)
    load = replace(load, cg_above_points_mm=300.0, half_width_mm=900.0, lift_points=4.0, proof_in_date=True)
    trip = replace(
        BARE, asked=SLING | {Topic.LIFT_POINTS, Topic.PROOF}, sling_leg_mm=4000.0, sling_leg_wll_kg=2000.0
    )
    assert answer_one(load, "mi8mtv", trip).answer.fits
    for change, reason in (
        ({"lift_point_wll_kg": 1000.0}, "lift_point_wll"),
        ({"cg_above_points_mm": 600.0}, "sling_stability"),
        ({"lift_points": 3.0}, "no_lift_points"),
        ({"proof_in_date": False}, "proof_expired"),
        ({"proof_in_date": None}, "missing_proof_in_date"),
        ({"lift_point_wll_kg": None}, "missing_lift_point_wll_kg"),
        ({"half_width_mm": None}, "missing_sling_geometry"),
    ):
        assert answer_one(replace(load, **change), "mi8mtv", trip).answer.reason == reason
    short = replace(trip, sling_leg_mm=3600.0)
    assert answer_one(load, "mi8mtv", short).answer.reason == "sling_leg_short"


def test_usable_sling_load_at_the_two_points_of_the_table_and_never_over_the_hook() -> None:
    types = helicopters()
    assert usable_sling_kg(types, -200.0) == pytest.approx(types["sling_sl_isa_kg"])
    assert usable_sling_kg(types, 2692.0) == pytest.approx(types["sling_2000m_isa20_kg"])
    assert (usable_sling_kg(types, 0.0) <= types["hook_limit_kg"]).all()


def test_rigging_that_was_not_weighed_counts_with_its_heaviest_usual_mass() -> None:
    load = replace(UNIT, mass_kg=3900.0)
    assert ask(load, "mi8mtv").fits
    assert answer_one(load, "mi8mtv", Trip(asked=SIZE_AND_MASS)).answer.margin == -50.0


@pytest.mark.parametrize(
    ("leg", "payload"), [(500, 5500), (1100, 5500), (1500, 4500), (2400, 2250), (2500, 2000), (2501, None)]
)
def test_payload_range(leg: float, payload: float | None) -> None:
    """An-26: 5500 kg to 1100 km, 2000 kg to 2500 km, linear between, nothing beyond."""
    carried = payload_at_kg(aircraft().pick(["an26"]), leg)[0, 0]
    assert np.isnan(carried) if payload is None else carried == pytest.approx(payload)


def test_runway_needed() -> None:
    """ICAO Doc 9157: 7 % per 300 m, 1 % per kelvin, 10 % per percent of slope; never shorter than at sea level."""
    assert runway_needed_m(1850.0, 1800.0, 10.0) == pytest.approx(2889.7)
    assert runway_needed_m(1000.0, 0.0, 0.0, -1.0) == pytest.approx(1100.0)
    assert runway_needed_m(1000.0, -50.0, -20.0) == 1000.0


@pytest.mark.parametrize(
    ("asked", "trip", "reason"),
    [
        (Topic.RUNWAY, {}, "missing_runway_m"),
        (Topic.RUNWAY, {"runway_m": 900.0}, "runway"),
        (Topic.RUNWAY, {"runway_m": 2900.0}, "missing_elevation_m"),
        (Topic.RUNWAY, {"runway_m": 2900.0, "elevation_m": 0.0}, "missing_isa_dev_c"),
        (Topic.SURFACE, {}, "missing_surface"),
        (Topic.RANGE, {}, "missing_leg_km"),
        (Topic.SURFACE, {"surface": "unpaved"}, "runway_surface"),
    ],
)
def test_what_is_asked_of_an_airfield_must_be_known(
    asked: Topic, trip: dict[str, object], reason: str
) -> None:
    assert ask(replace(UNIT, height_mm=1700.0), "b738f", asked=frozenset({asked}), **trip).reason == reason


def test_a_side_door_takes_the_fore_aft_side() -> None:
    """Cessna 208: door 1240 wide, cabin 1575 wide: 1300 goes across the cabin, never through the door broadside."""
    answer = ask(Load(1300.0, 1100.0, 1000.0, 500.0), "c208b")
    assert (answer.reason, answer.turned) == ("ok_rotated", True)
    assert ask(Load(1300.0, 1100.0, 1000.0, 500.0, no_rotate=True), "c208b").reason == "door_width"


def test_a_pallet_must_pass_the_door_itself() -> None:
    small = Load(2000.0, 2000.0, 1500.0, 2000.0)
    assert ask(small, "b738f", uld="pag").fits
    assert ask(small, "b738f", uld="pga").reason == "door_width"


@pytest.mark.parametrize(
    ("plane", "uld", "contour"),
    [
        ("b752f", "pag", 2083),
        ("b763f", "pmc", 2438),
        ("b77f", "pmc", 2997),
        ("c130h", "p463l", 2438),
        ("an26", "pag", 1750),
    ],
)
def test_the_contour_is_the_lower_of_aircraft_and_pallet(plane: str, uld: str, contour: float) -> None:
    """On a pallet in a door high enough for the test: the height left is contour less height."""
    full = answer_one(Load(2000.0, 1900.0, 1000.0, 1000.0), plane, replace(BARE, uld=uld))
    (line,) = [line for line in full.lines if line.key == "uld_height"]
    assert line.margin == contour - 1000.0


@pytest.mark.parametrize(
    ("licence", "vehicle", "trailer", "slack"),
    [
        ("B", 3200, 2600, -2300),
        ("B", 3200, 750, 300),
        ("B", 2000, 1500, 0),
        ("B96", 2000, 2251, -1),
        ("BE", 3200, 3500, 0),
        ("BE", 3200, 3501, -1),
        ("C1", 7500, 750, 0),
        ("C1E", 7500, 4500, 0),
        ("C1E", 7500, 4501, -1),
        ("C", 18000, 751, -1),
        ("CE", 18000, 18000, np.inf),
    ],
)
def test_eu_licences(licence: str, vehicle: float, trailer: float, slack: float) -> None:
    """Directive 2006/126/EC article 4."""
    assert eu_slack_kg(licence, np.array(float(vehicle)), np.array(float(trailer))) == slack


@pytest.mark.parametrize(
    ("licence", "plate", "reason"),
    [
        ("standard", 4536.0, "ok"),
        ("standard", 4537.0, "licence"),
        ("CDL_B", 4537.0, "licence"),
        ("CDL_A", 4537.0, "ok"),
        ("BE", 4536.0, "missing_driver_licence"),
        (None, 4536.0, "missing_driver_licence"),
    ],
)
def test_us_licences(licence: str | None, plate: float, reason: str) -> None:
    """49 CFR 383.91: combination of 26,001 lb or more with a towed unit over 10,000 lb."""
    load = replace(UNIT, trailer_gvwr_kg=plate)
    assert (
        ask(load, "tow_pintle_us", asked=frozenset({Topic.LICENCE}), driver_licence=licence).reason == reason
    )


@pytest.mark.parametrize("vehicle", ["tow_pickup_eu", "tow_pintle_us"])
def test_a_trailer_is_never_loaded_over_its_plate(vehicle: str) -> None:
    """49 CFR 390.5 (gross vehicle weight rating), 1230/2012 (technically permissible mass). The limit itself passes."""
    at_plate = replace(UNIT, trailer_gvwr_kg=2600.0)
    assert ask(at_plate, vehicle).fits
    over = ask(replace(at_plate, mass_kg=2601.0), vehicle)
    assert (over.verdict, over.reason) == ("refused", "trailer_plate")
    assert (over.margin, over.margin_unit, over.margin_kg) == (-1.0, "kg", -1.0)
    assert "plate" in over.sentence


def test_a_plate_that_is_not_known_is_asked_for_without_any_question_of_licences() -> None:
    asked = frozenset({Topic.TRAILER_PLATE})
    assert ask(UNIT, "tow_pickup_eu").fits
    assert ask(UNIT, "tow_pickup_eu", asked=asked).reason == "missing_trailer_gvwr_kg"
    assert ask(replace(UNIT, trailer_gvwr_kg=2600.0), "tow_pickup_eu", asked=asked).fits


@pytest.mark.parametrize(
    ("load", "conveyance", "asked", "reason", "missing"),
    [
        (replace(UNIT, mass_kg=None, height_mm=2300.0), "c20gp_typ", (), "door_height", ("missing_mass_kg",)),
        (
            replace(UNIT, lift_points=0.0),
            "mi8mtv",
            (Topic.LIFT_POINTS, Topic.SLING_ANGLE),
            "no_lift_points",
            ("missing_sling_geometry",),
        ),
        (
            replace(UNIT, proof_in_date=False, length_mm=None),
            "mi8mtv",
            (Topic.PROOF,),
            "proof_expired",
            ("missing_length_mm",),
        ),
        (
            Load(6000.0, None, 2000.0, 3000.0),
            "c20gp_typ",
            (),
            "hold_length",
            ("missing_width_mm",),
        ),
        (replace(UNIT, mass_kg=30000.0), "kmax", (Topic.HOVER,), "hook_structural", ("missing_alt_m",)),
    ],
)
def test_a_refusal_that_rests_on_known_facts_is_a_no_with_what_is_missing_beside(
    load: Load, conveyance: str, asked: tuple[Topic, ...], reason: str, missing: tuple[str, ...]
) -> None:
    answer = ask(load, conveyance, asked=frozenset(asked), isa_dev_c=0.0)
    assert (answer.verdict, answer.reason, answer.missing) == ("refused", reason, missing)
    assert answer.against[0] == reason
    assert answer.against[-1] == missing[-1]


def test_what_could_pass_turned_once_more_is_known_is_not_refused() -> None:
    """Too wide for the door as given, not when turned: with the mass not known nothing is decided."""
    turned = ask(Load(2200.0, 5600.0, 2100.0, None), "c20gp_typ")
    assert (turned.verdict, turned.reason, turned.margin) == ("cannot_decide", "missing_mass_kg", None)
    assert ask(Load(2200.0, 5600.0, 2100.0, None, no_rotate=True), "c20gp_typ").reason == "door_width"


def test_outside_the_performance_table_only_the_hook_itself_refuses() -> None:
    high = {"asked": frozenset({Topic.HOVER}), "alt_m": 4500.0, "isa_dev_c": 20.0}
    assert ask(replace(UNIT, mass_kg=2700.0), "kmax", **high).reason == "outside_performance_table"
    assert ask(replace(UNIT, mass_kg=30000.0), "kmax", **high).reason == "hook_structural"


def test_tongue_limits() -> None:
    """EU: 4 % of the trailer, at least 25 kg, to the plate; US: 10 to 15 %, to the plate."""
    eu, us = tow_vehicles().pick(["tow_pickup_eu"]), tow_vehicles().pick(["tow_class4_us"])
    assert [float(limit[0, 0]) for limit in tongue_limits_kg(eu, np.array([[2600.0]]))] == [104.0, 140.0]
    assert [float(limit[0, 0]) for limit in tongue_limits_kg(eu, np.array([[500.0]]))] == [25.0, 140.0]
    assert [float(limit[0, 0]) for limit in tongue_limits_kg(us, np.array([[2000.0]]))] == pytest.approx(
        [200.0, 300.0]
    )


@pytest.mark.parametrize(
    ("region", "axles", "spacing", "limit"),
    [
        ("EU", 1, None, 10000),
        ("EU", 2, 999, 5500),
        ("EU", 2, 1000, 8000),
        ("EU", 2, 1300, 9000),
        ("EU", 2, None, 5500),
        ("EU", 3, 1350, 8000),
        ("US", 1, None, 9072),
        ("US", 2, None, 7711),
    ],
)
def test_axle_limits(region: str, axles: float, spacing: float | None, limit: float) -> None:
    """96/53/EC as amended; 23 CFR 658.17."""
    distance = np.array(np.nan if spacing is None else float(spacing))
    assert float(axle_limit_kg(region, np.array(float(axles)), distance)) == limit


def test_brakes_not_known_matter_only_above_the_limit_without_brakes() -> None:
    topics = frozenset({Topic.BRAKES})
    assert ask(replace(UNIT, mass_kg=750.0), "tow_4x4_eu", asked=topics).fits
    assert ask(replace(UNIT, mass_kg=751.0), "tow_4x4_eu", asked=topics).reason == "missing_braked"
    assert ask(replace(UNIT, mass_kg=750.0, braked=False), "tow_4x4_eu", asked=topics).margin == 0.0


def test_a_coupling_class_that_is_none_is_refused() -> None:
    assert sae_class_kg("3") == road_limit("sae_class3") == 2268
    with pytest.raises(DomainError, match="'9' is no coupling class"):
        sae_class_kg("9")


@pytest.mark.parametrize(("mu", "n_side", "n_all"), [(0.30, 4, 11), (0.45, 2, 5), (0.9, 2, 2)])
def test_top_over_lashings(mu: float, n_side: int, n_all: int) -> None:
    """EN 12195-1 worked example: 4,000 kg, hand tension 400 daN, straight over."""
    lashing = Lashing(mu, 90.0, 400.0, 4.0)
    mass = np.array(4000.0)
    assert lashings_needed(mass, lashing) == n_all
    assert lashings_needed(mass, replace(lashing, blocked_forward=True)) == n_side
    assert np.isinf(lashings_needed(mass, replace(lashing, mu=0.0)))


def test_a_vehicle_of_any_region_keeps_to_the_stricter_law() -> None:
    assert ask(Load(5000.0, 2560.0, 2000.0, 3000.0), "flat_26_6x4").reason == "over_width"


def test_a_flat_rack_and_an_open_top_take_what_is_booked() -> None:
    tall, wide = Load(5000.0, 2100.0, 2600.0, 3000.0), Load(5000.0, 2500.0, 2200.0, 3000.0)
    assert ask(tall, "c20fr_typ").reason == "hold_height"
    assert ask(tall, "c20fr_typ", allow_overheight=True).fits
    assert ask(wide, "c20fr_typ", allow_overheight=True).reason == "hold_width"
    assert ask(wide, "c20fr_typ", allow_oog=True).fits
    assert ask(tall, "c20hc_typ", allow_oog=True).reason == "door_height"
    assert ask(tall, "c20ot_typ", allow_oog=True).reason == "door_height"
    assert ask(tall, "c20ot_typ", allow_oog=True, load_by="crane_top").fits


def test_default_clearances_are_asked_of_a_container() -> None:
    """50 mm across and above, 100 mm along (common practice)."""
    just = Load(5898.0 - 100.0, 2340.0 - 50.0, 2280.0 - 50.0, 3000.0)
    trip = Trip(asked=SIZE_AND_MASS)
    assert answer_one(just, "c20gp_typ", trip).answer.margin == 0.0
    for field in ("length_mm", "width_mm", "height_mm"):
        larger = replace(just, **{field: getattr(just, field) + 1.0})
        assert answer_one(larger, "c20gp_typ", trip).answer.margin == -1.0


def test_what_is_not_known_about_a_whole_trip_is_named_first() -> None:
    full = answer_one(UNIT, "c20gp_min", Trip(asked=WHOLE_TRIP))
    assert full.answer.verdict == "cannot_decide"
    assert full.answer.reason == "missing_csc_valid"
    assert {line.key for line in full.lines if line.state == "cannot_decide"} == {
        "missing_csc_valid",
        "missing_cg_offset_mm",
    }


def test_neither_way_passes_the_one_with_the_smaller_shortfall_is_told() -> None:
    answer = ask(Load(2400.0, 6000.0, 2000.0, 3000.0), "c20gp_typ")
    assert (answer.turned, answer.reason, answer.margin) == (True, "door_width", -60.0)
    assert answer.also_fails == ("hold_width", "hold_length")


def test_smallest_slacks_of_length_and_mass_are_both_told() -> None:
    answer = ask(Load(5700.0, 2200.0, 2350.0, 4800.0), "c20hc_typ")
    assert (answer.margin_mm, answer.margin_kg) == (140.0, 28080.0 - 4800.0)


def test_every_line_of_an_answer_says_its_rule_and_source() -> None:
    full: FullAnswer = answer_one(UNIT, "c130h", BARE)
    assert [line.key for line in full.lines] == [
        "payload_mass",
        "door_height",
        "door_width",
        "hold_height",
        "hold_width",
        "hold_length",
    ]
    assert all(line.reason.source for line in full.lines)


def test_every_type_of_the_tables_answers() -> None:
    held = held_conveyances()
    assert len(held.keys) == len(set(held.keys)) == 143
    for key in held.keys:
        plane, _plus, uld = key.partition("+")
        load = Load(600.0, 600.0, 600.0, 200.0, boxed=False)
        answer = answer_one(load, plane, replace(BARE, uld=uld or None)).answer
        assert answer.verdict in ("fits", "refused")
    assert conveyances_of(held.keys).keys == held.keys


def test_everything_asked_and_everything_known_can_be_decided() -> None:
    load = replace(
        UNIT,
        csc_valid=True,
        proof_in_date=True,
        braked=True,
        tongue_kg=130.0,
        trailer_gvwr_kg=3000.0,
        axle_count=1.0,
        axle_load_kg=2470.0,
        cg_offset_mm=0.0,
        lift_points=4.0,
        lift_point_wll_kg=4000.0,
        point_length_mm=2400.0,
        point_width_mm=1800.0,
        cg_above_points_mm=-100.0,
        half_width_mm=900.0,
        on_wheels=False,
        boxed=False,
    )
    trip = replace(
        BARE,
        asked=EVERYTHING,
        forklift_axle_kg=5000.0,
        leg_km=40.0,
        runway_m=4000.0,
        elevation_m=0.0,
        isa_dev_c=0.0,
        surface="paved",
        alt_m=0.0,
        driver_licence="BE",
        lashing=Lashing(0.45, 90.0, 400.0, 6.0),
        sling_leg_mm=4000.0,
        sling_leg_wll_kg=4000.0,
        floors_kg_m2=(("c130h", 1000.0),),
    )
    for key in ("c20gp_typ", "c130h", "mi8mtv", "flat_18_eu", "tow_pickup_eu"):
        stands = replace(load, on_wheels=key == "tow_pickup_eu")
        assert answer_one(stands, key, trip).answer.fits, key


def test_packed_mass_is_the_sum_of_its_lines_or_not_known() -> None:
    weighed = MassLine("weighed 2026-05-02", 2400.0)
    known = packed_mass(weighed, [MassLine("kit", 180.0), MassLine("pump swapped", -12.5)])
    assert known.total_kg == 2567.5
    unknown = packed_mass(weighed, [MassLine("trapped water", None), MassLine("kit", 180.0)])
    assert (unknown.total_kg, unknown.unknown) == (None, ("trapped water",))
