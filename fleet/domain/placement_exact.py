"""Proof of the largest number: integer programs solved by HiGHS.

`_on_patterns` places ways on normal patterns (Christofides and Whitlock 1977; formulation of Beasley 1985): exact for
geometry and payload, so it bounds the number from above, and where its layout holds all other limits it is the best.
`_with_all_limits` decides all limits at once for few pieces, with free corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from time import perf_counter

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix

from fleet.domain.placement_balance import balanced, sound
from fleet.domain.placement_shapes import Layout, Piece, Room, Spot, Way, floor_of

Ways = dict[str, tuple[Way, ...]]
LARGEST_PATTERN_PROGRAM = 30_000
LEAST_S = 0.02


def improved(
    pieces: Sequence[Piece],
    ways: Ways,
    room: Room,
    best: Layout,
    most: int,
    *,
    time_limit_s: float,
    largest: int,
) -> tuple[Layout, int]:
    """(layout, proven upper limit): at least as good as what came in, and the limit no higher.

    `time_limit_s` is for all programs together.
    """
    ends = perf_counter() + time_limit_s
    found = _on_patterns(pieces, ways, room, time_limit_s)
    if found is not None:
        layout, bound = found
        most = min(most, bound)
        kept = balanced(layout, room)
        if kept is not None and len(kept) > len(best) and sound(kept, room):
            best = kept
    if len(best) < most and len(pieces) <= largest:
        layout, bound = _with_all_limits(pieces, ways, room, ends)
        most = min(most, bound)
        if len(layout) > len(best) and sound(layout, room):
            best = layout
    return best, max(most, len(best))


def _patterns(lengths: Sequence[float], limit: float) -> list[float]:
    """Sums of lengths, each used at most once, that leave room: where a piece pushed to its corner can start."""
    sums = {0.0}
    for length in lengths:
        sums |= {round(total + length, 6) for total in sums if total + length <= limit}
        if len(sums) > LARGEST_PATTERN_PROGRAM:
            break
    return sorted(sums)


def _on_patterns(
    pieces: Sequence[Piece], ways: Ways, room: Room, time_limit_s: float
) -> tuple[Layout, int] | None:
    depth, width = floor_of(room)
    kinds: dict[tuple[Way, ...], list[str]] = {}
    for piece in pieces:
        kinds.setdefault(ways[piece.key], []).append(piece.key)
    alongs = [way.along_mm for piece in pieces for way in ways[piece.key]]
    acrosses = [way.across_mm for piece in pieces for way in ways[piece.key]]
    xs, ys = _patterns(alongs, depth - min(alongs)), _patterns(acrosses, width - min(acrosses))
    if len(xs) * len(ys) * sum(map(len, kinds)) > LARGEST_PATTERN_PROGRAM:
        return None
    columns = [
        (kind, way, x, y)
        for kind in kinds
        for way in kind
        for x in xs
        if x + way.along_mm <= depth + 1e-6
        for y in ys
        if y + way.across_mm <= width + 1e-6
    ]
    if not columns:
        return (), 0
    result = milp(
        -np.ones(len(columns)),
        integrality=np.ones(len(columns), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=_pattern_constraints(columns, kinds, xs, ys, room),
        options={"time_limit": time_limit_s},
    )
    bound = _bound_of(result, len(pieces))
    if result.x is None:
        return (), bound
    left = {kind: list(keys) for kind, keys in kinds.items()}
    layout = tuple(
        Spot(left[kind].pop(), way, room.gap_mm + x, room.gap_mm + y)
        for (kind, way, x, y), taken in zip(columns, result.x, strict=True)
        if taken > 0.5
    )
    return layout, bound


_Column = tuple[tuple[Way, ...], Way, float, float]


def _pattern_constraints(
    columns: list[_Column],
    kinds: dict[tuple[Way, ...], list[str]],
    xs: list[float],
    ys: list[float],
    room: Room,
) -> LinearConstraint:
    xs_array, ys_array = np.array(xs), np.array(ys)
    rows: list[NDArray[np.int64]] = []
    for _kind, way, x, y in columns:
        across = np.flatnonzero((ys_array >= y - 1e-6) & (ys_array < y + way.across_mm - 1e-6))
        along = np.flatnonzero((xs_array >= x - 1e-6) & (xs_array < x + way.along_mm - 1e-6))
        rows.append((along[:, None] * len(ys) + across[None, :]).ravel())
    cells = len(xs) * len(ys)
    places = {kind: cells + i for i, kind in enumerate(kinds)}
    payload_row = cells + len(kinds)
    row_index = np.concatenate(
        [np.append(row, [places[c[0]], payload_row]) for row, c in zip(rows, columns, strict=True)]
    )
    column_index = np.repeat(np.arange(len(columns)), [len(row) + 2 for row in rows])
    values = np.concatenate(
        [np.append(np.ones(len(row) + 1), c[1].mass_kg) for row, c in zip(rows, columns, strict=True)]
    )
    matrix = csr_matrix(
        coo_matrix((values, (row_index, column_index)), shape=(payload_row + 1, len(columns)))
    )
    limits = np.concatenate([np.ones(cells), [len(keys) for keys in kinds.values()], [room.payload_kg]])
    return LinearConstraint(matrix, -np.inf, limits)


def _bound_of(result: object, count: int) -> int:
    """The proven upper limit of a program that was maximised as a minimum."""
    dual = getattr(result, "mip_dual_bound", None)
    if dual is None or not np.isfinite(dual):
        return count
    return min(count, int(np.floor(-dual + 1e-6)))


class _Program:
    """Rows of a sparse program, collected one by one."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self.rows: list[dict[int, float]] = []
        self.limits: list[float] = []

    def at_most(self, row: dict[int, float], limit: float) -> None:
        self.rows.append(row)
        self.limits.append(limit)

    def constraint(self) -> LinearConstraint:
        entries = [(i, j, value) for i, row in enumerate(self.rows) for j, value in row.items()]
        rows, columns, values = (np.array(part) for part in zip(*entries, strict=True))
        shape = (len(self.rows), self.columns)
        return LinearConstraint(
            csr_matrix(coo_matrix((values, (rows, columns)), shape=shape)), -np.inf, np.array(self.limits)
        )


def _with_all_limits(pieces: Sequence[Piece], ways: Ways, room: Room, ends: float) -> tuple[Layout, int]:
    """Columns: one choice per way, x, y and moment of every piece, and four sides of every pair.

    Sets of pieces too heavy to stand abreast are forbidden one by one, as solutions show them.
    """
    flat = [(piece.key, way) for piece in pieces for way in ways[piece.key]]
    count, n = len(flat), len(pieces)
    of_piece = {piece.key: i for i, piece in enumerate(pieces)}
    pairs = list(combinations(range(n), 2))
    x0, y0, m0 = count, count + n, count + 2 * n
    side0 = count + 3 * n
    columns = side0 + 4 * len(pairs)
    program = _Program(columns)
    depth, width = floor_of(room)
    lengths = [{j: way.along_mm for j, (key, way) in enumerate(flat) if of_piece[key] == i} for i in range(n)]
    widths = [{j: way.across_mm for j, (key, way) in enumerate(flat) if of_piece[key] == i} for i in range(n)]
    for i in range(n):
        program.at_most(dict.fromkeys(lengths[i], 1.0), 1.0)
        program.at_most({x0 + i: 1.0} | lengths[i], depth)
        program.at_most({y0 + i: 1.0} | widths[i], width)
    for p, (i, j) in enumerate(pairs):
        sides = [side0 + 4 * p + s for s in range(4)]
        there = {k: 1.0 for part in (lengths[i], lengths[j]) for k in part}
        program.at_most(there | dict.fromkeys(sides, -1.0), 1.0)
        for side, (first, second, corner, sizes, reach) in zip(
            sides,
            (
                (i, j, x0, lengths, depth),
                (j, i, x0, lengths, depth),
                (i, j, y0, widths, width),
                (j, i, y0, widths, width),
            ),
            strict=True,
        ):
            program.at_most({corner + first: 1.0, corner + second: -1.0, side: reach} | sizes[first], reach)
    program.at_most({j: way.mass_kg for j, (_key, way) in enumerate(flat)}, room.payload_kg)
    if room.cg_window_mm is not None or room.supports is not None:
        _balance_rows(program, flat, of_piece, x0, m0, n, room, depth)
    lower, upper = np.zeros(columns), np.ones(columns)
    upper[x0:y0], upper[y0:m0] = depth, width
    lower[m0:side0], upper[m0:side0] = -np.inf, np.inf
    integrality = np.ones(columns, dtype=np.int64)
    integrality[x0:side0] = 0
    cost = np.zeros(columns)
    cost[:count] = -1.0
    most = n
    for _cut in range(50):
        left_s = ends - perf_counter()
        if left_s < LEAST_S:
            break
        result = milp(
            cost,
            integrality=integrality,
            bounds=Bounds(lower, upper),
            constraints=program.constraint(),
            options={"time_limit": left_s},
        )
        most = min(most, _bound_of(result, n))
        if result.x is None:
            return (), most
        layout = tuple(
            Spot(
                key,
                way,
                room.gap_mm + result.x[x0 + of_piece[key]],
                room.gap_mm + result.x[y0 + of_piece[key]],
            )
            for j, (key, way) in enumerate(flat)
            if result.x[j] > 0.5
        )
        heavy = _too_heavy_abreast(layout, room)
        if not heavy:
            return layout, most
        numbers = {of_piece[key] for key, _way in heavy}
        row = {j: 1.0 for j, choice in enumerate(flat) if choice in heavy}
        for p, (i, j) in enumerate(pairs):
            if i in numbers and j in numbers:
                row[side0 + 4 * p] = row[side0 + 4 * p + 1] = -1.0
        program.at_most(row, len(numbers) - 1.0)
    return (), most


def _balance_rows(
    program: _Program,
    flat: list[tuple[str, Way]],
    of_piece: dict[str, int],
    x0: int,
    m0: int,
    n: int,
    room: Room,
    depth: float,
) -> None:
    """`m_i` is the distance of the piece's corner from the far end when it goes, 0 when it stays: then no moment."""
    for i in range(n):
        chosen = {j: 1.0 for j, (key, _way) in enumerate(flat) if of_piece[key] == i}
        program.at_most({m0 + i: 1.0, x0 + i: -1.0}, 0.0)
        program.at_most({m0 + i: 1.0} | dict.fromkeys(chosen, -depth), 0.0)
        program.at_most({m0 + i: -1.0}, 0.0)
        program.at_most({x0 + i: 1.0, m0 + i: -1.0} | dict.fromkeys(chosen, depth), depth)
    mass_of = {of_piece[key]: way.mass_kg for key, way in flat}

    def moment_at_most(about_mm: float, limit: float, sign: float) -> None:
        """`sign` times the moment of what goes about a point along the floor is at most `limit` [kg mm]."""
        row = {m0 + i: sign * mass for i, mass in mass_of.items()}
        for j, (_key, way) in enumerate(flat):
            row[j] = sign * way.mass_kg * (room.gap_mm + way.cg_mm - about_mm)
        program.at_most(row, limit)

    windows = [room.cg_window_mm] if room.cg_window_mm is not None else []
    if room.supports is not None:
        s, reach = room.supports, room.supports.rear_mm - room.supports.front_mm
        windows.append((s.front_mm, s.rear_mm))
        moment_at_most(s.front_mm, reach * s.rear_kg, 1.0)
        moment_at_most(s.rear_mm, reach * s.front_kg, -1.0)
    for low, high in windows:
        moment_at_most(high, 0.0, 1.0)
        moment_at_most(low, 0.0, -1.0)


def _too_heavy_abreast(layout: Layout, room: Room) -> frozenset[tuple[str, Way]]:
    for cut in layout:
        abreast = [s for s in layout if s.x_mm <= cut.x_mm + 1e-6 < s.x_mm + s.way.along_mm - 1e-6]
        if sum(s.way.line_kg_m for s in abreast) > room.line_load_kg_m * (1 + 1e-9):
            return frozenset((s.key, s.way) for s in abreast)
    return frozenset()
