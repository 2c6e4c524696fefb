"""Charge state from the voltage of a bank at rest, and what such a voltage may not say.

References: rest-voltage tables and the lead cell's coefficient of 0.2 mV/K in `tables/SOURCES.md` (S3, S10, S13, S22). The
common rule that adds 24 mV per 10 degF on a 12 V block corrects a hydrometer, not a voltage, and is not used.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from readiness.domain.chemistry import (
    Chemistry,
    chemistries,
    chemistry,
    chemistry_column,
    rest_curves,
)
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    TEMP_MAX_C,
    TEMP_MIN_C,
    BoolArray,
    FloatArray,
    IntArray,
    as_array,
    as_given,
    require_not_negative,
    require_positive,
    require_soc,
    require_temp,
)

LEAD_V_PER_K = 0.0002
TABLE_TEMP_C = 25.0
LEAD_MIN_V_CELL = 1.0
LEAD_MAX_V_CELL = 2.30
LEAD_SURFACE_CHARGE_V_CELL = 2.18
LEAD_DEEP_V_CELL = 1.95
LFP_LOW_V_CELL = 3.25
LFP_LOW_SOC = 0.20
LFP_FULL_V_CELL = 3.40
LFP_FULL_SOC = 0.95
DEFAULT_BAND_MV = 10.0

# The order in which one reading is judged: the first reason that applies is the one that is told.
REFUSALS: tuple[str, ...] = ("", "ocv_not_usable", "temp_out_of_range", "not_rested", "ocv_implausible")
_FAMILY_DEFAULTS = {"flooded": "flooded_ca", "nicd": "nicd_vented"}


def _known(code: str) -> Chemistry:
    """A chemistry for questions of rest voltage; the plain name of a shared curve ('flooded') will do as well."""
    return chemistry(_FAMILY_DEFAULTS.get(code, code))


@cache
def _family_mask(family: str) -> BoolArray:
    return np.array([record.family == family for record in chemistries().values()])


def is_lead(chem: IntArray) -> BoolArray:
    return _family_mask("lead_acid")[chem]


def is_nickel(chem: IntArray) -> BoolArray:
    return _family_mask("nickel")[chem]


def is_lithium(chem: IntArray) -> BoolArray:
    return _family_mask("lithium")[chem]


@cache
def _is_lfp() -> BoolArray:
    return np.array([code == "lfp" for code in chemistries()])


def is_lfp(chem: IntArray) -> BoolArray:
    return _is_lfp()[chem]


def refusals(chem: IntArray, v_cell: Any, temp_c: Any, rest_h: Any) -> NDArray[np.int8]:
    """Why each reading cannot be used, as index into `REFUSALS` (0 = it can).

    `chem` indexes the chemistry table; a missing rest time (NaN) counts as not rested, a missing temperature is no refusal.
    """
    volts, temp, rest = as_array(v_cell), as_array(temp_c), as_array(rest_h)
    needed_h = chemistry_column("ocv_rest_min_h")[chem]
    lead = is_lead(chem)
    reasons = [
        is_nickel(chem),
        (temp < TEMP_MIN_C) | (temp > TEMP_MAX_C),
        ~(rest >= needed_h),
        lead & ~((volts >= LEAD_MIN_V_CELL) & (volts <= LEAD_MAX_V_CELL)),
    ]
    shape = np.broadcast_shapes(*(np.shape(reason) for reason in reasons))
    code = np.zeros(shape, dtype=np.int8)
    for number in range(len(reasons), 0, -1):
        code = np.where(reasons[number - 1], np.int8(number), code)
    return code


def at_table_temp(v_cell: Any, temp_c: Any, lead: Any) -> FloatArray:
    """Volts per cell as they would be at 25 degC: 0.2 mV/K for lead cells, nothing for others."""
    return np.where(
        lead, as_array(v_cell) - LEAD_V_PER_K * (as_array(temp_c) - TABLE_TEMP_C), as_array(v_cell)
    )


def soc_from_cell_volts(chem: IntArray, v_cell_25c: Any) -> FloatArray:
    """Charge state of many banks from the corrected rest voltage per cell, clamped to 0..1; NaN where it says nothing."""
    volts = as_array(v_cell_25c)
    soc = np.full(volts.shape, np.nan)
    for position, record in enumerate(chemistries().values()):
        mine = chem == position
        if record.is_nickel or not mine.any():
            continue
        nodes_soc, nodes_v = rest_curves()[record.curve]
        soc[mine] = np.interp(volts[mine], nodes_v, nodes_soc)
    return soc


def ocv_to_soc(
    chemistry_code: str, v: Any, cells: Any = 1, *, temp_c: Any = TABLE_TEMP_C, rest_h: Any = None
) -> Any:
    """Charge state from the rest voltage `v` [V] of `cells` in series at `temp_c` [degC] after `rest_h` hours at rest.

    Raises `RejectedInput`: unknown_chemistry, ocv_not_usable (nickel), temp_out_of_range, not_rested (a rest time that is
    not stated counts as none), ocv_implausible (lead outside 1.0..2.30 V/cell). Outside the table the answer is 0 or 1.
    """
    record = _known(chemistry_code)
    if record.is_nickel:
        raise RejectedInput("ocv_not_usable", chemistry=chemistry_code)
    temp = require_temp(TABLE_TEMP_C if temp_c is None else temp_c)
    number = require_positive(cells, "cells_not_positive", "cells")
    volts = as_array(v) / number
    position = list(chemistries()).index(record.code)
    index = np.full(volts.shape, position, dtype=np.int64)
    codes = refusals(index, volts, temp, np.nan if rest_h is None else rest_h)
    if codes.any():
        key = REFUSALS[int(np.max(codes))] if codes.ndim == 0 else REFUSALS[int(codes[codes > 0][0])]
        raise RejectedInput(key, chemistry=chemistry_code, v=v, needed_h=record.ocv_rest_min_h)
    return as_given(soc_from_cell_volts(index, at_table_temp(volts, temp, record.is_lead)))


def ocv_soc_band(
    chemistry_code: str, v_cell: float, band_mv: float = DEFAULT_BAND_MV, *, temp_c: float | None = None
) -> tuple[float, float]:
    """Lowest and highest charge state that a rest voltage per cell [V] allows when it is uncertain by +/- `band_mv` [mV]."""
    record = _known(chemistry_code)
    if record.is_nickel:
        raise RejectedInput("ocv_not_usable", chemistry=chemistry_code)
    half_v = float(require_not_negative(band_mv, "band_negative", "band_mv")) / 1000.0
    temp = float(require_temp(TABLE_TEMP_C if temp_c is None else temp_c))
    if record.is_lead and not LEAD_MIN_V_CELL <= v_cell <= LEAD_MAX_V_CELL:
        raise RejectedInput("ocv_implausible", v_cell=v_cell)
    nodes_soc, nodes_v = rest_curves()[record.curve]
    middle = float(at_table_temp(v_cell, temp, record.is_lead))
    low, high = np.interp([middle - half_v, middle + half_v], nodes_v, nodes_soc)
    return float(low), float(high)


def soc_to_ocv(chemistry_code: str, soc: Any, cells: Any = 1, *, temp_c: Any = TABLE_TEMP_C) -> Any:
    """Rest voltage [V] of `cells` in series at a charge state: the inverse of `ocv_to_soc`."""
    record = _known(chemistry_code)
    if record.is_nickel:
        raise RejectedInput("ocv_not_usable", chemistry=chemistry_code)
    state = require_soc(soc)
    temp = require_temp(TABLE_TEMP_C if temp_c is None else temp_c)
    number = require_positive(cells, "cells_not_positive", "cells")
    nodes_soc, nodes_v = rest_curves()[record.curve]
    shift_v = LEAD_V_PER_K * (temp - TABLE_TEMP_C) if record.is_lead else 0.0
    return as_given(number * (np.interp(state, nodes_soc, nodes_v) + shift_v))
