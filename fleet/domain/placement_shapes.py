"""Pieces, rooms, and the ways a piece may stand: shared by the search, the balance and the check."""

from __future__ import annotations

from dataclasses import dataclass

CG_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Piece:
    """One thing to stow [mm, kg]; centre of gravity `cg_along_mm` from its front end, `cg_across_mm` from its left."""

    key: str
    length_mm: float
    width_mm: float
    height_mm: float
    mass_kg: float
    may_turn: bool = True
    cg_along_mm: float | None = None
    cg_across_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Room:
    """A floor with walls, a door and limits. `cg_window_mm` is where the centre of gravity may lie, from the far end.

    `gap_mm` is kept between pieces and to the walls. A `broadside` door takes the fore-aft side, an end door the other.
    """

    length_mm: float
    width_mm: float
    height_mm: float
    payload_kg: float
    door_width_mm: float = float("inf")
    door_height_mm: float = float("inf")
    broadside: bool = False
    line_load_kg_m: float = float("inf")
    cg_window_mm: tuple[float, float] | None = None
    gap_mm: float = 0.0

    @classmethod
    def of_container(
        cls,
        *,
        length_mm: float,
        width_mm: float,
        height_mm: float,
        payload_kg: float,
        door_width_mm: float = float("inf"),
        door_height_mm: float = float("inf"),
        line_load_kg_m: float = float("inf"),
        gap_mm: float = 0.0,
    ) -> Room:
        """A container: centre of gravity within 5 % of the length from the middle (CTU Code annex 7, 3.1.4)."""
        half, slack = length_mm / 2.0, CG_SHARE * length_mm
        return cls(
            length_mm,
            width_mm,
            height_mm,
            payload_kg,
            door_width_mm,
            door_height_mm,
            False,
            line_load_kg_m,
            (half - slack, half + slack),
            gap_mm,
        )


@dataclass(frozen=True, slots=True)
class Way:
    """A piece as it would stand, gap included [mm]; `cg_mm` from its own corner, `line_kg_m` on the floor."""

    along_mm: float
    across_mm: float
    turned: bool
    mass_kg: float
    cg_mm: float
    line_kg_m: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A way at a corner [mm] of the room."""

    key: str
    way: Way
    x_mm: float
    y_mm: float


Layout = tuple[Spot, ...]


def ways_of(piece: Piece, room: Room) -> tuple[Way, ...]:
    """The ways in which a piece passes the door and stands in the room by itself; none: it cannot go at all.

    Sizes include one gap, to be laid out on a floor that is shorter and narrower by one gap.
    """
    if piece.mass_kg > room.payload_kg or piece.height_mm > min(room.height_mm, room.door_height_mm):
        return ()
    sides = [(piece.length_mm, piece.width_mm, False, piece.cg_along_mm)]
    if piece.may_turn and piece.length_mm != piece.width_mm:
        sides.append((piece.width_mm, piece.length_mm, True, piece.cg_across_mm))
    found = []
    for along, across, turned, cg in sides:
        line = piece.mass_kg / along * 1000.0
        through = along if room.broadside else across
        inside = along + 2 * room.gap_mm <= room.length_mm and across + 2 * room.gap_mm <= room.width_mm
        if inside and through <= room.door_width_mm and line <= room.line_load_kg_m:
            centre = along / 2.0 if cg is None else cg
            found.append(Way(along + room.gap_mm, across + room.gap_mm, turned, piece.mass_kg, centre, line))
    return tuple(found)


def floor_of(room: Room) -> tuple[float, float]:
    """Length and width [mm] of the floor on which ways, which include one gap, are laid out from (gap, gap)."""
    return room.length_mm - room.gap_mm, room.width_mm - room.gap_mm


def worst_line_kg_m(layout: Layout) -> float:
    """The heaviest load per metre [kg/m] where pieces stand abreast."""
    return max(
        (
            sum(s.way.line_kg_m for s in layout if s.x_mm <= cut.x_mm + 1e-6 < s.x_mm + s.way.along_mm - 1e-6)
            for cut in layout
        ),
        default=0.0,
    )


def centre_mm(layout: Layout) -> float:
    """Centre of gravity [mm] of a layout that is not empty, from the far end."""
    total = sum(spot.way.mass_kg for spot in layout)
    return sum(spot.way.mass_kg * (spot.x_mm + spot.way.cg_mm) for spot in layout) / total
