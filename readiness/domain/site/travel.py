"""How long the way is: road by distance, circuity and what drivers may do; flight; handling; the runway it needs.

Formulas 4b to 4d of `reference/water_energy_sites.md`. Circuity by country from
`readiness/domain/tables/circuity.csv`. A surveyed lane replaces all of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fleet.domain.fit.aircraft import ELEVATION_STEP_M, PER_DEGREE, PER_ELEVATION_STEP, runway_needed_m
from fleet.domain.fit.atmosphere import LAPSE_K_PER_M
from fleet.lib.tables import read_table
from readiness.domain.site.inputs import Answer, BadSite, floats, given, missing_of, not_negative, positive

SPARSE, BROKEN = 1.4, 1.8  # no route known; mountains, islands, damaged bridges (practice)
STUDY_OVER = 0.35  # height and heat together (ICAO Doc 9157 part 1, memory)
STANDARD_C = 15.0


@dataclass(frozen=True, slots=True)
class DriverRule:
    """What a driver may do: hours at the wheel a day, the break after so many of them, and the rest before the next day."""

    key: str
    drive_h_day: float
    break_after_h: float
    break_h: float
    rest_h: float
    source: str


RULES = {
    rule.key: rule
    for rule in (
        DriverRule("eu", 9.0, 4.5, 0.75, 11.0, "Regulation (EC) 561/2006 art. 6 to 8 (memory)"),
        DriverRule("us", 11.0, 8.0, 0.5, 10.0, "49 CFR 395.3 (memory)"),
        DriverRule("convoy", 8.0, 4.5, 0.75, 14.0, "daylight convoys of 8 to 10 h (practice)"),
    )
}


@dataclass(frozen=True, slots=True)
class Flight:
    """Block speed and what climb, approach and taxi add (4c)."""

    kmh: float
    add_h: float


FLIGHTS = {"jet": Flight(800.0, 1.0), "turboprop": Flight(500.0, 0.7)}  # practice


@dataclass(frozen=True, slots=True)
class RoadTime:
    """Hours of a road journey: at the wheel, breaks, rests, stops and borders, and from start to end; or what is missing."""

    driving_h: float
    breaks_h: float
    rests_h: float
    stops_h: float
    answer: Answer


def driving_h(gc_km: ArrayLike, circuity: ArrayLike, kmh: ArrayLike) -> Any:
    """4b: hours at the wheel. BadSite for a circuity below 1: no road is shorter than the straight line."""
    factor = floats(circuity)
    if np.any(factor < 1.0):
        raise BadSite(
            "site.circuity",
            "The way by road over the straight line is 1 or more; it is {value:g}.",
            value=float(np.nanmin(factor)),
        )
    return given(not_negative("distance", gc_km) * factor / positive("speed", kmh))


def road_time(
    gc_km: float | None,
    circuity: float | None,
    kmh: float | None,
    rule: DriverRule,
    stops_h: float | None = 0.0,
    crews: int = 1,
    driven_h: float = 0.0,
) -> RoadTime:
    """From start to end of a road journey under a rule; `driven_h` were driven before on the first day.

    Two crews in one cab take turns, so that no break is needed and the day holds twice the hours; they rest 9 h
    (Regulation 561/2006 art. 8(5), memory), never less than 24 h hold. Missing figures cannot be decided.
    """
    missing = missing_of(
        {
            "distance": gc_km,
            "circuity": circuity,
            "speed on the road": kmh,
            "hours of stops and borders": stops_h,
        }
    )
    if missing or gc_km is None or circuity is None or kmh is None or stops_h is None:
        return RoadTime(math.nan, math.nan, math.nan, math.nan, Answer(None, "h", missing))
    if crews not in (1, 2):
        raise BadSite("site.crews", "A cab has one crew or two.")
    own = (
        rule
        if crews == 1
        else replace(
            rule, drive_h_day=min(2.0 * rule.drive_h_day, 15.0), break_h=0.0, rest_h=max(9.0, 24.0 - 15.0)
        )
    )
    wheel = float(driving_h(gc_km, circuity, kmh))
    if not 0.0 <= driven_h <= own.drive_h_day:
        raise BadSite(
            "site.driven",
            "{driven_h:g} h at the wheel today is more than {most:g} h.",
            driven_h=driven_h,
            most=own.drive_h_day,
        )
    breaks = rests = 0.0
    left, today, since_break = wheel, driven_h, driven_h % own.break_after_h
    while left > 1e-9:
        go = min(left, own.drive_h_day - today, own.break_after_h - since_break)
        left, today, since_break = left - go, today + go, since_break + go
        if left <= 1e-9:
            break
        if own.drive_h_day - today <= 1e-9:
            rests, today, since_break = rests + own.rest_h, 0.0, 0.0
        elif own.break_after_h - since_break <= 1e-9:
            breaks, since_break = breaks + own.break_h, 0.0
    stops = float(not_negative("hours of stops", stops_h))
    return RoadTime(wheel, breaks, rests, stops, Answer(wheel + breaks + rests + stops, "h"))


@dataclass(frozen=True, slots=True)
class Circuity:
    """Way by road over the straight line: the figure to plan with and its ends, where it comes from, how sure."""

    factor: float
    low: float
    high: float
    source: str
    confidence: str


@cache
def circuity_of_countries() -> Mapping[str, tuple[Circuity, ...]]:
    """By ISO code, every published figure; two that differ are both kept."""
    found: dict[str, list[Circuity]] = {}
    for row in read_table("readiness.domain.tables", "circuity"):
        if row["iso3"]:
            factor = row.number("factor")
            low, high = row.optional_number("low") or factor, row.optional_number("high") or factor
            found.setdefault(row["iso3"], []).append(
                Circuity(factor, low, high, row["source"], row["confidence"])
            )
    return {code: tuple(rows) for code, rows in found.items()}


def circuity(iso3: str | None, *, broken: bool | None) -> tuple[Circuity | None, Answer]:
    """The largest published figure of a country, and never below 1.8 where mountains, islands or damage broke the roads.

    `broken` None (nobody said whether roads are cut) cannot be decided. A country without a figure has 1.4, named as
    assumed.
    """
    if broken is None:
        return None, Answer(None, "", ("whether roads or bridges are cut",))
    rows = circuity_of_countries().get(iso3 or "", ())
    if rows:
        worst = max(rows, key=lambda row: row.factor)
        told = replace(worst, low=min(row.low for row in rows), high=max(row.high for row in rows))
        assumed: tuple[str, ...] = ()
    else:
        told = Circuity(SPARSE, 1.25, BROKEN, "common practice, no source", "memory")
        assumed = (f"the road is {SPARSE:g} times the straight line (practice)",)
    if broken and told.factor < BROKEN:
        told = Circuity(BROKEN, told.low, max(BROKEN, told.high), "common practice, no source", "memory")
        assumed = (f"broken roads are {BROKEN:g} times the straight line (practice)",)
    return told, Answer(told.factor, "", (), assumed)


def flight_h(km: ArrayLike, kind: Flight) -> Any:
    """4c: hours in the air and on the taxiway, without loading."""
    return given(not_negative("distance", km) / kind.kmh + kind.add_h)


def helicopter_h(km: ArrayLike, cruise_kmh: ArrayLike, hookup_h: ArrayLike) -> Any:
    """Hours of a sling flight one way; `hookup_h` for hooking on and setting down (operator's figure)."""
    return given(
        not_negative("distance", km) / positive("cruise speed", cruise_kmh)
        + not_negative("hours of hooking on", hookup_h)
    )


@dataclass(frozen=True, slots=True)
class Runway:
    """Length needed [m]; `study` when height and heat together want one of their own (over +35 %)."""

    needed_m: float
    study: bool


def runway_required(base_m: float, elev_m: float, ref_temp_c: float, slope_pct: float) -> Runway:
    """4d from elevation and reference temperature; the correction itself is that of the fit checks."""
    above_standard_c = ref_temp_c - (STANDARD_C - LAPSE_K_PER_M * elev_m)
    needed = runway_needed_m(
        float(positive("runway at sea level", base_m)), elev_m, above_standard_c, slope_pct
    )
    height = 1.0 + PER_ELEVATION_STEP * max(0.0, elev_m) / ELEVATION_STEP_M
    warmth = 1.0 + PER_DEGREE * max(0.0, above_standard_c)
    return Runway(float(needed), height * warmth > 1.0 + STUDY_OVER)
