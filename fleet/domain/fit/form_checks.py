"""What every class of conveyance asks of a load: size and mass known, which side runs along."""

from __future__ import annotations

from fleet.domain.fit.checks import Board, BoolArray, FloatArray
from fleet.domain.fit.loads import LoadColumns


def size_and_mass_known(board: Board, loads: LoadColumns) -> None:
    for name in ("mass_kg", "length_mm", "width_mm", "height_mm"):
        board.lacks(f"missing_{name}", ~loads.known(name))


def own_plate(board: Board, loads: LoadColumns) -> None:
    """A form that is a container of its own is lifted and carried by its corners: never beyond its safety plate."""
    boxed = loads.yes("boxed")
    if boxed.any():
        board.limit("container_plate", "kg", loads["container_gross_kg"], loads["mass_kg"], when=boxed)


def on_edges(loads: LoadColumns) -> BoolArray:
    """Which loads stand on wheels or on the corners of a container, not on their base."""
    found: BoolArray = loads.yes("on_wheels") | loads.yes("boxed")
    return found


def stand_unknown(loads: LoadColumns) -> BoolArray:
    """Of which loads nobody says on what they stand."""
    found: BoolArray = ~on_edges(loads) & ~(loads.known("on_wheels") & loads.known("boxed"))
    return found


def plan_sides(loads: LoadColumns, turned: bool) -> tuple[FloatArray, FloatArray]:
    """(along, across) [mm]: the length runs along as given, the width when turned."""
    sides = loads["length_mm"], loads["width_mm"]
    return (sides[1], sides[0]) if turned else sides
