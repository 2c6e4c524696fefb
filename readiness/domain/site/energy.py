"""Energy of a unit at a site: what the pump takes, what the array gives, how long the bank carries.

Formulas 3a, 3b, 3e to 3h of `reference/water_energy_sites.md`. Arrays of any one shape, NaN where a figure is not known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from readiness.domain.site.inputs import floats, given, not_negative, positive, share

WATER_N_M3 = 1000.0 * 9.81
METRES_PER_BAR = 10.2
NOCT_SUN_W_M2, NOCT_AIR_C = 800.0, 20.0


def pump_w(q_m3_h: ArrayLike, head_m: ArrayLike, eta: ArrayLike) -> Any:
    """3a: electric power [W] of the pump; `head_m` is lift, pipe friction and the pressure of the train (1 bar = 10.2 m)."""
    work = WATER_N_M3 * not_negative("flow", q_m3_h) / 3600.0 * not_negative("head", head_m)
    return given(work / positive("efficiency of the pump", share("efficiency of the pump", eta)))


def pump_wh_per_m3(head_m: ArrayLike, eta: ArrayLike) -> Any:
    """3b: electric energy [Wh] to lift one m3."""
    return pump_w(1.0, head_m, eta)


def cell_c(air_c: ArrayLike, poa_w_m2: ArrayLike, noct_c: ArrayLike) -> Any:
    """3f: temperature of a cell in the sun. The performance ratio of `pv_kwh_day` already holds this loss."""
    warming = (floats(noct_c) - NOCT_AIR_C) / NOCT_SUN_W_M2
    return given(floats(air_c) + warming * not_negative("sunshine on the array", poa_w_m2))


def pv_kwh_day(kwp: ArrayLike, poa_kwh_m2_d: ArrayLike, pr: ArrayLike) -> Any:
    """3e: what the array gives a day. Performance ratio: 0.75 with a bank, 0.70 hot and dusty, 0.80 cool (practice)."""
    sun = not_negative("sunshine on the array", poa_kwh_m2_d)
    return given(not_negative("power of the array", kwp) * sun * share("performance ratio", pr))


def bank_hours(nominal_kwh: ArrayLike, depth: ArrayLike, eta_inverter: ArrayLike, load_w: ArrayLike) -> Any:
    """3g: hours a bank carries a load; depth 0.8 lithium, 0.5 lead-acid (practice)."""
    return given(bank_kwh(nominal_kwh, depth, eta_inverter) * 1000.0 / positive("load", load_w))


def bank_kwh(nominal_kwh: ArrayLike, depth: ArrayLike, eta_inverter: ArrayLike) -> Any:
    """What a full bank gives to the load [kWh]."""
    held = not_negative("energy of the bank", nominal_kwh) * share("depth of discharge", depth)
    return given(held * share("efficiency of the inverter", eta_inverter))


def solar_m3_day(pv_kwh_day: ArrayLike, standby_kwh_day: ArrayLike, wh_per_m3: ArrayLike) -> Any:
    """3h: what the day's energy treats, never below nought; work at night adds nothing to it."""
    left = not_negative("energy of the day", pv_kwh_day) - not_negative("standby energy", standby_kwh_day)
    return given(np.maximum(left, 0.0) * 1000.0 / positive("energy per cubic metre", wh_per_m3))
