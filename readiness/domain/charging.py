"""How long a charge takes: constant current, then constant voltage, then a hold.

References: the lead-acid constants are fitted to a published recharge chart (S3 manual B in `tables/SOURCES.md`): from empty
at 0.10 C, 80 % in 9 h; the 3 h hold is the rule that unchanged current over 3 h means 95-98 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Any

import numpy as np

from readiness.domain.chemistry import Chemistry, chemistry_column
from readiness.domain.inputs import (
    FloatArray,
    IntArray,
    as_array,
    as_given,
    require_capacity,
    require_current,
    require_not_negative,
    require_positive,
    require_soc,
)

# What a person does for one charge: connect, check and start it; see its end sign, write it down, disconnect. The hours in
# between belong to the charger.
CHARGE_START_H = 0.25
CHARGE_END_H = 0.25
CHARGE_WORK_H = CHARGE_START_H + CHARGE_END_H


class Unstated(IntFlag):
    """What must be on file to tell how long a charge takes, and is not."""

    CAPACITY = 1
    CHARGER = 2
    CHARGE_STATE = 4


def charge_time(
    capacity_ah: Any,
    soc0: Any,
    charger_a: Any,
    *,
    i_max_c: Any = None,
    beta_h: Any = 1.5,
    eta_bulk: Any = 0.90,
    eta_cv: Any = 0.80,
    tail_c: Any = 0.02,
    hold_h: Any = 0.0,
    min_h: Any = 0.0,
) -> Any:
    """Hours [h] of a full charge from `soc0` by a charger of `charger_a` [A]; without handling.

    `i_max_c` [1/h] limits the current to that share of the capacity; the voltage limit is met at `1 - beta I/C`; the tail
    decays with `beta/eta_cv` to `min(tail_c C, I/2)`; then the hold; never less than `min_h`.
    """
    capacity = require_capacity(capacity_ah)
    start = require_soc(soc0, "soc0")
    current = require_current(charger_a, "charger_a")
    if i_max_c is not None:
        current = np.minimum(current, require_current(i_max_c, "i_max_c") * capacity)
    beta = require_not_negative(beta_h, "negative_duration", "beta_h")
    bulk = require_positive(eta_bulk, "rate_not_positive", "eta_bulk")
    absorb = require_positive(eta_cv, "rate_not_positive", "eta_cv")
    tail = require_positive(tail_c, "current_not_positive", "tail_c")
    hold = require_not_negative(hold_h, "negative_duration", "hold_h")
    least = require_not_negative(min_h, "negative_duration", "min_h")
    return as_given(np.maximum(_cccv_hours(capacity, start, current, beta, bulk, absorb, tail) + hold, least))


@dataclass(frozen=True)
class Phases:
    """The course of a charge at constant current, then constant voltage; numbers or arrays of one shape.

    `bulk_h` [h] at `bulk_a` [A]; `tail_h` [h] while the current falls from `tail_start_a` to `tail_end_a` [A] with the time
    constant `tau_h` [h].
    """

    bulk_h: FloatArray
    tail_h: FloatArray
    bulk_a: FloatArray
    tail_start_a: FloatArray
    tail_end_a: FloatArray
    tau_h: FloatArray


def cccv_phases(
    capacity_ah: FloatArray,
    soc0: FloatArray,
    current_a: FloatArray,
    *,
    beta_h: FloatArray,
    eta_bulk: FloatArray,
    eta_cv: FloatArray,
    tail_c: FloatArray,
) -> Phases:
    """Bulk and tail of a charge; the limits are those of `charge_time`, which refuses what is not sensible."""
    at_limit = 1.0 - beta_h * current_a / capacity_ah
    bulk_h = np.maximum(0.0, (at_limit - soc0) * capacity_ah / (eta_bulk * current_a))
    with np.errstate(divide="ignore", invalid="ignore"):
        accepted = np.where(beta_h > 0.0, (1.0 - soc0) * capacity_ah / beta_h, current_a)
        tail_start = np.where(soc0 < at_limit, current_a, np.minimum(accepted, current_a))
        tail_end = np.minimum(tail_c * capacity_ah, 0.5 * current_a)
        tau_h = beta_h / eta_cv
        tail_h = np.where(tail_start > tail_end, tau_h * np.log(tail_start / tail_end), 0.0)
    return Phases(
        as_array(bulk_h),
        as_array(tail_h),
        as_array(current_a),
        as_array(tail_start),
        as_array(tail_end),
        as_array(tau_h),
    )


def _cccv_hours(
    capacity: FloatArray,
    start: FloatArray,
    current: FloatArray,
    beta: FloatArray,
    bulk: FloatArray,
    absorb: FloatArray,
    tail: FloatArray,
) -> FloatArray:
    phases = cccv_phases(capacity, start, current, beta_h=beta, eta_bulk=bulk, eta_cv=absorb, tail_c=tail)
    return as_array(phases.bulk_h + phases.tail_h)


def nickel_charge_time(
    capacity_ah: Any, soc0: Any, charger_a: Any, *, charge_factor: Any = 1.5, i_max_c: Any = None
) -> Any:
    """Hours [h] of a nickel charge: `charge factor x deficit x C / I` at constant current."""
    capacity = require_capacity(capacity_ah)
    deficit = 1.0 - require_soc(soc0, "soc0")
    current = require_current(charger_a, "charger_a")
    if i_max_c is not None:
        current = np.minimum(current, require_current(i_max_c, "i_max_c") * capacity)
    return as_given(
        require_positive(charge_factor, "rate_not_positive", "charge_factor") * deficit * capacity / current
    )


def chemistry_charge_time(record: Chemistry, capacity_ah: Any, soc0: Any, charger_a: Any) -> Any:
    """Hours [h] of a full charge with the table's constants for this chemistry."""
    if record.is_nickel:
        hours = nickel_charge_time(
            capacity_ah, soc0, charger_a, charge_factor=record.charge_factor, i_max_c=record.i_charge_max_c
        )
        return as_given(np.maximum(hours, record.min_refresh_h))
    return charge_time(
        capacity_ah,
        soc0,
        charger_a,
        i_max_c=record.i_charge_max_c,
        beta_h=record.beta_h,
        eta_bulk=record.eta_bulk,
        eta_cv=record.eta_cv,
        tail_c=record.tail_c,
        hold_h=record.hold_h,
        min_h=record.min_refresh_h,
    )


def fleet_charge_hours(
    chem: IntArray, capacity_ah: FloatArray, soc0: FloatArray, charger_a: FloatArray
) -> FloatArray:
    """Hours [h] of a full charge for many banks of mixed chemistry; NaN where capacity, charger or state is not known."""
    column = {
        name: chemistry_column(name)[chem] for name in ("beta_h", "eta_bulk", "eta_cv", "tail_c", "hold_h")
    }
    current = np.minimum(charger_a, chemistry_column("i_charge_max_c")[chem] * capacity_ah)
    start = np.clip(soc0, 0.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_voltage = (
            _cccv_hours(
                capacity_ah,
                start,
                current,
                column["beta_h"],
                column["eta_bulk"],
                column["eta_cv"],
                column["tail_c"],
            )
            + column["hold_h"]
        )
        by_current = chemistry_column("charge_factor")[chem] * (1.0 - start) * capacity_ah / current
    hours = np.where(np.isnan(column["beta_h"]), by_current, by_voltage)
    known = (capacity_ah > 0.0) & (charger_a > 0.0) & np.isfinite(soc0)
    return np.where(known, np.maximum(hours, chemistry_column("min_refresh_h")[chem]), np.nan)


def charge_hours_unstated(capacity_ah: FloatArray, soc0: FloatArray, charger_a: FloatArray) -> FloatArray:
    """Bits of `Unstated` for each bank whose `fleet_charge_hours` are not known; NaN where they are."""
    bits = (
        np.where(capacity_ah > 0.0, 0, int(Unstated.CAPACITY))
        + np.where(charger_a > 0.0, 0, int(Unstated.CHARGER))
        + np.where(np.isfinite(soc0), 0, int(Unstated.CHARGE_STATE))
    )
    return as_array(np.where(bits > 0, bits, np.nan))
