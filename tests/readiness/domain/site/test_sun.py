"""Sun: FAO-56's worked examples and table 2.6, Duffie and Beckman's Madison year, and pvlib as an outside check."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pvlib
import pytest

from readiness.domain.site import insolation, solar_position, sun
from readiness.domain.site.inputs import BadSite

FIFTEENTHS = (15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349)
# FAO-56 annex 2 table 2.6, northern hemisphere [MJ/m2/day] on the 15th
TABLE_2_6 = {
    0: (36.2, 37.5, 37.9, 36.8, 34.8, 33.4, 33.9, 35.7, 37.2, 37.4, 36.3, 35.6),
    10: (31.8, 34.5, 36.9, 37.9, 37.6, 37.0, 37.1, 37.5, 37.1, 35.1, 32.4, 31.0),
    20: (26.8, 30.6, 34.7, 37.9, 39.3, 39.5, 39.3, 38.3, 35.8, 31.8, 27.7, 25.6),
    30: (21.1, 25.8, 31.4, 36.8, 40.0, 41.2, 40.6, 38.1, 33.4, 27.6, 22.2, 19.8),
    40: (15.0, 20.4, 27.2, 34.7, 39.7, 41.9, 40.8, 36.7, 30.0, 22.5, 16.3, 13.6),
    50: (8.9, 14.4, 22.2, 31.5, 38.5, 41.7, 40.2, 34.4, 25.7, 16.9, 10.2, 7.5),
    60: (3.3, 8.3, 16.6, 27.5, 36.5, 41.2, 39.2, 31.3, 20.6, 10.9, 4.4, 2.2),
}


def test_fao_examples_8_9_and_10() -> None:
    """FAO-56 ch. 3: example 8 (20 S, 3 September), 9 (daylight), 10 (Rio, May, 7.1 h of sunshine)."""
    assert sun.distance_factor(246) == pytest.approx(0.985, abs=5e-4)
    assert sun.declination_rad(246) == pytest.approx(0.120, abs=5e-4)
    assert sun.sunset_hour_angle_rad(-20, 246) == pytest.approx(1.527, abs=5e-4)
    assert sun.extraterrestrial_mj_m2(-20, 246) == pytest.approx(32.2, abs=0.05)
    assert sun.daylight_h(-20, 246) == pytest.approx(11.7, abs=0.05)
    assert sun.extraterrestrial_mj_m2(-22.9, 135) == pytest.approx(25.1, abs=0.05)
    assert sun.daylight_h(-22.9, 135) == pytest.approx(10.9, abs=0.05)
    assert sun.angstrom_mj_m2(-22.9, 135, 7.1) == pytest.approx(14.5, abs=0.05)


@pytest.mark.parametrize("lat", sorted(TABLE_2_6))
def test_fao_table_2_6(lat: int) -> None:
    np.testing.assert_allclose(sun.extraterrestrial_mj_m2(lat, FIFTEENTHS), TABLE_2_6[lat], atol=0.16)


def test_polar_day_and_night() -> None:
    assert sun.daylight_h(80, [172, 355]).tolist() == [24.0, 0.0]
    assert sun.extraterrestrial_mj_m2(80, 355) == 0.0
    assert sun.array_mj_m2(80, 12, 0.0, 60) == 0.0
    assert sun.month_level_kwh_m2(80, 12, 0.0) == 0.0


@pytest.mark.parametrize(
    ("month", "level", "array"),
    # Duffie and Beckman, ch. 2, Madison (43 N, 60 degrees, snow in winter): as told in section 3.4 and case WE36
    [(1, 6.44, 13.7)],
)
def test_madison(month: int, level: float, array: float) -> None:
    assert sun.array_mj_m2(43, month, level, 60, albedo=0.7) == pytest.approx(array, abs=0.15)


# Section 3.4: array over level, facing the equator, clearness 0.5, tilts 10 and 20, for January, April, July, October
RATIOS = {
    0: ((1.05, 1.08), (0.96, 0.91), (0.93, 0.85), (1.02, 1.01)),
    10: ((1.07, 1.12), (0.98, 0.94), (0.95, 0.88), (1.04, 1.05)),
    20: ((1.10, 1.18), (1.00, 0.98), (0.97, 0.92), (1.06, 1.09)),
    30: ((1.16, 1.29), (1.02, 1.01), (0.98, 0.95), (1.09, 1.15)),
    40: ((1.23, 1.44), (1.03, 1.05), (1.00, 0.97), (1.12, 1.22)),
    50: ((1.39, 1.75), (1.06, 1.09), (1.01, 1.00), (1.20, 1.37)),
}


@pytest.mark.parametrize("lat", sorted(RATIOS))
def test_ratio_of_tilted_to_level(lat: int) -> None:
    for month, wanted in zip((1, 4, 7, 10), RATIOS[lat], strict=True):
        level = 0.5 * sun.extraterrestrial_mj_m2(lat, sun.MEAN_DAYS[month - 1])
        told = sun.array_mj_m2(lat, month, level, [10.0, 20.0]) / level
        np.testing.assert_allclose(told, wanted, atol=0.016)


@pytest.mark.parametrize(("lat", "tilt"), [(43.0, 60.0), (-33.0, 30.0), (20.0, 10.0), (58.0, 45.0)])
def test_beam_ratio_is_klein_s_closed_form(lat: float, tilt: float) -> None:
    """Klein, Solar Energy 19 (1977) 325: for arrays that face the equator there is a formula without a sum."""
    days = np.array(sun.MEAN_DAYS, dtype=float)
    phi, beta, decl = np.radians(abs(lat)), np.radians(tilt), np.sign(lat) * sun.declination_rad(days)
    ws = np.arccos(-np.tan(phi) * np.tan(decl))
    own = np.minimum(ws, np.arccos(np.clip(-np.tan(phi - beta) * np.tan(decl), -1, 1)))
    above = np.cos(phi - beta) * np.cos(decl) * np.sin(own) + own * np.sin(phi - beta) * np.sin(decl)
    level = np.cos(phi) * np.cos(decl) * np.sin(ws) + ws * np.sin(phi) * np.sin(decl)
    np.testing.assert_allclose(sun.beam_ratio(lat, days, tilt), above / level, rtol=2e-3)


def test_beam_of_a_turned_array_is_that_of_pvlib() -> None:
    """pvlib.irradiance.aoi_projection over the same hours of the sun, array turned 70 degrees off the equator."""
    for lat, facing in ((25.0, 180.0 + 70.0), (-25.0, 70.0)):
        decl = sun.declination_rad(80)
        ws = sun.sunset_hour_angle_rad(lat, 80)
        hour = (np.arange(2000) + 0.5) / 2000 * 2 * ws - ws
        zenith = np.degrees(
            np.arccos(
                np.sin(np.radians(lat)) * np.sin(decl) + np.cos(np.radians(lat)) * np.cos(decl) * np.cos(hour)
            )
        )
        azimuth = np.degrees(
            np.arctan2(
                np.sin(hour),
                np.cos(hour) * np.sin(np.radians(lat)) - np.tan(decl) * np.cos(np.radians(lat)),
            )
        )
        lit = np.maximum(pvlib.irradiance.aoi_projection(35.0, facing, zenith, azimuth + 180.0), 0.0)
        wanted = lit.sum() / np.cos(np.radians(zenith)).sum()
        assert sun.beam_ratio(lat, 80, 35.0, 70.0) == pytest.approx(wanted, rel=2e-3)


def test_position_against_pvlib() -> None:
    """pvlib's own NREL procedure (with all 63 terms of nutation) over a century, at four places."""
    rng = np.random.default_rng(4)
    seconds = rng.uniform(-2e8, 2.4e9, 200)
    times = pd.to_datetime((seconds * 1e9).astype("int64"), utc=True)
    for lat, lon, high_m in (
        (0.1, 30.0, 1200.0),
        (64.0, -21.0, 20.0),
        (-33.9, 151.0, 5.0),
        (15.5, 32.5, 380.0),
    ):
        theirs = pvlib.solarposition.spa_python(times, lat, lon, high_m, 95000.0, 20.0, delta_t=69.0)
        ours = solar_position.sun_position(seconds, lat, lon, high_m, 950.0, 20.0)
        np.testing.assert_allclose(ours.true_zenith_deg, theirs["zenith"], atol=5e-4)
        turned = (ours.azimuth_deg - theirs["azimuth"].to_numpy() + 180.0) % 360.0 - 180.0
        np.testing.assert_allclose(turned * np.sin(np.radians(ours.true_zenith_deg)), 0.0, atol=1e-3)


def test_nrel_sunrise_transit_and_sunset() -> None:
    """NREL/TP-560-34302 A.5: rise 06:12:43; its 17:20:19 is the sunset in the day of UT, here the evening before."""
    place = (39.742476, -105.1786, -7.0, 67.0)
    told = [solar_position.rise_and_set(date(2003, 10, day), *place) for day in (16, 17)]
    assert told[0] is not None
    assert told[1] is not None
    local = timedelta(hours=-7)
    assert abs(told[1][0] + local - datetime(2003, 10, 17, 6, 12, 43, tzinfo=UTC)) < timedelta(seconds=2)
    assert abs(told[0][1] + local - datetime(2003, 10, 16, 17, 20, 19, tzinfo=UTC)) < timedelta(seconds=2)
    assert solar_position.rise_and_set(date(2026, 6, 21), 80.0, 20.0, 1.0) is None


def test_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(BadSite, match="names no time zone"):
        solar_position.sun_position(datetime(2026, 6, 1, 12), 10.0, 10.0)  # noqa: DTZ001


def test_the_best_tilt_is_that_of_the_worst_month() -> None:
    level = 0.5 * np.array([sun.month_above_mj_m2(40.0, m) for m in range(1, 13)]) / sun.MJ_PER_KWH
    steep, year = sun.best_tilt(40.0, level, [12, 1], 5.0, 45.0)
    flat, _ = sun.best_tilt(40.0, level, [6, 7], 5.0, 45.0)
    assert steep == 45.0
    assert flat < 12.0
    assert sun.best_tilt(40.0, level, [12], 15.0, 15.0)[0] == 15.0
    assert year[0] == pytest.approx(sun.array_year_kwh_m2(40.0, level, 45.0)[0, 0])
    level[0] = np.nan
    assert np.isnan(sun.best_tilt(40.0, level, [1], 5.0, 45.0)[1][0])


def test_the_table_of_places_holds_what_its_method_gives() -> None:
    """Every computed row of insolation.csv reproduces from its own hours of sunshine (FAO-56 eq. 35), array columns too."""
    far = []
    for row in insolation.read_table("readiness.domain.tables", "insolation"):
        lat, month, level = row.number("lat"), row.integer("month"), row.number("ghi_kwh_m2_d")
        if row["confidence"].startswith("computed"):
            again = sun.month_level_kwh_m2(lat, month, row.optional_number("sunshine_h"))
            if abs(again - level) > 0.03:
                far.append((row["place"], month, level, round(again, 2)))
        for tilt in (10, 20):
            told = sun.array_mj_m2(lat, month, level * 3.6, tilt) / 3.6
            if abs(told - row.number(f"poa{tilt}_kwh_m2_d")) > 0.03 * max(told, 1.0):
                far.append((row["place"], month, tilt, round(told, 2), row[f"poa{tilt}_kwh_m2_d"]))
    assert far == []


def test_the_sun_of_a_site() -> None:
    khartoum = insolation.site_sun(15.5, 32.56)
    assert khartoum.level_kwh_m2[3] == pytest.approx(0.95 * 7.2, abs=0.06)  # section 3.5
    assert "Khartoum" in khartoum.assumed[0]
    ocean = insolation.site_sun(-45.0, -120.0)
    assert np.all(np.isnan(ocean.level_kwh_m2))
    assert "sun at the site" in ocean.missing[0]
    assert insolation.site_sun(None, 3.0).missing == ("latitude of the site",)
    assert insolation.mission_months(date(2027, 11, 30), 60) == (11, 12, 1)


def test_an_entered_month_is_held_against_the_sky() -> None:
    assert sun.level_plausible(15.5, 4, 7.2)
    assert not sun.level_plausible(50.5, 1, 4.0)
    assert not sun.level_plausible(15.5, 4, 1.0)
    entered = [5.7, 6.4, 6.7, 7.2, 6.9, 6.5, 6.3, 6.4, 6.3, 6.2, 5.8, 5.6]
    assert insolation.site_sun(15.5, 32.5, entered).level_kwh_m2.tolist() == entered
    with pytest.raises(BadSite, match="between 0 and 12; it is 20"):
        insolation.site_sun(15.5, 32.5, [20.0, *entered[1:]])
    with pytest.raises(BadSite, match=r"Month 3: 0\.7 kWh/m2 a day is not possible"):
        insolation.site_sun(15.5, 32.5, [*entered[:2], 0.7, *entered[3:]])
    with pytest.raises(BadSite, match="twelve months; here are 2"):
        insolation.site_sun(15.5, 32.5, entered[:2])
    assert insolation.site_sun(15.5, 32.5, [np.nan, *entered[1:]]).missing == ("sun on level ground",)
