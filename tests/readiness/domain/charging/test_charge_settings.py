"""Settings of the charger: published voltages, the warm end of the band, and what is never done to a gel battery."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.charge_settings import (
    MakerSettings,
    charge_settings,
    charge_voltage,
    equalise_rule,
    wants_equalising,
)
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import chemistries, chemistry
from readiness.domain.errors import RejectedInput

TEMPS = st.floats(-40.0, 70.0)
CODES = st.sampled_from(sorted(chemistries()))

# Source: reference page on battery storage 4.1 (VRLA product literature; its example is the first row), and the
# arithmetic of its formula at and beyond the clamps.
VOLTAGES = [
    (2.37, 12, 10.0, -4.0, 29.16),
    (2.37, 12, 25.0, -4.0, 28.44),
    (2.37, 12, 0.0, -4.0, 29.64),
    (2.37, 12, -15.0, -4.0, 29.64),
    (2.37, 12, 40.0, -4.0, 27.72),
    (2.37, 12, 45.0, -4.0, 27.72),
    (3.55, 8, 5.0, 0.0, 28.40),
]


@pytest.mark.parametrize(("v_cell", "cells", "temp_c", "comp", "volts"), VOLTAGES)
def test_the_voltage_at_a_temperature(
    v_cell: float, cells: int, temp_c: float, comp: float, volts: float
) -> None:
    assert charge_voltage(v_cell, cells, temp_c, comp_mv_cell_k=comp) == pytest.approx(volts, abs=0.005)


# Source: the same page, table 4.1: float and absorption per cell at 25 degC, the most per cell, and what it says of
# equalising.
TABLE = [
    ("vrla_gel", (2.25, 2.30), (2.35, 2.40), "never"),
    ("vrla_agm", (2.25, 2.30), (2.40, 2.45), "maker_only"),
    ("flooded_ca", (2.17, 2.25), (2.40, 2.45), "yes"),
    ("flooded_low_sb", (2.17, 2.25), (2.40, 2.45), "yes"),
    ("flooded_sb", (2.17, 2.25), (2.40, 2.45), "yes"),
    ("lfp", (3.35, 3.40), (3.50, 3.65), "never"),
    ("nicd_vented", (1.40, 1.42), (1.45, 1.55), "yes"),
]


@pytest.mark.parametrize(("code", "floats", "absorbs", "equalise"), TABLE)
def test_settings_at_25_degrees_lie_in_the_published_ranges(
    code: str, floats: tuple[float, float], absorbs: tuple[float, float], equalise: str
) -> None:
    cells = 12
    settings = charge_settings(code, cells, 600.0, temp_low_c=25.0, temp_high_c=25.0)
    assert settings.float_v is not None
    assert settings.absorb_v is not None
    assert settings.absorb_max_v is not None
    assert floats[0] <= settings.float_v / cells <= floats[1]
    assert absorbs[0] <= settings.absorb_v / cells <= absorbs[1] + 1e-9
    assert settings.absorb_max_v / cells <= absorbs[1] + 1e-9
    assert settings.equalise == equalise
    assert (settings.equalise_v is not None) == (equalise == "yes")


def test_flooded_cells_are_equalised_above_what_they_are_absorbed_at() -> None:
    """2.60 V a cell is for equalising only: table 4.1 of the reference page."""
    settings = charge_settings("flooded_ca", 6, 100.0, temp_low_c=25.0, temp_high_c=25.0)
    assert settings.equalise_v == pytest.approx(15.6)
    assert settings.absorb_max_v == pytest.approx(14.7)


@pytest.mark.parametrize("code", ["vrla_gel", "lfp", "nmc", "nimh"])
def test_no_manual_makes_a_gel_battery_or_a_lithium_pack_one_to_equalise(code: str) -> None:
    assert equalise_rule(chemistry(code), MakerSettings(equalise=True)) == "never"
    assert wants_equalising(code, 0.2, maker=MakerSettings(equalise=True)) is False
    settings = charge_settings(code, 12, 100.0, temp_low_c=20.0, temp_high_c=20.0)
    assert settings.equalise_v is None


def test_absorbent_mats_are_equalised_only_where_the_maker_says_so() -> None:
    assert equalise_rule(chemistry("vrla_agm")) == "maker_only"
    assert equalise_rule(chemistry("vrla_agm"), MakerSettings(equalise=True)) == "yes"
    assert equalise_rule(chemistry("vrla_agm"), MakerSettings(equalise=False)) == "never"


@pytest.mark.parametrize(("spread", "wanted"), [(0.025, False), (0.026, True), (None, None)])
def test_cells_that_lie_apart_want_equalising(spread: float | None, wanted: bool | None) -> None:
    """Spread of gravity over 0.025: TM 9-6140-200-14 para 4-7."""
    assert wants_equalising("flooded_ca", spread) is wanted


def test_of_a_band_the_warm_end_is_set() -> None:
    settings = charge_settings("vrla_gel", 12, 600.0, temp_low_c=10.0, temp_high_c=30.0)
    assert settings.absorb_v == pytest.approx(12 * (2.37 - 0.020))
    assert settings.absorb_cold_v == pytest.approx(29.16)
    assert settings.absorb_25c_v == pytest.approx(28.44)
    assert settings.comp_mv_k == pytest.approx(-48.0)
    assert not settings.clamped
    assert charge_settings("vrla_gel", 12, 600.0, temp_low_c=-5.0, temp_high_c=30.0).clamped


def test_without_a_temperature_a_lead_battery_has_no_setting_and_says_why() -> None:
    settings = charge_settings("vrla_gel", 12, 600.0, charger_a=60.0, charger_v=28.0)
    assert settings.absorb_v is None
    assert settings.float_v is None
    assert settings.missing == ("temp_c",)
    assert settings.outcome == CheckOutcome.CANNOT_DECIDE


def test_a_voltage_that_does_not_shift_needs_no_temperature() -> None:
    settings = charge_settings("lfp", 8, 400.0, charger_a=80.0, charger_v=28.4)
    assert settings.absorb_v == pytest.approx(28.4)
    assert settings.missing == ()
    assert settings.outcome == CheckOutcome.PASS


def test_nickel_metal_hydride_is_charged_by_current() -> None:
    settings = charge_settings("nimh", 20, 10.0, charger_a=1.0)
    assert settings.by_current
    assert settings.absorb_v is None
    assert not settings.floats
    assert settings.outcome == CheckOutcome.PASS


# The most per hour of capacity: table 4.1 (gel 0.20, AGM 0.30, lithium 0.5).
@pytest.mark.parametrize(
    ("code", "amps", "outcome"),
    [
        ("vrla_gel", 120.0, CheckOutcome.PASS),
        ("vrla_gel", 120.1, CheckOutcome.FAIL),
        ("vrla_agm", 180.0, CheckOutcome.PASS),
        ("vrla_agm", 180.1, CheckOutcome.FAIL),
        ("vrla_gel", None, CheckOutcome.CANNOT_DECIDE),
    ],
)
def test_the_current_of_the_charger(code: str, amps: float | None, outcome: CheckOutcome) -> None:
    settings = charge_settings(code, 12, 600.0, temp_low_c=20.0, temp_high_c=20.0, charger_a=amps)
    (check,) = (check for check in settings.checks if check.key == "charger_current")
    assert check.outcome == outcome


def test_a_charger_set_too_high_for_the_warm_end_fails() -> None:
    """2.40 V a gel cell at most: 28.8 V at 25 degC, 28.56 V at 30 degC."""
    warm: dict[str, Any] = {"temp_low_c": 10.0, "temp_high_c": 30.0, "charger_a": 60.0}
    assert charge_settings("vrla_gel", 12, 600.0, charger_v=28.56, **warm).outcome == CheckOutcome.PASS
    failed = charge_settings("vrla_gel", 12, 600.0, charger_v=28.6, **warm)
    assert failed.outcome == CheckOutcome.FAIL
    (check,) = (check for check in failed.checks if check.key == "charger_voltage")
    assert check.margin == pytest.approx(-0.04)


def test_the_maker_overrides_the_table() -> None:
    told = MakerSettings(absorb_v_cell=2.35, comp_mv_cell_k=-3.0, i_charge_max_c=0.15)
    settings = charge_settings("vrla_gel", 12, 600.0, temp_low_c=15.0, temp_high_c=15.0, maker=told)
    assert settings.absorb_v == pytest.approx(12 * (2.35 + 0.03))
    assert settings.absorb_max_v == settings.absorb_v
    assert settings.current_max_a == pytest.approx(90.0)


@pytest.mark.parametrize(
    ("key", "facts"),
    [
        ("unknown_chemistry", {"code": "lead_foam"}),
        ("cells_not_positive", {"cells": 0}),
        ("capacity_not_positive", {"capacity_ah": 0.0}),
        ("temp_out_of_range", {"temp_high_c": 71.0}),
        ("temp_band_crossed", {"temp_low_c": 30.0}),
        ("current_not_positive", {"charger_a": 0.0}),
    ],
)
def test_refusals(key: str, facts: dict[str, Any]) -> None:
    given_: dict[str, Any] = {"code": "vrla_gel", "cells": 12, "capacity_ah": 600.0}
    given_ |= {"temp_low_c": 10.0, "temp_high_c": 20.0} | facts
    with pytest.raises(RejectedInput) as refusal:
        charge_settings(given_.pop("code"), given_.pop("cells"), given_.pop("capacity_ah"), **given_)
    assert refusal.value.key == key


@given(CODES, TEMPS, TEMPS, TEMPS)
def test_a_warmer_end_never_raises_the_voltage_that_is_allowed(
    code: str, one: float, two: float, three: float
) -> None:
    low, high, higher = sorted((one, two, three))
    narrow = charge_settings(code, 12, 100.0, temp_low_c=low, temp_high_c=high)
    wide = charge_settings(code, 12, 100.0, temp_low_c=low, temp_high_c=higher)
    for before, after in (
        (narrow.absorb_max_v, wide.absorb_max_v),
        (narrow.absorb_v, wide.absorb_v),
        (narrow.float_v, wide.float_v),
    ):
        assert (before is None) == (after is None)
        if before is not None and after is not None:
            assert after <= before + 1e-9


@given(CODES, TEMPS, st.floats(10.0, 60.0), st.floats(1.0, 200.0), st.sets(st.sampled_from("tva")))
def test_removing_a_fact_never_turns_an_answer_into_a_pass(
    code: str, temp_c: float, volts: float, amps: float, gone: set[str]
) -> None:
    facts: dict[str, Any] = {
        "temp_low_c": temp_c,
        "temp_high_c": temp_c,
        "charger_v": volts,
        "charger_a": amps,
    }
    full = charge_settings(code, 12, 200.0, **facts)
    kept = {key: value for key, value in facts.items() if not (key[0] in gone or key[-1] in gone)}
    fewer = charge_settings(code, 12, 200.0, **kept)
    if full.outcome != CheckOutcome.PASS:
        assert fewer.outcome != CheckOutcome.PASS
