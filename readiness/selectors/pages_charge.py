"""What the pages tell of a unit's banks: the course of the charge for the chart, what was learnt, what stands out.

The sweep's own calculation (`bank_forecast`), asked day by day.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from fleet.models import Unit
from readiness.domain.bank_flags import Unknown, fleet_life_used
from readiness.domain.bank_forecast import forecast, judge_with
from readiness.domain.bank_records import READING_REFUSALS, EventKind
from readiness.domain.charge_state import path
from readiness.domain.checks_flags import flags_of
from readiness.domain.learning import Learned
from readiness.domain.reading_values import values_of_readings
from readiness.domain.snapshot import FleetSnapshot
from readiness.selectors.snapshot import EPOCH, date_of, load_snapshot

DAYS_BACK = 180
DAYS_AHEAD = 120
STEP_DAYS = 2
# A temperature of the battery counts for so long, and within it a cell can have moved by so much (own judgement).
READ_DAYS = 1.5
READ_GIVE_K = 3.0


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


@dataclass(frozen=True)
class CellTemps:
    """The coldest and the warmest that a cell may be [degC], and whence: 'read', 'logged' or 'climate'."""

    low_c: float
    high_c: float
    whence: str


@dataclass(frozen=True)
class Taught:
    """What the records of a bank teach; rates in % of the capacity in 30 days, ends those of the 80 % band.

    `total`, `total_low`, `total_high` of all that it loses; `published` what it would be without learning; `draw` a draw
    beside the recorded one; `used` records that taught, from `first` to `last`; `refused` by reason; `alarm` the instant of
    a reading far too low that nothing has disproved, `confirmed` of one that agreed with it.
    """

    total: float | None
    total_low: float | None
    total_high: float | None
    published: float | None
    draw: float | None
    draw_ma: float | None
    used: int
    first: dt.datetime | None
    last: dt.datetime | None
    refused: tuple[tuple[str, int], ...]
    alarm: dt.datetime | None
    confirmed: dt.datetime | None
    returned_share: float | None
    returned: dt.datetime | None


@dataclass(frozen=True)
class StandsOut:
    """Flags of a bank with what they rest on; `peers` with how many it was compared (0: with the published rate)."""

    flags: int
    unknown: int
    ratio: float | None
    peers: int
    likelier: int
    ohmic_ratio: float | None
    capacity_pct: float | None
    life_used: float | None
    test_due: dt.date | None


@dataclass(frozen=True)
class BankTold:
    """One bank as its pages tell of it; `lowest_v_cell` of the lowest block at the latest reading that measured one."""

    course: ChargeCourse
    low_soc: float | None
    temps: CellTemps | None
    lowest_v_cell: float | None
    capacity_ah: float
    taught: Taught
    stands_out: StandsOut


def banks_told(unit: Unit, *, today: dt.date) -> dict[int, BankTold]:
    """By bank id, as of the end of `today`: course from half a year back to four months ahead, what was learnt, what stands
    out, temperatures. The queries of one snapshot."""
    snapshot = load_snapshot([unit.pk], today)
    believed = forecast(
        snapshot.bank_arrays,
        snapshot.events,
        snapshot.sites,
        snapshot.units["as_of"][snapshot.banks["unit"]],
        noise=snapshot.habits.noise,
    )
    flags = flags_of(snapshot, believed)
    life = fleet_life_used(snapshot.bank_arrays, snapshot.sites, float(snapshot.as_of_day))
    told = {}
    for row, bank_id in enumerate(snapshot.banks["id"].tolist()):
        found = believed.estimates
        told[int(bank_id)] = BankTold(
            course=_course(snapshot, row),
            low_soc=_known(found.low[row]) if found.decided[row] else None,
            temps=_temps(snapshot, row),
            lowest_v_cell=_lowest(snapshot, row),
            capacity_ah=float(snapshot.bank_arrays.capacity_ah[row]),
            taught=_taught(snapshot, believed.learned, row),
            stands_out=StandsOut(
                int(flags.flags[row]),
                int(flags.unknown[row]),
                None if flags.unknown[row] & int(Unknown.RATE) else _known(flags.ratio[row]),
                int(flags.peers[row]),
                int(flags.likelier[row]),
                _known(snapshot.banks["ohmic_ratio"][row]),
                _known(snapshot.banks["capacity_pct"][row]),
                _known(life[row]),
                date_of(flags.test_due_at[row]),
            ),
        )
    return told


def charge_courses(unit: Unit, *, today: dt.date) -> dict[int, ChargeCourse]:
    """By bank id: from half a year back to four months ahead if nothing is done."""
    return {bank_id: told.course for bank_id, told in banks_told(unit, today=today).items()}


def _course(snapshot: FleetSnapshot, row: int) -> ChargeCourse:
    first = snapshot.as_of_day - DAYS_BACK
    numbers = np.arange(first, first + DAYS_BACK + DAYS_AHEAD + 1, STEP_DAYS, dtype=np.float64)
    values = values_of_readings(snapshot.bank_arrays, snapshot.events)
    shown = values.usable & np.isfinite(values.soc) & (snapshot.events.time >= first)
    # The end of each day, so that what was written down on it counts; forecast with what was learnt by then.
    course = path(
        snapshot.bank_arrays,
        snapshot.events,
        snapshot.sites,
        row,
        numbers + 1.0,
        judge=judge_with(snapshot.habits.noise),
    )
    return ChargeCourse(
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


def _taught(snapshot: FleetSnapshot, learned: Learned, row: int) -> Taught:
    events = snapshot.events
    until = float(snapshot.units["as_of"][snapshot.banks["unit"][row]])
    mine = (events.bank == row) & (events.kind >= EventKind.VOLTAGE) & (events.time <= until)
    reasons = Counter(READING_REFUSALS[code] for code in learned.refusal[mine].tolist() if code)
    known = {
        name: _known(getattr(learned, name)[row]) for name in ("total_pct_month", "total_low", "total_high")
    }
    at = {
        name: None
        if not math.isfinite(getattr(learned, name)[row])
        else _instant(getattr(learned, name)[row])
        for name in ("first_at", "last_at", "alarm_at", "confirmed_at", "returned_at")
    }
    return Taught(
        total=known["total_pct_month"],
        total_low=known["total_low"],
        total_high=known["total_high"],
        published=_known(learned.published_pct_month[row]),
        draw=_known(learned.draw_pct_month[row]),
        draw_ma=_known(learned.draw_ma[row]),
        used=int(learned.count[row]),
        first=at["first_at"],
        last=at["last_at"],
        refused=tuple(reasons.most_common()),
        alarm=at["alarm_at"],
        confirmed=at["confirmed_at"],
        returned_share=_known(learned.returned_share[row]),
        returned=at["returned_at"],
    )


def _temps(snapshot: FleetSnapshot, row: int) -> CellTemps | None:
    """What a cell may be now: as read within READ_DAYS (give or take what it can have moved), as logged, or by climate."""
    events, sites = snapshot.events, snapshot.sites
    until = float(snapshot.units["seen_at"][snapshot.banks["unit"][row]])
    mine = (events.bank == row) & (events.time <= until) & np.isfinite(events.temp_c)
    mine &= events.time > until - READ_DAYS
    if mine.any():
        temp = float(events.temp_c[np.flatnonzero(mine)[-1]])
        return CellTemps(temp - READ_GIVE_K, temp + READ_GIVE_K, "read")
    moved = np.flatnonzero((events.bank == row) & (events.kind == EventKind.SITE) & (events.time <= until))
    site = int(events.site[moved[-1]]) if moved.size else int(snapshot.bank_arrays.site[row])
    if site < 0:
        return None
    swing = float(sites.swing_c[site])
    logged = np.flatnonzero(
        (sites.log_site == site) & (sites.log_day <= until) & (sites.log_day > until - 1.0 - READ_DAYS)
    )
    if logged.size:
        mean = float(sites.log_mean_c[logged[np.argmax(sites.log_day[logged])]])
        return CellTemps(mean - swing, mean + swing, "logged")
    month = (EPOCH + dt.timedelta(days=int(until))).month - 1
    air, heat = float(sites.month_mean_c[site, month]), float(sites.heat_c[site])
    if not math.isfinite(air):
        return None
    return CellTemps(air - swing, air + heat + swing, "climate")


def _lowest(snapshot: FleetSnapshot, row: int) -> float | None:
    """Volts per cell of the lowest block where one was measured, else of the bank, at the latest rest voltage."""
    events = snapshot.events
    mine = np.flatnonzero(
        (events.bank == row) & (events.kind == EventKind.VOLTAGE) & np.isfinite(events.value)
    )
    if not mine.size:
        return None
    latest = mine[-1]
    whole = float(events.value[latest] / snapshot.bank_arrays.cells[row])
    block = _known(events.low_cell_v[latest])
    return whole if block is None else min(whole, block)


def _instant(day_number: float) -> dt.datetime:
    return dt.datetime.combine(EPOCH, dt.time(0), tzinfo=dt.UTC) + dt.timedelta(days=float(day_number))


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
