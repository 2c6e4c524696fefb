"""Daily mean air temperature at each depot: a line between the monthly normals, and weather that remembers yesterday."""

from __future__ import annotations

import datetime as dt

import numpy as np
from numpy.typing import NDArray

from readiness.demo.source import Source

Floats = NDArray[np.float64]
MEMORY = 0.75  # share of yesterday's departure from normal that is left today


def daily_air_c(source: Source, first: dt.date, days: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Air temperature [degC] of each depot for `days` days from `first` on."""
    return {
        depot: normals(source, depot, first, days) + departures(source, depot, days, rng)
        for depot in source.depots
    }


def normals(source: Source, depot: str, first: dt.date, days: int) -> Floats:
    rows = sorted((row for row in source["climate"] if row["place"] == depot), key=lambda row: row["month"])
    middle = np.array([dt.date(2001, row["month"], 15).timetuple().tm_yday for row in rows], dtype=float)
    means = np.array([row["mean_c"] for row in rows], dtype=float)
    day_of_year = np.array([(first + dt.timedelta(days=n)).timetuple().tm_yday for n in range(days)])
    return np.interp(day_of_year, middle, means, period=365.25)


def departures(source: Source, depot: str, days: int, rng: np.random.Generator) -> Floats:
    means = [row["mean_c"] for row in source["climate"] if row["place"] == depot]
    swing = max(means) - min(means)
    sigma = 0.8 + 0.1 * swing  # weather varies more where seasons differ more
    shocks = rng.normal(0.0, sigma * np.sqrt(1 - MEMORY**2), days)
    departure = np.zeros(days)
    for day in range(1, days):
        departure[day] = MEMORY * departure[day - 1] + shocks[day]
    return departure
