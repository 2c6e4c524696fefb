"""Moving pieces apart along the floor, without changing their order, until the centre of gravity lies in its window."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.optimize import linprog

from fleet.domain.placement_shapes import (
    Layout,
    Room,
    Spot,
    centre_mm,
    cg_window_mm,
    floor_of,
    worst_line_kg_m,
)

LINE_TOLERANCE = 1 + 1e-9


def balanced(layout: Layout, room: Room) -> Layout | None:
    """The layout, moved along or mirrored where that is needed; None when its order allows no balance.

    A linear program: pieces that stand behind one another stay so, and the distance of the centre of gravity from the middle
    of its window is made least.
    """
    if not layout or worst_line_kg_m(layout) > room.line_load_kg_m * LINE_TOLERANCE:
        return layout or None
    if _in_window(layout, room):
        return layout
    for candidate in (layout, _mirrored(layout, room)):
        moved = _moved(candidate, room)
        if moved is not None and _in_window(moved, room):
            return moved
    return None


def sound(layout: Layout, room: Room) -> bool:
    """Whether line load and centre of gravity hold; places and doors hold by construction."""
    return worst_line_kg_m(layout) <= room.line_load_kg_m * LINE_TOLERANCE and _in_window(layout, room)


def _in_window(layout: Layout, room: Room) -> bool:
    window = _window(layout, room)
    if window is None or not layout:
        return True
    low, high = window
    return low - 1e-4 <= centre_mm(layout) <= high + 1e-4


def _window(layout: Layout, room: Room) -> tuple[float, float] | None:
    return cg_window_mm(room, sum(spot.way.mass_kg for spot in layout))


def _mirrored(layout: Layout, room: Room) -> Layout:
    length, _width = floor_of(room)
    ends = room.gap_mm + length
    return tuple(
        Spot(spot.key, spot.way, ends - (spot.x_mm - room.gap_mm) - spot.way.along_mm, spot.y_mm)
        for spot in layout
    )


def _moved(layout: Layout, room: Room) -> Layout | None:
    window = _window(layout, room)
    if window is None:
        return layout
    if window[0] > window[1]:
        return None
    count, (length, _width) = len(layout), floor_of(room)
    masses = np.array([spot.way.mass_kg for spot in layout])
    own = np.array([spot.way.cg_mm for spot in layout])
    target = masses.sum() * sum(window) / 2.0
    rows, limits = [], []
    for one, other in combinations(range(count), 2):
        first, second = (one, other) if layout[one].x_mm <= layout[other].x_mm else (other, one)
        if layout[first].x_mm + layout[first].way.along_mm <= layout[second].x_mm + 1e-6:
            row = np.zeros(count + 1)
            row[first], row[second] = 1.0, -1.0
            rows.append(row)
            limits.append(-layout[first].way.along_mm)
    for sign in (1.0, -1.0):
        rows.append(np.append(sign * masses, -1.0))
        limits.append(sign * (target - float(masses @ own)))
    bounds = [(room.gap_mm, room.gap_mm + length - spot.way.along_mm) for spot in layout]
    result = linprog(
        np.append(np.zeros(count), 1.0),
        A_ub=np.array(rows),
        b_ub=np.array(limits),
        bounds=[*bounds, (0, None)],
    )
    if not result.success or result.x is None:
        return None
    return tuple(
        Spot(spot.key, spot.way, float(x), spot.y_mm) for spot, x in zip(layout, result.x, strict=False)
    )
