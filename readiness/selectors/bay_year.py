"""What a year of charging in a depot is played with: its banks, hours, supply and bays, and the choices to compare."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, Deployment, Place, Unit
from readiness.domain.bank_forecast import forecast
from readiness.domain.bank_records import Supply
from readiness.domain.bay_plan.hours import Grid, base_slots, open_slots, supply_slots
from readiness.domain.bay_plan.sizing import bay_hours_per_week, bays_min
from readiness.domain.bay_plan.wishes import Banks, BayKind, fit_of, longest_window
from readiness.domain.bay_plan.year import Choice, YearBanks, YearHours
from readiness.domain.bay_plan.year_wear import wear_per_day
from readiness.domain.chemistry import chemistry_column, chemistry_index
from readiness.domain.rest_voltage import is_lithium
from readiness.models import BayTerms
from readiness.selectors.bay_plan import BayRows, bay_rows
from readiness.selectors.snapshot import load_all_banks

YEAR_DAYS = 365
SLOT_H = 1
LOOK_BACK_DAYS = 730
# What a bank that comes home empty is believed to hold, and the hours within which it is wanted full again (own assumption).
BACK_SOC = 0.2
BACK_DUE_H = 72.0
TARGET_USE = 0.8
POWER_SHARES = (0.5, 0.75, 1.25, 1.5, 2.0)
# A charger is set lower where the supply is short.
SETTINGS = (1.0, 0.5)
LEAST_ROOM_SOC = 0.02
WEEK_H = 168.0


@dataclass(frozen=True)
class Rule:
    """The sizing rule for the banks of a depot: bay hours asked a week, and the fewest bays by the crew's hours (None: more
    than any number, or no hours), and if all of it ran day and night."""

    asked_h: float
    crew_h: float
    bays: int | None
    bays_unattended: int
    kwh_week: float
    supply_kwh_week: float


@dataclass(frozen=True)
class YearQuestion:
    """Ready to be played, or `stops` says what must be written down first. `left_out`: bank and why it is not played."""

    place: Place
    stops: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    shortened: tuple[str, ...] = ()
    banks: YearBanks | None = None
    hours: YearHours | None = None
    choices: tuple[Choice, ...] = ()
    rule: Rule | None = None
    inputs: dict[str, Any] = field(default_factory=dict)

    @property
    def mark(self) -> str:
        """Changes when anything the year is played with does."""
        assert self.banks is not None
        assert self.hours is not None
        digest = hashlib.sha256(
            json.dumps([[choice.name, choice.bays, choice.more_kw] for choice in self.choices]).encode()
        )
        for array in (
            self.banks.per_day, self.banks.slots, self.banks.back_slots, self.banks.kw, self.banks.unattended,
            self.banks.calls_per_year, self.hours.open, self.hours.free_kw, self.hours.handling,
        ):  # fmt: skip
            digest.update(np.ascontiguousarray(np.round(array.astype(np.float64), 6)).tobytes())
        return digest.hexdigest()[:16]


def calls_on_record(place: Place, today: dt.date) -> float:
    """How often a unit at home here went on a call in a year, by the last two. Two queries."""
    units = Unit.objects.in_service().filter(home=place).count()
    since = today - dt.timedelta(days=LOOK_BACK_DAYS)
    gone = Deployment.objects.filter(unit__home=place, started_on__gte=since).count()
    return gone / max(units, 1) / (LOOK_BACK_DAYS / 365.0)


def year_question(
    place: Place, *, now: dt.datetime, calls_per_year: float | None = None, first_day: dt.date | None = None
) -> YearQuestion:
    """The year from the coming midnight on, by what holds today. A fixed number of queries.

    `calls_per_year`: of one unit; None: as on record. Odd days and calls that are planned are left out: it is a year
    like any other.
    """
    zone = find_zone(place.time_zone)
    today = first_day or now.astimezone(zone).date()
    rows = bay_rows(place, today=today)
    calls = calls_on_record(place, today) if calls_per_year is None else calls_per_year
    stops = _stops(rows)
    if stops:
        return YearQuestion(place, stops=stops)
    assert rows.terms is not None
    midnight = dt.datetime.combine(today, dt.time(0), tzinfo=zone).astimezone(dt.UTC)
    grid = Grid(midnight, YEAR_DAYS * 24 // SLOT_H, SLOT_H, zone)
    present = open_slots(grid, rows.weekly, {})
    supply = supply_slots(grid, rows.limits, rows.supply_hours)
    if np.isnan(supply).all() or not present.any():
        return YearQuestion(place, stops=("supply" if present.any() else "hours",))
    supply = np.where(np.isnan(supply), 0.0, supply)
    base = np.nan_to_num(base_slots(grid, rows.base), nan=rows.terms.base_kw)
    handling = _handling(rows.terms, present)
    hours = YearHours(present, np.maximum(supply - base, 0.0), handling, float(SLOT_H), BACK_DUE_H)
    return _with_banks(place, rows, hours, today, calls, supply)


def _stops(rows: BayRows) -> tuple[str, ...]:
    stops = []
    if not rows.kinds:
        stops.append("bays")
    if not rows.weekly:
        stops.append("hours")
    if rows.terms is None:
        stops.append("terms")
    if not any(row.value is not None for row in rows.limits):
        stops.append("supply")
    return tuple(stops)


def _handling(terms: BayTerms, present: np.ndarray) -> np.ndarray:
    if terms.handlings_per_hour is None:
        return np.where(present, np.inf, 0.0)
    return np.where(present, max(1.0, math.floor(terms.handlings_per_hour * SLOT_H + 1e-9)), 0.0)


def _with_banks(
    place: Place, rows: BayRows, hours: YearHours, today: dt.date, calls: float, supply: np.ndarray
) -> YearQuestion:
    assert rows.terms is not None
    units = list(Unit.objects.in_service().filter(home=place).values_list("pk", flat=True))
    frame, arrays, events, sites, ends = load_all_banks(units, today)
    serials = dict(BatteryBank.objects.filter(pk__in=frame["id"].tolist()).values_list("pk", "serial"))
    found = forecast(arrays, events, sites, ends)
    own, estimates = found.banks, found.estimates
    names = [serials[int(pk)] for pk in frame["id"].tolist()]
    site = own.site
    means = np.full((len(own), 12), np.nan)
    placed = site >= 0
    means[placed] = sites.month_mean_c[site[placed]] + sites.heat_c[site[placed]][:, None]
    kept = np.where(is_lithium(own.chem) & np.isfinite(own.kept_soc), own.kept_soc, 1.0)
    start = np.fmax(estimates.floor_soc, np.where(np.isfinite(own.kept_soc), estimates.top_up_soc, -np.inf))
    start = np.minimum(start, kept - LEAST_ROOM_SOC)
    kinds = [*rows.shapes.values(), _any_kind(rows)]
    asking = Banks(own.chem, own.capacity_ah, own.cells, own.charger_a, start, kept)
    empty = Banks(
        own.chem, own.capacity_ah, own.cells, own.charger_a, np.minimum(start, BACK_SOC), np.ones(len(own))
    )
    slots, kw = _needs(asking, kinds)
    back, back_kw = _needs(empty, kinds)
    allowed = np.isin(
        own.chem, [chemistry_index()[code] for code in rows.terms.unattended if code in chemistry_index()]
    )
    window = longest_window(hours.open)
    of_kind = np.tile(np.arange(len(kinds)), len(SETTINGS))
    own_ways = of_kind < len(kinds) - 1
    left_out, keep = [], np.ones(len(own), dtype=bool)
    for row, name in enumerate(names):
        why = ""
        if np.isnan(means[row]).any():
            why = "climate"
        elif not slots[row].any():
            why = "needs"
        elif not slots[row, own_ways].any():
            why = "bay"
        elif not allowed[row] and slots[row, own_ways][slots[row, own_ways] > 0].min() > window:
            why = "window"
        if why:
            left_out.append((name, why))
            keep[row] = False
    quickest = np.where((back > 0) & own_ways[None, :], back, np.iinfo(np.int64).max).min(axis=1)
    short = ~allowed & (quickest > window)
    shortened = tuple(name for row, name in enumerate(names) if keep[row] and short[row])
    back = np.where(short[:, None], np.minimum(back, window), back)
    at = np.flatnonzero(keep)
    load = np.where(
        estimates.supply == Supply.STANDBY,
        np.nan_to_num(own.standby_ma, nan=0.0) / 1000.0 * 24.0 / np.maximum(own.capacity_ah, 1e-9),
        0.0,
    ) + np.nan_to_num(own.hidden_per_day, nan=0.0)
    published = chemistry_column("sd_pct_month_ref")[own.chem]
    monthly = wear_per_day(
        own.chem[at],
        np.clip(means[at], -40.0, 70.0),
        pct_month=(np.where(np.isnan(own.pct_month), published, own.pct_month) * own.rate_scale)[at],
        cap_days=own.interval_cap_days[at],
        load_per_day=load[at],
        room_soc=np.maximum(kept - start, LEAST_ROOM_SOC)[at],
    )
    days = [(today + dt.timedelta(days=n)).month - 1 for n in range(YEAR_DAYS + 1)]
    banks = YearBanks(
        per_day=monthly.T[days],
        slots=slots[at],
        back_slots=back[at],
        kw=np.maximum(kw, back_kw)[at],
        unattended=allowed[at],
        calls_per_year=np.full(len(at), calls),
        of_kind=of_kind,
    )
    limit = next((row.value for row in reversed(rows.limits) if row.value is not None), 0.0) or 0.0
    inputs = {
        "banks": len(at),
        "bays": sum(len(bays) for bays in rows.kinds.values()),
        "bay_names": sorted(bay.name for bays in rows.kinds.values() for bay in bays),
        "any_a": kinds[-1].max_a,
        "limit_kw": float(limit),
        "base_kw": rows.terms.base_kw,
        "crew_h_week": float(hours.open.sum() * SLOT_H * 7 / YEAR_DAYS),
        "calls_per_year": round(calls, 2),
        "unattended": list(rows.terms.unattended),
        "first_day": today.isoformat(),
    }
    if not len(at):
        return YearQuestion(place, stops=("banks",), left_out=tuple(left_out), inputs=inputs)
    return YearQuestion(
        place,
        left_out=tuple(left_out),
        shortened=shortened,
        banks=banks,
        hours=hours,
        choices=choices_of([len(bays) for bays in rows.kinds.values()], float(limit)),
        rule=_rule(banks, hours, monthly, supply),
        inputs=inputs,
    )


def _any_kind(rows: BayRows) -> BayKind:
    """A bay that can charge every bank, with the current of the depot's strongest one."""
    top = max(kind.max_a for kind in rows.shapes.values())
    return BayKind("any", top, math.inf, None, frozenset(chemistry_index().values()))


def _needs(banks: Banks, kinds: Sequence[BayKind]) -> tuple[np.ndarray, np.ndarray]:
    """Slots and greatest power of each bank on each kind of bay, at full current and then at half; 0 slots: not there."""
    slots = np.zeros((len(banks), len(SETTINGS) * len(kinds)), dtype=np.int64)
    kw = np.zeros(slots.shape)
    for number, (setting, kind) in enumerate((setting, kind) for setting in SETTINGS for kind in kinds):
        fit = fit_of(replace(banks, charger_a=np.fmin(banks.charger_a, kind.max_a) * setting), kind)
        for row, misfit in enumerate(fit.misfit):
            if misfit is None:
                need = fit.need(row, float(SLOT_H))
                slots[row, number], kw[row, number] = need.slots, max(need.profile_kw)
    return slots, kw


def choices_of(counts: Sequence[int], limit_kw: float) -> tuple[Choice, ...]:
    """As it is now; so many bays that can charge every bank; and the bays of now with less or more power."""
    now = tuple(counts)
    none = (0,) * len(now)
    most = max(6, sum(now) + 2)
    return (
        Choice("now", (*now, 0)),
        *(Choice(f"bays:{number}", (*none, number)) for number in range(1, most + 1)),
        *(Choice(f"kw:{share:g}", (*now, 0), round(limit_kw * (share - 1.0), 3)) for share in POWER_SHARES),
    )


def _rule(banks: YearBanks, hours: YearHours, monthly: np.ndarray, supply: np.ndarray) -> Rule:
    theirs = (banks.slots > 0) & (banks.of_kind < banks.of_kind.max())[None, :]
    need = np.where(theirs, banks.slots, np.iinfo(np.int64).max)
    kind = need.argmin(axis=1)
    each = np.arange(len(banks))
    bay_h = banks.slots[each, kind] * hours.slot_h
    interval = 1.0 / monthly.mean(axis=1)
    asked = bay_hours_per_week(np.ones(len(banks)), bay_h, interval)
    crew = float(hours.open.sum() * hours.slot_h * 7 / YEAR_DAYS)
    groups = (np.ones(len(banks)), bay_h, interval)
    try:
        fewest: int | None = bays_min(*groups, open_h_per_week=crew, target_use=TARGET_USE)
    except DomainError:
        fewest = None
    power = bay_hours_per_week(banks.kw[each, kind], bay_h, interval)
    return Rule(
        asked_h=asked,
        crew_h=crew,
        bays=fewest,
        bays_unattended=bays_min(*groups, open_h_per_week=WEEK_H, target_use=TARGET_USE),
        kwh_week=power,
        supply_kwh_week=float(hours.free_kw[hours.open].sum() * hours.slot_h * 7 / YEAR_DAYS),
    )
