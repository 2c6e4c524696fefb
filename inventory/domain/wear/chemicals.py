"""Strength of chlorine products as they age: plan in available chlorine, not in drums.

Formula 2n of the reference facts on water. Solid: White's Handbook of Chlorination (memory). Liquid: second order
in the content, half-life table in the same book (memory); a published loss table gives 3.4 per 10 °C. Weaker liquids
last longer than the law says, so it is cautious. Chlorine products hurt skin, eyes and lungs and feed fire: the data
sheet and trained people decide how they are kept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats

LOSS_PER_YEAR = (0.02, 0.04, 0.05)
DECAY_25C = 4.545e-4
FACTOR_PER_10C = 3.5


def solid_strength_pct(
    *, s0_pct: ArrayLike, years: ArrayLike, loss_per_year: ArrayLike = LOSS_PER_YEAR[1]
) -> Floats:
    """Available chlorine [%] of a solid kept cool, dry and sealed: s0 (1 - r)^years."""
    loss, start, age = (np.asarray(value, dtype=np.float64) for value in (loss_per_year, s0_pct, years))
    _check(start, age)
    if (~((loss >= 0) & (loss < 1))).any():
        raise NotPlannable("chemicals.loss", "The loss of a year lies between 0 and 1 (100 %).")
    return start * (1.0 - loss) ** age


def liquid_strength_pct(
    *,
    c0_pct: ArrayLike,
    days: ArrayLike,
    temp_c: ArrayLike,
    k25: ArrayLike = DECAY_25C,
    factor_per_10c: ArrayLike = FACTOR_PER_10C,
) -> Floats:
    """Available chlorine [%] of liquid hypochlorite after `days` at `temp_c`: C0 / (1 + k C0 t), k = k25 x factor^((T
    - 25) / 10)."""
    start, age = np.asarray(c0_pct, dtype=np.float64), np.asarray(days, dtype=np.float64)
    _check(start, age)
    warmer = (np.asarray(temp_c, dtype=np.float64) - 25.0) / 10.0
    rate = np.asarray(k25, dtype=np.float64) * np.asarray(factor_per_10c, dtype=np.float64) ** warmer
    return start / (1.0 + rate * start * age)


def product_kg(*, dose_mg_l: ArrayLike, volume_m3: ArrayLike, strength_pct: ArrayLike) -> Floats:
    """Product for a volume [kg]: dose x volume / strength, at the strength it has on that day (2m)."""
    strength = np.asarray(strength_pct, dtype=np.float64)
    if (~(strength > 0)).any():
        raise NotPlannable(
            "chemicals.no_strength",
            "A product without strength doses nothing. Measure it, or take a new lot.",
        )
    mass_kg: Floats = (
        np.asarray(dose_mg_l, float) * np.asarray(volume_m3, float) / (strength / 100.0) / 1000.0
    )
    return mass_kg


def _check(strength_pct: Floats, age: Floats) -> None:
    if (~((strength_pct >= 0) & (strength_pct <= 100))).any():
        raise NotPlannable("chemicals.strength", "A strength lies between 0 and 100 %.")
    if (~(age >= 0)).any():
        raise NotPlannable("chemicals.age", "An age must be 0 or more.")
