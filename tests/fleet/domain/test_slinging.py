"""The four legs one by one, the harmful end of each; fork trucks; what is put under a load."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from fleet.domain.fit.answers import answer_one, answer_sling
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.trip import SLING, Topic, Trip
from fleet.domain.transport.answers import class_of_fleet
from fleet.domain.transport.fork import fork_answers
from fleet.domain.transport.measures import Measures, hang_of, load_of
from fleet.domain.transport.slinging import POINTS, lacking, sling_of
from tests.fleet.domain.test_transport_class import SHIP, SKID, TRIP, mass, unit

# carriage.md, section 3: 3,000 kg, points 3.0 × 1.8 m, legs 3.66 m: 61.4 degrees, 1,708 kg on each of two legs
WORKED = Measures(
    length_mm=3200.0,
    width_mm=2000.0,
    height_mm=2000.0,
    cog_x_mm=1600.0,
    cog_y_mm=1000.0,
    cog_z_mm=800.0,
    lifting_points=4.0,
    lifting_points_kg=2000.0,
    point_front_mm=100.0,
    point_left_mm=100.0,
    point_length_mm=3000.0,
    point_width_mm=1800.0,
    point_height_mm=1900.0,
)


def test_four_equal_legs_are_those_of_the_worked_example() -> None:
    sling = sling_of(WORKED, 3000.0, 3660.0)
    assert sling is not None
    for leg in sling.legs:
        assert leg.length_mm == pytest.approx(3660.0)
        assert leg.angle_deg == pytest.approx(61.4, abs=0.1)
        assert leg.tension_kg == pytest.approx(1708.0, abs=1.5)


def test_the_leg_near_the_centre_of_gravity_bears_more_than_half() -> None:
    """Moments about the far end: 1 m and 2 m from the plumb line, on the middle line; statics by hand."""
    off = replace(WORKED, cog_x_mm=1100.0)
    sling = sling_of(off, 3000.0, 3660.0)
    assert sling is not None
    hook = math.sqrt(3660.0**2 - math.hypot(2000.0, 900.0) ** 2)
    assert sling.hook_mm == pytest.approx(hook)
    front = next(leg for leg in sling.legs if leg.corner.key == "front_left")
    assert front.corner.share == pytest.approx(0.5)  # on the middle line across, so half stays half
    both = replace(off, cog_y_mm=700.0)  # now 600 mm from the left points and 1,200 mm from the right
    sling = sling_of(both, 3000.0, 3660.0)
    assert sling is not None
    front = next(leg for leg in sling.legs if leg.corner.key == "front_left")
    assert front.corner.share == pytest.approx(2.0 / 3.0)
    assert sling.hardest is front


@given(st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_no_way_of_hanging_level_bears_more_on_a_corner_than_is_said(u: float, w: float) -> None:
    """Every distribution of a level load over four points, by linear programming (HiGHS)."""
    measures = replace(WORKED, cog_x_mm=100.0 + 3000.0 * u, cog_y_mm=100.0 + 1800.0 * w)
    hang = hang_of(measures)
    assert hang is not None
    places = np.array([(corner.x_mm, corner.y_mm) for corner in hang.corners])
    equal = np.vstack([np.ones(4), places.T])
    level = np.array([1.0, measures.cog_x_mm or 0.0, measures.cog_y_mm or 0.0])
    for n, corner in enumerate(hang.corners):
        most = linprog(-np.eye(4)[n], A_eq=equal, b_eq=level, bounds=(0, None))
        assert most.success
        assert corner.share == pytest.approx(-most.fun, abs=1e-6)


@given(st.floats(150.0, 3050.0), st.floats(150.0, 1850.0), st.floats(2000.0, 9000.0))
def test_the_check_of_the_lifting_points_is_that_of_the_hardest_leg(x: float, y: float, leg: float) -> None:
    measures = replace(WORKED, cog_x_mm=x, cog_y_mm=y)
    sling = sling_of(measures, 3000.0, leg)
    asked = Trip(asked=SLING - {Topic.SLING_LEG}, sling_leg_mm=leg)
    answer = answer_sling(load_of(measures, 3000.0, proof_in_date=True), asked)
    (line,) = (line for line in answer.lines if line.key == "lift_point_wll")
    if sling is None:
        assert line.state == "fail"
    else:
        assert line.margin is not None
        assert line.margin == pytest.approx(2000.0 - (sling.hardest.tension_kg or 0.0), rel=1e-6, abs=1e-3)


@pytest.mark.parametrize("name", [*POINTS, "cog_x_mm", "cog_y_mm", "cog_z_mm", "lifting_points"])
def test_without_a_measure_no_sling_is_worked_out(name: str) -> None:
    assert sling_of(replace(WORKED, **{name: None}), 3000.0, 4000.0) is None


def test_what_cannot_hang_is_not_drawn_as_hanging() -> None:
    assert sling_of(WORKED, 3000.0, None) is None
    assert sling_of(WORKED, 3000.0, 1749.0) is None  # does not reach the plumb line
    assert sling_of(replace(WORKED, cog_x_mm=50.0), 3000.0, 4000.0) is None  # outside the points
    assert sling_of(replace(WORKED, lifting_points=2.0), 3000.0, 4000.0) is None
    sling = sling_of(WORKED, None, 4000.0)
    assert sling is not None
    assert all(leg.tension_kg is None for leg in sling.legs)
    assert lacking(replace(WORKED, point_left_mm=None), POINTS) == ("point_left_mm",)


def test_a_heavier_unit_never_pulls_less() -> None:
    for one, other in itertools.pairwise((1000.0, 2000.0, 3000.0)):
        light, heavy = sling_of(WORKED, one, 4000.0), sling_of(WORKED, other, 4000.0)
        assert light is not None
        assert heavy is not None
        assert (light.hardest.tension_kg or 0) < (heavy.hardest.tension_kg or 0)


TRUCK = ForkTruck(2500.0, 500.0)
FORKS = ForkTruck(2500.0, 500.0, 120.0, 1200.0, 300.0, 1200.0)


def test_a_fork_truck_is_asked_at_the_load_centre() -> None:
    """OSHA field method: 2,500 kg at 500 mm is 1,562.5 kg at 800 mm."""
    form = replace(unit().forms[0], measures=replace(SKID, load_centre_mm=800.0), mass=mass(1562.5))
    heavy = replace(form, mass=mass(1562.6))
    unknown = replace(form, measures=SKID)
    answers = fork_answers([form, heavy, unknown], TRUCK)
    assert [answer.verdict for answer in answers] == ["fits", "refused", "cannot_decide"]
    assert answers[1].reason == "forklift_capacity"
    assert answers[2].reason == "missing_forklift"


def test_forks_are_held_against_the_pockets_once_they_are_said() -> None:
    measures = replace(SKID, load_centre_mm=800.0, fork_pocket_spacing_mm=800.0, fork_pocket_width_mm=150.0)
    form = replace(unit().forms[0], measures=measures, mass=mass(1000.0))
    (fits,) = fork_answers([form], FORKS)
    assert fits.fits
    (wide,) = fork_answers([form], replace(FORKS, blade_width_mm=160.0))
    assert wide.reason == "fork_pockets"
    (unsaid,) = fork_answers([form], replace(FORKS, blade_length_mm=None))
    assert unsaid.reason == "missing_fork_pockets"
    (no_pockets,) = fork_answers(
        [replace(form, measures=replace(measures, fork_pocket_width_mm=None))], FORKS
    )
    assert no_pockets.verdict == "cannot_decide"


def test_beams_under_the_load_spread_it_over_their_length() -> None:
    """4.5 t/m in a 20 ft box (GDV Container Handbook): 9,000 kg on 1.9 m is too much, on beams of 2.4 m it is not."""
    short = replace(SKID, length_mm=1900.0, width_mm=1800.0, may_turn=False)
    form = replace(unit().forms[0], measures=short, mass=mass(9000.0))
    asked = replace(TRIP, bearing_length_mm=2400.0)

    def reason(trip: Trip) -> str:
        return class_of_fleet([unit(forms=(form,))], trip, SHIP).fit.answer(0, "c20hc_typ").reason

    assert reason(TRIP) == "line_load"
    assert reason(asked) == "ok"
    one = answer_one(
        replace(load_of(short, 9000.0, proof_in_date=True), bearing_length_mm=2400.0), "c20hc_typ", TRIP
    )
    assert one.answer.reason == "ok"
