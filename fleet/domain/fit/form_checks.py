"""What every class of conveyance asks of a load: size and mass known, which side runs along."""

from __future__ import annotations

from fleet.domain.fit.checks import Board, FloatArray
from fleet.domain.fit.loads import LoadColumns


def size_and_mass_known(board: Board, loads: LoadColumns) -> None:
    for name in ("mass_kg", "length_mm", "width_mm", "height_mm"):
        board.lacks(f"missing_{name}", ~loads.known(name))


def plan_sides(loads: LoadColumns, turned: bool) -> tuple[FloatArray, FloatArray]:
    """(along, across) [mm]: the length runs along as given, the width when turned."""
    sides = loads["length_mm"], loads["width_mm"]
    return (sides[1], sides[0]) if turned else sides
