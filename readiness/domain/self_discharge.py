"""How fast a standing bank empties: temperature law, loss over a temperature record, time to a floor.

Rates are percent of capacity per 30 days, durations days, temperatures degrees Celsius, charge states 0..1 of the actual
capacity. Functions take plain numbers or arrays (element by element) unless they say otherwise.

References: US Army TM 9-6140-200-14 (1998) para 4-8c (rate against temperature); doubling and Arrhenius forms as usual in
battery literature; documents in `tables/SOURCES.md`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from readiness.domain.chemistry import CONSTANT, FIRST_ORDER
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    DAYS_PER_MONTH,
    GAS_CONSTANT_J_MOL_K,
    KELVIN_0C,
    FloatArray,
    as_array,
    as_given,
    require_capacity,
    require_load,
    require_not_negative,
    require_positive,
    require_series,
    require_soc,
    require_temp,
)

DOUBLING = "doubling"
ARRHENIUS = "arrhenius"
DEFAULT_DOUBLING_K = 10.0
PESSIMISTIC_DOUBLING_K = 8.0
PESSIMISTIC_ABOVE_C = 25.0
Column = Sequence[float] | FloatArray


def activation_energy(t1_c: Any, t2_c: Any = None, rate_ratio: Any = 2.0, *, doubling_k: Any = None) -> Any:
    """Activation energy [kJ/mol] from the ratio of the rates at two temperatures [degC].

    With `doubling_k` [K] instead of `t2_c`: the energy that doubles the rate from `t1_c` to `t1_c + doubling_k`.
    """
    start_c = require_temp(t1_c, "t1_c")
    if t2_c is None:
        step_k = require_positive(
            DEFAULT_DOUBLING_K if doubling_k is None else doubling_k, "doubling_not_positive", "doubling_k"
        )
        end_c = start_c + step_k
    else:
        end_c = require_temp(t2_c, "t2_c")
    ratio = require_positive(rate_ratio, "rate_not_positive", "rate_ratio")
    if np.any(start_c == end_c):
        raise RejectedInput("same_temperature", t1_c=t1_c, t2_c=t2_c)
    inverse_span = 1.0 / (start_c + KELVIN_0C) - 1.0 / (end_c + KELVIN_0C)
    return as_given(GAS_CONSTANT_J_MOL_K * np.log(ratio) / inverse_span / 1000.0)


def rate_factor(
    temp_c: Any, *, ref_c: Any = 20.0, doubling_k: Any = None, law: str | None = None, ea_kj_mol: Any = None
) -> Any:
    """Rate at `temp_c` over the rate at `ref_c` [1].

    `law` is 'doubling' (per `doubling_k` kelvin, 10 unless given) or 'arrhenius' (with `ea_kj_mol`, else the energy that
    the doubling step means at the reference temperature). Without `law`, an activation energy given alone decides.
    """
    at_c = require_temp(temp_c)
    from_c = require_temp(ref_c, "ref_c")
    if law is None:
        law = ARRHENIUS if ea_kj_mol is not None and doubling_k is None else DOUBLING
    if law == DOUBLING:
        step_k = require_positive(
            DEFAULT_DOUBLING_K if doubling_k is None else doubling_k, "doubling_not_positive", "doubling_k"
        )
        return as_given(np.exp2((at_c - from_c) / step_k))
    if law != ARRHENIUS:
        raise RejectedInput("unknown_law", law=law)
    energy = activation_energy(from_c, doubling_k=doubling_k) if ea_kj_mol is None else ea_kj_mol
    energy_j = 1000.0 * require_not_negative(energy, "rate_not_positive", "ea_kj_mol")
    inverse_span = 1.0 / (at_c + KELVIN_0C) - 1.0 / (from_c + KELVIN_0C)
    return as_given(np.exp(-energy_j / GAS_CONSTANT_J_MOL_K * inverse_span))


def rate_at(
    temp_c: Any,
    *,
    pct_per_month_ref: Any,
    ref_c: Any = 20.0,
    doubling_k: Any = None,
    law: str | None = None,
    ea_kj_mol: Any = None,
) -> Any:
    """Self-discharge [% of capacity per 30 d] at `temp_c`."""
    reference = require_not_negative(pct_per_month_ref, "rate_not_positive", "pct_per_month_ref")
    factor = rate_factor(temp_c, ref_c=ref_c, doubling_k=doubling_k, law=law, ea_kj_mol=ea_kj_mol)
    return as_given(reference * factor)


def pessimistic_factor(temp_c: Any, *, ref_c: Any, doubling_k: Any) -> Any:
    """Rate over the reference rate [1] when the worse of two laws counts: above 25 degC a rate doubles per 8 K.

    Source: battery_chemistries.csv; 8 K from flooded gas evolution and TM 9-6140-200-14 (26.7 to 37.8 degC).
    """
    at_c = as_array(temp_c)
    above_k = np.maximum(at_c - PESSIMISTIC_ABOVE_C, 0.0)
    below = np.exp2((at_c - above_k - ref_c) / doubling_k)
    return as_given(below * np.exp2(above_k / np.minimum(doubling_k, PESSIMISTIC_DOUBLING_K)))


def age_factor(age_years: Any, design_life_years: Any, end_of_life_factor: Any) -> Any:
    """How much faster an aged bank empties [1]: `1 + (a_end - 1) age / design life`; an unknown age is the end of life."""
    share = np.maximum(as_array(age_years), 0.0) / as_array(design_life_years)
    share = np.where(np.isfinite(share), share, 1.0)
    return as_given(1.0 + (as_array(end_of_life_factor) - 1.0) * share)


def parasitic_pct_month(ma: Any, capacity_ah: Any) -> Any:
    """What a standing draw [mA] takes from `capacity_ah` [Ah] in 30 days [%]: 72 mA/Ah."""
    return as_given(72.0 * require_load(ma) / require_capacity(capacity_ah))


def load_per_day(parasitic_ma: Any, capacity_ah: Any) -> FloatArray:
    """The same as a share of the capacity [1/d]; a load of 0, or None, needs no capacity."""
    load_ma = require_load(0.0 if parasitic_ma is None else parasitic_ma)
    if capacity_ah is None:
        if np.any(load_ma > 0.0):
            raise RejectedInput("capacity_not_positive", capacity_ah=None)
        return as_array(np.zeros_like(load_ma))
    return as_array(parasitic_pct_month(load_ma, capacity_ah)) / 100.0 / DAYS_PER_MONTH


def _require_fraction(value: Any) -> FloatArray:
    fraction = as_array(0.0 if value is None else value)
    if not np.all((fraction >= 0.0) & (fraction <= 1.0)):
        raise RejectedInput("fraction_out_of_range", initial_drop_frac=value)
    return fraction


def step_loss(soc: Any, rate_days: Any, load_days: Any, *, first_order: Any) -> FloatArray:
    """Charge state lost [1] over one step of steady temperature.

    `rate_days` is the self-discharge rate [1/d] times the days, `load_days` the standing load [1/d] times the same days.
    Constant law: both simply add. First-order law: `dS/dt = -k S - p`, solved exactly for the step.
    """
    state, decay, load = as_array(soc), as_array(rate_days), as_array(load_days)
    kept = -np.expm1(-decay)
    load_share = np.where(decay > 1e-12, kept / np.where(decay > 1e-12, decay, 1.0), 1.0)
    exponential = state * kept + load * load_share
    return np.where(first_order, exponential, decay + load)


def soc_after(
    soc0: float,
    days: Column,
    temp_c: Column,
    *,
    pct_per_month_ref: float,
    capacity_ah: float | None = None,
    ref_c: float = 20.0,
    doubling_k: float | None = None,
    law: str | None = None,
    ea_kj_mol: float | None = None,
    decay: str = CONSTANT,
    parasitic_ma: float | None = None,
    initial_drop_frac: float | None = None,
) -> float:
    """Charge state after a temperature record (`days` [d] at `temp_c` [degC], in order), never below 0.

    `decay` is 'constant' (lead-acid, lithium) or 'first_order' (nickel); `initial_drop_frac` is what nickel-metal hydride
    loses in its first day.
    """
    start = float(require_soc(soc0, "soc0"))
    durations, temperatures = require_series(days, temp_c)
    load = float(load_per_day(parasitic_ma, capacity_ah))
    drop = float(_require_fraction(initial_drop_frac))
    if decay not in (CONSTANT, FIRST_ORDER):
        raise RejectedInput("unknown_decay", decay=decay)
    rates = as_array(
        rate_at(
            temperatures,
            pct_per_month_ref=pct_per_month_ref,
            ref_c=ref_c,
            doubling_k=doubling_k,
            law=law,
            ea_kj_mol=ea_kj_mol,
        )
    )
    per_day = rates / 100.0 / DAYS_PER_MONTH
    state = start * (1.0 - drop) if durations.sum() > 0.0 else start
    for step_days, rate in zip(durations, per_day, strict=True):
        loss = step_loss(state, rate * step_days, load * step_days, first_order=decay == FIRST_ORDER)
        state = max(0.0, state - float(loss))
    return state


def equiv_days(
    days: Column,
    temp_c: Column,
    *,
    ref_c: float = 20.0,
    doubling_k: float | None = None,
    law: str | None = None,
    ea_kj_mol: float | None = None,
) -> float:
    """Days at the reference temperature that lose as much as the record does: `sum dt k(T)/k_ref` [d]."""
    durations, temperatures = require_series(days, temp_c)
    factors = rate_factor(temperatures, ref_c=ref_c, doubling_k=doubling_k, law=law, ea_kj_mol=ea_kj_mol)
    return float(np.sum(durations * factors))


def kinetic_mean_temp(days: Column, temp_c: Column, *, ea_kj_mol: float = 51.2) -> float:
    """The one temperature [degC] that loses as much as the record: `-(Ea/R) / ln(mean exp(-Ea/(R T)))`."""
    durations, temperatures = require_series(days, temp_c)
    energy_j = 1000.0 * float(require_positive(ea_kj_mol, "rate_not_positive", "ea_kj_mol"))
    if durations.sum() <= 0.0:
        raise RejectedInput("series_empty", days=float(durations.sum()))
    exponents = np.exp(-energy_j / GAS_CONSTANT_J_MOL_K / (temperatures + KELVIN_0C))
    mean = float(np.average(exponents, weights=durations))
    return float(-energy_j / GAS_CONSTANT_J_MOL_K / np.log(mean) - KELVIN_0C)


def days_to_floor(
    soc0: Any,
    floor: Any,
    temp_c: Any,
    *,
    pct_per_month_ref: Any,
    capacity_ah: Any = None,
    ref_c: Any = 20.0,
    doubling_k: Any = None,
    law: str | None = None,
    ea_kj_mol: Any = None,
    decay: str = CONSTANT,
    parasitic_ma: Any = None,
    initial_drop_frac: Any = None,
) -> Any:
    """Days [d] until the charge state meets the floor at one temperature; 0 at or under it, infinite if nothing is lost."""
    start = require_soc(soc0, "soc0")
    limit = require_soc(floor, "floor")
    if decay not in (CONSTANT, FIRST_ORDER):
        raise RejectedInput("unknown_decay", decay=decay)
    percent = rate_at(
        temp_c,
        pct_per_month_ref=pct_per_month_ref,
        ref_c=ref_c,
        doubling_k=doubling_k,
        law=law,
        ea_kj_mol=ea_kj_mol,
    )
    rate = as_array(percent) / 100.0 / DAYS_PER_MONTH
    load = load_per_day(parasitic_ma, capacity_ah)
    start = start * (1.0 - _require_fraction(initial_drop_frac))
    with np.errstate(divide="ignore", invalid="ignore"):
        if decay == FIRST_ORDER:
            held = load / rate
            by_decay = np.log((start + held) / (limit + held)) / rate
            days = np.where(rate > 0.0, by_decay, (start - limit) / load)
        else:
            days = (start - limit) / (rate + load)
    return as_given(np.where(start <= limit, 0.0, days))
