"""Distance, direction and goal on the WGS84 ellipsoid, also between places that are nearly opposite.

Clairaut's relation on the auxiliary sphere with the distance and longitude integrals of Karney, Algorithms for geodesics,
J. Geodesy 87 (2013), eqs. 7 and 8, done by Gauss's quadrature; for the way between two places the azimuth is found by
halving, which cannot fail where iterative older formulas do. Arrays broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from readiness.domain.site.inputs import Bools, Floats, floats, given, not_negative, within

EQUATOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
POLE_M = EQUATOR_M * (1.0 - FLATTENING)
SECOND_ECCENTRICITY_2 = FLATTENING * (2.0 - FLATTENING) / (1.0 - FLATTENING) ** 2
NODES, WEIGHTS = np.polynomial.legendre.leggauss(16)
HALVINGS = 56
NEWTON_STEPS = 6


def distance_m(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> Any:
    """4a: the shortest way [m]; NaN where a coordinate is not known. BadSite outside -90..90 and -180..180 degrees."""
    phi = [np.radians(within("latitude", lat, -90.0, 90.0)) for lat in (lat1, lat2)]
    east = [within("longitude", lon, -180.0, 180.0) for lon in (lon1, lon2)]
    phi1, phi2, lam = np.broadcast_arrays(
        *phi, np.radians(np.abs((east[1] - east[0] + 180.0) % 360.0 - 180.0))
    )
    unknown = np.isnan(phi1 + phi2 + lam)
    phi1, phi2, lam = (np.where(unknown, 0.0, x) for x in (phi1, phi2, lam))
    beta = np.arctan((1.0 - FLATTENING) * np.tan(np.stack([phi1, phi2])))
    # the place further from the equator first, and south of it: nothing of the length changes
    far = np.where(np.abs(beta[0]) >= np.abs(beta[1]), 0, 1)
    first = np.where(far == 0, beta[0], beta[1])
    second = np.where(far == 0, beta[1], beta[0])
    flip = np.where(first > 0.0, -1.0, 1.0)
    b1, b2 = first * flip, second * flip
    length = _shortest(b1, b2, lam)
    along_equator = (b1 == 0.0) & (b2 == 0.0) & (lam <= np.pi * (1.0 - FLATTENING))
    return given(np.where(unknown, np.nan, np.where(along_equator, EQUATOR_M * lam, length)))


def distance_km(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> Any:
    """As `distance_m`, in km."""
    return given(floats(distance_m(lat1, lon1, lat2, lon2)) / 1000.0)


def goal(lat: float, lon: float, azimuth_deg: float, length_m: float) -> tuple[float, float]:
    """Latitude and longitude after `length_m` in a direction from north over east. Longitudes lie in -180 to below 180."""
    beta1 = np.arctan((1.0 - FLATTENING) * np.tan(np.radians(within("latitude", lat, -90.0, 90.0))))
    lon1 = within("longitude", lon, -180.0, 180.0)
    length = not_negative("distance", length_m)
    alpha1 = np.radians(floats(azimuth_deg))
    sin0, sigma1, omega1, cos0 = _start(beta1, alpha1)
    k2 = SECOND_ECCENTRICITY_2 * cos0**2
    sigma2 = sigma1 + length / POLE_M
    for _ in range(NEWTON_STEPS):
        short = length / POLE_M - _integral(k2, sigma1, sigma2, _stretch)
        sigma2 = sigma2 + short / np.sqrt(1.0 + k2 * np.sin(sigma2) ** 2)
    beta2 = np.arctan2(cos0 * np.sin(sigma2), np.hypot(cos0 * np.cos(sigma2), sin0))
    # the angle on the sphere is followed round, so that a way over more than half the globe stays on its side
    turns = (
        sigma2
        - np.arctan2(np.sin(sigma2), np.cos(sigma2))
        - (sigma1 - np.arctan2(np.sin(sigma1), np.cos(sigma1)))
    )
    omega2 = np.arctan2(sin0 * np.sin(sigma2), np.cos(sigma2)) + np.sign(sin0) * turns
    lam = omega2 - omega1 - FLATTENING * sin0 * _integral(k2, sigma1, sigma2, _slip)
    lat2 = np.degrees(np.arctan(np.tan(beta2) / (1.0 - FLATTENING)))
    return float(lat2), float((lon1 + np.degrees(lam) + 180.0) % 360.0 - 180.0)


def _shortest(b1: Floats, b2: Floats, lam: Floats) -> Floats:
    """Length for reduced latitudes b1 <= b2 <= -b1 (b1 <= 0) and 0 <= lam <= pi: longitude grows with the azimuth."""
    low, high = np.zeros_like(lam), np.full_like(lam, np.pi)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        short = _way(b1, b2, middle)[0] < lam
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return _way(b1, b2, (low + high) / 2.0)[1]


def _way(b1: Floats, b2: Floats, alpha1: Floats) -> tuple[Floats, Floats]:
    """Longitude [rad] and length [m] from b1 to where the way with azimuth `alpha1` crosses b2 going north."""
    sin0, sigma1, omega1, cos0 = _start(b1, alpha1)
    cos_a2 = np.sqrt(
        np.maximum((np.cos(alpha1) * np.cos(b1)) ** 2 + (np.cos(b2) ** 2 - np.cos(b1) ** 2), 0.0)
    )
    sigma2 = np.arctan2(np.sin(b2), cos_a2)
    omega2 = np.arctan2(sin0 * np.sin(b2), cos_a2)
    k2 = SECOND_ECCENTRICITY_2 * cos0**2
    lam = omega2 - omega1 - FLATTENING * sin0 * _integral(k2, sigma1, sigma2, _slip)
    return lam, POLE_M * _integral(k2, sigma1, sigma2, _stretch)


def _start(beta1: Floats, alpha1: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Sine of the azimuth at the equator, arc and longitude on the sphere from there, and the cosine."""
    sin0 = np.sin(alpha1) * np.cos(beta1)
    along = np.cos(alpha1) * np.cos(beta1)
    cos0 = np.hypot(np.cos(alpha1), np.sin(alpha1) * np.sin(beta1))
    level: Bools = np.asarray(np.sin(beta1) == 0.0)
    height = np.where(level, -0.0, np.sin(beta1))  # at the equator, going south counts as from the far side
    return sin0, np.arctan2(height, along), np.arctan2(sin0 * height, along), cos0


def _stretch(root: Floats) -> Floats:
    return root


def _slip(root: Floats) -> Floats:
    slip: Floats = (2.0 - FLATTENING) / (1.0 + (1.0 - FLATTENING) * root)
    return slip


def _integral(k2: Floats, start: Floats, end: Floats, of: Any) -> Floats:
    half = (end - start) / 2.0
    sigma = (start + half)[..., None] + half[..., None] * NODES
    area: Floats = half * np.sum(WEIGHTS * of(np.sqrt(1.0 + k2[..., None] * np.sin(sigma) ** 2)), axis=-1)
    return area
