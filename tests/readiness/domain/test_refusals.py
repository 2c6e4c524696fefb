"""Every refusal of the battery calculations, by its key, and the edges that must not be refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from readiness.domain.charging import charge_time
from readiness.domain.chemistry import chemistry
from readiness.domain.errors import RejectedInput
from readiness.domain.fusion import fuse_soc
from readiness.domain.gravity import freeze_point, sg_correct, sg_to_soc
from readiness.domain.rest_voltage import ocv_soc_band, ocv_to_soc, soc_to_ocv
from readiness.domain.self_discharge import (
    days_to_floor,
    equiv_days,
    kinetic_mean_temp,
    parasitic_pct_month,
    rate_at,
    soc_after,
)
from readiness.domain.upkeep import interval_days, interval_used


def after(**changed: Any) -> float:
    given: dict[str, Any] = {
        "soc0": 0.9,
        "days": [10.0],
        "temp_c": [20.0],
        "pct_per_month_ref": 2.0,
        "capacity_ah": 100.0,
    }
    given.update(changed)
    return soc_after(given.pop("soc0"), given.pop("days"), given.pop("temp_c"), **given)


REFUSED: list[tuple[str, Callable[[], Any]]] = [
    ("soc_out_of_range", lambda: after(soc0=1.2)),
    ("soc_out_of_range", lambda: after(soc0=-0.01)),
    ("soc_out_of_range", lambda: after(soc0=float("nan"))),
    ("soc_out_of_range", lambda: days_to_floor(0.9, 1.1, 20, pct_per_month_ref=2.0)),
    ("soc_out_of_range", lambda: soc_to_ocv("vrla_gel", 1.01, 12)),
    ("soc_out_of_range", lambda: fuse_soc(1.2, 0.1, 0.5, 0.1)),
    ("soc_out_of_range", lambda: charge_time(100, -0.1, 10)),
    ("capacity_not_positive", lambda: after(capacity_ah=0.0, parasitic_ma=5.0)),
    ("capacity_not_positive", lambda: after(capacity_ah=0.0)),
    ("capacity_not_positive", lambda: after(capacity_ah=None, parasitic_ma=5.0)),
    ("capacity_not_positive", lambda: parasitic_pct_month(5, -1)),
    ("capacity_not_positive", lambda: charge_time(0, 0.5, 10)),
    ("current_not_positive", lambda: charge_time(100, 0.5, 0)),
    ("negative_load", lambda: after(parasitic_ma=-1.0)),
    ("negative_load", lambda: parasitic_pct_month(-5, 100)),
    ("negative_duration", lambda: after(days=[-1.0])),
    ("negative_duration", lambda: equiv_days([-1.0], [20.0])),
    ("negative_duration", lambda: interval_used([-1.0], [20.0], base_days=180)),
    ("temp_out_of_range", lambda: after(temp_c=[70.1])),
    ("temp_out_of_range", lambda: rate_at(-40.1, pct_per_month_ref=2.0)),
    ("temp_out_of_range", lambda: interval_days(71, base_days=180)),
    ("temp_out_of_range", lambda: kinetic_mean_temp([1.0], [90.0])),
    ("temp_out_of_range", lambda: sg_correct(1.25, -41)),
    ("temp_out_of_range", lambda: ocv_to_soc("vrla_gel", 25, 12, temp_c=75, rest_h=30)),
    ("unknown_chemistry", lambda: chemistry("unobtainium")),
    ("unknown_chemistry", lambda: ocv_to_soc("unobtainium", 25, 12, rest_h=30)),
    ("ocv_not_usable", lambda: ocv_to_soc("nimh_lsd", 25, 20, rest_h=30)),
    ("ocv_not_usable", lambda: ocv_soc_band("nicd_vented", 1.25)),
    ("not_rested", lambda: ocv_to_soc("vrla_agm", 25, 12, rest_h=15.9)),
    ("not_rested", lambda: ocv_to_soc("lfp", 13.2, 4)),
    ("ocv_implausible", lambda: ocv_to_soc("vrla_gel", 12 * 2.31, 12, rest_h=30)),
    ("ocv_implausible", lambda: ocv_to_soc("flooded_ca", 12 * 0.99, 12, rest_h=30)),
    ("sg_out_of_range", lambda: sg_correct(1.321, 25)),
    ("sg_out_of_range", lambda: sg_to_soc(0.999)),
    ("sg_out_of_range", lambda: freeze_point(1.4)),
    ("sg_out_of_range", lambda: sg_to_soc(1.2, sg_full=1.1, sg_empty=1.2)),
]


@pytest.mark.parametrize(("key", "call"), REFUSED)
def test_refused_with_its_key_and_a_sentence(key: str, call: Callable[[], Any]) -> None:
    with pytest.raises(RejectedInput) as caught:
        call()
    assert caught.value.key == key
    assert caught.value.sentence.endswith(".")


def test_limits_are_inclusive() -> None:
    assert ocv_to_soc("vrla_gel", 12 * 2.30, 12, rest_h=24) == 1.0
    assert ocv_to_soc("vrla_gel", 12 * 1.0, 12, rest_h=24) == 0.0
    assert rate_at(70, pct_per_month_ref=1.0) == pytest.approx(32.0)
    assert rate_at(-40, pct_per_month_ref=1.0) == pytest.approx(2.0**-6)


def test_lithium_outside_its_table_is_clamped_and_not_shifted_by_temperature() -> None:
    assert ocv_to_soc("nmc", 4.5, 1, rest_h=4) == 1.0
    assert ocv_to_soc("nmc", 2.0, 1, rest_h=4) == 0.0
    assert ocv_to_soc("nmc", 3.9, 1, rest_h=4, temp_c=0) == ocv_to_soc("nmc", 3.9, 1, rest_h=4, temp_c=40)


def test_arrays_answer_element_by_element() -> None:
    volts = np.array([24.0, 25.0, 25.6])
    many = ocv_to_soc("vrla_gel", volts, 12, rest_h=30)
    assert list(many) == [ocv_to_soc("vrla_gel", v, 12, rest_h=30) for v in volts]
    temps = np.array([0.0, 20.0, 40.0])
    assert list(interval_days(temps, base_days=180)) == [interval_days(t, base_days=180) for t in temps]
    floors = days_to_floor(np.array([0.7, 0.9]), 0.8, 20, pct_per_month_ref=2.0)
    assert floors[0] == 0.0
    assert floors[1] == pytest.approx(150.0)


def test_nothing_lost_means_never() -> None:
    assert days_to_floor(0.9, 0.8, 20, pct_per_month_ref=0.0) == np.inf
    assert days_to_floor(0.9, 0.0, 20, pct_per_month_ref=5.0, decay="first_order") == np.inf


def test_a_reading_without_a_band_leaves_the_prediction() -> None:
    assert fuse_soc(0.88, 0.03, 0.78, None) == (0.88, 0.03)
    assert fuse_soc(0.88, 0.03) == (0.88, 0.03)


def test_charge_time_never_under_its_least() -> None:
    assert charge_time(600, 1.0, 60, hold_h=3, min_h=6) == 6
