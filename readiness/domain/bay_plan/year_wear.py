"""How fast the time a bank has before its next charge runs down, month by month: by its interval, or by what it loses.

Whichever asks first counts. References: interval by temperature and self-discharge as in `upkeep` and `self_discharge`;
above 25 degC a rate doubles per 8 K (the harmful law).
"""

from __future__ import annotations

import numpy as np

from readiness.domain.chemistry import chemistry_column
from readiness.domain.inputs import FloatArray, IntArray
from readiness.domain.self_discharge import pessimistic_factor
from readiness.domain.upkeep import interval_days

DAYS_PER_MONTH = 30.0


def wear_per_day(
    chem: IntArray,
    month_c: FloatArray,
    *,
    pct_month: FloatArray,
    cap_days: FloatArray,
    load_per_day: FloatArray,
    room_soc: FloatArray,
) -> FloatArray:
    """Share of a bank's time that one day takes [1/d], shape (n, 12), at the mean temperature of each month [degC], (n, 12).

    `pct_month` self-discharge [% per 30 d at the chemistry's reference], `cap_days` the maker's longest interval (NaN:
    that of the table), `load_per_day` what draws on it [1/d], `room_soc` from one charge to the next [1], over 0.
    """
    column = {
        name: chemistry_column(name)[chem][:, None]
        for name in (
            "interval_base_days", "interval_base_c", "interval_doubling_k", "interval_cap_days", "sd_ref_c", "sd_doubling_k"
        )
    }  # fmt: skip
    cap = np.where(np.isnan(cap_days)[:, None], column["interval_cap_days"], cap_days[:, None])
    interval = interval_days(
        month_c,
        base_days=np.broadcast_to(column["interval_base_days"], month_c.shape),
        base_c=np.broadcast_to(column["interval_base_c"], month_c.shape),
        doubling_k=np.broadcast_to(column["interval_doubling_k"], month_c.shape),
        cap_days=np.broadcast_to(cap, month_c.shape),
    )
    factor = pessimistic_factor(
        month_c,
        ref_c=np.broadcast_to(column["sd_ref_c"], month_c.shape),
        doubling_k=np.broadcast_to(column["sd_doubling_k"], month_c.shape),
    )
    loss = pct_month[:, None] / 100.0 / DAYS_PER_MONTH * factor + load_per_day[:, None]
    return np.asarray(np.maximum(1.0 / np.asarray(interval), loss / room_soc[:, None]))
