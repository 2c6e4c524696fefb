"""The floor of a published conveyance as a room to place pieces in."""

from __future__ import annotations

from fleet.domain.fit.conveyances import ConveyanceTable, aircraft, containers, decks
from fleet.domain.fit.road import legal_mm
from fleet.domain.placement_shapes import Room
from fleet.lib.errors import DomainError

USUAL_GAP_MM = 50.0


def room_of(conveyance: str, *, gap_mm: float = USUAL_GAP_MM) -> Room:
    """The room of a container, a freighter loaded loose, or a deck; `gap_mm` is a setting, kept between pieces and walls
    and in total in the door.

    Flat racks and open tops count in gauge. A freighter has no window for the centre of gravity here: its loading chart
    decides. On a deck the legal width and height are the walls. Raises DomainError for anything else.
    """
    for table, room in ((containers(), _container), (aircraft(), _aircraft), (decks(), _deck)):
        if conveyance in table.keys:
            return room(table.pick([conveyance]), gap_mm)
    raise DomainError(
        "placement.no_room", "'{key}' has no floor to place pieces on in the tables.", key=conveyance
    )


def _value(table: ConveyanceTable, name: str) -> float:
    value = float(table[name][0, 0])
    return float("inf") if value != value else value


def _container(table: ConveyanceTable, gap_mm: float) -> Room:
    return Room.of_container(
        length_mm=_value(table, "int_length_mm"),
        width_mm=_value(table, "int_width_mm"),
        height_mm=_value(table, "int_height_mm"),
        payload_kg=_value(table, "payload_kg"),
        door_width_mm=_value(table, "door_width_mm") - gap_mm,
        door_height_mm=_value(table, "door_height_mm") - gap_mm,
        line_load_kg_m=_value(table, "line_load_kg_per_m"),
        gap_mm=gap_mm,
    )


def _aircraft(table: ConveyanceTable, gap_mm: float) -> Room:
    return Room(
        length_mm=_value(table, "hold_length_mm"),
        width_mm=_value(table, "hold_width_mm"),
        height_mm=_value(table, "hold_height_mm"),
        payload_kg=_value(table, "max_payload_kg"),
        door_width_mm=_value(table, "door_width_mm") - gap_mm,
        door_height_mm=_value(table, "door_height_mm") - gap_mm,
        broadside=table.words["loading"][0] == "side",
        gap_mm=gap_mm,
    )


def _deck(table: ConveyanceTable, gap_mm: float) -> Room:
    return Room(
        length_mm=_value(table, "deck_length_mm"),
        width_mm=float(legal_mm(table, "width")[0, 0]),
        height_mm=float(legal_mm(table, "height")[0, 0]) - _value(table, "deck_height_mm"),
        payload_kg=_value(table, "payload_kg"),
        gap_mm=gap_mm,
    )
