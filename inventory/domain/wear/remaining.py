"""When a fitted part is due under the planned use of its unit: a best day, the ends of its band, and which limit comes
first.

What was used so far comes from `inventory.domain.part_life.use_of_fittings` (the one place where day logs are added
up); planned use is a frame, one row a span of days:

    unit            integer key of what the part sits in; give each train of a unit its own key where they are planned apart
    first_day, last_day   dates, both included; spans of one unit do not overlap
    h_per_day, m3_per_day, starts_per_day, ntu    planned use and raw turbidity; empty turbidity: that of the part
    (`Parts.ntu`)

Days outside every span are days of rest. Months run on regardless. Every array below has one entry a part (length P).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import NEVER, Floats, Ints
from inventory.domain.netting.columns import Bools, as_dates, day_numbers

HOURS, VOLUME, SOLIDS, MONTHS, NO_LIMIT = 0, 1, 2, 3, -1
LIMIT_WORDS = {HOURS: "hours", VOLUME: "volume", SOLIDS: "dirt", MONTHS: "months", NO_LIMIT: ""}


@dataclass(frozen=True, slots=True)
class Parts:
    """Limits and use of P fitted parts; NaN where a limit does not apply.

    `limit_*` typical life [h], [m3], [g of solids]; `used_*` so far, equivalent hours for lamps; `last_day`
    datetime64[D] of the months, NaT for none; `hours_per_start_h` [h]; `g_per_m3_ntu` and `reaches` turn m3 x NTU into
    grams in the part; `ntu` where the plan has none; `low_factor`, `high_factor` ends of the band of life over its
    typical value (1 for a figure that is certain); `known` whether the use is.
    """

    unit: Ints
    limit_h: Floats
    used_h: Floats
    limit_m3: Floats
    used_m3: Floats
    limit_g: Floats
    used_g: Floats
    last_day: NDArray[np.datetime64]
    hours_per_start_h: Floats
    g_per_m3_ntu: Floats
    reaches: Floats
    ntu: Floats
    low_factor: Floats
    high_factor: Floats
    known: Bools

    def __len__(self) -> int:
        return len(self.unit)


@dataclass(frozen=True, slots=True)
class Remaining:
    """When each part is due, datetime64[D]; NaT: not within the plan. `limit` is the one that comes first (`LIMIT_WORDS`).

    `due`, `low`, `high`: best day, early and late end of the band; plan on the early end. `decided` is False where the
    use so far or the turbidity to come is not known: the days are then the latest they can be, and no comfort.
    `left_share` of the life that is nearest its end, 0 to 1.
    """

    due: NDArray[np.datetime64]
    low: NDArray[np.datetime64]
    high: NDArray[np.datetime64]
    limit: NDArray[np.int8]
    left_share: Floats
    decided: Bools


def remaining_life(parts: Parts, plan: pd.DataFrame, *, as_of: np.datetime64) -> Remaining:
    """Due days of all parts at once. A part is due on the first day that it does not get through;
    what reaches its limit exactly at the end of a day is due on the next, what is over it already is due `as_of`.

    Raises NotPlannable for spans that overlap or run backwards, naming the row.
    """
    today = int(as_of.astype("datetime64[D]").astype(np.int64))
    spans = _spans(plan, today)
    mine = spans.of(parts.unit)
    hours, volume, grams = _rates(parts, spans, mine)
    dirt_unknown = ~np.isnan(parts.limit_g) & np.isnan(grams).any(axis=1)
    rates = (hours, volume, np.nan_to_num(grams))
    months = np.where(
        np.isnat(parts.last_day), NEVER, parts.last_day.astype("datetime64[D]").astype(np.int64)
    )
    months = np.where(months == NEVER, NEVER, np.maximum(months, today))
    limits = ((parts.limit_h, parts.used_h), (parts.limit_m3, parts.used_m3), (parts.limit_g, parts.used_g))

    def days(factor: Floats) -> Ints:
        by_use = [
            _day_reached(limit * factor - used, rates[k], spans, mine, today)
            for k, (limit, used) in enumerate(limits)
        ]
        return np.stack([*by_use, months])

    ones = np.ones(len(parts))
    typical = days(ones)
    first = typical.min(axis=0)
    which = np.where(first == NEVER, NO_LIMIT, typical.argmin(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = np.stack([1.0 - used / limit for limit, used in limits])
    shares = np.where(np.isnan(shares), 1.0, np.clip(shares, 0.0, 1.0))
    return Remaining(
        as_dates(first),
        as_dates(days(parts.low_factor).min(axis=0)),
        as_dates(days(parts.high_factor).min(axis=0)),
        which.astype(np.int8),
        shares.min(axis=0),
        parts.known & ~dirt_unknown,
    )


@dataclass(frozen=True, slots=True)
class _Spans:
    """Spans of all units in order; a row that never comes stands at the end for units with fewer."""

    unit: Ints
    start: Ints
    days: Floats
    h: Floats
    m3: Floats
    starts: Floats
    ntu: Floats

    def of(self, unit: Ints) -> Ints:
        """Row numbers of each unit's spans (P, W), padded with the last, empty row."""
        first = np.searchsorted(self.unit[:-1], unit, side="left")
        count = np.searchsorted(self.unit[:-1], unit, side="right") - first
        width = max(int(count.max()) if len(count) else 0, 1)
        slot = np.arange(width)
        return np.where(slot < count[:, None], first[:, None] + slot, len(self.unit) - 1)


def _spans(plan: pd.DataFrame, today: int) -> _Spans:
    unit = plan["unit"].to_numpy(dtype=np.int64)
    first, last = day_numbers(plan["first_day"]), day_numbers(plan["last_day"])
    order = np.lexsort((first, unit))
    backwards = last < first
    overlap = (unit[order][1:] == unit[order][:-1]) & (first[order][1:] <= last[order][:-1])
    if backwards.any() or overlap.any():
        row = int(np.flatnonzero(backwards)[0]) if backwards.any() else int(order[1:][overlap][0])
        raise NotPlannable(
            "plan.spans",
            "Planned use, row {row}: the span runs backwards or overlaps another of the same unit. Correct its days.",
            row=row + 1,
        )
    rates = [
        plan[name].to_numpy(dtype=np.float64) if name in plan else np.zeros(len(plan))
        for name in ("h_per_day", "m3_per_day", "starts_per_day")
    ]
    ntu = plan["ntu"].to_numpy(dtype=np.float64) if "ntu" in plan else np.full(len(plan), np.nan)
    if any((~(rate >= 0)).any() for rate in rates) or (ntu < 0).any():
        raise NotPlannable(
            "plan.negative", "Planned hours, volumes, starts and turbidities must be 0 or more."
        )
    start = np.maximum(first, today)
    days = np.maximum(last - start + 1, 0).astype(np.float64)

    def padded(column: Floats, empty: float) -> Floats:
        return np.append(column[order], empty)

    hours, volume, starts = (padded(rate, 0.0) for rate in rates)
    return _Spans(
        np.append(unit[order], np.iinfo(np.int64).max),
        np.append(start[order], NEVER),
        padded(days, 0.0),
        hours,
        volume,
        starts,
        padded(ntu, np.nan),
    )


def _rates(parts: Parts, spans: _Spans, mine: Ints) -> tuple[Floats, Floats, Floats]:
    """Use a day of each part in each of its spans (P, W): equivalent hours, m3, grams (NaN without a turbidity)."""
    hours = spans.h[mine] + spans.starts[mine] * np.nan_to_num(parts.hours_per_start_h)[:, None]
    volume = spans.m3[mine]
    ntu = np.where(np.isnan(spans.ntu[mine]), parts.ntu[:, None], spans.ntu[mine])
    grams = volume * ntu * (parts.g_per_m3_ntu * parts.reaches)[:, None]
    return hours, volume, np.where(volume > 0, grams, 0.0)


def _day_reached(left: Floats, rate: Floats, spans: _Spans, mine: Ints, today: int) -> Ints:
    """First day that a part with `left` (P,) does not get through at `rate` (P, W); NEVER where it is not, or where
    there is no limit."""
    days, start = spans.days[mine], spans.start[mine]
    used = np.where(days > 0, rate * np.where(days > 0, days, 1.0), 0.0)
    total = np.cumsum(used, axis=1)
    reached = total >= left[:, None]
    which = reached.argmax(axis=1)
    row = np.arange(len(left))
    before = total[row, which] - used[row, which]
    before = np.where(np.isfinite(before), before, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.floor(np.round((left - before) / rate[row, which], 9))
    day = start[row, which] + np.nan_to_num(whole, posinf=0.0).astype(np.int64)
    day = np.where(reached.any(axis=1), day, NEVER)
    day = np.where(left <= 0, today, day)
    return np.where(np.isnan(left), NEVER, day)
