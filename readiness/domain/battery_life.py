"""Age, tests and what is left: float and calendar life by temperature, capacity at temperature and current, test intervals.

References: float life halves per 10 K (S3); IEEE 1188 practice for tests and replacement (seen in a test-gear summary; the
annex on ohmic values from memory); temperature coefficient of capacity IEC 60896-21 (from memory); calendar loss of LFP
Schimpe et al. 2018 eq. 9 and Table IV with the graphite potential of Safari & Delacourt 2011; of NMC Schmalstieg et al. 2014
(from memory). Each lithium fit is for one cell type: for ranking, not for a warranty. See `tables/SOURCES.md`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    GAS_CONSTANT_J_MOL_K,
    KELVIN_0C,
    FloatArray,
    as_array,
    as_given,
    require_capacity,
    require_current,
    require_duration,
    require_not_negative,
    require_positive,
    require_soc,
    require_temp,
)

LIFE_REF_C = 20.0
OHMIC_INVESTIGATE = 1.30
OHMIC_REPLACE = 1.50
TEST_MONTHS = 24.0
TEST_MONTHS_WORN = 12.0
TEST_LIFE_SHARE = 0.25
WORN_PCT = 90.0
DROP_PCT = 10.0
REPLACE_PCT = 80.0
FARADAY_C_MOL = 96485.33


def life_at_temp(life_y: Any, temp_c: Any, *, ref_c: Any = LIFE_REF_C, halving_k: Any = 10.0) -> Any:
    """Float life [y] at a steady temperature: `L_ref 2^((T_ref - T)/d)`. Example: 12 y at 20 are 4.2 y at 35 degC."""
    life = require_positive(life_y, "life_not_positive", "life_y")
    step_k = require_positive(halving_k, "doubling_not_positive", "halving_k")
    return as_given(life * np.exp2((require_temp(ref_c, "ref_c") - require_temp(temp_c)) / step_k))


def life_used(
    days: Any, temp_c: Any, *, life_y: float, ref_c: float = LIFE_REF_C, halving_k: float = 10.0
) -> float:
    """Share of the float life [1] that a temperature record (`days` [d] at `temp_c` [degC]) has used up."""
    per_day = 1.0 / (365.25 * as_array(life_at_temp(life_y, temp_c, ref_c=ref_c, halving_k=halving_k)))
    return float(np.sum(require_duration(days) * per_day))


def cap_at_temp(capacity_ah: Any, temp_c: Any, *, lambda_per_k: Any = 0.006, ref_c: Any = LIFE_REF_C) -> Any:
    """Capacity [Ah] a bank gives at a temperature, slow rate: `C (1 + lambda (T - T_ref))`, never below 0."""
    rise = as_array(lambda_per_k) * (require_temp(temp_c) - require_temp(ref_c, "ref_c"))
    return as_given(np.maximum(0.0, require_capacity(capacity_ah) * (1.0 + rise)))


def capacity_pct_20c(measured_ah: Any, rated_ah: Any, temp_c: Any) -> Any:
    """Result of a capacity test [% of rated] as it would have been at 20 degC."""
    measured = require_not_negative(measured_ah, "capacity_not_positive", "measured_ah")
    return as_given(100.0 * measured / as_array(cap_at_temp(rated_ah, temp_c)))


def peukert_time(capacity_ah: Any, current_a: Any, *, k: Any, rated_h: Any = 20.0) -> Any:
    """Hours [h] to empty at a steady current: `H (C/(I H))^k`. Example: 100 Ah (20 h), k 1.2, 20 A: 3.79 h."""
    hours = require_positive(rated_h, "negative_duration", "rated_h")
    exponent = require_positive(k, "rate_not_positive", "k")
    return as_given(
        hours * (require_capacity(capacity_ah) / (require_current(current_a) * hours)) ** exponent
    )


def ohmic_flag(baseline_mohm: Any, now_mohm: Any) -> str:
    """'ok', 'investigate' (30 % over the bank's own baseline) or 'test_or_replace' (50 %)."""
    base = float(require_positive(baseline_mohm, "resistance_not_positive", "baseline_mohm"))
    ratio = float(require_positive(now_mohm, "resistance_not_positive", "now_mohm")) / base
    if ratio >= OHMIC_REPLACE - 1e-9:
        return "test_or_replace"
    return "investigate" if ratio >= OHMIC_INVESTIGATE - 1e-9 else "ok"


def months_between_tests(design_life_y: Any = None, capacity_pct: Any = None, prev_pct: Any = None) -> Any:
    """Months between capacity tests [months]: 24, or 25 % of the life where that is less; 12 once the bank is worn.

    Worn: under 90 % of rated, or more than 10 points down since the test before. What is not known (None or NaN) is left
    out; arrays element by element.
    """
    life = _unless_known(design_life_y, np.inf)
    latest, before = _unless_known(capacity_pct, np.nan), _unless_known(prev_pct, np.nan)
    require_positive(life, "life_not_positive", "design_life_y")
    for value in (latest, before):
        if bool(np.any((value < 0.0) | (value > 150.0))):
            raise RejectedInput("percent_out_of_range", capacity_pct=capacity_pct, prev_pct=prev_pct)
    months = np.minimum(TEST_MONTHS, 12.0 * TEST_LIFE_SHARE * life)
    worn = (latest < WORN_PCT) | (before - latest > DROP_PCT)
    return as_given(np.where(worn, np.minimum(months, TEST_MONTHS_WORN), months))


def lfp_calendar_loss(soc: Any, temp_c: Any, days: Any) -> Any:
    """Capacity lost [%] by an LFP cell that stands at `soc` and `temp_c` [degC] for `days` [d]."""
    kelvin = require_temp(temp_c) + KELVIN_0C
    anode_v = _graphite_v(0.0085 + 0.7715 * require_soc(soc))
    tafel = np.exp(0.384 * FARADAY_C_MOL * (0.123 - anode_v) / (GAS_CONSTANT_J_MOL_K * 298.15)) + 0.142
    arrhenius = np.exp(-20592.0 / GAS_CONSTANT_J_MOL_K * (1.0 / kelvin - 1.0 / 298.15))
    return as_given(100.0 * 3.694e-4 * arrhenius * tafel * np.sqrt(24.0 * require_duration(days)))


def nmc_calendar_loss(v_cell: Any, temp_c: Any, days: Any) -> Any:
    """Capacity lost [%] by an NMC cell that stands at `v_cell` [V] and `temp_c` [degC] for `days` [d]; never negative."""
    volts = require_positive(v_cell, "voltage_not_positive", "v_cell")
    kelvin = require_temp(temp_c) + KELVIN_0C
    rate = np.maximum(0.0, 7.543 * volts - 23.75) * 1e6 * np.exp(-6976.0 / kelvin)
    return as_given(100.0 * rate * require_duration(days) ** 0.75)


def _graphite_v(x: FloatArray) -> FloatArray:
    """Potential of graphite [V] against lithium at a share `x` of lithium: Safari & Delacourt 2011."""
    return as_array(
        0.6379
        + 0.5416 * np.exp(-305.5309 * x)
        + 0.044 * np.tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((x - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((x + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )


def _unless_known(value: Any, otherwise: float) -> FloatArray:
    """As array, with what is None or NaN taken as `otherwise`."""
    array = as_array(np.nan if value is None else value)
    return np.where(np.isnan(array), otherwise, array)
