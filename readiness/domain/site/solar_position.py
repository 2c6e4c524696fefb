"""Where the sun stands at an instant, as seen from a place: for shade, horizon and the hours an array is lit.

The algorithm of Reda and Andreas, NREL/TP-560-34302 (2008), with its periodic terms of the earth's way (VSOP87,
`readiness/domain/tables/earth_terms.csv`) and nutation by the four large terms of Meeus, Astronomical Algorithms
(2nd ed.), ch. 22 (within 0.5 seconds of arc). Good to about 0.001 degrees from 1900 to 2100. Instants are aware.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fleet.lib.tables import read_table
from readiness.domain.site.inputs import BadSite, Floats, floats, given, within

DELTA_T_S = 69.0  # earth time less turning time, 2020s (IERS, memory); 10 s move the sun by 0.0001 degrees
HORIZON_DEG = -0.8333  # upper edge with usual refraction
SEA_LEVEL_MBAR, MILD_C = 1013.25, 12.0


@dataclass(frozen=True, slots=True)
class SunPosition:
    """Zenith distance seen (with refraction) and true, and azimuth from north over east [degrees]."""

    zenith_deg: Any
    true_zenith_deg: Any
    azimuth_deg: Any


@dataclass(frozen=True, slots=True)
class _Sky:
    declination: Floats
    hour_angle: Floats
    parallax: Floats


def sun_position(
    at: datetime | ArrayLike,
    lat_deg: float,
    lon_deg: float,
    elevation_m: float = 0.0,
    pressure_mbar: float = SEA_LEVEL_MBAR,
    temp_c: float = MILD_C,
    delta_t_s: float = DELTA_T_S,
) -> SunPosition:
    """The sun at an aware instant, or at an array of seconds since 1970 UTC; east is positive."""
    lat = np.radians(within("latitude", lat_deg, -90.0, 90.0))
    sky = _sky(_seconds(at), float(within("longitude", lon_deg, -180.0, 180.0)), delta_t_s)
    u = np.arctan(0.99664719 * np.tan(lat))
    x = np.cos(u) + elevation_m / 6378140.0 * np.cos(lat)
    y = 0.99664719 * np.sin(u) + elevation_m / 6378140.0 * np.sin(lat)
    lowered = np.cos(sky.declination) - x * np.sin(sky.parallax) * np.cos(sky.hour_angle)
    aside = np.arctan2(-x * np.sin(sky.parallax) * np.sin(sky.hour_angle), lowered)
    decl = np.arctan2((np.sin(sky.declination) - y * np.sin(sky.parallax)) * np.cos(aside), lowered)
    hour = sky.hour_angle - aside
    height = np.degrees(np.arcsin(np.sin(lat) * np.sin(decl) + np.cos(lat) * np.cos(decl) * np.cos(hour)))
    azimuth = np.arctan2(np.sin(hour), np.cos(hour) * np.sin(lat) - np.tan(decl) * np.cos(lat))
    seen = height + _refraction_deg(height, pressure_mbar, temp_c)
    return SunPosition(given(90.0 - seen), given(90.0 - height), given((np.degrees(azimuth) + 180.0) % 360.0))


def incidence_deg(sun: SunPosition, tilt_deg: ArrayLike, facing_deg: ArrayLike) -> Any:
    """Angle between the sun and the normal of an array; `facing_deg` from north over east (180: south)."""
    zenith, tilt = np.radians(floats(sun.zenith_deg)), np.radians(within("tilt", tilt_deg, 0.0, 90.0))
    turned = np.radians(floats(sun.azimuth_deg) - floats(facing_deg))
    cosine = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(turned)
    return given(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def rise_and_set(
    day: date, lat_deg: float, lon_deg: float, utc_offset_h: float, delta_t_s: float = DELTA_T_S
) -> tuple[datetime, datetime] | None:
    """Sunrise and sunset (UTC) of a day of a place with this offset; None where the sun stays up or down all day."""
    lat = np.radians(float(within("latitude", lat_deg, -90.0, 90.0)))
    lon = float(within("longitude", lon_deg, -180.0, 180.0))
    noon = datetime.combine(day, time(12), UTC) - timedelta(hours=utc_offset_h)
    transit = _solve(noon.timestamp(), lon, delta_t_s, lambda sky: -sky.hour_angle)
    both = []
    for side in (-1.0, 1.0):
        edge = _edge(transit, lat, lon, delta_t_s, side)
        if edge is None:
            return None
        both.append(datetime.fromtimestamp(edge, UTC))
    return both[0], both[1]


def _edge(transit: float, lat: float, lon: float, delta_t_s: float, side: float) -> float | None:
    at = transit
    for _ in range(6):
        sky = _sky(floats(at), lon, delta_t_s)
        decl = float(sky.declination)
        cosine = (np.sin(np.radians(HORIZON_DEG)) - np.sin(lat) * np.sin(decl)) / (np.cos(lat) * np.cos(decl))
        if not -1.0 <= cosine <= 1.0:
            return None
        at += _turn(side * np.arccos(cosine) - float(sky.hour_angle))
    return at


def _solve(start: float, lon: float, delta_t_s: float, short: Any) -> float:
    at = start
    for _ in range(4):
        at += _turn(float(short(_sky(floats(at), lon, delta_t_s))))
    return at


def _turn(angle: float) -> float:
    """Seconds in which the sun goes on by this angle [rad]."""
    return float(angle / (2.0 * np.pi) * 86400.0)


def _seconds(at: datetime | ArrayLike) -> Floats:
    if isinstance(at, datetime):
        if at.tzinfo is None:
            raise BadSite("site.instant", "The instant {at} names no time zone.", at=at)
        return floats(at.timestamp())
    return floats(at)


def _refraction_deg(height: Floats, pressure_mbar: float, temp_c: float) -> Floats:
    above = height >= -(0.26667 + 0.5667)
    bent = 1.02 / (60.0 * np.tan(np.radians(height + 10.3 / (height + 5.11))))
    lifted: Floats = np.where(above, pressure_mbar / 1010.0 * 283.0 / (273.0 + temp_c) * bent, 0.0)
    return lifted


@cache
def _terms() -> dict[tuple[str, int], Floats]:
    """(L, B or R; power of time) -> rows of amplitude, phase, frequency."""
    rows: dict[tuple[str, int], list[list[float]]] = {}
    for row in read_table("readiness.domain.tables", "earth_terms"):
        term = [row.number(name) for name in ("amplitude_e8", "phase_rad", "frequency_rad")]
        rows.setdefault((row["series"], row.integer("power")), []).append(term)
    return {key: np.array(terms) for key, terms in rows.items()}


def _series(name: str, millennia: Floats) -> Floats:
    total = np.zeros_like(millennia)
    for (series, power), terms in _terms().items():
        if series == name:
            angle = terms[:, 1] + terms[:, 2] * millennia[..., None]
            total = total + np.sum(terms[:, 0] * np.cos(angle), axis=-1) * millennia**power
    return total / 1e8


def _sky(seconds: Floats, lon_deg: float, delta_t_s: float) -> _Sky:
    days = seconds / 86400.0 + 2440587.5 - 2451545.0
    century = (days + delta_t_s / 86400.0) / 36525.0
    millennia = century / 10.0
    radius = _series("R", millennia)
    beta = -_series("B", millennia)
    psi, eps = _nutation_deg(century)
    tilt = np.radians(_obliquity_deg(millennia) + eps)
    longitude = _series("L", millennia) + np.pi + np.radians(psi - 20.4898 / 3600.0 / radius)
    ascension = np.arctan2(np.sin(longitude) * np.cos(tilt) - np.tan(beta) * np.sin(tilt), np.cos(longitude))
    declination = np.arcsin(np.sin(beta) * np.cos(tilt) + np.cos(beta) * np.sin(tilt) * np.sin(longitude))
    turning = days / 36525.0
    sidereal = 280.46061837 + 360.98564736629 * days + 0.000387933 * turning**2 - turning**3 / 38710000.0
    hour = np.radians(sidereal + psi * np.cos(tilt) + lon_deg) - ascension
    hour = (hour + np.pi) % (2.0 * np.pi) - np.pi
    return _Sky(declination, hour, np.radians(8.794 / 3600.0 / radius))


def _nutation_deg(century: Floats) -> tuple[Floats, Floats]:
    node = np.radians(125.04452 - 1934.136261 * century)
    sun = np.radians(2.0 * (280.4665 + 36000.7698 * century))
    moon = np.radians(2.0 * (218.3165 + 481267.8813 * century))
    psi = -17.20 * np.sin(node) - 1.32 * np.sin(sun) - 0.23 * np.sin(moon) + 0.21 * np.sin(2.0 * node)
    eps = 9.20 * np.cos(node) + 0.57 * np.cos(sun) + 0.10 * np.cos(moon) - 0.09 * np.cos(2.0 * node)
    return psi / 3600.0, eps / 3600.0


def _obliquity_deg(millennia: Floats) -> Floats:
    u = millennia / 10.0
    seconds: Floats = 84381.448 - 4680.93 * u - 1.55 * u**2 + 1999.25 * u**3
    return seconds / 3600.0
