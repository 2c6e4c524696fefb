"""The sun to plan with at a site: the nearest place on file, its clearness under the site's own latitude.

`readiness/domain/tables/insolation.csv` holds 52 places with monthly means. How far one may stand for another is an own
rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from fleet.lib.tables import read_table
from readiness.domain.site import sun
from readiness.domain.site.geodesic import distance_km
from readiness.domain.site.inputs import BadSite, Floats, floats, missing_of, within

FAR_KM = 1000.0  # a place further off says nothing of the clouds here (own rule)
PLANNING = 0.95  # the method reads 5.4 % high on average (section 3.5)


@dataclass(frozen=True, slots=True)
class Record:
    """Twelve months of one place: mean on level ground [kWh/m2/day], mean low temperature [degC]."""

    place: str
    lat_deg: float
    lon_deg: float
    level_kwh_m2: Floats
    above_kwh_m2: Floats
    low_c: Floats
    source: str
    confidence: str


@dataclass(frozen=True, slots=True)
class SiteSun:
    """Level sun [kWh/m2/day] and daylight [h] of twelve months at a site; NaN with what is `missing`."""

    level_kwh_m2: Floats
    daylight_h: Floats
    low_c: Floats
    assumed: tuple[str, ...]
    missing: tuple[str, ...]


@cache
def records() -> tuple[Record, ...]:
    """Every place of the table that has all twelve months."""
    found: dict[tuple[str, float, float], list[tuple[int, float, float, float, str, str]]] = {}
    for row in read_table("readiness.domain.tables", "insolation"):
        low = row.optional_number("tmin_mean_c")
        month = (
            row.integer("month"),
            row.number("ghi_kwh_m2_d"),
            row.number("h0_kwh_m2_d"),
            np.nan if low is None else low,
        )
        found.setdefault((row["place"], row.number("lat"), row.number("lon")), []).append(
            (*month, row["source"], row["confidence"])
        )
    kept = []
    for (place, lat, lon), months in found.items():
        if sorted(month[0] for month in months) == list(range(1, 13)):
            months.sort()
            level, above, low_c = (floats([month[column] for month in months]) for column in (1, 2, 3))
            kept.append(Record(place, lat, lon, level, above, low_c, months[0][4], months[0][5]))
    return tuple(kept)


def site_sun(
    lat_deg: float | None,
    lon_deg: float | None,
    entered_kwh_m2: ArrayLike | None = None,
    elevation_m: float = 0.0,
) -> SiteSun:
    """The twelve months at a site, times 0.95 unless they were `entered_kwh_m2` (12,), for instance from a survey.

    Without coordinates, or with no place on file within 1000 km, it cannot be decided.
    """
    nothing = np.full(12, np.nan)
    missing = missing_of({"latitude of the site": lat_deg, "longitude of the site": lon_deg})
    if missing or lat_deg is None or lon_deg is None:
        return SiteSun(nothing, nothing, nothing, (), missing)
    within("latitude", lat_deg, -90.0, 90.0)
    daylight = floats([np.mean(sun.daylight_h(lat_deg, sun.days_of_month(m))) for m in range(1, 13)])
    if entered_kwh_m2 is not None:
        level = within("sun on level ground", entered_kwh_m2, 0.0, 12.0)
        _plausible(lat_deg, level, elevation_m)
        gaps = ("sun on level ground",) if np.any(np.isnan(level)) else ()
        return SiteSun(level, daylight, nothing, (), gaps)
    held = records()
    far_km = floats(distance_km([r.lat_deg for r in held], [r.lon_deg for r in held], lat_deg, lon_deg))
    near = held[int(np.argmin(far_km))]
    km = float(np.min(far_km))
    if km > FAR_KM:
        return SiteSun(
            nothing,
            daylight,
            nothing,
            (),
            (f"sun at the site (the nearest on file, {near.place}, is {km:.0f} km away)",),
        )
    above = floats([sun.month_above_mj_m2(lat_deg, m) for m in range(1, 13)]) / sun.MJ_PER_KWH
    clearness = np.minimum(near.level_kwh_m2 / near.above_kwh_m2, 1.0)
    told = f"the clouds of {near.place}, {km:.0f} km away ({near.confidence}), times {PLANNING:g}"
    return SiteSun(PLANNING * clearness * above, daylight, near.low_c, (told,), ())


def _plausible(lat_deg: float, level: Floats, elevation_m: float) -> None:
    if level.shape != (12,):
        raise BadSite(
            "site.months", "The sun on level ground is entered for twelve months; here are {n}.", n=level.size
        )
    for month, value in enumerate(level.tolist(), start=1):
        if not np.isnan(value) and not sun.level_plausible(lat_deg, month, value, elevation_m):
            raise BadSite(
                "site.sun_implausible",
                "Month {month}: {value:g} kWh/m2 a day is not possible at latitude {lat:g}. Check the unit and the month.",
                month=month,
                value=value,
                lat=lat_deg,
            )


def mission_months(start: date, days: int) -> tuple[int, ...]:
    """The months 1..12 that a mission of `days` touches, in order."""
    within("days of the mission", days, 1, 3660)
    seen: dict[int, None] = {}
    for offset in range(min(days, 366)):
        seen.setdefault((start + timedelta(days=offset)).month)
    return tuple(seen)
