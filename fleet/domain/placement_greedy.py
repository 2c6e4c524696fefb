"""A quick search: pieces go to the lowest free corner of a skyline, in several orders, with a bounded look back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from time import perf_counter

from fleet.domain.placement_balance import balanced, sound
from fleet.domain.placement_shapes import Layout, Piece, Room, Spot, Way, floor_of

STEPS = 5_000
Ways = dict[str, tuple[Way, ...]]
Skyline = tuple[
    tuple[float, float, float], ...
]  # (left, right, depth): across, and how far along it is filled


@dataclass(slots=True)
class _Search:
    room: Room
    ways: Ways
    ends: float = float("inf")
    steps: int = STEPS
    best: Layout = ()
    wanted: int = 0
    depth: float = field(init=False)
    width: float = field(init=False)

    def __post_init__(self) -> None:
        self.depth, self.width = floor_of(self.room)

    def run(self, order: Sequence[Piece]) -> None:
        start: Skyline = ((0.0, self.width, 0.0),)
        self._place(start, list(order), (), 0.0)

    def _place(self, skyline: Skyline, left: list[Piece], layout: Layout, mass: float) -> None:
        self.steps = self.steps - 1 if perf_counter() < self.ends else 0
        if len(layout) > len(self.best):
            kept = balanced(layout, self.room)
            if kept is not None and sound(kept, self.room):
                self.best = kept
        if self.steps <= 0 or len(self.best) >= self.wanted or len(layout) + len(left) <= len(self.best):
            return
        place = min(range(len(skyline)), key=lambda i: (skyline[i][2], skyline[i][0]))
        start, end, depth = skyline[place]
        tried: set[tuple[float, float, float]] = set()
        for piece in left:
            if mass + piece.mass_kg > self.room.payload_kg:
                continue
            for way in self.ways[piece.key]:
                shape = (way.along_mm, way.across_mm, way.mass_kg)
                fits = way.across_mm <= end - start + 1e-9 and depth + way.along_mm <= self.depth + 1e-9
                if not fits or shape in tried:
                    continue
                tried.add(shape)
                spot = Spot(piece.key, way, self.room.gap_mm + depth, self.room.gap_mm + start)
                rest = [other for other in left if other is not piece]
                filled = _fill(skyline, place, way.across_mm, depth + way.along_mm)
                self._place(filled, rest, (*layout, spot), mass + piece.mass_kg)
                if self.steps <= 0 or len(self.best) >= self.wanted:
                    return
        raised = _raise(skyline, place)
        if raised is not None:
            self._place(raised, left, layout, mass)


def best_layout(
    pieces: Sequence[Piece], ways: Ways, room: Room, most: int, *, time_limit_s: float = float("inf")
) -> Layout:
    """A good layout that holds all limits; the search ends early at `most` pieces, more than which cannot go."""
    if not pieces:
        return ()
    ends = perf_counter() + time_limit_s
    orders = (
        sorted(pieces, key=lambda p: -p.length_mm * p.width_mm),
        sorted(pieces, key=lambda p: p.length_mm * p.width_mm),
        sorted(pieces, key=lambda p: -p.mass_kg),
        sorted(pieces, key=lambda p: p.mass_kg),
        sorted(pieces, key=lambda p: -max(p.length_mm, p.width_mm)),
    )
    best: Layout = ()
    for order in orders:
        search = _Search(room, ways, ends, best=best, wanted=most)
        search.run(order)
        best = search.best
        if len(best) >= most:
            break
    return best


def _fill(skyline: Skyline, place: int, across: float, depth: float) -> Skyline:
    start, end, old = skyline[place]
    parts = [*skyline[:place], (start, start + across, depth)]
    if start + across < end - 1e-9:
        parts.append((start + across, end, old))
    return _merged([*parts, *skyline[place + 1 :]])


def _raise(skyline: Skyline, place: int) -> Skyline | None:
    """The lowest step given up: lifted to the lower of its neighbours; None when the floor is level."""
    start, end, _depth = skyline[place]
    beside = [skyline[i][2] for i in (place - 1, place + 1) if 0 <= i < len(skyline)]
    if not beside:
        return None
    parts = [*skyline[:place], (start, end, min(beside)), *skyline[place + 1 :]]
    return _merged(parts)


def _merged(parts: list[tuple[float, float, float]]) -> Skyline:
    merged = [parts[0]]
    for start, end, depth in parts[1:]:
        before = merged[-1]
        if abs(before[2] - depth) < 1e-9:
            merged[-1] = (before[0], end, depth)
        else:
            merged.append((start, end, depth))
    return tuple(merged)
