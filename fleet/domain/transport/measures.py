"""From what was measured on a packed form to the load that conveyances are asked about."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from fleet.domain.fit.loads import Load
from fleet.domain.fit.sling import corner_share

LEAST_HALF_MM = 1e-3
TRAILER, CONTAINER = "trailer", "container"  # kinds of packed forms that do not stand on their base


@dataclass(frozen=True, slots=True)
class Measures:
    """A packed form [mm, kg]; None: not known. x from the front, y from the left, z from the base."""

    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    mass_kg: float | None = None
    cog_x_mm: float | None = None
    cog_y_mm: float | None = None
    cog_z_mm: float | None = None
    lifting_points: float | None = None
    lifting_points_kg: float | None = None
    point_front_mm: float | None = None
    point_left_mm: float | None = None
    point_length_mm: float | None = None
    point_width_mm: float | None = None
    point_height_mm: float | None = None
    fork_pocket_spacing_mm: float | None = None
    fork_pocket_width_mm: float | None = None
    load_centre_mm: float | None = None
    axle_count: float | None = None
    axle_load_kg: float | None = None
    axle_spacing_mm: float | None = None
    tongue_load_kg: float | None = None
    trailer_gvwr_kg: float | None = None
    container_gross_kg: float | None = None
    braked: bool | None = None
    may_turn: bool | None = None


MEASURE_NAMES: tuple[str, ...] = tuple(field.name for field in fields(Measures))


@dataclass(frozen=True, slots=True)
class Corner:
    """One lifting point [mm from front and left], how far it is from the plumb line, and the most it may come to bear."""

    key: str
    x_mm: float
    y_mm: float
    run_mm: float
    share: float


@dataclass(frozen=True, slots=True)
class Hang:
    """How a form hangs below a hook [mm]: the longest run from a lifting point to the plumb line through the centre of
    gravity, the least distance of that line from the sides of the points (negative: outside), its height above them.
    """

    run_mm: float
    half_width_mm: float
    cg_above_mm: float
    corners: tuple[Corner, ...]

    @property
    def near(self) -> Corner:
        return min(self.corners, key=lambda corner: corner.run_mm)


def hang_of(measures: Measures) -> Hang | None:
    """The geometry of the sling, or None while any of it is not known. Plane geometry."""
    m = measures
    needed = (
        m.cog_x_mm,
        m.cog_y_mm,
        m.cog_z_mm,
        m.point_front_mm,
        m.point_left_mm,
        m.point_length_mm,
        m.point_width_mm,
        m.point_height_mm,
    )
    if any(value is None for value in needed):
        return None
    x, y, z, front, left, along, across, height = (float(value or 0.0) for value in needed)
    sides = (x - front, front + along - x, y - left, left + across - y)
    corners = tuple(
        Corner(
            f"{end}_{side}",
            corner_x,
            corner_y,
            math.hypot(corner_x - x, corner_y - y),
            corner_share(
                _part(opposite_x - x, opposite_x - corner_x), _part(opposite_y - y, opposite_y - corner_y)
            ),
        )
        for end, corner_x, opposite_x in (("front", front, front + along), ("rear", front + along, front))
        for side, corner_y, opposite_y in (("left", left, left + across), ("right", left + across, left))
    )
    return Hang(max(corner.run_mm for corner in corners), min(sides), z - height, corners)


def _part(from_here: float, whole: float) -> float:
    """What the near end of a beam bears: the arm of the far end over the whole; a beam of no length bears all at once."""
    return from_here / whole if whole else 1.0


def load_of(
    measures: Measures,
    mass_kg: float | None,
    *,
    proof_in_date: bool | None,
    kind: str = "",
    plate_in_date: bool | None = None,
) -> Load:
    """The load of a form with its packed mass. A centre of gravity outside the lifting points counts as unstable.

    `kind` as `PackedForm.Kind` spells it, empty for not known; `plate_in_date` is about the safety plate of a container.
    The centre of gravity is taken as far from the middle as it lies in the worse of the ways the form may stand.
    """
    hang = hang_of(measures)
    outside = hang is not None and hang.half_width_mm <= 0
    offsets = [
        abs(cog - side / 2.0)
        for cog, side, counts in (
            (measures.cog_x_mm, measures.length_mm, True),
            (measures.cog_y_mm, measures.width_mm, bool(measures.may_turn)),
        )
        if counts and cog is not None and side is not None
    ]
    wanted = 2 if measures.may_turn else 1
    return Load(
        length_mm=measures.length_mm,
        width_mm=measures.width_mm,
        height_mm=measures.height_mm,
        mass_kg=mass_kg,
        no_rotate=not measures.may_turn,
        cg_offset_mm=max(offsets) if len(offsets) == wanted else None,
        proof_in_date=proof_in_date,
        braked=measures.braked,
        tongue_kg=measures.tongue_load_kg,
        trailer_gvwr_kg=measures.trailer_gvwr_kg,
        axle_count=measures.axle_count,
        axle_load_kg=measures.axle_load_kg,
        axle_spacing_mm=measures.axle_spacing_mm,
        lift_points=measures.lifting_points,
        lift_point_wll_kg=measures.lifting_points_kg,
        point_length_mm=measures.point_length_mm,
        point_width_mm=measures.point_width_mm,
        point_run_mm=hang.run_mm if hang else None,
        near_point_run_mm=hang.near.run_mm if hang and not outside else None,
        near_point_share=hang.near.share if hang and not outside else None,
        cg_above_points_mm=None
        if hang is None
        else (max(hang.cg_above_mm, 1.0) if outside else hang.cg_above_mm),
        half_width_mm=None if hang is None else max(hang.half_width_mm, LEAST_HALF_MM),
        fork_pocket_spacing_mm=measures.fork_pocket_spacing_mm,
        fork_pocket_width_mm=measures.fork_pocket_width_mm,
        load_centre_mm=measures.load_centre_mm,
        on_wheels=kind == TRAILER if kind else None,
        boxed=kind == CONTAINER if kind else None,
        plate_in_date=plate_in_date,
        container_gross_kg=measures.container_gross_kg,
    )
