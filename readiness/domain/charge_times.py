"""The course of a charge: hours of each phase, what it takes from the wall, and how much power when.

Time counts from the low end of the charge state, energy and power from the highest voltage the bank is charged with: each is
the end that does harm to a plan. The hours are those of `charging.fleet_charge_hours`; here they come with their phases.

References: constant current, then constant voltage, then hold, fitted to a published recharge chart (S3 manual B); energy
`Ah removed x charge factor x cells x V / charger efficiency`; charge factors S3 and S11, charger efficiency 0.85 to 0.93;
see `tables/SOURCES.md`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from readiness.domain.charging import (
    CHARGE_WORK_H,
    cccv_phases,
    charge_hours_unstated,
    fleet_charge_hours,
)
from readiness.domain.chemistry import chemistry_column
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    FloatArray,
    IntArray,
    as_array,
    as_given,
    require_not_negative,
    require_positive,
)
from readiness.domain.rest_voltage import is_lithium

CHARGER_EFFICIENCY = 0.85
# Nickel has no voltage limit in the table; a cell shows at most this at the end of its charge (from memory).
NICKEL_END_V_CELL = 1.60
SOURCE = (
    "Charge time: constant current, constant voltage and hold, fitted to a published VRLA recharge chart; energy: charge "
    "factors of battery product literature, charger efficiency 0.85 where none is stated (0.85 to 0.93 is usual)"
)


def charge_energy_ac(
    removed_ah: Any,
    *,
    cells: Any,
    v_cell_avg: Any,
    charge_factor: Any = 1.10,
    eta_charger: Any = CHARGER_EFFICIENCY,
) -> Any:
    """Energy from the wall [kWh] that returns `removed_ah` [Ah]: `Ah x CF x n x V / 1000 / eta`.

    Example of the reference: 150 Ah x 1.10 x 12 x 2.40 V / 0.87 = 5.46 kWh.
    """
    removed = require_not_negative(removed_ah, "negative_load", "removed_ah")
    factor = require_positive(charge_factor, "rate_not_positive", "charge_factor")
    number = require_positive(cells, "cells_not_positive", "cells")
    volts = require_positive(v_cell_avg, "voltage_not_positive", "v_cell_avg")
    return as_given(removed * factor * number * volts / 1000.0 / require_efficiency(eta_charger))


def require_efficiency(value: Any, name: str = "eta_charger") -> FloatArray:
    """An efficiency above 0 and at most 1; anything else is refused."""
    efficiency = as_array(value)
    if not bool(np.all((efficiency > 0.0) & (efficiency <= 1.0))):
        raise RejectedInput("efficiency_out_of_range", **{name: value})
    return efficiency


@dataclass(frozen=True)
class ChargeCourses:
    """The charges of n banks, arrays of n; NaN where it cannot be told, and then `unstated` says why (bits of `Unstated`).

    `total_h` [h] is bulk, tail, hold and, where they are shorter than the least time of the chemistry, the wait up to it;
    without handling, which is `handling_h`. `start_a` [A] is what flows at first, `end_a` when the tail ends; `tau_h` the
    tail's time constant (0: no tail). `removed_ah` what is missing, `wall_kwh` what the supply gives for it, `start_kw` the
    most it gives at once, `end_kw` during the hold. `v_charge` [V] the bank's highest charging voltage.
    """

    total_h: FloatArray
    bulk_h: FloatArray
    tail_h: FloatArray
    hold_h: FloatArray
    wait_h: FloatArray
    start_a: FloatArray
    end_a: FloatArray
    tau_h: FloatArray
    removed_ah: FloatArray
    wall_kwh: FloatArray
    start_kw: FloatArray
    end_kw: FloatArray
    v_charge: FloatArray
    unstated: FloatArray
    handling_h: float = CHARGE_WORK_H
    source: str = SOURCE

    def current_a(self, hours: Any) -> FloatArray:
        """Current [A] after `hours` [h] on charge, shape (banks, hours); 0 before the start and after the end."""
        at = np.atleast_1d(as_array(hours))[None, :]
        into_tail = at - self.bulk_h[:, None]
        tau = np.where(self.tau_h > 0.0, self.tau_h, 1.0)[:, None]
        tail = self.start_a[:, None] * np.exp(-np.maximum(into_tail, 0.0) / tau)
        in_tail = np.maximum(
            np.where(self.tau_h[:, None] > 0.0, tail, self.start_a[:, None]), self.end_a[:, None]
        )
        flowing = np.where(into_tail <= 0.0, self.start_a[:, None], in_tail)
        return np.where((at >= 0.0) & (at < self.total_h[:, None]), flowing, 0.0)

    def wall_kw(self, hours: Any) -> FloatArray:
        """Power from the wall [kW] after `hours` [h], shape (banks, hours).

        It falls with time, so the start of a slot is its highest.
        """
        with np.errstate(invalid="ignore"):
            share = self.current_a(hours) / self.start_a[:, None]
        return share * self.start_kw[:, None]


def charge_courses(
    chem: IntArray,
    capacity_ah: FloatArray,
    low_soc: FloatArray,
    charger_a: FloatArray,
    cells: FloatArray,
    *,
    to_soc: FloatArray | None = None,
    v_cell: FloatArray | None = None,
    eta_charger: FloatArray | float = CHARGER_EFFICIENCY,
) -> ChargeCourses:
    """The courses of n charges, each from the low end `low_soc` [1] by a charger of `charger_a` [A].

    `charger_a` is limited to the most that the chemistry takes. `to_soc`: only lithium is put away at less than full; it
    then takes the way up to there. `v_cell` [V] the bank's own highest charging voltage per cell; NaN or left out: that of
    the table.
    """
    count = len(chem)
    cap, start = as_array(capacity_ah), np.clip(as_array(low_soc), 0.0, 1.0)
    efficiency = require_efficiency(eta_charger)
    column = {
        name: chemistry_column(name)[chem]
        for name in ("beta_h", "eta_bulk", "eta_cv", "tail_c", "hold_h", "charge_factor", "min_refresh_h")
    }
    current = np.minimum(as_array(charger_a), chemistry_column("i_charge_max_c")[chem] * cap)
    goal = np.ones(count) if to_soc is None else np.clip(as_array(to_soc), 0.0, 1.0)
    part = is_lithium(chem) & (goal < 1.0)
    by_current = np.isnan(column["beta_h"])
    with np.errstate(divide="ignore", invalid="ignore"):
        phases = cccv_phases(
            cap, start, current,
            beta_h=column["beta_h"], eta_bulk=column["eta_bulk"], eta_cv=column["eta_cv"], tail_c=column["tail_c"],
        )  # fmt: skip
        plain_h = np.where(
            part,
            np.maximum(goal - start, 0.0) * cap / (column["eta_bulk"] * current),
            column["charge_factor"] * (1.0 - start) * cap / current,
        )
    steady = part | by_current
    unstated = charge_hours_unstated(cap, as_array(low_soc), as_array(charger_a))
    known = np.isnan(unstated)

    def told(values: FloatArray) -> FloatArray:
        return np.where(known, values, np.nan)

    bulk_h = told(np.where(steady, plain_h, phases.bulk_h))
    tail_h = told(np.where(steady, 0.0, phases.tail_h))
    hold_h = told(np.where(steady, 0.0, column["hold_h"]))
    least_h = np.maximum(bulk_h + tail_h + hold_h, column["min_refresh_h"])
    total_h = np.where(
        part, told(least_h), fleet_charge_hours(chem, cap, as_array(low_soc), as_array(charger_a))
    )
    start_a = told(np.where(steady | (phases.bulk_h > 0.0), current, phases.tail_start_a))
    end_a = told(np.where(steady, current, np.minimum(phases.tail_end_a, start_a)))
    top_v = _table_v_cell(chem) if v_cell is None else np.where(np.isnan(v_cell), _table_v_cell(chem), v_cell)
    bank_v = top_v * as_array(cells)
    removed = told(np.where(part, np.maximum(goal - start, 0.0), 1.0 - start) * cap)
    per_a = bank_v / 1000.0 / efficiency
    return ChargeCourses(
        total_h=total_h,
        bulk_h=bulk_h,
        tail_h=tail_h,
        hold_h=hold_h,
        wait_h=np.maximum(total_h - bulk_h - tail_h - hold_h, 0.0),
        start_a=start_a,
        end_a=end_a,
        tau_h=np.where(steady, 0.0, phases.tau_h),
        removed_ah=removed,
        wall_kwh=removed * column["charge_factor"] * per_a,
        start_kw=start_a * per_a,
        end_kw=end_a * per_a,
        v_charge=bank_v,
        unstated=unstated,
    )


def _table_v_cell(chem: IntArray) -> FloatArray:
    """Highest charging voltage per cell of the table [V]."""
    top = chemistry_column("absorb_v_cell_max")[chem]
    return np.where(np.isnan(top), NICKEL_END_V_CELL, top)
