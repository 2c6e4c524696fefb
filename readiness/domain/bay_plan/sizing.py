"""How many bays a depot needs, by the steady state: bay hours asked for each week against the hours they are open."""

from __future__ import annotations

import math
from typing import Any

from fleet.lib.errors import DomainError
from readiness.domain.inputs import as_array

DAYS_A_WEEK = 7.0
ROUNDING = 1e-9


def bay_hours_per_week(count: Any, bay_h: Any, interval_days: Any) -> float:
    """Bay hours a week [h] of groups of banks: `7 sum n h / D`. Arrays of equal shape: number, hours a charge, days between.

    Raises DomainError for a negative number, or hours or days that are not more than 0.
    """
    number, hours, days = as_array(count), as_array(bay_h), as_array(interval_days)
    if not (number >= 0).all() or not (hours > 0).all() or not (days > 0).all():
        raise DomainError(
            "bays.group", "A group of banks needs a number of 0 or more, and hours and days of more than 0."
        )
    return float(DAYS_A_WEEK * (number * hours / days).sum())


def bays_min(
    count: Any, bay_h: Any, interval_days: Any, *, open_h_per_week: float, target_use: float = 0.8
) -> int:
    """Fewest bays that carry the fleet in the steady state, each used for `target_use` of the open hours.

    It is a lower limit: hours that fall together, closures and the supply limit ask for more.
    """
    if not open_h_per_week > 0 or not 0 < target_use <= 1:
        raise DomainError(
            "bays.hours", "The open hours must be more than 0, and their use more than 0 and at most 1."
        )
    hours = bay_hours_per_week(count, bay_h, interval_days)
    return math.ceil(hours / (open_h_per_week * target_use) - ROUNDING)
