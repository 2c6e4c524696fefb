"""Shared input types and the limits every battery calculation keeps (scalar or array)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from readiness.domain.errors import RejectedInput

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Num = float | FloatArray

TEMP_MIN_C = -40.0
TEMP_MAX_C = 70.0
SG_MIN = 1.000
SG_MAX = 1.320
KELVIN_0C = 273.15
GAS_CONSTANT_J_MOL_K = 8.3145
DAYS_PER_MONTH = 30.0


def as_array(value: Any) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def as_given(value: Any) -> Any:
    """Back to a plain float when a single value went in."""
    array = np.asarray(value)
    return float(array) if array.ndim == 0 else array


def _refuse_unless(ok: Any, key: str, **data: object) -> None:
    if not bool(np.all(ok)):
        raise RejectedInput(key, **data)


def require_soc(value: Any, name: str = "soc") -> FloatArray:
    soc = as_array(value)
    _refuse_unless((soc >= 0.0) & (soc <= 1.0), "soc_out_of_range", **{name: value})
    return soc


def require_temp(value: Any, name: str = "temp_c") -> FloatArray:
    temp_c = as_array(value)
    _refuse_unless((temp_c >= TEMP_MIN_C) & (temp_c <= TEMP_MAX_C), "temp_out_of_range", **{name: value})
    return temp_c


def require_capacity(value: Any) -> FloatArray:
    capacity_ah = as_array(value)
    _refuse_unless(capacity_ah > 0.0, "capacity_not_positive", capacity_ah=value)
    return capacity_ah


def require_current(value: Any, name: str = "current_a") -> FloatArray:
    current_a = as_array(value)
    _refuse_unless(current_a > 0.0, "current_not_positive", **{name: value})
    return current_a


def require_load(value: Any) -> FloatArray:
    load_ma = as_array(value)
    _refuse_unless(load_ma >= 0.0, "negative_load", parasitic_ma=value)
    return load_ma


def require_duration(value: Any, name: str = "days") -> FloatArray:
    duration = as_array(value)
    _refuse_unless(duration >= 0.0, "negative_duration", **{name: value})
    return duration


def require_sg(value: Any, name: str = "sg") -> FloatArray:
    gravity = as_array(value)
    _refuse_unless((gravity >= SG_MIN) & (gravity <= SG_MAX), "sg_out_of_range", **{name: value})
    return gravity


def require_positive(value: Any, key: str, name: str) -> FloatArray:
    number = as_array(value)
    _refuse_unless(number > 0.0, key, **{name: value})
    return number


def require_not_negative(value: Any, key: str, name: str) -> FloatArray:
    number = as_array(value)
    _refuse_unless(number >= 0.0, key, **{name: value})
    return number


def require_series(
    days: Sequence[float] | FloatArray, temp_c: Sequence[float] | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """A temperature record as two equal columns: days spent [d] and the temperature then [degC]."""
    durations = require_duration(np.atleast_1d(as_array(days)))
    temperatures = require_temp(np.atleast_1d(as_array(temp_c)))
    if durations.shape != temperatures.shape:
        raise RejectedInput("series_uneven", days=durations.size, temp_c=temperatures.size)
    return durations, temperatures
