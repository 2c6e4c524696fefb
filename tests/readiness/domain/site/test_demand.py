"""Demand by the Sphere Handbook 2018, treatment figures of section 2, and chances that enough runs."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from readiness.domain.site import demand, redundancy, treatment
from readiness.domain.site.inputs import BadSite


def test_a_camp_and_its_clinic() -> None:
    """Sphere 2018 WASH 2.1 and appendix 3: 5,000 people at 15 L, 120 outpatients, 25 inpatients at the high end (60 L)."""
    told = demand.demand_of_call(
        5000, [demand.Group("in_outpatient", 120), demand.Group("in_inpatient", 25)], 15.0, 0.15
    )
    assert told.net_m3_day == pytest.approx(75.0 + 0.6 + 1.5)
    assert told.answer.value == pytest.approx(77.1 / 0.85)
    assert len(told.answer.assumed) == 2


def test_what_was_not_said_is_named() -> None:
    told = demand.demand_of_call(4000)
    assert told.answer.value == pytest.approx(60.0 / 0.85)
    assert told.answer.assumed == (
        "15 L per person and day (Sphere 2018, WASH 2.1)",
        "15% lost between unit and tap (practice)",
    )
    assert demand.demand_of_call(None).sentence == "cannot decide: number of people missing"
    pupils = demand.demand_of_call(10, [demand.Group("in_school", None)])
    assert pupils.answer.missing == ("number for school",)


def test_bad_calls_are_refused() -> None:
    with pytest.raises(BadSite, match="at least one person"):
        demand.demand_of_call(0)
    with pytest.raises(BadSite, match="no norm 'in_moon'"):
        demand.demand_of_call(5, [demand.Group("in_moon", 3)])
    with pytest.raises(BadSite, match="number of people must be 0 or more; it is -4"):
        demand.demand_of_call(-4)
    with pytest.raises(BadSite, match="below 1"):
        demand.production_m3_day(5.0, 1.0)


def test_an_exact_multiple_takes_no_extra_unit() -> None:
    assert demand.units_needed([60.0, 60.01, 59.99], 20.0).tolist() == [3.0, 4.0, 3.0]
    assert demand.units_needed(0.3, 0.1) == 3.0
    assert np.isnan(demand.units_needed(60.0, None))
    assert demand.taps_needed(251) == 2.0
    assert demand.storage_m3(48.0, 12.0) == 24.0


# Section 2.5: mean over the depth for transmittance per cm, at 2, 3 and 5 cm
UV = {
    0.95: (0.950, 0.927, 0.882),
    0.90: (0.902, 0.857, 0.777),
    0.85: (0.854, 0.791, 0.685),
    0.80: (0.807, 0.729, 0.603),
    0.70: (0.715, 0.614, 0.466),
}


@pytest.mark.parametrize("uvt", sorted(UV))
def test_what_the_water_lets_through(uvt: float) -> None:
    np.testing.assert_allclose(treatment.uv_mean_factor(uvt, [2.0, 3.0, 5.0]), UV[uvt], atol=6e-4)


def test_clear_opaque_and_unknown_water() -> None:
    assert treatment.uv_mean_factor([1.0, 0.0], 3.0).tolist() == [1.0, 0.0]
    assert np.isnan(treatment.uv_mean_factor(None, 3.0))
    assert treatment.lamp_ageing([0.0, 9000.0, 9000.1], 9000.0) == pytest.approx([1.0, 0.8, 0.0])
    assert np.isnan(treatment.lamp_ageing(None, 9000.0))


def test_media_backwash_and_carbon() -> None:
    area = treatment.media_area_m2(0.6)
    hours = treatment.media_run_h(1.5, area, 60.0, 2.0)
    assert hours == pytest.approx(1.5 * 0.28274 * 1000 / 120.0, rel=1e-4)
    # section 2.2, worked: 40 m/h for 8 min after 24 h at 8.84 m/h is 2.5 %
    assert treatment.backwash_share(40, 8, 8.84, 24) == pytest.approx(0.025, abs=5e-4)
    assert treatment.carbon_flow_m3_h(400.0) == pytest.approx(2.4)


@pytest.mark.parametrize(("n", "k", "p"), [(5, 4, 0.92), (3, 0, 0.4), (4, 4, 0.5), (6, 1, 0.1)])
def test_k_of_n_is_the_sum_over_all_outcomes(n: int, k: int, p: float) -> None:
    every = sum(
        np.prod([p if runs else 1 - p for runs in case])
        for case in product((0, 1), repeat=n)
        if sum(case) >= k
    )
    assert redundancy.k_of_n(n, k, p) == pytest.approx(every)


def test_trains_share_their_ceiling() -> None:
    """Section 2.7, worked: 0.968 for one of two, 0.895 for both."""
    parts = (0.985, 0.995, 0.98)
    assert redundancy.trains_available(parts, 2, 0.97, 1) == pytest.approx(0.968, abs=5e-4)
    assert redundancy.trains_available(parts, 2, 0.97, 2) == pytest.approx(0.895, abs=5e-4)
    assert redundancy.spares_for(4, 0.92, 0.94) == 1
    assert redundancy.spares_for(4, 0.92, 0.5) == 0
    assert redundancy.spares_for(4, 0.0, 0.9) is None
    with pytest.raises(BadSite):
        redundancy.k_of_n(3, 4, 0.9)
