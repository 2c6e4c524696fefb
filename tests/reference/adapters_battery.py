"""Cases of charging, ageing and tests: from a case's inputs to the public function that pages call."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from readiness.domain import (
    battery_life,
    charge_inhibits,
    charge_settings,
    charge_supply,
    charge_times,
    ventilation,
)
from readiness.domain.air_charge import air_soc_ok

Inputs = dict[str, Any]


def _some(inputs: Inputs, **names: str) -> Inputs:
    """The inputs that the case gives, by the function's name for each (`argument="name in the case"`)."""
    return {own: inputs[name] for own, name in names.items() if inputs.get(name) is not None}


def _charge_voltage(i: Inputs) -> Any:
    clamps = _some(i, clamp_low_c="clamp_lo_c", clamp_high_c="clamp_hi_c", comp_mv_cell_k="comp_mv_cell_k")
    return charge_settings.charge_voltage(i["v_cell_25c"], i["cells"], i["temp_c"], **clamps)


def _charge_energy_ac(i: Inputs) -> Any:
    given = _some(i, charge_factor="charge_factor", eta_charger="eta_charger")
    return charge_times.charge_energy_ac(
        i["removed_ah"], cells=i["cells"], v_cell_avg=i["v_cell_avg"], **given
    )


def _breaker_min(i: Inputs) -> Any:
    given = _some(i, pf="pf", hours="hours", phases="phases")
    return charge_supply.breaker_min(i["ac_watts"], i["volts"], **given)


def _air_soc_ok(i: Inputs) -> Any:
    given = _some(i, wh="wh", config="config")
    return air_soc_ok(str(i["un"]), i["soc"], ship_date=date(int(i["year"]), 6, 30), **given)


CHARGING: dict[str, Callable[[Inputs], Any]] = {
    "charge_voltage": _charge_voltage,
    "charge_energy_ac": _charge_energy_ac,
    "charge_allowed": lambda i: charge_inhibits.charge_allowed(
        i["chemistry"], i["cell_temp_c"], **_some(i, sg="sg")
    ),
    "vent_flow": lambda i: ventilation.vent_flow(i["cells"], i["i_gas_ma_ah"], i["capacity_ah"]),
    "vent_area": lambda i: ventilation.vent_area(i["q_m3_h"]),
    "breaker_min": _breaker_min,
    "life_at_temp": lambda i: battery_life.life_at_temp(
        i["life_y"], i["temp_c"], **_some(i, ref_c="ref_c", halving_k="halving_k")
    ),
    "peukert_time": lambda i: battery_life.peukert_time(
        i["capacity_ah"], i["current_a"], k=i["k"], **_some(i, rated_h="rated_h")
    ),
    "cap_at_temp": lambda i: battery_life.cap_at_temp(
        i["capacity_ah"], i["temp_c"], **_some(i, lambda_per_k="lambda_per_k", ref_c="ref_c")
    ),
    "ohmic_flag": lambda i: battery_life.ohmic_flag(i["baseline_mohm"], i["now_mohm"]),
    "test_interval_months": lambda i: battery_life.months_between_tests(
        i.get("design_life_y"), i.get("capacity_pct"), i.get("prev_pct")
    ),
    "lfp_calendar_loss": lambda i: battery_life.lfp_calendar_loss(i["soc"], i["temp_c"], i["days"]),
    "nmc_calendar_loss": lambda i: battery_life.nmc_calendar_loss(i["v_cell"], i["temp_c"], i["days"]),
    "air_soc_ok": _air_soc_ok,
}
