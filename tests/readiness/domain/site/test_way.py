"""Distances, hours on the road, flights and dates."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from readiness.domain.site import due, geodesic, travel
from readiness.domain.site.inputs import BadSite


@pytest.mark.parametrize(
    ("ends", "metres"),
    [
        # GeographicLib documentation (Karney 2013)
        ((-41.32, 174.81, 40.96, -5.50), 19959679.267),
        ((40.6, -73.8, 51.6, -0.5), 5551759.400),
        # these two follow from the axes of WGS84 (quarter meridian: 10001965.7293 m, Karney 2011)
        ((0.0, 0.0, 0.0, 1.0), 6378137.0 * np.pi / 180.0),
        ((-90.0, 0.0, 90.0, 0.0), 20003931.4586),
        # nearly opposite, where Vincenty's method does not converge (GeographicLib's own tests, from memory)
        ((0.0, 0.0, 0.5, 179.7), 19944127.421),
        ((0.0, 0.0, 0.5, 179.5), 19936288.579),
    ],
)
def test_published_distances(ends: tuple[float, float, float, float], metres: float) -> None:
    assert geodesic.distance_m(*ends) == pytest.approx(metres, abs=0.01)
    assert geodesic.distance_m(*ends[2:], *ends[:2]) == pytest.approx(metres, abs=0.01)


def test_going_and_measuring_agree() -> None:
    """A way of random length and direction ends as far away as it is long, also across the date line and near the poles."""
    rng = np.random.default_rng(3)
    for _ in range(60):
        lat, lon, azimuth = rng.uniform(-89, 89), rng.uniform(-180, 180), rng.uniform(0, 360)
        length = rng.uniform(1.0, 19.9e6)
        there = geodesic.goal(lat, lon, azimuth, length)
        assert geodesic.distance_m(lat, lon, *there) == pytest.approx(length, abs=0.001)


def test_distances_refuse_and_leave_undecided() -> None:
    assert geodesic.distance_m(5.0, 6.0, 5.0, 6.0) == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(geodesic.distance_m(None, 0.0, 1.0, 1.0))
    with pytest.raises(BadSite, match="latitude must lie between -90 and 90; it is 95"):
        geodesic.distance_m(95.0, 0.0, 1.0, 1.0)


EU, US = travel.RULES["eu"], travel.RULES["us"]


@pytest.mark.parametrize(
    ("hours", "rule", "crews", "total"),
    [
        # Regulation (EC) 561/2006: 45 min after 4.5 h, 9 h a day, 11 h of rest
        (4.5, EU, 1, 4.5),
        (4.6, EU, 1, 4.6 + 0.75),
        (9.0, EU, 1, 9.0 + 0.75),
        (9.1, EU, 1, 9.1 + 0.75 + 11.0),
        (20.0, EU, 1, 20.0 + 2 * 0.75 + 2 * 11.0),
        # 49 CFR 395.3: 30 min after 8 h, 11 h a day, 10 h of rest
        (11.0, US, 1, 11.5),
        (12.0, US, 1, 12.0 + 0.5 + 10.0),
        (15.0, EU, 2, 15.0),
    ],
)
def test_hours_of_drivers(hours: float, rule: travel.DriverRule, crews: int, total: float) -> None:
    told = travel.road_time(hours * 50.0, 1.0, 50.0, rule, 0.0, crews)
    assert told.answer.value == pytest.approx(total)


def test_what_was_driven_before_and_what_is_not_known() -> None:
    assert travel.road_time(200.0, 1.0, 50.0, EU, 2.0, driven_h=8.0).answer.value == pytest.approx(
        4.0 + 11.0 + 2.0
    )
    told = travel.road_time(200.0, None, 50.0, EU)
    assert told.answer.sentence == "cannot decide: circuity missing"
    with pytest.raises(BadSite, match="1 or more"):
        travel.driving_h(100.0, 0.9, 50.0)


def test_circuity_takes_the_harmful_figure() -> None:
    """Ballou, Rahardja and Sakai 2002, table 1: Spain 1.58 against 1.36 of another author."""
    spain, _ = travel.circuity("ESP", broken=False)
    assert spain is not None
    assert (spain.factor, spain.low) == (1.58, 1.36)
    cut, told = travel.circuity("ESP", broken=True)
    assert cut is not None
    assert cut.factor == 1.8
    assert told.assumed
    assert (
        travel.circuity("ESP", broken=None)[1].sentence
        == "cannot decide: whether roads or bridges are cut missing"
    )


def test_flights_and_runways() -> None:
    assert travel.flight_h(1600.0, travel.FLIGHTS["jet"]) == 3.0
    assert travel.runway_required(1800.0, 1500.0, 30.0, 0.5).study  # 1.35 x 1.2475, ICAO Doc 9157 part 1
    assert not travel.runway_required(1800.0, 0.0, 30.0, 0.0).study


def test_dates_of_a_mission() -> None:
    assert due.last_valid_day(date(2026, 8, 31), 6) == date(2027, 2, 28)
    assert due.last_valid_day(date(2027, 8, 31), 6) == date(2028, 2, 29)
    last = date(2026, 3, 10)
    assert due.in_date_through_mission(last, 12, date(2027, 1, 15), 54) is True
    assert due.in_date_through_mission(last, 12, date(2027, 1, 15), 55) is False
    assert due.in_date_through_mission(None, 12, date(2027, 1, 15), 5) is None
    with pytest.raises(BadSite, match="no week 54"):
        due.tyre_age_weeks("5419", date(2026, 1, 1))
    assert due.tyre_age_weeks("DOT AB12 CD 3519", date(2026, 11, 2)) == 375
