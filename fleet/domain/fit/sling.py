"""Four-leg slings: angle, leg tension, lifting points, stability.

`T = m / (n sin a)`, a from the horizontal, n the legs that bear: 2 for a rigid load on four legs. Where the centre of
gravity lies nearer to one point, more than half may hang on that one: `corner_share`. Sources: statics;
MIL-STD-209K 5.1.2a (45 degrees, 12 ft), 5.1.2g (120 degree cone); rated loads EN 1492-1, ASME B30.9, ISO 3266.
"""

from __future__ import annotations

import math

import numpy as np

from fleet.domain.fit.checks import USUAL, Board, FloatArray
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Topic, Trip, number

LEAST_ANGLE_DEG = 45.0
LEAST_LEG_MM = 3660.0
CONE_SLOPE = math.tan(math.radians(60.0))


def sling_angle_deg(run_mm: FloatArray, leg_mm: float) -> FloatArray:
    """Angle [deg] of a leg to the plane of the points, `run_mm` from the plumb line; 0 where the leg does not reach it."""
    angle: FloatArray = np.degrees(np.arccos(np.minimum(1.0, run_mm / leg_mm)))
    return angle


def leg_tension_kg(mass_kg: FloatArray, angle_deg: FloatArray, bearing_legs: float) -> FloatArray:
    """Tension of one bearing leg [kg]; infinite for a leg that lies flat."""
    sine = np.sin(np.radians(angle_deg))
    return np.where(sine > 0, mass_kg / (bearing_legs * np.where(sine > 0, sine, 1.0)), np.inf)


def corner_share(along: float, across: float) -> float:
    """The largest part of the mass that one of four points at the corners of a rectangle can come to bear, 0..1.

    `along` and `across` are the parts that its end and its side bear. Of all ways in which four legs can hold a rigid
    load level, the one with most on this leg leaves the opposite leg, or a neighbour, slack: `min(along, across)`.
    """
    return min(along, across)


def near_leg_tension_kg(
    mass_kg: FloatArray, far_run_mm: FloatArray, near_run_mm: FloatArray, share: FloatArray, leg_mm: float
) -> FloatArray:
    """Tension [kg] of the leg to the nearest point, under a hook that a leg of `leg_mm` to the farthest point reaches."""
    square = leg_mm * leg_mm - far_run_mm**2
    height = np.sqrt(np.maximum(square, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        tension = mass_kg * share * np.hypot(height, near_run_mm) / height
    return np.where(np.isnan(share), np.nan, np.where(height > 0, tension, np.inf))


def check_sling(board: Board, loads: LoadColumns, trip: Trip) -> None:
    """Adds the sling checks that are asked to a board of n loads."""
    leg = number(trip.sling_leg_mm)
    half_diagonal = np.hypot(loads["point_length_mm"], loads["point_width_mm"]) / 2.0
    run = np.where(loads.known("point_run_mm"), loads["point_run_mm"], half_diagonal)
    angle = sling_angle_deg(run, leg)
    if trip.asks(Topic.SLING_ANGLE) or trip.asks(Topic.SLING_LEG) or trip.asks(Topic.LIFT_POINT_RATING):
        board.lacks("missing_sling_geometry", np.isnan(angle))
    if trip.asks(Topic.SLING_ANGLE):
        board.limit("sling_angle", "deg", angle, LEAST_ANGLE_DEG, rank=USUAL, scale=LEAST_ANGLE_DEG)
    if trip.asks(Topic.SLING_LENGTH):
        board.lacks("missing_sling_geometry", np.isnan(leg))
        board.limit("sling_leg_short", "mm", leg, LEAST_LEG_MM)
    tension = leg_tension_kg(loads["mass_kg"], angle, trip.sling_legs_bearing)
    near = near_leg_tension_kg(
        loads["mass_kg"], run, loads["near_point_run_mm"], loads["near_point_share"], leg
    )
    tension = np.where(np.isnan(near), tension, np.maximum(tension, near))
    if trip.asks(Topic.SLING_LEG):
        rated = number(trip.sling_leg_wll_kg)
        board.lacks("missing_leg_wll_kg", np.isnan(rated))
        board.limit("sling_leg_wll", "kg", rated, tension, rank=USUAL, scale=rated)
    if trip.asks(Topic.LIFT_POINT_RATING):
        rating = loads["lift_point_wll_kg"]
        board.lacks("missing_lift_point_wll_kg", np.isnan(rating))
        board.limit("lift_point_wll", "kg", rating, tension, rank=USUAL, scale=np.maximum(rating, 1.0))
    if trip.asks(Topic.SLING_STABILITY):
        half, above = loads["half_width_mm"], loads["cg_above_points_mm"]
        board.lacks("missing_sling_geometry", np.isnan(half) | np.isnan(above))
        board.limit("sling_stability", "mm", half, above * CONE_SLOPE, rank=USUAL, scale=half)


def check_sling_alone(loads: LoadColumns, trip: Trip) -> Board:
    """The sling by itself, one column: mass known, and what is asked of the sling."""
    board = Board(loads.size, 1)
    board.lacks("missing_mass_kg", ~loads.known("mass_kg"))
    check_sling(board, loads, trip)
    return board
