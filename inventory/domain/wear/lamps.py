"""Life of UV lamps: hours with a penalty for each start, and months from fitting, whichever ends first.

Formula 2k of the reference facts on water; hours of low-pressure lamps 8,000 to 12,000 (USEPA UV Disinfection
Guidance Manual, EPA 815-R-06-007, 2006; ranges from memory), twelve months in operation (trade rule). The maker's
rated hours win. UV leaves no residual:
chlorine is still needed at the tap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats

MONTHS_FITTED = 12
HOURS_PER_START_H = 1.0
# More often than this a day, a lamp is better left on (practice).
MOST_STARTS_A_DAY = 4


def equivalent_hours(
    run_h: ArrayLike, starts: ArrayLike, *, start_penalty_h: ArrayLike = HOURS_PER_START_H
) -> Floats:
    """Hours of life used [h]: burning hours and what each start costs."""
    hours: Floats = np.asarray(run_h, float) + np.asarray(starts, float) * np.asarray(start_penalty_h, float)
    if (~(hours >= 0)).any():
        raise NotPlannable("lamps.negative", "Hours and starts must be 0 or more.")
    return hours


def lamp_changes(
    *, hours_since_new: ArrayLike, run_hours: ArrayLike, rated_life_h: ArrayLike, lamps: ArrayLike = 1
) -> Floats:
    """Lamps changed in a run, all burning alike: lamps x (floor((h0 + h) / life) - floor(h0 / life)).

    Hours are equivalent hours; a lamp that reaches its hours exactly is due.
    """
    before, life = np.asarray(hours_since_new, float), np.asarray(rated_life_h, float)
    pieces = np.asarray(lamps, float)
    if (~(life > 0)).any():
        raise NotPlannable("lamps.life", "The rated life of a lamp must be above 0 h.")
    if (~(pieces >= 0)).any() or (pieces != np.rint(pieces)).any():
        raise NotPlannable("lamps.count", "Lamps are counted in whole pieces, 0 or more.")
    after = before + np.asarray(run_hours, float)
    if (~(before >= 0)).any() or (~(after >= before)).any():
        raise NotPlannable("lamps.negative", "Hours and starts must be 0 or more.")
    changes: Floats = pieces * (np.floor(after / life) - np.floor(before / life))
    return changes


def days_of_burning(life_h: ArrayLike, used_h: ArrayLike, h_per_day: ArrayLike) -> Floats:
    """Days until the hours are used up, at least 0; infinite where the lamp does not burn."""
    if (~(np.asarray(h_per_day, float) >= 0)).any():
        raise NotPlannable("lamps.negative", "Hours and starts must be 0 or more.")
    left = np.maximum(np.asarray(life_h, float) - np.asarray(used_h, float), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        days = left / np.asarray(h_per_day, float)
    return np.where(left == 0, 0.0, days)
