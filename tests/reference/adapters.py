"""From a case to the public function that pages and sweep call; neither expected values nor case ids are seen here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from readiness.domain import charging, fusion, gravity, rest_voltage, self_discharge, upkeep
from readiness.domain.errors import RejectedInput
from tests.reference.adapters_battery import CHARGING
from tests.reference.adapters_bays import BAYS
from tests.reference.adapters_carriage import carriage
from tests.reference.adapters_goods import dangerous_goods
from tests.reference.adapters_site import SITE
from tests.reference.adapters_stores import STORES, WEAR

Inputs = dict[str, Any]
RATE_NAMES = ("pct_per_month_ref", "ref_c", "doubling_k", "law", "ea_kj_mol")
LOSS_NAMES = (*RATE_NAMES, "decay", "capacity_ah", "parasitic_ma", "initial_drop_frac")
RULE_NAMES = ("base_days", "base_c", "doubling_k", "cap_days")


def _some(inputs: Inputs, *names: str) -> Inputs:
    """The named inputs that the case gives; what it does not give is the function's own default."""
    return {name: inputs[name] for name in names if inputs.get(name) is not None}


def _series(inputs: Inputs) -> tuple[list[float], list[float]]:
    return [step["days"] for step in inputs["series"]], [step["temp_c"] for step in inputs["series"]]


def _ocv_to_soc(i: Inputs) -> Any:
    return rest_voltage.ocv_to_soc(i["chemistry"], i["v"], **_some(i, "cells", "temp_c", "rest_h"))


def _ocv_soc_band(i: Inputs) -> Any:
    return rest_voltage.ocv_soc_band(i["chemistry"], i["v_cell"], **_some(i, "band_mv", "temp_c"))


def _soc_to_ocv(i: Inputs) -> Any:
    return rest_voltage.soc_to_ocv(i["chemistry"], i["soc"], **_some(i, "cells", "temp_c"))


def _activation_energy(i: Inputs) -> Any:
    return self_discharge.activation_energy(i["t1_c"], **_some(i, "t2_c", "rate_ratio", "doubling_k"))


def _soc_after(i: Inputs) -> Any:
    return self_discharge.soc_after(i["soc0"], *_series(i), **_some(i, *LOSS_NAMES))


def _days_to_floor(i: Inputs) -> Any:
    return self_discharge.days_to_floor(i["soc0"], i["floor"], i["temp_c"], **_some(i, *LOSS_NAMES))


def _equiv_days(i: Inputs) -> Any:
    return self_discharge.equiv_days(*_series(i), **_some(i, "ref_c", "doubling_k", "law", "ea_kj_mol"))


def _interval_used(i: Inputs) -> Any:
    return upkeep.interval_used(*_series(i), **_some(i, *RULE_NAMES))


def _days_until_due(i: Inputs) -> Any:
    allowed = upkeep.interval_days(i["temp_c"], **_some(i["rule"], *RULE_NAMES))
    return upkeep.days_until_due(_days_to_floor(i), i.get("interval_used", 0.0), allowed)


def _charge_time(i: Inputs) -> Any:
    names = ("i_max_c", "beta_h", "eta_bulk", "eta_cv", "tail_c", "hold_h", "min_h")
    return charging.charge_time(i["capacity_ah"], i["soc0"], i["charger_a"], **_some(i, *names))


def _fuse_soc(i: Inputs) -> Any:
    return fusion.fuse_soc(i["soc_model"], i["sigma_model"], i.get("soc_ocv"), i.get("sigma_ocv"))


BUILT: dict[str, dict[str, Callable[[Inputs], Any]]] = {
    "battery": {
        "ocv_to_soc": _ocv_to_soc,
        "ocv_soc_band": _ocv_soc_band,
        "soc_to_ocv": _soc_to_ocv,
        "sg_correct": lambda i: gravity.sg_correct(
            i["sg_obs"], i["temp_c"], **_some(i, "ref_c", "coef_per_k")
        ),
        "sg_to_soc": lambda i: gravity.sg_to_soc(i["sg_ref"], **_some(i, "sg_full", "sg_empty")),
        "freeze_point": lambda i: gravity.freeze_point(i["sg"]),
        "rate_at": lambda i: self_discharge.rate_at(i["temp_c"], **_some(i, *RATE_NAMES)),
        "activation_energy": _activation_energy,
        "soc_after": _soc_after,
        "kinetic_mean_temp": lambda i: self_discharge.kinetic_mean_temp(*_series(i), **_some(i, "ea_kj_mol")),
        "equiv_days": _equiv_days,
        "days_to_floor": _days_to_floor,
        "parasitic_pct_month": lambda i: self_discharge.parasitic_pct_month(i["ma"], i["capacity_ah"]),
        "interval_days": lambda i: upkeep.interval_days(i["temp_c"], **_some(i, *RULE_NAMES)),
        "interval_used": _interval_used,
        "days_until_due": _days_until_due,
        "charge_time": _charge_time,
        "fuse_soc": _fuse_soc,
        **BAYS,
        **CHARGING,
    },
    "carriage": {"carriage": carriage},
    "dangerous_goods": {"dangerous_goods": dangerous_goods},
    "replenishment": STORES,
    "water_energy": {**WEAR, **SITE},
}


def answer(topic: str, kind: str, inputs: Inputs) -> Any:
    """The product's answer; a refusal is the text `reject:` and its key. LookupError for a kind that is not built."""
    function = BUILT[topic][kind]
    try:
        return function(inputs)
    except RejectedInput as refusal:
        return f"reject:{refusal.key}"
