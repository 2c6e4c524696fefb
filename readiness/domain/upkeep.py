"""When a standing bank must be charged: the calendar rule by temperature, and the earlier of it and the floor.

References: typical VRLA operating instructions (6 months at 20 degC, 3 at 30, 1.5 at 40); `tables/storage_intervals.csv`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from readiness.domain.inputs import (
    FloatArray,
    as_array,
    as_given,
    require_not_negative,
    require_positive,
    require_series,
    require_temp,
)

DEFAULT_CAP_DAYS = 365.0
DEFAULT_DOUBLING_K = 10.0


def interval_days(
    temp_c: Any,
    *,
    base_days: Any,
    base_c: Any = 20.0,
    doubling_k: Any = DEFAULT_DOUBLING_K,
    cap_days: Any = DEFAULT_CAP_DAYS,
) -> Any:
    """Longest time [d] between completed charges at one temperature: `min(cap, base * 2^((base_c - T)/d))`, unrounded."""
    base = require_positive(base_days, "interval_not_positive", "base_days")
    step_k = require_positive(doubling_k, "doubling_not_positive", "doubling_k")
    cap = require_positive(
        DEFAULT_CAP_DAYS if cap_days is None else cap_days, "interval_not_positive", "cap_days"
    )
    warm_k = require_temp(base_c, "base_c") - require_temp(temp_c)
    return as_given(np.minimum(cap, base * np.exp2(warm_k / step_k)))


def interval_used(
    days: Sequence[float] | FloatArray,
    temp_c: Sequence[float] | FloatArray,
    *,
    base_days: float,
    base_c: float = 20.0,
    doubling_k: float = DEFAULT_DOUBLING_K,
    cap_days: float | None = DEFAULT_CAP_DAYS,
) -> float:
    """Part of the interval used up by a temperature record, `sum dt / D(T)`: due at 1. The cap applies per step."""
    durations, temperatures = require_series(days, temp_c)
    allowed = interval_days(
        temperatures, base_days=base_days, base_c=base_c, doubling_k=doubling_k, cap_days=cap_days
    )
    return float(np.sum(durations / allowed))


def days_until_due(floor_days: Any, used: Any, allowed_days: Any) -> Any:
    """Days [d] until the charge is due: the earlier of the floor and the rest of the interval, never negative, unrounded."""
    spent = require_not_negative(used, "used_negative", "interval_used")
    rest = (1.0 - spent) * as_array(allowed_days)
    return as_given(np.maximum(0.0, np.minimum(as_array(floor_days), rest)))
