"""The slots of a depot: from hours of its own zone to what holds in each slot of equal length, whatever the clocks do.

Slots are instants, equally long; hours are read in the depot's zone, minute by minute, and the harmful minute of a slot
counts: the crew is there in a slot if it is there in every minute of it, the supply of a slot is the least of its minutes.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from readiness.domain.bay_plan.problem import BoolArray, FloatArray, IntArray

MINUTE = dt.timedelta(minutes=1)
HOUR = dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)
MIDNIGHT = dt.time(0)
LAST_MINUTE = dt.time(23, 59)
# A slot that began so short a time ago is still planned from its beginning on: what is connected now fits into it.
STILL_NOW = dt.timedelta(minutes=15)
# So many banks times hours are planned hour by hour; more of them in slots of two hours.
FINE_CELLS = 8000


@dataclass(frozen=True, slots=True)
class Grid:
    """Equal slots from `starts_at` (aware UTC) on; slot t covers [t, t + 1) x `slot_h` hours."""

    starts_at: dt.datetime
    slots: int
    slot_h: int
    zone: ZoneInfo

    @property
    def ends_at(self) -> dt.datetime:
        return self.at(self.slots)

    def at(self, boundary: float) -> dt.datetime:
        return self.starts_at + boundary * self.slot_h * HOUR

    def local(self, boundary: float) -> dt.datetime:
        return self.at(boundary).astimezone(self.zone)

    def slots_until(self, at: dt.datetime) -> float:
        """Where an instant lies, in slots from the start; negative before it."""
        return (at - self.starts_at) / (self.slot_h * HOUR)

    def boundary_before(self, at: dt.datetime) -> int:
        return math.floor(self.slots_until(at) + 1e-9)

    def boundary_after(self, at: dt.datetime) -> int:
        return math.ceil(self.slots_until(at) - 1e-9)

    def days(self) -> list[dt.date]:
        """Every day of the zone that a slot touches."""
        first, last = self.local(0).date(), self.local(self.slots - 1e-6).date()
        return [first + n * DAY for n in range((last - first).days + 1)]

    def slots_of_day(self, day: dt.date) -> IntArray:
        return np.array([t for t in range(self.slots) if self.local(t).date() == day], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class CrewRow:
    """Hours of a weekday (Monday is 0), in force through a span of days."""

    valid_from: dt.date
    valid_to: dt.date | None
    weekday: int
    opens: dt.time
    closes: dt.time


@dataclass(frozen=True, slots=True)
class SupplyRow:
    """A limit [kW] for hours of one weekday or (None) of every day; `ends` at 00:00 is the end of the day."""

    valid_from: dt.date
    valid_to: dt.date | None
    weekday: int | None
    starts: dt.time
    ends: dt.time
    limit_kw: float


@dataclass(frozen=True, slots=True)
class DayRow:
    """A day unlike its weekday: closed (no hours), or open at these."""

    opens: dt.time | None
    closes: dt.time | None


@dataclass(frozen=True, slots=True)
class SpanRow:
    """A value that holds through a span of days: the supply limit or the base load [kW]."""

    valid_from: dt.date
    valid_to: dt.date | None
    value: float | None


def slot_hours(banks: int, days: int) -> int:
    """One hour where the problem stays small, else two."""
    return 1 if banks * days * 24 <= FINE_CELLS else 2


def grid_of(
    now: dt.datetime,
    zone: ZoneInfo,
    *,
    days: int,
    slot_h: int,
    weekly: Sequence[CrewRow] = (),
    crew_days: Mapping[dt.date, DayRow] | None = None,
) -> Grid:
    """Slots that begin on a full hour of the zone, at or just before `now`, else at the next one.

    Of the ways to lay slots of several hours over the day, the one with the most open slots.
    """
    local = now.astimezone(zone)
    on_the_hour = (
        now - dt.timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
    ).astimezone(dt.UTC)
    tried: list[tuple[int, dt.timedelta, Grid]] = []
    for back in range(slot_h):
        start = on_the_hour - back * HOUR
        if now - start > STILL_NOW:
            start += slot_h * HOUR
        found = Grid(start, max(1, math.ceil(days * 24 / slot_h)), slot_h, zone)
        present = open_slots(found, weekly, crew_days or {})
        tried.append((-int(present.sum()), abs(start - now), found))
    return min(tried, key=lambda row: row[:2])[2]


def open_slots(grid: Grid, weekly: Sequence[CrewRow], crew_days: Mapping[dt.date, DayRow]) -> BoolArray:
    """Crew present, shape (slots,). A weekday without hours is closed; a day of its own takes the place of its weekday."""
    minutes = np.zeros(_minutes(grid), dtype=bool)
    for day in grid.days():
        for opens, closes in hours_of_day(day, weekly, crew_days):
            ends = MIDNIGHT if closes >= LAST_MINUTE else closes
            (first, last), (again, end) = (_span(grid, day, opens, ends, fold) for fold in (0, 1))
            # An hour that comes twice: nobody knows in which of the two they come or leave, so the shorter stay counts.
            minutes[max(first, again) : min(last, end)] = True
    return np.asarray(minutes.reshape(grid.slots, -1).all(axis=1))


def hours_of_day(
    day: dt.date, weekly: Sequence[CrewRow], crew_days: Mapping[dt.date, DayRow]
) -> list[tuple[dt.time, dt.time]]:
    own = crew_days.get(day)
    if own is not None:
        return [] if own.opens is None or own.closes is None else [(own.opens, own.closes)]
    return [(row.opens, row.closes) for row in weekly if row.weekday == day.weekday() and _holds(row, day)]


def closed_days(
    grid: Grid, weekly: Sequence[CrewRow], crew_days: Mapping[dt.date, DayRow]
) -> dict[dt.date, IntArray]:
    """Days on which nobody comes, with the slots they would have at the hours of the longest weekday."""
    usual = max(
        ((row.opens, row.closes) for row in weekly),
        key=lambda hours: _minute_of(hours[1]) - _minute_of(hours[0]),
        default=None,
    )
    if usual is None:
        return {}
    found = {}
    for day in grid.days():
        if not hours_of_day(day, weekly, crew_days):
            slots = np.flatnonzero(open_slots(grid, (), {day: DayRow(*usual)}))
            if len(slots):
                found[day] = slots
    return found


def supply_slots(grid: Grid, limits: Sequence[SpanRow], hours: Sequence[SupplyRow]) -> FloatArray:
    """The supply limit of each slot [kW], NaN where none is known. Hours of their own take the place of the depot's limit;
    where several hold, the least counts."""
    plain = by_day(grid, limits)
    special = np.full(_minutes(grid), np.inf)
    for day in grid.days():
        for row in hours:
            if (row.weekday is None or row.weekday == day.weekday()) and _holds(row, day):
                at = _minutes_between(grid, day, row.starts, row.ends)
                special[at] = np.minimum(special[at], row.limit_kw)
    # NaN wins: a slot with a minute whose limit nobody knows has none.
    least = np.where(np.isfinite(special), special, plain).reshape(grid.slots, -1)
    return np.asarray(np.min(least, axis=1))


def base_slots(grid: Grid, rows: Sequence[SpanRow]) -> FloatArray:
    """What is drawn anyway in each slot [kW], the most of its minutes; NaN where nobody said."""
    return np.asarray(np.max(by_day(grid, rows).reshape(grid.slots, -1), axis=1))


def by_day(grid: Grid, rows: Sequence[SpanRow]) -> FloatArray:
    """The value of each minute, by the day of the zone; NaN where no row holds."""
    found = np.full(_minutes(grid), np.nan)
    for day in grid.days():
        for row in rows:
            if _holds(row, day) and row.value is not None:
                first, last = _span(grid, day, MIDNIGHT, MIDNIGHT)
                found[first:last] = row.value
    return found


def _minutes(grid: Grid) -> int:
    return grid.slots * grid.slot_h * 60


def _holds(row: CrewRow | SupplyRow | SpanRow, day: dt.date) -> bool:
    return row.valid_from <= day and (row.valid_to is None or row.valid_to >= day)


def _minute_of(time: dt.time) -> int:
    return time.hour * 60 + time.minute


def _span(grid: Grid, day: dt.date, starts: dt.time, ends: dt.time, fold: int = 0) -> tuple[int, int]:
    """Minutes of the grid between two times of a day; an end at 00:00 is that of the next day.

    `fold` 1: of a time that the clock shows twice, the later one.
    """
    last_day = day + DAY if ends == MIDNIGHT else day
    first = _minute(grid, dt.datetime.combine(day, starts, tzinfo=grid.zone).replace(fold=fold))
    last = _minute(grid, dt.datetime.combine(last_day, ends, tzinfo=grid.zone).replace(fold=fold))
    return max(0, first), max(0, min(last, _minutes(grid)))


def _minutes_between(grid: Grid, day: dt.date, starts: dt.time, ends: dt.time) -> IntArray:
    """Minutes of the grid at which the clock of the zone shows a time of the span, both times where it shows it twice."""
    first, last = _span(grid, day, MIDNIGHT, MIDNIGHT)
    begins, stops = (dt.datetime.combine(d, MIDNIGHT, tzinfo=grid.zone) for d in (day, day + DAY))
    if begins.utcoffset() == stops.utcoffset():
        return np.arange(*_span(grid, day, starts, ends))
    start = grid.starts_at
    shown = [(start + n * MINUTE).astimezone(grid.zone).time() for n in range(first, last)]
    until = dt.time.max if ends == MIDNIGHT else ends
    return np.array([n for n, at in enumerate(shown, start=first) if starts <= at < until], dtype=np.int64)


def _minute(grid: Grid, at: dt.datetime) -> int:
    return int((at.astimezone(dt.UTC) - grid.starts_at) / dt.timedelta(minutes=1))
