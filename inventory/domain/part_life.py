"""How much of its life a fitted part has used, and when it ends: hours, volume, and months since it was first fitted.

The same function serves the sweep (all parts of the fleet at once) and one part at a time (length one), so both agree.
Use comes from the day logs of the unit's deployments, by treatment train. The rules:

- A part is charged with the whole of every logged day that its time in the position touches, also when it was changed
  in the middle of that day: use is then over- and never understated.
- A part of no train (pump, inverter) is charged with the hours of both trains, at most the hours of a day.
- A start costs `hours_per_start_h` hours of life (USEPA UV Disinfection Guidance Manual 2006: cycling shortens lamp life).
- A day away without a log, and a log without the value for the train, make the use 'not known': what is given then
  is the least it can be. The first and the last `TRAVEL_DAYS` days of a deployment that has logs may be travel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Times = NDArray[np.datetime64]

NO_TRAIN, TRAIN_A, TRAIN_B = 0, 1, 2
TRAIN_CODES = {"": NO_TRAIN, "a": TRAIN_A, "b": TRAIN_B}
TRAVEL_DAYS = 3
PASS, FAIL, CANNOT_DECIDE = 0, 1, 2
_DAY = np.timedelta64(86400, "s")


@dataclass(frozen=True, slots=True)
class Fittings:
    """Parts in positions, one array entry each (length P).

    `unit` any integer id; `train` 0 none, 1 A, 2 B; `fitted_at`, `until` datetime64[s] in UTC (`until` is the removal,
    or the as-of instant for a part still fitted); `carried_*` use from before this fitting [h], [m3], [1];
    `use_known` whether that earlier use is known; `hours_per_start_h` [h], 0 where starts cost nothing.
    """

    unit: Ints
    train: Ints
    fitted_at: Times
    until: Times
    carried_h: Floats
    carried_m3: Floats
    carried_starts: Ints
    use_known: Bools
    hours_per_start_h: Floats


@dataclass(frozen=True, slots=True)
class DayUse:
    """Day logs that count (neither struck out nor superseded), in any order (length L).

    `unit`, `deployment` integer ids; `day` datetime64[D]; `end_at` datetime64[s] UTC, the end of that day on site;
    hours [h], volume [m3] and starts [1] per train as float, NaN where nothing was written down.
    """

    unit: Ints
    deployment: Ints
    day: Times
    end_at: Times
    hours_a_h: Floats
    hours_b_h: Floats
    volume_a_m3: Floats
    volume_b_m3: Floats
    starts_a: Floats
    starts_b: Floats


@dataclass(frozen=True, slots=True)
class Away:
    """Deployments (length D): `first_day`, `last_day` datetime64[D]; a running one ends with the as-of day."""

    unit: Ints
    deployment: Ints
    first_day: Times
    last_day: Times


@dataclass(frozen=True, slots=True)
class PartUse:
    """Use of each fitting, carried use included (length P). `life_h` = hours + starts × hours per start [h].

    Where `known_h` or `known_m3` is False the figure is the least it can be; `unknown_days` counts the days that made it so.
    """

    hours_h: Floats
    starts: Floats
    volume_m3: Floats
    life_h: Floats
    known_h: Bools
    known_m3: Bools
    unknown_days: Ints


@dataclass(frozen=True, slots=True)
class PartLife:
    """What is left of each limit (length P): NaN or NaT where no such limit applies, negative when it is passed.

    `outcome` is 0 pass, 1 fail, 2 cannot decide. `last_day` is the last day within the months since first fitted.
    """

    left_h: Floats
    left_m3: Floats
    last_day: Times
    outcome: NDArray[np.int8]


def use_of_fittings(fittings: Fittings, logs: DayUse, away: Away) -> PartUse:
    """Use of every fitting from the day logs of its unit, in one pass (sorts the logs once).

    Raises ValueError when the arrays of one argument differ in length. Never raises for lack of logs.
    """
    _same_length(fittings)
    _same_length(logs)
    _same_length(away)
    missing_unit, missing_end = _days_without_log(logs, away)
    unit = np.concatenate([logs.unit, missing_unit])
    end_at = np.concatenate([logs.end_at.astype("datetime64[s]"), missing_end])
    gap = np.full(len(missing_unit), np.nan)
    order = np.lexsort((end_at, unit))
    keys = _Keys(unit[order], end_at[order])
    first = keys.place(fittings.unit, fittings.fitted_at.astype("datetime64[s]"), after=True)
    day_later = (fittings.until.astype("datetime64[s]") + _DAY).astype("datetime64[s]")
    stop = keys.place(fittings.unit, day_later, after=False)
    stop = np.maximum(first, stop)

    def total(a: Floats, b: Floats, cap: float | None = None) -> tuple[Floats, Ints]:
        both = a + b if cap is None else np.minimum(a + b, np.maximum(cap, np.maximum(a, b)))
        columns = np.stack([np.concatenate([column, gap])[order] for column in (both, a, b)])
        unknown = np.isnan(columns)
        sums = _running(np.where(unknown, 0.0, columns))
        counts = _running(unknown.astype(np.float64))
        train = fittings.train.astype(np.intp)
        used = sums[train, stop] - sums[train, first]
        not_known = counts[train, stop] - counts[train, first]
        return np.maximum(used, 0.0), np.rint(not_known).astype(np.int64)

    hours, unknown_hours = total(logs.hours_a_h, logs.hours_b_h, cap=24.0)
    volume, unknown_volume = total(logs.volume_a_m3, logs.volume_b_m3)
    starts, unknown_starts = total(logs.starts_a, logs.starts_b)
    hours = hours + fittings.carried_h
    starts = starts + fittings.carried_starts
    per_start = np.nan_to_num(fittings.hours_per_start_h)
    starts_matter = per_start > 0
    return PartUse(
        hours_h=hours,
        starts=starts,
        volume_m3=volume + fittings.carried_m3,
        life_h=hours + starts * per_start,
        known_h=fittings.use_known & (unknown_hours == 0) & ~(starts_matter & (unknown_starts > 0)),
        known_m3=fittings.use_known & (unknown_volume == 0),
        unknown_days=np.maximum(unknown_hours, unknown_volume),
    )


def life_left(
    use: PartUse,
    *,
    limit_h: Floats,
    limit_m3: Floats,
    limit_months: Floats,
    first_fitted_on: Times,
    as_of: np.datetime64,
) -> PartLife:
    """What is left of each part's service life on the day `as_of` (datetime64[D]).

    Limits are NaN where none applies. A part that reaches its hours or volume exactly is due (fail); its months count
    from the day it was first fitted, through the same day of the last month, clamped to the month's end. Not known use
    that is already over the limit fails; otherwise a limit that cannot be compared gives 'cannot decide'.
    """
    left_h = limit_h - use.life_h
    left_m3 = limit_m3 - use.volume_m3
    last_day = add_months(first_fitted_on, limit_months)
    has_h, has_m3, has_months = ~np.isnan(limit_h), ~np.isnan(limit_m3), ~np.isnan(limit_months)
    today = as_of.astype("datetime64[D]")
    fails = (has_h & (left_h <= 0)) | (has_m3 & (left_m3 <= 0)) | (last_day < today)
    unknown = (has_h & ~use.known_h) | (has_m3 & ~use.known_m3) | (has_months & np.isnat(first_fitted_on))
    outcome = np.where(fails, FAIL, np.where(unknown, CANNOT_DECIDE, PASS)).astype(np.int8)
    return PartLife(left_h=left_h, left_m3=left_m3, last_day=last_day, outcome=outcome)


def add_months(days: Times, months: Floats) -> Times:
    """Each day moved on by whole months, clamped to the end of the month; NaT where day or months are missing."""
    day = days.astype("datetime64[D]")
    nothing = np.isnat(day) | np.isnan(months)
    day = np.where(nothing, np.datetime64("2000-01-01"), day)
    start = day.astype("datetime64[M]")
    target = start + np.where(nothing, 0, months).astype(np.int64).astype("timedelta64[M]")
    offset = day - start.astype("datetime64[D]")
    month_end = (target + np.timedelta64(1, "M")).astype("datetime64[D]") - np.timedelta64(1, "D")
    moved = np.minimum(target.astype("datetime64[D]") + offset, month_end)
    result: Times = np.where(nothing, np.datetime64("NaT", "D"), moved)
    return result


class _Keys:
    """Sorted (unit, instant) pairs that can be searched by many pairs at once."""

    def __init__(self, unit: Ints, instant: Times) -> None:
        self.units, code = np.unique(unit, return_inverse=True)
        second = instant.astype(np.int64)
        self.origin = int(second.min()) if len(second) else 0
        seconds = second - self.origin
        self.span = int(seconds.max()) + 2 if len(seconds) else 2
        self.keys = code.astype(np.int64) * self.span + seconds

    def place(self, unit: Ints, instant: Times, *, after: bool) -> NDArray[np.intp]:
        """Index of the first pair of this unit later than (`after`) or not earlier than the instant."""
        if not len(self.units):
            return np.zeros(len(unit), dtype=np.intp)
        code = np.searchsorted(self.units, unit)
        found = self.units[np.minimum(code, len(self.units) - 1)] == unit
        # Instants before the first or after the last pair stay within the unit's own stretch of keys.
        seconds = np.clip(instant.astype(np.int64) - self.origin, -1, self.span - 1)
        key = code.astype(np.int64) * self.span + seconds
        places = np.searchsorted(self.keys, key, side="right" if after else "left")
        return np.where(found, places, 0).astype(np.intp)


def _running(columns: Floats) -> Floats:
    """Sums of the first 0, 1, 2 ... entries of each row."""
    return np.concatenate([np.zeros((len(columns), 1)), np.cumsum(columns, axis=1)], axis=1)


def _days_without_log(logs: DayUse, away: Away) -> tuple[Ints, Times]:
    """Unit and end of every day away on which use may have happened but nothing was written down."""
    if not len(away.deployment):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype="datetime64[s]")
    log_day = logs.day.astype("datetime64[D]").astype(np.int64)
    first = away.first_day.astype("datetime64[D]").astype(np.int64)
    last = away.last_day.astype("datetime64[D]").astype(np.int64)
    order = np.argsort(away.deployment, kind="stable")
    place = np.searchsorted(away.deployment[order], logs.deployment)
    place = order[np.minimum(place, len(order) - 1)]
    mine = away.deployment[place] == logs.deployment
    first_log = np.full(len(first), np.iinfo(np.int64).max)
    last_log = np.full(len(first), np.iinfo(np.int64).min)
    np.minimum.at(first_log, place[mine], log_day[mine])
    np.maximum.at(last_log, place[mine], log_day[mine])
    logged = last_log >= first_log
    first = np.where(logged, np.minimum(first_log, first + TRAVEL_DAYS), first)
    last = np.where(logged, np.maximum(last_log, last - TRAVEL_DAYS), last)

    count = np.maximum(last - first + 1, 0)
    row = np.repeat(np.arange(len(first)), count)
    within = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    day = first[row] + within
    shift = np.int64(1) << np.int64(24)
    bare = ~np.isin(row * shift + day, place[mine] * shift + log_day[mine])
    end_at = (day[bare] + 1).astype("datetime64[D]").astype("datetime64[s]")
    return away.unit[row[bare]].astype(np.int64), end_at


def _same_length(columns: Fittings | DayUse | Away) -> None:
    lengths = {name: len(getattr(columns, name)) for name in columns.__slots__}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"The columns of {type(columns).__name__} differ in length: {lengths}")
