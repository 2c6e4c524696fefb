"""The course of the charge state of a unit's banks, for its chart: the sweep's own calculation, asked day by day."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np

from fleet.models import Unit
from readiness.domain.bank_forecast import judge_with
from readiness.domain.charge_state import path
from readiness.domain.reading_values import values_of_readings
from readiness.selectors.snapshot import EPOCH, load_snapshot

DAYS_BACK = 180
DAYS_AHEAD = 120
STEP_DAYS = 2


@dataclass(frozen=True)
class ChargeDay:
    """What is believed on one day; None where nothing can be said."""

    day: dt.date
    low: float | None
    mid: float | None
    high: float | None


@dataclass(frozen=True)
class MeasuredPoint:
    """A reading that could be used: the charge state it says by itself."""

    at: dt.datetime
    soc: float


@dataclass(frozen=True)
class ChargeCourse:
    days: tuple[ChargeDay, ...]
    floor_soc: float | None
    measured: tuple[MeasuredPoint, ...] = ()


def charge_courses(unit: Unit, *, today: dt.date) -> dict[int, ChargeCourse]:
    """By bank id: from half a year back to four months ahead if nothing is done. The queries of one snapshot."""
    snapshot = load_snapshot([unit.pk], today)
    first = (today - EPOCH).days - DAYS_BACK
    numbers = np.arange(first, first + DAYS_BACK + DAYS_AHEAD + 1, STEP_DAYS, dtype=np.float64)
    values = values_of_readings(snapshot.bank_arrays, snapshot.events)
    shown = values.usable & np.isfinite(values.soc) & (snapshot.events.time >= first)
    judge = judge_with(snapshot.habits.noise)
    courses = {}
    for row, bank_id in enumerate(snapshot.banks["id"].tolist()):
        # The end of each day, so that what was written down on it counts.
        course = path(snapshot.bank_arrays, snapshot.events, snapshot.sites, row, numbers + 1.0, judge=judge)
        courses[int(bank_id)] = ChargeCourse(
            days=tuple(
                ChargeDay(EPOCH + dt.timedelta(days=int(number)), _known(low), _known(mid), _known(high))
                for number, low, mid, high in zip(numbers, course.low, course.soc, course.high, strict=True)
            ),
            floor_soc=_known(course.floor_soc),
            measured=tuple(
                MeasuredPoint(_instant(snapshot.events.time[n]), float(values.soc[n]))
                for n in np.flatnonzero(shown & (snapshot.events.bank == row))
            ),
        )
    return courses


def _instant(day_number: float) -> dt.datetime:
    return dt.datetime.combine(EPOCH, dt.time(0), tzinfo=dt.UTC) + dt.timedelta(days=float(day_number))


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
