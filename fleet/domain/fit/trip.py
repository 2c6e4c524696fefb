"""How and where it is to be carried: clearances, the leg, the airfield, the sling, the driver; and what is asked at all."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Topic(StrEnum):
    """What is asked beyond size and mass. A topic that is asked and whose fact is not known cannot be decided."""

    PLATE = "plate"
    PROOF = "proof"
    LICENCE = "licence"
    TRAILER_PLATE = "trailer_plate"
    BRAKES = "brakes"
    TONGUE = "tongue"
    AXLES = "axles"
    FORKLIFT_AXLE = "forklift_axle"
    CENTRE_OF_GRAVITY = "centre_of_gravity"
    RANGE = "range"
    RUNWAY = "runway"
    SURFACE = "surface"
    HOVER = "hover"
    RADIUS = "radius"
    LIFT_POINTS = "lift_points"
    SLING_ANGLE = "sling_angle"
    SLING_LEG = "sling_leg"
    LIFT_POINT_RATING = "lift_point_rating"
    SLING_STABILITY = "sling_stability"
    SLING_LENGTH = "sling_length"
    LASHING = "lashing"
    FLOOR = "floor"
    DECK_WIDTH = "deck_width"


Topics = frozenset[Topic]
SIZE_AND_MASS: Topics = frozenset()
OF_THE_FORM: Topics = frozenset({Topic.BRAKES, Topic.TONGUE, Topic.LIFT_POINTS})
SLING: Topics = frozenset(
    {Topic.SLING_ANGLE, Topic.SLING_LEG, Topic.LIFT_POINT_RATING, Topic.SLING_STABILITY, Topic.SLING_LENGTH}
)
WHOLE_TRIP: Topics = OF_THE_FORM | {
    Topic.PLATE,
    Topic.PROOF,
    Topic.LICENCE,
    Topic.TRAILER_PLATE,
    Topic.CENTRE_OF_GRAVITY,
    Topic.RANGE,
    Topic.RUNWAY,
    Topic.SURFACE,
    Topic.HOVER,
    Topic.RADIUS,
}
EVERYTHING: Topics = (
    WHOLE_TRIP | SLING | {Topic.AXLES, Topic.FORKLIFT_AXLE, Topic.LASHING, Topic.FLOOR, Topic.DECK_WIDTH}
)

HEAVIEST_RIGGING_KG = 150.0


@dataclass(frozen=True, slots=True)
class Clearance:
    """Free room asked in total across, above and along [mm]."""

    w: float = 0.0
    h: float = 0.0
    l: float = 0.0  # noqa: E741 the axis is called l in every table of the trade


NONE = Clearance()


@dataclass(frozen=True, slots=True)
class Clearances:
    """A setting. Defaults: containers by common practice, ramp aircraft 15 cm all round (MIL-STD-1791 practice)."""

    container: Clearance = Clearance(50.0, 50.0, 100.0)
    ramp_aircraft: Clearance = Clearance(300.0, 150.0, 300.0)
    other_aircraft: Clearance = Clearance(100.0, 50.0, 100.0)
    pallet: Clearance = NONE
    deck: Clearance = NONE

    @classmethod
    def same(cls, clearance: Clearance) -> Clearances:
        return cls(clearance, clearance, clearance, clearance, clearance)


@dataclass(frozen=True, slots=True)
class Lashing:
    """Top-over lashings: friction, angle [deg], hand tension of one strap [daN], how many, blocked in front or not."""

    mu: float
    alpha_deg: float
    stf_dan: float
    n: float
    blocked_forward: bool = False
    liable_to_tip: bool = False


@dataclass(frozen=True, slots=True)
class Trip:
    """The circumstances of one question. None: not known. The rigging not weighed counts with its heaviest usual mass."""

    asked: Topics = WHOLE_TRIP
    clearances: Clearances = field(default_factory=Clearances)
    load_by: str = "door"
    allow_overheight: bool = False
    allow_oog: bool = False
    forklift_axle_kg: float | None = None
    uld: str | None = None
    leg_km: float | None = None
    runway_m: float | None = None
    elevation_m: float | None = None
    isa_dev_c: float | None = None
    slope_pct: float = 0.0
    surface: str | None = None
    alt_m: float | None = None
    rigging_kg: float = HEAVIEST_RIGGING_KG
    driver_licence: str | None = None
    sae_class: str | None = None
    lashing: Lashing | None = None
    sling_leg_mm: float | None = None
    sling_legs_bearing: float = 2.0
    sling_leg_wll_kg: float | None = None
    bearing_length_mm: float | None = None  # beams put under every load, along
    bearing_area_m2: float | None = None  # boards put under every load
    floors_kg_m2: tuple[
        tuple[str, float], ...
    ] = ()  # (type, what its floor bears by the operator's loading manual)

    def asks(self, topic: Topic) -> bool:
        return topic in self.asked


def number(value: float | None) -> float:
    """A number for arrays: None is nan."""
    return float("nan") if value is None else float(value)
