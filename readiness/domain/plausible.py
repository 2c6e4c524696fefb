"""What a bank can show at all: outside these bounds a typed value is a slip of the hand, not a state of the bank."""

from __future__ import annotations

from readiness.domain.chemistry import LEAD_ACID, LITHIUM, NICKEL, chemistry
from readiness.domain.rest_voltage import LEAD_MAX_V_CELL, LEAD_MIN_V_CELL

# Volts per cell at rest. A low value is an alarm and stays on record; only the impossible is refused.
# Lithium: deep-discharged up to the highest charging voltage. Nickel: a flat cell up to just after the charge.
REST_V_CELL: dict[str, tuple[float, float]] = {
    LEAD_ACID: (LEAD_MIN_V_CELL, LEAD_MAX_V_CELL),
    LITHIUM: (1.0, 4.30),
    NICKEL: (0.5, 1.60),
}
REST_V_CELL_LFP = (1.0, 3.70)


def rest_v_bounds(code: str, cells_in_series: int) -> tuple[float, float]:
    """Lowest and highest voltage [V] a resting bank of `cells_in_series` [1] of chemistry `code` can show.

    Raises RejectedInput('unknown_chemistry'). Source: the rest and charging voltages of `tables/battery_chemistries.csv`.
    """
    low, high = REST_V_CELL_LFP if code == "lfp" else REST_V_CELL[chemistry(code).family]
    return round(low * cells_in_series, 6), round(high * cells_in_series, 6)


def has_gravity(code: str) -> bool:
    """Whether the acid of this chemistry can be reached with a hydrometer."""
    return code.startswith("flooded")
