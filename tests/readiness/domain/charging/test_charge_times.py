"""The course of a charge: the worked examples of the reference, one rule with the fleet, and what never shortens it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.charge_times import ChargeCourses, charge_courses, charge_energy_ac
from readiness.domain.charging import Unstated, chemistry_charge_time, fleet_charge_hours
from readiness.domain.chemistry import chemistries, chemistry, chemistry_index
from readiness.domain.errors import RejectedInput

CODES = st.sampled_from(sorted(chemistries()))
# The fit has an efficiency for the bulk and another for the tail, which do not quite meet at the knee.
KNEE_H = 0.02


def course(
    code: str, capacity: float, soc: float, amps: float, cells: float = 12.0, **facts: Any
) -> ChargeCourses:
    columns = {name: np.array([value]) if name != "eta_charger" else value for name, value in facts.items()}
    return charge_courses(
        np.array([chemistry_index()[code]]),
        np.array([capacity]),
        np.array([soc]),
        np.array([amps]),
        np.array([cells]),
        **columns,
    )


# Source: reference page on battery storage 4.3, W4 and W5 (LFP); 30 A and 4000 Ah: its totals; phases by hand.
PHASES = [
    ("vrla_gel", 600.0, 0.75, 60.0, 1.11, 3.02, 3.0, 7.13),
    ("vrla_gel", 600.0, 0.75, 30.0, 3.889, 1.718, 3.0, 8.61),
    ("vrla_gel", 4000.0, 0.80, 100.0, 7.22, 1.30, 3.0, 11.52),
    ("lfp", 400.0, 0.50, 100.0, 1.869, 0.244, 0.5, 2.61),
]


@pytest.mark.parametrize(("code", "ah", "soc", "amps", "bulk", "tail", "hold", "total"), PHASES)
def test_the_phases(
    code: str, ah: float, soc: float, amps: float, bulk: float, tail: float, hold: float, total: float
) -> None:
    answer = course(code, ah, soc, amps)
    assert answer.bulk_h[0] == pytest.approx(bulk, abs=0.01)
    assert answer.tail_h[0] == pytest.approx(tail, abs=0.01)
    assert answer.hold_h[0] == pytest.approx(hold)
    assert answer.total_h[0] == pytest.approx(total, abs=0.01)


def test_a_nearly_full_bank_still_takes_the_least_time() -> None:
    """t_min of the table, 6 h for lead-acid: reference page 4.3."""
    answer = course("vrla_gel", 600.0, 0.99, 60.0)
    assert answer.total_h[0] == pytest.approx(6.0)
    assert answer.wait_h[0] == pytest.approx(6.0 - 3.0 - answer.tail_h[0])


def test_nickel_is_charged_by_its_factor() -> None:
    """`charge factor x deficit x C / I`: reference page 4.3; 1.5 for NiMH; 10 Ah, half full, 1 A: 7.5 h, least 14 h."""
    answer = course("nimh", 10.0, 0.5, 1.0)
    assert answer.bulk_h[0] == pytest.approx(7.5)
    assert answer.total_h[0] == pytest.approx(14.0)
    assert answer.tau_h[0] == 0.0


def test_lithium_is_put_away_at_part_charge_without_a_tail() -> None:
    answer = course("lfp", 400.0, 0.30, 80.0, 8.0, to_soc=0.55)
    assert answer.total_h[0] == pytest.approx(0.25 * 400.0 / (0.99 * 80.0))
    assert (answer.tail_h[0], answer.hold_h[0]) == (0.0, 0.0)
    assert answer.removed_ah[0] == pytest.approx(100.0)
    above = course("lfp", 400.0, 0.60, 80.0, 8.0, to_soc=0.55)
    assert (above.removed_ah[0], above.wall_kwh[0], above.total_h[0]) == (0.0, 0.0, 1.0)


def test_lead_that_is_to_be_left_at_less_than_full_is_filled_all_the_same() -> None:
    assert (
        course("vrla_gel", 600.0, 0.5, 60.0, to_soc=0.8).total_h[0]
        == course("vrla_gel", 600.0, 0.5, 60.0).total_h[0]
    )


# Source: reference page 6.1: W6, and the peak of W4 (60 A x 28.44 V / 0.87 = 1.96 kW).
def test_energy_from_the_wall() -> None:
    assert charge_energy_ac(
        150.0, cells=12, v_cell_avg=2.40, charge_factor=1.10, eta_charger=0.87
    ) == pytest.approx(5.46, abs=0.005)
    answer = course("vrla_gel", 600.0, 0.75, 60.0, v_cell=2.40, eta_charger=0.87)
    assert answer.removed_ah[0] == pytest.approx(150.0)
    assert answer.wall_kwh[0] == pytest.approx(5.46, abs=0.005)


def test_power_at_the_start() -> None:
    answer = course("vrla_gel", 600.0, 0.75, 60.0, v_cell=2.37, eta_charger=0.87)
    assert answer.start_kw[0] == pytest.approx(1.96, abs=0.005)


@pytest.mark.parametrize(
    ("key", "facts"),
    [
        ("efficiency_out_of_range", {"eta_charger": 0.0}),
        ("efficiency_out_of_range", {"eta_charger": 1.01}),
        ("cells_not_positive", {"cells": 0}),
        ("voltage_not_positive", {"v_cell_avg": -2.4}),
        ("rate_not_positive", {"charge_factor": 0.0}),
        ("negative_load", {"removed_ah": -1.0}),
    ],
)
def test_energy_refuses_what_cannot_be(key: str, facts: dict[str, Any]) -> None:
    told: dict[str, Any] = {"removed_ah": 150.0, "cells": 12, "v_cell_avg": 2.4} | facts
    with pytest.raises(RejectedInput) as refusal:
        charge_energy_ac(told.pop("removed_ah"), **told)
    assert refusal.value.key == key


@pytest.mark.parametrize(
    ("capacity", "soc", "amps", "why"),
    [
        (float("nan"), 0.5, 60.0, Unstated.CAPACITY),
        (0.0, 0.5, 60.0, Unstated.CAPACITY),
        (600.0, float("nan"), 60.0, Unstated.CHARGE_STATE),
        (600.0, 0.5, float("nan"), Unstated.CHARGER),
        (600.0, 0.5, 0.0, Unstated.CHARGER),
    ],
)
def test_what_is_not_known_leaves_everything_open(
    capacity: float, soc: float, amps: float, why: Unstated
) -> None:
    answer = course("vrla_gel", capacity, soc, amps)
    assert Unstated(int(answer.unstated[0])) == why
    for column in ("total_h", "bulk_h", "tail_h", "start_kw", "wall_kwh", "removed_ah", "end_kw"):
        assert np.isnan(getattr(answer, column)[0]), column


@given(CODES, st.floats(5.0, 4000.0), st.floats(0.0, 1.0), st.floats(0.005, 1.0))
def test_one_rule_with_the_fleet_and_the_single_bank(code: str, ah: float, soc: float, share: float) -> None:
    answer = course(code, ah, soc, share * ah)
    fleet = fleet_charge_hours(
        np.array([chemistry_index()[code]]), np.array([ah]), np.array([soc]), np.array([share * ah])
    )
    assert answer.total_h[0] == fleet[0]
    assert answer.total_h[0] == pytest.approx(chemistry_charge_time(chemistry(code), ah, soc, share * ah))
    phases = answer.bulk_h[0] + answer.tail_h[0] + answer.hold_h[0] + answer.wait_h[0]
    assert phases == pytest.approx(answer.total_h[0])


@given(CODES, st.floats(5.0, 4000.0), st.floats(0.0, 1.0), st.floats(0.005, 1.0), st.floats(1.0, 5.0))
def test_a_larger_charger_is_never_slower(
    code: str, ah: float, soc: float, share: float, larger: float
) -> None:
    slow = course(code, ah, soc, share * ah).total_h[0]
    assert course(code, ah, soc, share * larger * ah).total_h[0] <= slow + KNEE_H


@given(CODES, st.floats(5.0, 4000.0), st.floats(0.0, 1.0), st.floats(0.005, 1.0), st.floats(0.0, 1.0))
def test_less_charge_never_takes_less_time_nor_energy(
    code: str, ah: float, soc: float, share: float, less: float
) -> None:
    fuller, emptier = course(code, ah, soc, share * ah), course(code, ah, soc * less, share * ah)
    assert emptier.total_h[0] >= fuller.total_h[0] - 1e-9
    assert emptier.wall_kwh[0] >= fuller.wall_kwh[0] - 1e-9
    assert emptier.start_kw[0] >= fuller.start_kw[0] - 1e-9


@given(CODES, st.floats(5.0, 4000.0), st.floats(0.0, 1.0), st.floats(0.005, 1.0))
def test_the_power_falls_and_never_passes_that_of_the_start(
    code: str, ah: float, soc: float, share: float
) -> None:
    answer = course(code, ah, soc, share * ah)
    hours = np.linspace(0.0, answer.total_h[0] * 1.1, 60)
    power = answer.wall_kw(hours)[0]
    if answer.start_a[0] <= 0.0:
        return
    assert np.all(np.diff(power) <= 1e-9)
    assert power[0] == pytest.approx(answer.start_kw[0])
    assert np.all(power[hours >= answer.total_h[0]] == 0.0)


@pytest.mark.parametrize(
    ("code", "soc", "amps"), [("vrla_gel", 0.3, 60.0), ("lfp", 0.2, 100.0), ("flooded_ca", 0.6, 90.0)]
)
def test_the_current_returns_about_what_was_missing(code: str, soc: float, amps: float) -> None:
    """The Ah under the curve of bulk and tail, against the missing Ah and the charge factor of the table."""
    answer = course(code, 600.0, soc, amps)
    ends = answer.bulk_h[0] + answer.tail_h[0]
    hours = (np.arange(20000) + 0.5) * ends / 20000
    returned = float(answer.current_a(hours)[0].sum()) * ends / 20000
    assert 0.97 <= returned / answer.removed_ah[0] <= chemistry(code).charge_factor * 1.06
