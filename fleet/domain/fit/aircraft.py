"""Freighters, loose or on a pallet: door, hold or contour, payload, floor, range, runway.

Sources: type data of `tables/aircraft.csv` and `tables/ulds.csv`; runway corrections ICAO Doc 9157 part 1; range by the
two-point payload-range line. A side door takes what goes in broadside; longer pieces need the maker's door chart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.domain.fit.checks import NEVER, OTHER, TAKEN, USUAL, Board, BoolArray, FloatArray
from fleet.domain.fit.conveyances import ConveyanceTable
from fleet.domain.fit.form_checks import (
    on_edges,
    own_plate,
    plan_sides,
    size_and_mass_known,
    stand_unknown,
)
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Clearances, Topic, Trip, number

ELEVATION_STEP_M, PER_ELEVATION_STEP = 300.0, 0.07
PAVED = frozenset({"paved", "asphalt", "concrete"})  # anything else counts as unpaved
PER_DEGREE, PER_SLOPE_PCT = 0.01, 0.10


@dataclass(frozen=True, slots=True)
class Freighters:
    """m columns: a type, loose or with a pallet. `pallets` has nan in every number of a loose column."""

    keys: tuple[str, ...]
    types: ConveyanceTable
    pallets: dict[str, FloatArray]

    def __len__(self) -> int:
        return len(self.keys)

    def side_door(self) -> BoolArray:
        return self.types.is_word("loading", "side")

    def on_pallet(self) -> BoolArray:
        return ~np.isnan(self.pallets["base_length_mm"])


def freighters(
    types: ConveyanceTable, pallets: ConveyanceTable, pairs: Sequence[tuple[str, str | None]]
) -> Freighters:
    """Columns for pairs of (type, pallet or None); their key is `type` or `type+pallet`."""
    places = [-1 if uld is None else pallets.keys.index(uld) for _type, uld in pairs]
    loose = np.array([[place < 0 for place in places]])
    numbers = {
        name: np.where(loose, np.nan, column[:, [max(place, 0) for place in places]])
        for name, column in pallets.numbers.items()
    }
    keys = tuple(kind if uld is None else f"{kind}+{uld}" for kind, uld in pairs)
    return Freighters(keys, types.pick([kind for kind, _uld in pairs]), numbers)


def check_aircraft(loads: LoadColumns, planes: Freighters, trip: Trip, *, turned: bool) -> Board:
    """All checks of n loads against m freighter columns, length along the fuselage or (`turned`) across it."""
    board = Board(loads.size, len(planes))
    size_and_mass_known(board, loads)
    own_plate(board, loads)
    carried = loads["mass_kg"] + np.where(planes.on_pallet(), planes.pallets["tare_kg"], 0.0)
    pallet = planes.on_pallet()
    most_kg = planes.types["max_payload_kg"]
    board.limit("payload_mass", "kg", most_kg, carried, held="missing_payload_limit")
    board.lacks("missing_payload_limit", pallet & np.isnan(planes.pallets["tare_kg"]))
    uld_kg = pallet_load_kg(planes)
    board.limit("uld_mass", "kg", uld_kg, loads["mass_kg"], when=pallet, held="missing_payload_limit")
    _room(board, loads, planes, trip.clearances, turned)
    _floor(board, loads, planes, trip)
    _route(board, planes, trip, carried)
    return board


def runway_needed_m(
    runway_m: FloatArray | float, elevation_m: float, isa_dev_c: float, slope_pct: float = 0.0
) -> FloatArray | float:
    """Runway [m] at an elevation [m], a temperature above standard [K] and a slope [%]. Never shorter than at sea level."""
    height = 1.0 + PER_ELEVATION_STEP * max(0.0, elevation_m) / ELEVATION_STEP_M
    warmth = 1.0 + PER_DEGREE * max(0.0, isa_dev_c)
    return runway_m * (height * warmth * (1.0 + PER_SLOPE_PCT * abs(slope_pct)))


def payload_at_kg(types: ConveyanceTable, leg_km: float) -> FloatArray:
    """Payload [kg] of every type at a leg [km]: payload 1 up to range 1, then linear to point 2; nan beyond range 2."""
    share = (leg_km - types["range1_km"]) / (types["range2_km"] - types["range1_km"])
    payload = types["payload1_kg"] + (types["payload2_kg"] - types["payload1_kg"]) * np.clip(share, 0.0, 1.0)
    return np.where(leg_km > types["range2_km"], np.nan, payload)


def pallet_load_kg(planes: Freighters) -> FloatArray:
    """What may stand on the pallet: the published load limit, else gross less tare."""
    gross = planes.pallets["max_gross_kg"] - planes.pallets["tare_kg"]
    return np.where(np.isnan(planes.pallets["max_load_kg"]), gross, planes.pallets["max_load_kg"])


def _room(board: Board, loads: LoadColumns, planes: Freighters, clearances: Clearances, turned: bool) -> None:
    types, pallet, loose = planes.types, planes.on_pallet(), ~planes.on_pallet()
    ramp = ~types.is_word("ramp", "none")
    w, h, l = (_clear(clearances, axis, pallet, ramp) for axis in "whl")  # noqa: E741
    along, across = plan_sides(loads, turned)
    height = loads["height_mm"] + h
    side = planes.side_door()
    door: dict[str, Any] = {"held": "missing_opening_size"}
    board.limit("door_height", "mm", types["door_height_mm"], height, rank=USUAL, **door)
    through = np.where(side, along, across) + w
    width_mm = types["door_width_mm"]
    board.limit("door_width", "mm", width_mm, through, when=loose, rank=USUAL, sided=True, **door)
    board.limit("door_width", "mm", _pallet_slack_mm(planes), 0.0, when=pallet, rank=NEVER, **door)
    room: dict[str, Any] = {"when": loose, "rank": USUAL, "held": "missing_room_size"}
    board.limit("hold_height", "mm", types["hold_height_mm"], height, **room)
    board.limit("hold_width", "mm", types["hold_width_mm"], across + w, sided=True, **room)
    board.limit("hold_length", "mm", types["hold_length_mm"], along + l, sided=True, **room)
    usable = planes.pallets["usable_length_mm"], planes.pallets["usable_width_mm"]
    board.lacks("missing_room_size", pallet & np.isnan(usable[0] + usable[1]))
    slack = np.minimum(usable[0] - along - l, usable[1] - across - w)
    board.limit("uld_base", "mm", slack, 0.0, rank=USUAL, sided=True)
    contour = contour_mm(planes)
    board.limit("uld_height", "mm", contour, height, when=pallet, rank=USUAL, held="missing_room_size")


def _clear(clearances: Clearances, axis: str, pallet: BoolArray, ramp: BoolArray) -> FloatArray:
    loose = np.where(ramp, getattr(clearances.ramp_aircraft, axis), getattr(clearances.other_aircraft, axis))
    asked: FloatArray = np.where(pallet, getattr(clearances.pallet, axis), loose)
    return asked


def contour_mm(planes: Freighters) -> FloatArray:
    """Height [mm] that may be built on the pallet in this type: the lower of the aircraft's and the pallet's contour.

    A type without a contour of its own counts with the height of its hold.
    """
    own = planes.types["uld_contour_mm"]
    own = np.where(own > 0, own, planes.types["hold_height_mm"])
    low, high = planes.pallets["height_main_96in_mm"], planes.pallets["height_main_118in_mm"]
    build = np.where(np.isnan(high) | (own <= low), low, high)
    build = np.where(np.isnan(low), np.nan, build)
    return np.where(planes.on_pallet(), np.minimum(own, build), np.nan)


def _pallet_slack_mm(planes: Freighters) -> FloatArray:
    """Slack [mm] of the pallet's own base through the door and across the hold, in the better of its two ways."""
    door, hold = planes.types["door_width_mm"], planes.types["hold_width_mm"]
    long_side, short_side = planes.pallets["base_length_mm"], planes.pallets["base_width_mm"]
    by_end = np.minimum(door, hold) - np.minimum(long_side, short_side)
    broadside = np.maximum(
        np.minimum(door - long_side, hold - short_side), np.minimum(door - short_side, hold - long_side)
    )
    return np.where(planes.side_door(), broadside, by_end)


def floor_limit_kg_m2(types: ConveyanceTable, stated: Sequence[tuple[str, float]] = ()) -> FloatArray:
    """What the floor of each type bears [kg/m2], nan where nobody says: the lower of the table's and the stated one."""
    told = dict(stated)
    return np.fmin(types["floor_kg_per_m2"], [[told.get(key, np.nan) for key in types.keys]])


def _floor(board: Board, loads: LoadColumns, planes: Freighters, trip: Trip) -> None:
    stated = loads.known("bearing_area_m2")
    footprint_m2 = loads["length_mm"] * loads["width_mm"] / 1e6
    hold_m2 = planes.types["hold_length_mm"] * planes.types["hold_width_mm"] / 1e6
    boards_m2 = np.fmin(loads["bearing_area_m2"], hold_m2)  # no board reaches beyond the hold
    pressure = loads["mass_kg"] / np.where(stated, boards_m2, footprint_m2)
    # wheels and the corners of a container press on next to nothing: only boards of a stated size spread that
    on_points = on_edges(loads) & ~stated
    pressure = np.where(on_points, np.nan, pressure)
    rank = np.where(stated, TAKEN, OTHER).astype(np.int8)
    limit, loose = floor_limit_kg_m2(planes.types, trip.floors_kg_m2), ~planes.on_pallet()
    if trip.asks(Topic.FLOOR):
        board.lacks("missing_floor_limit", np.isnan(limit) & loose)
        board.lacks("missing_bearing_area_m2", on_points & loose)
        board.lacks("missing_form_kind", stand_unknown(loads) & ~stated & loose)
    board.limit("floor_pressure", "kg/m2", limit, pressure, when=loose, rank=rank)


def _route(board: Board, planes: Freighters, trip: Trip, carried: FloatArray) -> None:
    types = planes.types
    if trip.asks(Topic.RANGE):
        leg_km = number(trip.leg_km)
        board.lacks("missing_leg_km", np.isnan(leg_km))
        points = ("payload1_kg", "range1_km", "payload2_kg", "range2_km")
        board.lacks("missing_range_figures", np.isnan(sum(types[name] for name in points)))
        board.limit("payload_range", "kg", payload_at_kg(types, leg_km), carried)
        board.limit("range", "km", types["range2_km"], leg_km)
    if trip.asks(Topic.RUNWAY):
        for key, value in (
            ("missing_runway_m", trip.runway_m),
            ("missing_elevation_m", trip.elevation_m),
            ("missing_isa_dev_c", trip.isa_dev_c),
        ):
            board.lacks(key, value is None)
        needed = runway_needed_m(
            types["runway_m"], number(trip.elevation_m), number(trip.isa_dev_c), trip.slope_pct
        )
        board.lacks("missing_runway_figure", np.isnan(types["runway_m"]))
        board.limit("runway", "m", number(trip.runway_m), needed)
    if trip.asks(Topic.SURFACE):
        board.lacks("missing_surface", trip.surface is None)
        board.lacks("missing_runway_figure", np.isnan(types["unpaved"]))
        if trip.surface is not None:
            holds = (types["unpaved"] == 1) | (trip.surface in PAVED)
            board.must("runway_surface", holds, when=~np.isnan(types["unpaved"]))
