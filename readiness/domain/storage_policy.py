"""Lithium in store: half full to last, full to go, 30 % to fly by itself. What each choice costs, said side by side.

Nobody can have all three: the choice is the owner's, per depot and chemistry. A policy that cannot be ready within the
depot's lead time (queue for a bay, then the charge) does not pass.

References: store at 0.30 to 0.60 (rack and pack manuals); calendar loss as in `battery_life`, each fit for one cell type,
for ranking and not for a warranty; state of charge by air as in `air_charge`; reference documents in `tables/SOURCES.md`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from readiness.domain.air_charge import AIR_SOC
from readiness.domain.battery_life import lfp_calendar_loss, nmc_calendar_loss
from readiness.domain.charge_checks import ChargeCheck, at_most, known
from readiness.domain.charge_times import charge_courses
from readiness.domain.charging import CHARGE_WORK_H
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import LITHIUM, chemistry, chemistry_index
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    FloatArray,
    as_array,
    require_capacity,
    require_current,
    require_duration,
    require_soc,
    require_temp,
)
from readiness.domain.rest_voltage import soc_to_ocv

STORE, READY, AIR = "store", "ready", "air"
READY_SOC = 1.0
TOP_UP_BELOW = 0.10
DAYS_PER_YEAR = 365.0
SOURCE = (
    "Storage at 30 to 60 %: lithium rack and pack manuals; calendar loss: Schimpe et al. 2018 (LFP), Schmalstieg et al. "
    "2014 (NMC, from memory), each for one cell type; 30 % by air: ICAO Technical Instructions"
)


def top_up_level(kept_soc: Any, floor_soc: Any) -> FloatArray:
    """Charge state [1] below which a bank kept at `kept_soc` is charged again: 10 points under it, never under its floor.

    NaN where nothing was chosen. Own rule: less would have a crew charge every few weeks, more would give the choice away.
    """
    kept, floor = as_array(kept_soc), as_array(floor_soc)
    level = np.maximum(kept - TOP_UP_BELOW, np.where(np.isnan(floor), 0.0, floor))
    return as_array(np.where(np.isnan(kept), np.nan, np.minimum(level, np.maximum(kept, floor))))


@dataclass(frozen=True, slots=True)
class PolicyCost:
    """One way to keep a lithium bank.

    `soc` what it is kept at; `ready_h` hours of queue, handling and charge until it may leave with `depart_soc` (None: not
    known); `fly_h` hours until it is down to what it may fly with by itself (0: it is; None: no load bank is known);
    `arrives_short_soc` how much it lacks for its work if it flies so; `loss_pct_year` capacity lost in the first year by
    standing so [%], `extra_pct_year` against the gentlest policy here.
    """

    policy: str
    soc: float
    ready_h: float | None
    fly_h: float | None
    arrives_short_soc: float
    loss_pct_year: float
    extra_pct_year: float
    checks: tuple[ChargeCheck, ...]
    missing: tuple[str, ...]
    source: str

    @property
    def outcome(self) -> CheckOutcome:
        return self.checks[0].outcome


def policy_costs(
    code: str,
    capacity_ah: float,
    *,
    month_mean_c: FloatArray,
    depart_soc: float,
    charger_a: float | None,
    lead_time_h: float | None,
    bay_queue_h: float | None,
    load_a: float | None = None,
    store_soc: float | None = None,
) -> tuple[PolicyCost, PolicyCost, PolicyCost]:
    """The policies store, ready and air for one lithium bank of `capacity_ah` [Ah].

    `month_mean_c` twelve means where it stands [degC]; `charger_a` [A]; `lead_time_h` the notice the depot gives [h],
    `bay_queue_h` the wait for a bay [h]; `load_a` a load bank's current [A]; `store_soc` instead of the chemistry's target.
    What is not known leaves the policy undecided. Raises RejectedInput: unknown_chemistry, not_lithium,
    capacity_not_positive, soc_out_of_range, temp_out_of_range, current_not_positive, negative_duration, series_uneven.
    """
    record = chemistry(code)
    if record.family != LITHIUM:
        raise RejectedInput("not_lithium", chemistry=code)
    capacity = float(require_capacity(capacity_ah))
    leaves = float(require_soc(depart_soc, "depart_soc"))
    temps = require_temp(month_mean_c, "month_mean_c")
    if temps.shape != (12,):
        raise RejectedInput("series_uneven", month_mean_c=temps.size)
    half = record.store_soc_target if store_soc is None else float(require_soc(store_soc, "store_soc"))
    kept = {STORE: half, READY: max(READY_SOC, leaves), AIR: AIR_SOC}
    losses = {policy: _year_loss(code, soc, temps) for policy, soc in kept.items()}
    gentlest = min(losses.values())

    def cost(policy: str) -> PolicyCost:
        soc = kept[policy]
        missing = []
        hours: float | None = 0.0
        if soc < leaves:
            charge = _charge_h(code, capacity, soc, charger_a)
            queue = (
                None if known(bay_queue_h) is None else float(require_duration(bay_queue_h, "bay_queue_h"))
            )
            missing += ["charger_a"] if charge is None else []
            missing += ["bay_queue_h"] if queue is None else []
            hours = None if charge is None or queue is None else queue + CHARGE_WORK_H + charge
        missing += ["lead_time_h"] if known(lead_time_h) is None else []
        return PolicyCost(
            policy,
            soc,
            hours,
            _fly_h(soc, capacity, load_a),
            max(0.0, leaves - min(soc, AIR_SOC)),
            losses[policy],
            losses[policy] - gentlest,
            (at_most("ready_in_time", hours, lead_time_h, "h", SOURCE, missing=missing),),
            tuple(missing),
            SOURCE,
        )

    return cost(STORE), cost(READY), cost(AIR)


def _charge_h(code: str, capacity: float, soc: float, charger_a: float | None) -> float | None:
    """Hours of a full charge: a bank that is to leave is charged to its end sign, not to a guess of the charge state."""
    if known(charger_a) is None:
        return None
    current = np.array([float(require_current(charger_a, "charger_a"))])
    course = charge_courses(
        np.array([chemistry_index()[code]]), np.array([capacity]), np.array([soc]), current, np.ones(1)
    )
    return float(course.total_h[0])


def _fly_h(soc: float, capacity: float, load_a: float | None) -> float | None:
    if soc <= AIR_SOC + 1e-9:
        return 0.0
    if known(load_a) is None:
        return None
    return CHARGE_WORK_H + (soc - AIR_SOC) * capacity / float(require_current(load_a, "load_a"))


def _year_loss(code: str, soc: float, temps: FloatArray) -> float:
    """First-year loss [%] at a place: the year's loss at each month's mean, averaged: the warm months weigh most."""
    if code == "lfp":
        yearly = lfp_calendar_loss(soc, temps, DAYS_PER_YEAR)
    else:
        yearly = nmc_calendar_loss(soc_to_ocv(code, soc), temps, DAYS_PER_YEAR)
    return float(np.mean(yearly))
