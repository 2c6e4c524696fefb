"""The floor of a published conveyance as a room to place pieces in, and where that room lies in the real hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from fleet.domain.fit.aircraft import contour_mm, floor_limit_kg_m2, freighters, pallet_load_kg
from fleet.domain.fit.conveyances import ConveyanceTable, aircraft, containers, decks, ulds
from fleet.domain.fit.road import legal_mm
from fleet.domain.fit.trip import NONE, Clearance, Clearances
from fleet.domain.placement_shapes import CG_SHARE, Room, Supports
from fleet.lib.errors import DomainError

USUAL_GAP_MM = 50.0


class Opening(StrEnum):
    """Where pieces come in: a door in the end or the side, from above, or nothing in the way."""

    END = "end"
    SIDE = "side"
    ABOVE = "above"
    OPEN = "open"


class HoldKind(StrEnum):
    CONTAINER = "container"
    AIRCRAFT = "aircraft"
    PALLET = "pallet"
    DECK = "deck"


@dataclass(frozen=True, slots=True)
class Hold:
    """A real floor [mm] and the room on it: `shift_along_mm` and `shift_across_mm` lead from places in the room to places
    on the floor. `floor_mm` is the height of the deck above the road, 0 elsewhere. `lacks`: keys of limits that nobody
    stated, without which nothing is placed.
    """

    key: str
    kind: HoldKind
    opening: Opening
    length_mm: float
    width_mm: float
    height_mm: float
    door_width_mm: float | None
    door_height_mm: float | None
    room: Room
    shift_along_mm: float = 0.0
    shift_across_mm: float = 0.0
    floor_mm: float = 0.0
    lacks: tuple[str, ...] = ()

    @property
    def balanced(self) -> bool:
        """Whether it matters where the centre of gravity of the load lies."""
        return self.room.cg_window_mm is not None or self.room.supports is not None


def conveyances_with_floor() -> tuple[str, ...]:
    """Every key that `hold_of` takes: containers, freighters loose or with a pallet, decks."""
    high = aircraft()["needs_high_loader"][0] == 1
    planes = [
        key if uld is None else f"{key}+{uld}"
        for key, needs in zip(aircraft().keys, high, strict=True)
        for uld in (ulds().keys if needs else (None,))
    ]
    return (*containers().keys, *planes, *decks().keys)


def opens_above(conveyance: str) -> bool:
    """Whether the table gives it an opening from above."""
    table = containers()
    if conveyance not in table.keys:
        return False
    return bool(table.pick([conveyance]).given("roof_open_width_mm")[0, 0])


def room_of(conveyance: str, *, gap_mm: float = USUAL_GAP_MM) -> Room:
    """The room of a container, a freighter loaded loose or one pallet of it, or a deck, without further clearances."""
    return hold_of(conveyance, gap_mm=gap_mm).room


def hold_of(
    conveyance: str,
    *,
    gap_mm: float = USUAL_GAP_MM,
    clearances: Clearances | None = None,
    from_above: bool = False,
    supports: Supports | None = None,
    floor_kg_m2: float | None = None,
) -> Hold:
    """The hold with its room. `gap_mm` is kept between pieces, to walls, and in total in the door; where the owner's
    clearance asks more of walls, roof or door, that counts. A deck and a pallet have no walls.

    Flat racks and open tops count in gauge. A freighter has no window for the centre of gravity here: its loading chart
    decides. Nothing is placed loose in one while nobody says what its floor bears: the lower of the table's figure and
    `floor_kg_m2` by the operator. On a deck its own width and the legal width and height are the limits; `supports`, from
    the front of the deck, add its axles. Raises DomainError for anything else, for an opening it does not have, for axles
    that cannot be, and where a size or limit of it is not on file.
    """
    if from_above and not opens_above(conveyance):
        raise DomainError(
            "placement.not_from_above", "'{key}' has no opening above. Load it by the door.", key=conveyance
        )
    clear = clearances or Clearances.same(NONE)
    plane, _plus, uld = conveyance.partition("+")
    if conveyance in containers().keys:
        hold = _container(containers().pick([conveyance]), gap_mm, clear.container, from_above)
    elif plane in aircraft().keys and uld in ulds().keys:
        hold = _pallet(conveyance, plane, uld, gap_mm, clear.pallet)
    elif conveyance in aircraft().keys:
        stated = () if floor_kg_m2 is None else ((conveyance, floor_kg_m2),)
        hold = _aircraft(aircraft().pick([conveyance]), gap_mm, clear, stated)
    elif conveyance in decks().keys:
        hold = _deck(decks().pick([conveyance]), gap_mm, clear.deck)
    else:
        raise DomainError(
            "placement.no_room", "'{key}' has no floor to place pieces on in the tables.", key=conveyance
        )
    if supports is None:
        return hold
    if hold.kind is not HoldKind.DECK:
        raise DomainError("placement.axles_not_here", "Only a deck has axles. Leave them empty.")
    return replace(hold, room=replace(hold.room, supports=_shifted(supports, hold)))


def _shifted(supports: Supports, hold: Hold) -> Supports:
    if not supports.rear_mm > supports.front_mm:
        raise DomainError(
            "placement.axles_order",
            "The rear axles must stand behind the front ones: {rear} mm is not more than {front} mm.",
            rear=f"{supports.rear_mm:.0f}",
            front=f"{supports.front_mm:.0f}",
        )
    if not (supports.front_kg > 0 and supports.rear_kg > 0):
        raise DomainError(
            "placement.axles_bear", "Each axle must be able to bear more than 0 kg of the load."
        )
    shift = hold.shift_along_mm
    return replace(supports, front_mm=supports.front_mm - shift, rear_mm=supports.rear_mm - shift)


def _value(table: ConveyanceTable, name: str) -> float:
    value = float(table[name][0, 0])
    if np.isnan(value):
        raise DomainError(
            "placement.limit_missing",
            "Cannot decide: of '{key}' the table has no {name}. Write it there.",
            key=table.keys[0],
            name=name,
        )
    return value


def _known(value: float) -> float | None:
    return None if value == float("inf") else value


def _held(
    room: Callable[[float, float], Room],
    *,
    kind: HoldKind,
    key: str,
    opening: Opening,
    sides_mm: tuple[float, float, float],
    door_mm: tuple[float, float] = (float("inf"), float("inf")),
    walls_mm: tuple[float, float],
    gap_mm: float,
    floor_mm: float = 0.0,
) -> Hold:
    """`walls_mm` is kept free along and across at each wall; a room keeps its gap to its own walls, so it is drawn in or
    out by the difference.
    """
    along, across = (wall - gap_mm for wall in walls_mm)
    return Hold(
        key,
        kind,
        opening,
        *sides_mm,
        _known(door_mm[0]),
        _known(door_mm[1]),
        room(sides_mm[0] - 2 * along, sides_mm[1] - 2 * across),
        along,
        across,
        floor_mm,
    )


def _container(table: ConveyanceTable, gap_mm: float, clear: Clearance, from_above: bool) -> Hold:
    sides = tuple(_value(table, f"int_{name}_mm") for name in ("length", "width", "height"))
    is_open = bool(table["open_sides"][0, 0] == 1)
    opening = Opening.OPEN if is_open else Opening.ABOVE if from_above else Opening.END
    inf = float("inf")
    door, through, under, along = (inf, inf), inf, inf, inf
    if opening is Opening.END:
        door = (_value(table, "door_width_mm"), _value(table, "door_height_mm"))
        through, under = door[0] - max(gap_mm, clear.w), door[1] - max(gap_mm, clear.h)
    elif opening is Opening.ABOVE:
        through = _value(table, "roof_open_width_mm") - max(gap_mm, clear.w)
        along = _value(table, "roof_open_length_mm") - max(gap_mm, clear.l)

    def room(length: float, width: float) -> Room:
        slack = CG_SHARE * sides[0]
        return Room(
            length,
            width,
            sides[2] - clear.h,
            _value(table, "payload_kg"),
            line_load_kg_m=_value(table, "line_load_kg_per_m"),
            door_width_mm=through,
            door_height_mm=under,
            door_length_mm=along,
            cg_window_mm=(length / 2 - slack, length / 2 + slack),
            gap_mm=gap_mm,
        )

    across = clear.w / 2 if is_open else max(gap_mm, clear.w / 2)
    return _held(
        room,
        kind=HoldKind.CONTAINER,
        key=table.keys[0],
        opening=opening,
        sides_mm=(sides[0], sides[1], sides[2]),
        door_mm=door,
        walls_mm=(max(gap_mm, clear.l / 2), across),
        gap_mm=gap_mm,
    )


def _aircraft(
    table: ConveyanceTable, gap_mm: float, clearances: Clearances, stated: tuple[tuple[str, float], ...]
) -> Hold:
    ramp = table.words["ramp"][0] != "none"
    clear = clearances.ramp_aircraft if ramp else clearances.other_aircraft
    door = (_value(table, "door_width_mm"), _value(table, "door_height_mm"))
    height = _value(table, "hold_height_mm")
    side = table.words["loading"][0] == "side"
    floor = float(floor_limit_kg_m2(table, stated)[0, 0])

    def room(length: float, width: float) -> Room:
        return Room(
            length,
            width,
            height - clear.h,
            _value(table, "max_payload_kg"),
            door_width_mm=door[0] - max(gap_mm, clear.w),
            door_height_mm=door[1] - max(gap_mm, clear.h),
            broadside=side,
            gap_mm=gap_mm,
            floor_kg_m2=floor,
        )

    hold = _held(
        room,
        kind=HoldKind.AIRCRAFT,
        key=table.keys[0],
        opening=Opening.SIDE if side else Opening.END,
        sides_mm=(_value(table, "hold_length_mm"), _value(table, "hold_width_mm"), height),
        door_mm=door,
        walls_mm=(max(gap_mm, clear.l / 2), max(gap_mm, clear.w / 2)),
        gap_mm=gap_mm,
    )
    return replace(hold, lacks=("missing_floor_limit",)) if np.isnan(floor) else hold


def _pallet(key: str, plane: str, uld: str, gap_mm: float, clear: Clearance) -> Hold:
    """One pallet: its usable area, the lower of the two contours, the lower of what it and the freighter may carry."""
    pair = freighters(aircraft(), ulds(), [(plane, uld)])
    number = {name: float(column[0, 0]) for name, column in pair.pallets.items()}
    load = float(pallet_load_kg(pair)[0, 0])
    height = min(float(contour_mm(pair)[0, 0]), _value(pair.types, "door_height_mm"))
    payload = min(load, _value(pair.types, "max_payload_kg") - number["tare_kg"])

    def room(length: float, width: float) -> Room:
        return Room(length, width, height - clear.h, payload, gap_mm=gap_mm)

    return _held(
        room,
        kind=HoldKind.PALLET,
        key=key,
        opening=Opening.OPEN,
        sides_mm=(number["usable_length_mm"], number["usable_width_mm"], height),
        walls_mm=(clear.l / 2, clear.w / 2),
        gap_mm=gap_mm,
    )


def _deck(table: ConveyanceTable, gap_mm: float, clear: Clearance) -> Hold:
    floor = _value(table, "deck_height_mm")
    height = float(legal_mm(table, "height")[0, 0]) - floor
    width = min(float(legal_mm(table, "width")[0, 0]), _value(table, "deck_width_mm"))

    def room(length: float, width: float) -> Room:
        return Room(length, width, height - clear.h, _value(table, "payload_kg"), gap_mm=gap_mm)

    return _held(
        room,
        kind=HoldKind.DECK,
        key=table.keys[0],
        opening=Opening.OPEN,
        sides_mm=(_value(table, "deck_length_mm"), width, height),
        walls_mm=(clear.l / 2, clear.w / 2),
        gap_mm=gap_mm,
        floor_mm=floor,
    )
