"""Several units and kit pallets on the floor of one hold, container or deck: as many as can go, and a check of the result.

Nothing is stacked; pieces turn about the vertical axis only; each must pass the door in the way it stands. The number placed
is proven largest where `proven` says so. Sources: CTU Code annex 7, 3.1.1-3.1.4 (line load, centre of gravity).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from time import perf_counter

from fleet.domain import placement_exact as exact
from fleet.domain import placement_greedy as greedy
from fleet.domain.placement_balance import balanced
from fleet.domain.placement_shapes import Layout, Piece, Room, Spot, Supports, Way, ways_of
from fleet.lib.errors import DomainError

__all__ = ["LeftOut", "Piece", "Placed", "Placement", "Room", "Supports", "faults_of", "place"]

TOLERANCE_MM = 1e-3
LARGEST_EXACT = 8
SEARCH_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Placed:
    """A piece on the floor: corner nearest the far end and the left wall [mm], and its sides as it stands."""

    key: str
    x_mm: float
    y_mm: float
    along_mm: float
    across_mm: float
    turned: bool


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A piece that stays behind: `alone` when it could not go even by itself, else no room, mass or balance is left."""

    key: str
    reason: str


@dataclass(frozen=True, slots=True)
class Placement:
    """What goes where. `most` is a proven upper limit of the number placed; `proven` when the number reaches it."""

    placed: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    most: int
    mass_kg: float
    cg_mm: float | None

    @property
    def proven(self) -> bool:
        return len(self.placed) == self.most


def place(pieces: Sequence[Piece], room: Room, *, time_limit_s: float = 20.0) -> Placement:
    """As many pieces as can stand in the room at once. `time_limit_s` is for search and proof together.

    Raises DomainError for a piece or room with a size or mass that is not a positive number, or for two pieces of one key.
    """
    _refuse_bad(pieces, room)
    ways = {piece.key: ways_of(piece, room) for piece in pieces}
    able = [piece for piece in pieces if ways[piece.key]]
    most = _simple_bound(able, room)
    started = perf_counter()
    best = greedy.best_layout(able, ways, room, most, time_limit_s=SEARCH_SHARE * time_limit_s)
    if len(best) < most:
        left_s = time_limit_s - (perf_counter() - started)
        best, most = exact.improved(able, ways, room, best, most, time_limit_s=left_s, largest=LARGEST_EXACT)
    return _placement(pieces, ways, room, balanced(best, room) or best, most)


def faults_of(placement: Placement, pieces: Sequence[Piece], room: Room) -> list[str]:
    """What is wrong with a placement, from geometry and limits alone; an empty list is a sound placement."""
    by_key = {piece.key: piece for piece in pieces}
    faults = [fault for item in placement.placed for fault in _faults_of_one(item, by_key, room)]
    if len({item.key for item in placement.placed}) < len(placement.placed):
        faults.append("a piece stands in two spots")
    for place_, one in enumerate(placement.placed):
        for other in placement.placed[place_ + 1 :]:
            if _too_close(one, other, room.gap_mm):
                faults.append(f"{one.key} and {other.key} overlap or are closer than the gap")
    return faults + _faults_of_load(placement, by_key, room)


def _faults_of_one(item: Placed, by_key: dict[str, Piece], room: Room) -> list[str]:
    piece = by_key.get(item.key)
    if piece is None:
        return [f"{item.key} is no piece of the list"]
    sides = (piece.width_mm, piece.length_mm) if item.turned else (piece.length_mm, piece.width_mm)
    door = item.along_mm if room.broadside else item.across_mm
    gap = room.gap_mm - TOLERANCE_MM
    tests = {
        "has other sides": (item.along_mm, item.across_mm) != sides,
        "may not be turned": item.turned and not piece.may_turn,
        "is too high": piece.height_mm > min(room.height_mm, room.door_height_mm),
        "does not pass the door": door > room.door_width_mm or item.along_mm > room.door_length_mm,
        "presses too hard on the floor": not piece.mass_kg * 1e6
        <= room.floor_kg_m2 * piece.length_mm * piece.width_mm * (1 + 1e-9),
        "stands outside along": item.x_mm < gap or item.x_mm + item.along_mm > room.length_mm - gap,
        "stands outside across": item.y_mm < gap or item.y_mm + item.across_mm > room.width_mm - gap,
    }
    return [f"{item.key} {fault}" for fault, wrong in tests.items() if wrong]


def _too_close(one: Placed, other: Placed, gap_mm: float) -> bool:
    gap = gap_mm - TOLERANCE_MM
    apart_along = one.x_mm + one.along_mm + gap <= other.x_mm or other.x_mm + other.along_mm + gap <= one.x_mm
    apart_across = (
        one.y_mm + one.across_mm + gap <= other.y_mm or other.y_mm + other.across_mm + gap <= one.y_mm
    )
    return not (apart_along or apart_across)


def _faults_of_load(placement: Placement, by_key: dict[str, Piece], room: Room) -> list[str]:
    known = [item for item in placement.placed if item.key in by_key]
    masses = {item.key: by_key[item.key].mass_kg for item in known}
    total = sum(masses.values())
    faults = ["the mass is over the payload"] if total > room.payload_kg else []
    for cut in known:
        abreast = sum(
            masses[item.key] / item.along_mm * 1000.0
            for item in known
            if item.x_mm <= cut.x_mm + TOLERANCE_MM < item.x_mm + item.along_mm - TOLERANCE_MM
        )
        if abreast > room.line_load_kg_m * (1 + 1e-9):
            faults.append(f"the floor carries {abreast:.0f} kg/m at {cut.x_mm:.0f} mm")
    if not known:
        return faults
    moments = sum(masses[item.key] * (item.x_mm + _cg_of(by_key[item.key], item)) for item in known)
    if room.cg_window_mm is not None:
        low, high = room.cg_window_mm
        if not low - TOLERANCE_MM <= moments / total <= high + TOLERANCE_MM:
            faults.append(f"the centre of gravity lies at {moments / total:.0f} mm")
    if room.supports is not None:
        faults += _faults_of_axles(total, moments, room.supports)
    return faults


def _faults_of_axles(total_kg: float, moments: float, supports: Supports) -> list[str]:
    """Moments about the far end [kg mm]; each axle bears between nothing and its limit."""
    lever = supports.rear_mm - supports.front_mm
    rear = (moments - total_kg * supports.front_mm) / lever
    front = (total_kg * supports.rear_mm - moments) / lever
    slack = total_kg * TOLERANCE_MM / lever + 1e-6
    tests = (("front", front, supports.front_kg), ("rear", rear, supports.rear_kg))
    return [
        f"the {name} axle bears {borne:.0f} kg"
        for name, borne, limit in tests
        if not -slack <= borne <= limit + slack
    ]


def _cg_of(piece: Piece, item: Placed) -> float:
    stated = piece.cg_across_mm if item.turned else piece.cg_along_mm
    return item.along_mm / 2.0 if stated is None else stated


def _placement(
    pieces: Sequence[Piece], ways: dict[str, tuple[Way, ...]], room: Room, layout: Layout, most: int
) -> Placement:
    by_key = {piece.key: piece for piece in pieces}
    placed = tuple(_placed(spot, by_key[spot.key]) for spot in sorted(layout, key=lambda s: (s.x_mm, s.y_mm)))
    there = {item.key for item in placed}
    left_out = tuple(
        LeftOut(piece.key, "no_room_left" if ways[piece.key] else "alone")
        for piece in pieces
        if piece.key not in there
    )
    mass = sum(by_key[key].mass_kg for key in there)
    moments = sum(by_key[item.key].mass_kg * (item.x_mm + _cg_of(by_key[item.key], item)) for item in placed)
    return Placement(placed, left_out, most, mass, moments / mass if placed else None)


def _placed(spot: Spot, piece: Piece) -> Placed:
    along, across = (
        (piece.width_mm, piece.length_mm) if spot.way.turned else (piece.length_mm, piece.width_mm)
    )
    return Placed(spot.key, spot.x_mm, spot.y_mm, along, across, spot.way.turned)


def _simple_bound(pieces: Sequence[Piece], room: Room) -> int:
    """How many of the lightest fit the payload, and how many of the smallest the floor: never fewer than the truth."""
    floor = (room.length_mm - room.gap_mm) * (room.width_mm - room.gap_mm)
    areas = [(piece.length_mm + room.gap_mm) * (piece.width_mm + room.gap_mm) for piece in pieces]
    return min(
        _count_within([piece.mass_kg for piece in pieces], room.payload_kg), _count_within(areas, floor)
    )


def _count_within(amounts: Sequence[float], limit: float) -> int:
    total, count = 0.0, 0
    for amount in sorted(amounts):
        total += amount
        if total > limit * (1 + 1e-12):
            break
        count += 1
    return count


def _refuse_bad(pieces: Sequence[Piece], room: Room) -> None:
    for name in ("length_mm", "width_mm", "height_mm", "payload_kg"):
        _positive(getattr(room, name), "the room", name)
    for piece in pieces:
        for name in ("length_mm", "width_mm", "height_mm", "mass_kg"):
            _positive(getattr(piece, name), f"piece '{piece.key}'", name)
    keys = [piece.key for piece in pieces]
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise DomainError(
            "placement.key_twice", "Two pieces are called '{key}'. Give each its own name.", key=twice
        )


def _positive(value: float, what: str, name: str) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise DomainError(
            "placement.number_bad",
            "For {what}, {name}: {value} cannot be; write a number that is more than 0.",
            what=what,
            name=name,
            value=value,
        )
