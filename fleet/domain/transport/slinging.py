"""The four legs of a sling one by one, for the lifting diagram and its table: the harmful end of each.

The form hangs level under a hook above its centre of gravity; the leg to the farthest point has the length asked for, and
the others are shortened to suit. Source: statics; MIL-STD-209K 5.1.2 (angle, length, stability).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from fleet.domain.transport.measures import Corner, Measures, hang_of

LEGS = 4
LEAST_SHARE = 0.5  # two legs may carry all of a rigid load
# What must be known before a sling can be drawn or worked out.
SIZE = ("length_mm", "width_mm", "height_mm")
CENTRE = ("cog_x_mm", "cog_y_mm", "cog_z_mm")
POINTS = ("point_front_mm", "point_left_mm", "point_length_mm", "point_width_mm", "point_height_mm")


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg: where it is fixed, its length [mm], its angle to the horizontal [deg], the most it may pull [kg] or None."""

    corner: Corner
    length_mm: float
    angle_deg: float
    tension_kg: float | None


@dataclass(frozen=True, slots=True)
class Sling:
    """`hook_mm` is the height of the hook above the lifting points."""

    hook_mm: float
    legs: tuple[Leg, ...]

    @property
    def flattest(self) -> Leg:
        return min(self.legs, key=lambda leg: leg.angle_deg)

    @property
    def hardest(self) -> Leg:
        return max(self.legs, key=lambda leg: leg.tension_kg or 0.0)


def lacking(measures: Measures, names: tuple[str, ...]) -> tuple[str, ...]:
    """Which of these measures are not known."""
    return tuple(name for name in names if getattr(measures, name) is None)


def sling_of(measures: Measures, mass_kg: float | None, leg_mm: float | None) -> Sling | None:
    """The legs of a form of `mass_kg`; None while geometry or leg is not known, there are not four points, the leg is too
    short to reach, or the plumb line runs outside the points. The tension is never below that of two bearing legs.
    """
    hang = hang_of(measures)
    if hang is None or leg_mm is None or measures.lifting_points != LEGS or hang.half_width_mm <= 0:
        return None
    if leg_mm <= hang.run_mm:
        return None
    hook = math.sqrt(leg_mm**2 - hang.run_mm**2)
    legs = []
    for corner in hang.corners:
        length = math.hypot(hook, corner.run_mm)
        tension = None if mass_kg is None else mass_kg * max(LEAST_SHARE, corner.share) * length / hook
        legs.append(Leg(corner, length, math.degrees(math.atan2(hook, corner.run_mm)), tension))
    return Sling(hook, tuple(legs))
