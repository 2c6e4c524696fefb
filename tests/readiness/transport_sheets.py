"""A sheet of a unit for tests, with the question that the tests of the pages ask."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.fit.trip import Trip
from fleet.domain.transport.answers import ALWAYS_ASKED, class_of_fleet
from fleet.models import Unit
from readiness.selectors.transport import load_transport
from readiness.web.transport_sheet import Sheet, sheet_of
from tests.factories.fleet import TODAY

TRIP = Trip(asked=ALWAYS_ASKED, alt_m=1900.0, isa_dev_c=10.0, elevation_m=1900.0, sling_leg_mm=4000.0)
# Four points with the centre of gravity a little off their middle.
GEOMETRY: dict[str, Any] = {
    "cog_x_mm": 1400.0,
    "cog_y_mm": 1000.0,
    "cog_z_mm": 800.0,
    "lifting_points": 4,
    "lifting_points_kg": 2500.0,
    "point_front_mm": 300.0,
    "point_left_mm": 200.0,
    "point_length_mm": 2400.0,
    "point_width_mm": 1600.0,
    "point_height_mm": 2000.0,
    "fork_pocket_spacing_mm": 800.0,
    "fork_pocket_width_mm": 180.0,
}


def sheet_for(unit: Unit, *, trip: Trip = TRIP, form: int = 0, system: Any = "si") -> Sheet:
    """The sheet of one unit leaving today on a mission of ten days."""
    records = load_transport([unit], ship_date=TODAY, now=timezone.now(), mission_days=10)
    found = class_of_fleet(records, trip, TODAY)
    return sheet_of(found, 0, form, trip, TODAY, held_rules(), system=system)
