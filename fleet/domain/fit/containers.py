"""ISO containers: door or roof, inside, plate, floor, balance. Turned about the vertical axis only.

Sources: ISO 668, ISO 1496-1, CTU Code annex 7 (3.1.4: centre of gravity within 5 % of the length), GDV Container Handbook.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from fleet.domain.fit.checks import OTHER, TAKEN, USUAL, Board
from fleet.domain.fit.conveyances import ConveyanceTable
from fleet.domain.fit.form_checks import plan_sides, size_and_mass_known
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Topic, Trip, number

Wanted = dict[str, Any]
CG_SHARE_OF_LENGTH = 0.05


def check_containers(loads: LoadColumns, boxes: ConveyanceTable, trip: Trip, *, turned: bool) -> Board:
    """All checks of n loads against m containers, length along the box or (`turned`) across it."""
    board = Board(loads.size, len(boxes))
    clear = trip.clearances.container
    along, across = plan_sides(loads, turned)
    height, mass = loads["height_mm"] + clear.h, loads["mass_kg"]
    size_and_mass_known(board, loads)
    _papers(board, loads, trip)
    board.limit("payload_mass", "kg", boxes["payload_kg"], mass, held="missing_payload_limit")

    open_sides = boxes["open_sides"] == 1
    by_roof = boxes.given("roof_open_width_mm") & (trip.load_by == "crane_top")
    by_door = ~by_roof & ~open_sides
    door: Wanted = {"when": by_door, "rank": USUAL, "held": "missing_opening_size"}
    board.limit("door_height", "mm", boxes["door_height_mm"], height, **door)
    board.limit("door_width", "mm", boxes["door_width_mm"], across + clear.w, sided=True, **door)
    roof: Wanted = {"when": by_roof, "rank": USUAL, "sided": True, "held": "missing_opening_size"}
    board.limit("roof_width", "mm", boxes["roof_open_width_mm"], across + clear.w, **roof)
    board.limit("roof_length", "mm", boxes["roof_open_length_mm"], along + clear.l, **roof)

    too_high_is_booked = (by_roof | open_sides) & (trip.allow_overheight or trip.allow_oog)
    too_wide_is_booked = open_sides & trip.allow_oog
    inside: Wanted = {"rank": USUAL, "held": "missing_room_size"}
    width, length = boxes["int_width_mm"], boxes["int_length_mm"]
    board.limit("hold_height", "mm", boxes["int_height_mm"], height, when=~too_high_is_booked, **inside)
    board.limit("hold_width", "mm", width, across + clear.w, when=~too_wide_is_booked, sided=True, **inside)
    board.limit("hold_length", "mm", length, along + clear.l, sided=True, **inside)
    _floor(board, loads, boxes, trip, along=along)
    return board


def _papers(board: Board, loads: LoadColumns, trip: Trip) -> None:
    if trip.asks(Topic.PLATE):
        board.lacks("missing_csc_valid", ~loads.known("csc_valid"))
        board.must("csc_invalid", loads.yes("csc_valid"), when=loads.known("csc_valid"))


def _floor(
    board: Board, loads: LoadColumns, boxes: ConveyanceTable, trip: Trip, *, along: np.ndarray
) -> None:
    bearing_known = loads.known("bearing_length_mm")
    beams_mm = np.fmin(
        loads["bearing_length_mm"], boxes["int_length_mm"]
    )  # no beam is longer than the box it lies in
    bearing_m = np.where(bearing_known, beams_mm, along) / 1000.0
    rank = np.where(bearing_known, TAKEN, OTHER).astype(np.int8)
    line = boxes["line_load_kg_per_m"]
    pressed = loads["mass_kg"] / bearing_m
    on_wheels = loads.yes("on_wheels") & ~bearing_known
    pressed = np.where(on_wheels, np.nan, pressed)
    board.limit("line_load", "kg/m", line, pressed, rank=rank, sided=True, held="missing_line_load_limit")
    if trip.asks(Topic.FLOOR):
        # the floor test of ISO 1496-1 is one of wheels: what it bears below a fork truck it bears below a trailer
        axle_kg, most_kg = loads["axle_load_kg"], boxes["forklift_axle_kg"]
        board.lacks("missing_axle_load_kg", on_wheels & np.isnan(axle_kg))
        board.lacks("missing_form_kind", ~loads.known("on_wheels") & ~bearing_known)
        board.limit("wheel_load", "kg", most_kg, axle_kg, when=on_wheels, held="missing_line_load_limit")
    if trip.asks(Topic.FORKLIFT_AXLE):
        fork_kg, most_kg = number(trip.forklift_axle_kg), boxes["forklift_axle_kg"]
        board.lacks("missing_forklift_axle_kg", np.isnan(fork_kg))
        board.limit("forklift_axle", "kg", most_kg, fork_kg, rank=TAKEN, held="missing_line_load_limit")
    if trip.asks(Topic.CENTRE_OF_GRAVITY):
        board.lacks("missing_cg_offset_mm", ~loads.known("cg_offset_mm"))
        most = CG_SHARE_OF_LENGTH * boxes["int_length_mm"]
        board.limit("cg_eccentric", "mm", most, np.abs(loads["cg_offset_mm"]), rank=USUAL)
