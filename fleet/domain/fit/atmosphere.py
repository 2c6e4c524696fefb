"""ICAO standard atmosphere: density ratio and density altitude. Source: ICAO Doc 7488."""

from __future__ import annotations

SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
PRESSURE_EXPONENT = 5.25588
DENSITY_EXPONENT = 4.25588


def density_ratio(pressure_altitude_m: float, isa_dev_c: float) -> float:
    """Air density over that of sea level at a pressure altitude [m] and a deviation from standard [K]."""
    cooling = LAPSE_K_PER_M * pressure_altitude_m
    pressure = (1.0 - cooling / SEA_LEVEL_K) ** PRESSURE_EXPONENT
    return float(pressure * SEA_LEVEL_K / (SEA_LEVEL_K - cooling + isa_dev_c))


def density_altitude_m(pressure_altitude_m: float, isa_dev_c: float) -> float:
    """Altitude [m] of the standard atmosphere with the same density."""
    ratio = density_ratio(pressure_altitude_m, isa_dev_c)
    return float((SEA_LEVEL_K / LAPSE_K_PER_M) * (1.0 - ratio ** (1.0 / DENSITY_EXPONENT)))
