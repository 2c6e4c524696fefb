"""What a unit can do at a site: the limiting part by name, and nothing permissive about what is not known."""

from __future__ import annotations

import numpy as np
import pytest

from readiness.domain.site import capacity, energy, sun, treatment
from readiness.domain.site.inputs import BadSite

GOOD: dict[str, float] = {
    "trains": 2,
    "trains_down": 0,
    "media_area_m2": 0.2827,
    "media_rate_m_h": 8.0,
    "media_load_kg_m2": 1.5,
    "backwash_m_h": 40.0,
    "backwash_minutes": 8.0,
    "cartridge_removal": 0.5,
    "carbon_bed_l": 400.0,
    "least_ebct_min": 10.0,
    "uv_rated_m3_h": 3.0,
    "uv_rated_uvt": 0.95,
    "uv_path_cm": 3.0,
    "uv_rated_dose": 40.0,
    "uv_need_dose": 40.0,
    "uv_w": 60.0,
    "lamp_burnt_h": 0.0,
    "lamp_life_h": 9000.0,
    "sleeve": 0.9,
    "pump_m3_h": 6.0,
    "pump_eta": 0.45,
    "standby_w": 50.0,
    "kwp": 10.0,
    "performance_ratio": 0.75,
    "bank_kwh": 40.0,
    "bank_depth": 0.8,
    "round_trip": 0.85,
    "inverter_eta": 0.92,
    "salt": 0.0,
    "turbidity_ntu": 4.0,
    "uvt_per_cm": 0.95,
    "tss_per_ntu": 1.5,
    "coagulant": 1.0,
    "head_m": 25.0,
    "source_m3_day": 500.0,
    "hours_day": 20.0,
    "poa_kwh_m2_d": 5.5,
    "daylight_h": 12.0,
    "other_kwh_day": 1.0,
    "aid_kwh_day": 0.0,
}


def one(**changes: float | None) -> capacity.SiteOutput:
    return capacity.daily_output({**GOOD, **changes})


def test_every_input_is_named_in_the_scene() -> None:
    assert set(GOOD) == set(capacity.INPUTS)


@pytest.mark.parametrize("name", sorted(set(GOOD) - {"coagulant"}))
def test_what_is_not_known_cannot_be_decided(name: str) -> None:
    told = one(**{name: None})
    assert np.isnan(told.m3_day[0])
    assert told.missing == ((capacity.INPUTS[name],),)
    assert told.sentence() == f"cannot decide: {capacity.INPUTS[name]} missing"


def test_a_coagulant_is_asked_for_only_where_it_is_needed() -> None:
    assert one(coagulant=None, turbidity_ntu=30.0).m3_day[0] > 0.0  # 30 x 0.3 x 0.5 = 4.5 NTU into the lamp
    assert np.isnan(one(coagulant=None, turbidity_ntu=34.0).m3_day[0])  # 5.1
    assert one(coagulant=0.0, turbidity_ntu=34.0).m3_day[0] == 0.0
    assert one(coagulant=1.0, turbidity_ntu=80.0).m3_day[0] > 0.0  # 80 x 0.1 x 0.5 = 4.0
    assert one(coagulant=1.0, turbidity_ntu=201.0).limiting == ("turbidity",)


@pytest.mark.parametrize(
    ("changes", "part", "m3_h"),
    [
        ({}, "media", 2 * 8.0 * 0.2827),
        ({"trains_down": 1}, "media", 8.0 * 0.2827),
        ({"carbon_bed_l": 300.0}, "carbon", 2 * 1.8),
        ({"uvt_per_cm": 0.8}, "lamp", 2 * 3.0 * 0.72892 / 0.92683 * 0.9),
        ({"lamp_burnt_h": 9000.0, "uv_rated_m3_h": 2.5}, "lamp", 2 * 2.5 * 0.9 * 0.8),
        ({"pump_m3_h": 2.0}, "pump", 2.0),
    ],
)
def test_the_slowest_part_is_named(changes: dict[str, float], part: str, m3_h: float) -> None:
    """Rates of formulas 2e, 2h and 2j by hand; backwash as 2b."""
    told = one(**{"kwp": 40.0, "bank_kwh": 400.0, **changes})
    trains = 2 - changes.get("trains_down", 0)
    run_h = treatment.media_run_h(1.5, 0.2827, 6.0, m3_h / trains)
    lost = treatment.backwash_share(40.0, 8.0, m3_h / trains / 0.2827, run_h)
    assert told.limiting == (part,)
    assert told.m3_day[0] == pytest.approx(m3_h * 20.0 * (1.0 - lost), rel=1e-4)
    assert told.flags["hours"][0]


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"salt": 1.0}, "salt"),
        ({"salt": 1.0, "turbidity_ntu": None, "head_m": None}, "salt"),
        ({"trains_down": 2.0}, "trains"),
        ({"lamp_burnt_h": 9001.0}, "lamp"),
        ({"source_m3_day": 0.0}, "source"),
        ({"bank_kwh": 1.0}, "bank"),
        ({"poa_kwh_m2_d": 0.2}, "energy"),
    ],
)
def test_a_refusal_names_its_part(changes: dict[str, float | None], part: str) -> None:
    told = one(**changes)
    assert told.m3_day[0] == 0.0
    assert told.limiting == (part,)
    assert told.sentence() == f"No water here: {capacity.PARTS[part]}."


def test_energy_alone_is_formula_3h() -> None:
    """Without losses in bank and inverter, the day's energy less standby over energy per m3; case WE41's formula."""
    told = one(
        kwp=2.4, performance_ratio=0.75, poa_kwh_m2_d=5.2, standby_w=50.0, inverter_eta=1.0, round_trip=1.0,
        bank_kwh=400.0, other_kwh_day=0.0, turbidity_ntu=0.0,
    )  # fmt: skip
    flow = 2 * 8.0 * 0.2827
    wh_per_m3 = energy.pump_wh_per_m3(25.0, 0.45) + 120.0 / flow
    assert told.limiting == ("energy",)
    assert told.m3_day[0] == pytest.approx(energy.solar_m3_day(9.36, 1.2, wh_per_m3))


def test_the_night_is_carried_by_the_bank() -> None:
    with_bank, small = one(kwp=40.0), one(kwp=40.0, bank_kwh=4.0)
    load_kw = (energy.pump_wh_per_m3(25.0, 0.45) * 2 * 8.0 * 0.2827 + 120.0) / 1000.0 / 0.92
    assert with_bank.limiting == ("media",)
    assert small.limiting == ("bank",)
    # 12 h of daylight, and what 3.2 kWh carry beyond the standby of the night (0.6) and the other power (1.0)
    assert small.hours_day[0] == pytest.approx(12.0 + (3.2 - 0.6 - 1.0) / load_kw)


def test_energy_is_conserved() -> None:
    """What is given is spent on standby, other power, water by day, water by night through the bank, or left."""
    told = one(kwp=40.0)
    load_kw = (energy.pump_wh_per_m3(25.0, 0.45) * 2 * 8.0 * 0.2827 + 120.0) / 1000.0 / 0.92
    spent = 0.6 + (0.6 + 1.0) / 0.85 + load_kw * (12.0 + 8.0 / 0.85)
    assert told.hours_day[0] == pytest.approx(20.0)
    assert told.energy_kwh_day[0] == pytest.approx(spent + told.left_kwh_day[0])
    short_of_sun = one(kwp=2.0)
    assert short_of_sun.limiting == ("energy",)
    assert short_of_sun.left_kwh_day[0] == pytest.approx(0.0, abs=1e-9)


def test_energy_that_falls_short_is_an_amount() -> None:
    told = one(kwp=0.2)
    assert told.energy_kwh_day[0] == pytest.approx(0.2 * 5.5 * 0.75)
    assert told.short_kwh_day[0] == pytest.approx(0.6 + (0.6 + 1.0) / 0.85 - 0.825)
    assert told.m3_day[0] == 0.0


def test_an_assumption_is_named_and_health_is_never_assumed() -> None:
    told = capacity.daily_output({**GOOD, "tss_per_ntu": None}, frozenset({"tss_per_ntu"}))
    assert told.m3_day[0] == one().m3_day[0]
    assert told.assumed == ((capacity.USUAL["tss_per_ntu"][1],),)
    for name in ("turbidity_ntu", "uvt_per_cm", "salt"):
        with pytest.raises(BadSite):
            capacity.daily_output(GOOD, frozenset({name}))


def test_a_fleet_is_answered_as_each_unit_alone() -> None:
    rng = np.random.default_rng(6)
    spread = {name: value * rng.uniform(0.3, 1.0, 200) for name, value in GOOD.items()}
    spread |= {
        "trains": np.full(200, 2.0),
        "trains_down": rng.integers(0, 3, 200),
        "salt": rng.integers(0, 2, 200) * 1.0,
    }
    spread["head_m"][rng.random(200) < 0.1] = np.nan
    fleet = capacity.daily_output(spread)
    assert {"salt", "trains", ""} <= set(fleet.limiting)
    for row in range(200):
        alone = capacity.daily_output({name: column[row] for name, column in spread.items()})
        assert alone.limiting[0] == fleet.limiting[row]
        np.testing.assert_equal(alone.m3_day[0], fleet.m3_day[row])


@pytest.mark.parametrize(
    "name",
    ["uvt_per_cm", "pump_m3_h", "bank_kwh", "poa_kwh_m2_d", "hours_day", "media_rate_m_h", "source_m3_day"],
)
def test_more_of_a_good_thing_never_makes_less(name: str) -> None:
    """Property over a hundred random units: raising the figure by a tenth never lowers the water."""
    rng = np.random.default_rng(9)
    low = {key: value * rng.uniform(0.4, 0.9, 100) for key, value in {**GOOD, "kwp": 20.0}.items()}
    low |= {
        "trains": np.full(100, 2.0),
        "trains_down": np.zeros(100),
        "salt": np.zeros(100),
        "coagulant": np.ones(100),
        "source_m3_day": rng.uniform(5.0, 60.0, 100),
        "bank_kwh": rng.uniform(3.0, 9.0, 100),
    }
    more = capacity.daily_output({**low, name: low[name] * 1.1})
    less = capacity.daily_output(low)
    assert np.all(more.m3_day >= less.m3_day - 1e-9)
    assert np.any(more.m3_day > less.m3_day + 1e-9)


def test_months_of_a_unit_and_the_worst_of_a_mission() -> None:
    level = [0.8, 1.4, 2.5, 3.9, 5.6, 6.1, 6.0, 5.0, 3.5, 2.0, 1.0, 0.6]  # Kyiv, section 3.5
    poa = sun.array_year_kwh_m2(50.5, level, 10.0)[0]
    day_h = np.array([np.mean(sun.daylight_h(50.5, sun.days_of_month(m))) for m in range(1, 13)])
    unit = {**GOOD, "kwp": 2.4, "other_kwh_day": 0.0}
    del unit["poa_kwh_m2_d"], unit["daylight_h"]
    year = capacity.by_month(unit, poa, day_h)
    assert year.m3_day[5] > 10 * year.m3_day[0] > 0.0  # 3 m3 a day in January: a refusal or a generator
    assert year.m3_day[0] < 3.0
    assert capacity.worst_month(year, (5, 6, 7, 8)) == 8
    assert year.limiting[0] == "energy"


def test_bad_values_are_refused_with_their_name() -> None:
    with pytest.raises(BadSite, match="transmittance of the water must lie between 0 and 1; it is 95"):
        one(uvt_per_cm=95.0)
    with pytest.raises(BadSite, match="no input 'height'"):
        capacity.daily_output({"height": 3.0})
