"""Fork trucks: what is left of the rating at the load centre, and whether the forks reach and fit.

`capacity = rated * rated centre / load centre`, never more than rated (OSHA field method; the plate rules). The forks
reach at least two thirds of the depth (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.domain.fit.checks import USUAL, Board
from fleet.domain.fit.loads import LoadColumns

FORK_SHARE_OF_DEPTH = 2.0 / 3.0


@dataclass(frozen=True, slots=True)
class ForkTruck:
    """A truck: rated mass [kg] at its rated centre [mm]; blades and fork carriage [mm] when the pockets are asked."""

    rated_kg: float | None
    rated_centre_mm: float | None
    blade_width_mm: float | None = None
    blade_length_mm: float | None = None
    spread_least_mm: float | None = None
    spread_most_mm: float | None = None


def check_forklift(loads: LoadColumns, truck: ForkTruck, *, ask_pockets: bool = False) -> Board:
    """n loads on one truck. The load centre is the load's own, else it is missing: half the depth the forks enter."""
    board = Board(loads.size, 1)
    board.lacks("missing_mass_kg", ~loads.known("mass_kg"))
    centre = loads["load_centre_mm"]
    board.lacks(
        "missing_forklift", np.isnan(centre) | (truck.rated_kg is None) | (truck.rated_centre_mm is None)
    )
    if truck.rated_kg is not None and truck.rated_centre_mm is not None:
        capacity = truck.rated_kg * np.minimum(1.0, truck.rated_centre_mm / centre)
        board.limit("forklift_capacity", "kg", capacity, loads["mass_kg"], rank=USUAL)
    if ask_pockets:
        _pockets(board, loads, truck)
    return board


def _pockets(board: Board, loads: LoadColumns, truck: ForkTruck) -> None:
    width, spacing, centre = (
        loads[name] for name in ("fork_pocket_width_mm", "fork_pocket_spacing_mm", "load_centre_mm")
    )
    sizes = (truck.blade_width_mm, truck.blade_length_mm, truck.spread_least_mm, truck.spread_most_mm)
    board.lacks(
        "missing_fork_pockets", np.isnan(width) | np.isnan(spacing) | any(size is None for size in sizes)
    )
    blade_width, blade_length, least, most = (float("nan") if size is None else size for size in sizes)
    reach = blade_length - FORK_SHARE_OF_DEPTH * 2.0 * centre
    slack = np.minimum.reduce([width - blade_width, spacing - least, most - spacing, reach])
    board.limit("fork_pockets", "mm", slack, 0.0)
