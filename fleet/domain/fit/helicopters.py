"""Underslung: hook limit, usable load at density altitude, radius, lifting points, slings.

Sources: type data of `tables/helicopters.csv`; planning rule `allow = min(hook, SL + (HH - SL) * DA/2692)`, whose two points
are sea level/ISA and 2000 m/ISA+20. Only the operator's performance chart decides.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from fleet.domain.fit.atmosphere import density_altitude_m
from fleet.domain.fit.checks import USUAL, Board, FloatArray
from fleet.domain.fit.conveyances import ConveyanceTable
from fleet.domain.fit.form_checks import own_plate, size_and_mass_known
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.sling import check_sling
from fleet.domain.fit.trip import Topic, Trip, number

HOT_HIGH_DA_M = 2692.0
BEYOND_TABLE = 1.15
LIFT_POINTS = 4


def usable_sling_kg(types: ConveyanceTable, density_altitude: float) -> FloatArray:
    """Usable load on the hook [kg] at a density altitude [m], never over the hook limit; below sea level as at sea level."""
    share = max(0.0, density_altitude) / HOT_HIGH_DA_M
    low, hot = types["sling_sl_isa_kg"], types["sling_2000m_isa20_kg"]
    return np.minimum(types["hook_limit_kg"], low + (hot - low) * share)


def hook(hook_kg: float, radius_km: float = float("nan")) -> ConveyanceTable:
    """A helicopter known only by what its hook may carry here and now [kg], under the key `hook`; nan: radius not known."""
    numbers = dict.fromkeys(("hook_limit_kg", "sling_sl_isa_kg", "sling_2000m_isa20_kg"), hook_kg)
    columns = {name: np.array([[value]]) for name, value in (numbers | {"radius_km": radius_km}).items()}
    return ConveyanceTable(("hook",), columns, {"designator": ("hook",)})


def check_helicopters(loads: LoadColumns, types: ConveyanceTable, trip: Trip) -> Board:
    """All checks of n loads, with the rigging of the trip, under m helicopters."""
    board = Board(loads.size, len(types))
    size_and_mass_known(board, loads)
    own_plate(board, loads)
    hung, most = loads["mass_kg"] + trip.rigging_kg, types["hook_limit_kg"]
    if trip.asks(Topic.PROOF):
        board.lacks("missing_proof_in_date", ~loads.known("proof_in_date"))
        board.must("proof_expired", loads.yes("proof_in_date"), when=loads.known("proof_in_date"))
    board.limit("hook_structural", "kg", most, hung, rank=USUAL, scale=most, held="missing_hook_limit")
    if trip.asks(Topic.HOVER):
        _hover(board, types, trip, hung)
    if trip.asks(Topic.RADIUS):
        leg_km, radius = number(trip.leg_km), types["radius_km"]
        board.lacks("missing_leg_km", np.isnan(leg_km))
        board.limit("radius", "km", radius, leg_km, rank=USUAL, scale=radius, held="missing_radius")
    if trip.asks(Topic.LIFT_POINTS):
        board.lacks("missing_lift_points", ~loads.known("lift_points"))
        board.must("no_lift_points", loads["lift_points"] >= LIFT_POINTS, when=loads.known("lift_points"))
    check_sling(board, loads, trip)
    return board


def _hover(board: Board, types: ConveyanceTable, trip: Trip, hung: FloatArray) -> None:
    board.lacks("missing_alt_m", trip.alt_m is None)
    board.lacks("missing_isa_dev_c", trip.isa_dev_c is None)
    if trip.alt_m is None or trip.isa_dev_c is None:
        return
    altitude = density_altitude_m(trip.alt_m, trip.isa_dev_c)
    outside = altitude > BEYOND_TABLE * HOT_HIGH_DA_M
    board.lacks("outside_performance_table", outside)
    most = types["hook_limit_kg"]
    usable = usable_sling_kg(types, altitude)
    asked: dict[str, Any] = {"when": not outside, "held": "missing_hook_limit"}
    board.limit("hook_performance", "kg", usable, hung, rank=USUAL, scale=most, **asked)
