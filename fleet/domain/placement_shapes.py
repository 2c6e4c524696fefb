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
class Supports:
    """Front and rear axles (or king pin and axles) of a deck: where they stand from the far end [mm], and what each may
    bear of the load [kg].
    """

    front_mm: float
    rear_mm: float
    front_kg: float
    rear_kg: float

    def borne_kg(self, mass_kg: float, cg_mm: float) -> tuple[float, float]:
        """What front and rear bear of a mass with its centre of gravity there. Statics of a beam on two supports."""
        rear = mass_kg * (cg_mm - self.front_mm) / (self.rear_mm - self.front_mm)
        return mass_kg - rear, rear


@dataclass(frozen=True, slots=True)
class Room:
    """A floor with walls, a door and limits. `cg_window_mm` is where the centre of gravity may lie, from the far end.

    `gap_mm` is kept between pieces and to the walls. A `broadside` door takes the fore-aft side, an end door the other; an
    opening from above takes both, `door_length_mm` along. `floor_kg_m2` is what the floor bears below each piece, as if it
    stood on all of its base; nan: nobody knows, and nothing may stand there.
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
    door_length_mm: float = float("inf")
    floor_kg_m2: float = float("inf")
    supports: Supports | None = None

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
    pressure = piece.mass_kg / (piece.length_mm * piece.width_mm) * 1e6
    if (
        piece.mass_kg > room.payload_kg
        or piece.height_mm > min(room.height_mm, room.door_height_mm)
        or not pressure <= room.floor_kg_m2
    ):
        return ()
    sides = [(piece.length_mm, piece.width_mm, False, piece.cg_along_mm)]
    if piece.may_turn and piece.length_mm != piece.width_mm:
        sides.append((piece.width_mm, piece.length_mm, True, piece.cg_across_mm))
    found = []
    for along, across, turned, cg in sides:
        line = piece.mass_kg / along * 1000.0
        through = along if room.broadside else across
        inside = along + 2 * room.gap_mm <= room.length_mm and across + 2 * room.gap_mm <= room.width_mm
        passes = through <= room.door_width_mm and along <= room.door_length_mm
        if inside and passes and line <= room.line_load_kg_m:
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


def cg_window_mm(room: Room, mass_kg: float) -> tuple[float, float] | None:
    """Where the centre of gravity [mm from the far end] of a load of this mass may lie; None: anywhere.

    The window of the room and, on a deck, what its axles may bear; no axle may be lifted. Low above high: nowhere.
    """
    if room.supports is None or mass_kg <= 0:
        return room.cg_window_mm
    s, reach = room.supports, room.supports.rear_mm - room.supports.front_mm
    low = max(s.front_mm, s.rear_mm - reach * s.front_kg / mass_kg)
    high = min(s.rear_mm, s.front_mm + reach * s.rear_kg / mass_kg)
    if room.cg_window_mm is not None:
        low, high = max(low, room.cg_window_mm[0]), min(high, room.cg_window_mm[1])
    return low, high
