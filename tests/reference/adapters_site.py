"""Cases of water, energy and distance at a site: from a case's inputs to the public function that options call."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from readiness.domain.site import (
    demand,
    due,
    energy,
    geodesic,
    redundancy,
    solar_position,
    sun,
    travel,
    treatment,
)

Inputs = dict[str, Any]


def _institutions(i: Inputs) -> Any:
    return demand.institutions_m3_day([item["n"] for item in i["items"]], [item["l"] for item in i["items"]])


def _trains(i: Inputs) -> Any:
    parts = [i["a_media"], i["a_carbon"], i["a_uv"]]
    return redundancy.trains_available(parts, i["trains"], i["common"], i["need"])


def _position(i: Inputs) -> solar_position.SunPosition:
    return solar_position.sun_position(
        datetime.fromisoformat(i["time"]),
        i["lat"],
        i["lon"],
        i["elev_m"],
        i["pressure_mbar"],
        i["temp_c"],
        i["delta_t"],
    )


def _incidence(i: Inputs) -> Any:
    return solar_position.incidence_deg(_position(i), i["tilt"], i["surface_azimuth"])


def _sunset(i: Inputs) -> Any:
    """The printed procedure takes the sunset that falls into the day in UT: west of Greenwich that of the evening before."""
    day = date.fromisoformat(i["date"])
    for local_day in (day - timedelta(days=1), day, day + timedelta(days=1)):
        both = solar_position.rise_and_set(local_day, i["lat"], i["lon"], i["utc_offset"], i["delta_t"])
        if both is not None and both[1].date() == day:
            local = both[1] + timedelta(hours=i["utc_offset"])
            return local.hour + local.minute / 60.0 + local.second / 3600.0
    return None


def _in_date(i: Inputs) -> Any:
    days = date.fromisoformat(i["last"]), date.fromisoformat(i["depart"])
    return due.in_date_through_mission(days[0], i["months"], days[1], i["days"])


def _backwash(i: Inputs) -> Any:
    return 100.0 * treatment.backwash_share(**i)


SITE: dict[str, Callable[[Inputs], Any]] = {
    "demand_household": lambda i: demand.household_m3_day(**i),
    "demand_institution": _institutions,
    "demand_production": lambda i: demand.production_m3_day(**i),
    "units_needed": lambda i: demand.units_needed(**i),
    "taps_needed": lambda i: demand.taps_needed(**i),
    "tap_hours": lambda i: demand.tap_hours(**i),
    "filter_rate": lambda i: treatment.filter_rate_m_h(**i),
    "backwash_share": _backwash,
    "ebct": lambda i: treatment.ebct_min(**i),
    "uv_mean_factor": lambda i: treatment.uv_mean_factor(**i),
    "uv_dose": lambda i: treatment.uv_dose_mj_cm2(**i),
    "uv_flow_limit": lambda i: treatment.uv_flow_limit_m3_h(**i),
    "chlorine_shock": lambda i: treatment.chlorine_g(**i),
    "train_availability": _trains,
    "k_of_n": lambda i: redundancy.k_of_n(**i),
    "pump_power": lambda i: energy.pump_w(**i),
    "pump_energy": lambda i: energy.pump_wh_per_m3(**i),
    "cell_temperature_noct": lambda i: energy.cell_c(**i),
    "pv_daily_energy": lambda i: energy.pv_kwh_day(**i),
    "battery_autonomy": lambda i: energy.bank_hours(**i),
    "solar_limited_output": lambda i: energy.solar_m3_day(**i),
    "sunset_hour_angle": lambda i: sun.sunset_hour_angle_rad(**i),
    "extraterrestrial_radiation": lambda i: sun.extraterrestrial_mj_m2(**i),
    "daylight_hours": lambda i: sun.daylight_h(**i),
    "solar_radiation_angstrom": lambda i: sun.angstrom_mj_m2(**i),
    "monthly_ghi_angstrom": lambda i: sun.month_level_kwh_m2(i["lat"], i["month"], i["sunshine_h"]),
    "plane_of_array_monthly": lambda i: sun.array_mj_m2(
        i["lat"], i["month"], i["h_mj_m2_d"], i["tilt"], i["albedo"]
    ),
    "spa_zenith": lambda i: _position(i).zenith_deg,
    "spa_incidence": _incidence,
    "spa_sunset": _sunset,
    "geodesic_distance": lambda i: geodesic.distance_m(**i),
    "geodesic_direct": lambda i: geodesic.goal(i["lat1"], i["lon1"], i["azimuth"], i["distance_m"]),
    "road_time": lambda i: travel.driving_h(**i),
    "runway_required": lambda i: travel.runway_required(**i).needed_m,
    "inspection_due": lambda i: due.last_valid_day(date.fromisoformat(i["last"]), i["months"]).isoformat(),
    "in_date_through_mission": _in_date,
    "tyre_age_weeks": lambda i: due.tyre_age_weeks(i["dot"], date.fromisoformat(i["on"])),
}
