"""Ageing, tests and flying charge against the published figures."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.air_charge import air_soc_ok
from readiness.domain.battery_life import (
    cap_at_temp,
    capacity_pct_20c,
    lfp_calendar_loss,
    life_at_temp,
    life_used,
    months_between_tests,
    nmc_calendar_loss,
    ohmic_flag,
    peukert_time,
)
from readiness.domain.errors import RejectedInput


# Source: reference page on battery storage 5.3: factors 0.71, 0.50, 0.35, 0.25 from 20 degC (float life halves per 10 K,
# product literature); 10 y at 25 are 5 y at 33 degC in US practice (8.3 K).
@pytest.mark.parametrize(("temp_c", "share"), [(25.0, 0.71), (30.0, 0.50), (35.0, 0.35), (40.0, 0.25)])
def test_float_life(temp_c: float, share: float) -> None:
    assert life_at_temp(12.0, temp_c) == pytest.approx(12.0 * share, abs=12 * 0.006)


def test_float_life_in_american_practice() -> None:
    assert life_at_temp(10.0, 33.3, ref_c=25.0, halving_k=8.3) == pytest.approx(5.0)


def test_life_used_adds_up() -> None:
    """Half a year at 20 and half at 30 degC use 0.5 + 1.0 years of it (halving per 10 K)."""
    half = 365.25 / 2
    assert life_used([half, half], [20.0, 30.0], life_y=12.0) == pytest.approx(1.5 / 12.0)


# First-year loss [%]: reference page 3.3, table; Schimpe et al. 2018 (LFP at 0.3, 0.5, 0.8, 1.0) and Schmalstieg et al. 2014
# (NMC at 3.6, 3.7, 4.0, 4.2 V), printed to 0.1.
LFP = {
    10.0: (1.8, 2.5, 3.7, 4.2),
    20.0: (2.5, 3.4, 5.0, 5.6),
    25.0: (2.8, 3.9, 5.8, 6.5),
    30.0: (3.3, 4.5, 6.7, 7.4),
    40.0: (4.2, 5.9, 8.6, 9.6),
}
NMC = {
    10.0: (0.6, 0.7, 1.1, 1.3),
    20.0: (1.3, 1.6, 2.5, 3.1),
    25.0: (2.0, 2.4, 3.7, 4.6),
    30.0: (2.9, 3.5, 5.4, 6.7),
    40.0: (6.0, 7.4, 11.3, 14.0),
}


@pytest.mark.parametrize("temp_c", LFP)
def test_calendar_loss_of_lfp(temp_c: float) -> None:
    assert lfp_calendar_loss([0.3, 0.5, 0.8, 1.0], temp_c, 365) == pytest.approx(
        np.array(LFP[temp_c]), abs=0.07
    )


@pytest.mark.parametrize("temp_c", NMC)
def test_calendar_loss_of_nmc(temp_c: float) -> None:
    assert nmc_calendar_loss([3.6, 3.7, 4.0, 4.2], temp_c, 365) == pytest.approx(
        np.array(NMC[temp_c]), abs=0.07
    )


@given(
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.floats(-40.0, 70.0),
    st.floats(-40.0, 70.0),
    st.floats(0.0, 4000.0),
)
def test_warmer_and_fuller_never_last_longer(
    one: float, two: float, t1: float, t2: float, days: float
) -> None:
    low, high = sorted((one, two))
    cold, warm = sorted((t1, t2))
    assert lfp_calendar_loss(low, cold, days) <= lfp_calendar_loss(high, warm, days) + 1e-9
    volts = 3.0 + 1.2 * np.array([low, high])
    assert nmc_calendar_loss(volts[0], cold, days) <= nmc_calendar_loss(volts[1], warm, days) + 1e-9


def test_capacity_in_the_cold() -> None:
    """0.82 at -10 degC: reference page 5.4 (IEC 60896-21, from memory)."""
    assert cap_at_temp(600.0, -10.0) == pytest.approx(492.0)
    assert capacity_pct_20c(410.0, 500.0, 20.0) == pytest.approx(82.0)
    assert capacity_pct_20c(410.0, 500.0, -10.0) == pytest.approx(100.0)


def test_peukert() -> None:
    """100 Ah (20 h), k = 1.2, 20 A: 3.79 h: reference page 5.5. At the rated current it is the rated time."""
    assert peukert_time(100.0, 20.0, k=1.2) == pytest.approx(3.79, abs=0.005)
    assert peukert_time(100.0, 5.0, k=1.2) == pytest.approx(20.0)


# 30 % over its own baseline investigate, 50 % test or replace: IEEE 1188 annex (from memory), reference page 5.4.
@pytest.mark.parametrize(
    ("now", "flag"),
    [(1.0, "ok"), (1.29, "ok"), (1.30, "investigate"), (1.49, "investigate"), (1.50, "test_or_replace")],
)
def test_ohmic(now: float, flag: str) -> None:
    assert ohmic_flag(1.0, now) == flag


# VRLA every 2 y or 25 % of the life, whichever is shorter; yearly under 90 % or over 10 points down: IEEE 1188, page 5.4.
@pytest.mark.parametrize(
    ("life", "now", "before", "months"),
    [
        (12.0, 96.0, 98.0, 24.0),
        (5.0, 96.0, 98.0, 15.0),
        (8.0, None, None, 24.0),
        (12.0, 89.9, 95.0, 12.0),
        (12.0, 90.0, 95.0, 24.0),
        (12.0, 90.0, 100.0, 24.0),
        (12.0, 90.0, 100.1, 12.0),
        (3.0, 89.0, None, 9.0),
        (None, None, None, 24.0),
    ],
)
def test_months_between_tests(
    life: float | None, now: float | None, before: float | None, months: float
) -> None:
    assert months_between_tests(life, now, before) == pytest.approx(months)


@pytest.mark.parametrize(
    ("key", "ask"),
    [
        ("life_not_positive", lambda: life_at_temp(0.0, 20.0)),
        ("life_not_positive", lambda: months_between_tests(-1.0)),
        ("percent_out_of_range", lambda: months_between_tests(12.0, 151.0)),
        ("resistance_not_positive", lambda: ohmic_flag(0.0, 1.0)),
        ("temp_out_of_range", lambda: life_at_temp(12.0, 71.0)),
        ("soc_out_of_range", lambda: lfp_calendar_loss(1.1, 20.0, 10.0)),
        ("negative_duration", lambda: nmc_calendar_loss(3.7, 20.0, -1.0)),
        ("current_not_positive", lambda: peukert_time(100.0, 0.0, k=1.2)),
        ("unknown_un", lambda: air_soc_ok("1830", 0.2, ship_date=date(2026, 6, 30))),
        ("soc_out_of_range", lambda: air_soc_ok("3480", 1.2, ship_date=date(2026, 6, 30))),
    ],
)
def test_refusals(key: str, ask: Any) -> None:
    with pytest.raises(RejectedInput) as refusal:
        ask()
    assert refusal.value.key == key


# Source: reference page 3.3 (IATA DGR 66th edition and the rules from 2026-01-01, seen in shipper notes). No edition is held
# for 2027.
@pytest.mark.parametrize(
    ("un", "soc", "year", "facts", "answer"),
    [
        ("3480", 0.30, 2025, {}, "yes"),
        ("3480", 0.31, 2025, {}, "no"),
        ("UN 3480", 0.31, 2026, {}, "no"),
        ("3481", 0.50, 2025, {"config": "packed_with", "wh": 95.0}, "advised_lower"),
        ("3481", 0.50, 2026, {"config": "packed_with", "wh": 95.0}, "no"),
        ("3481", 0.50, 2026, {"config": "packed_with", "wh": 2.7}, "yes"),
        ("3481", 0.50, 2026, {"config": "packed_with"}, "no"),
        ("3481", 0.50, 2026, {"config": "installed", "wh": 95.0}, "advised_lower"),
        ("3481", 0.50, 2026, {}, "cannot decide"),
        ("3481", 0.30, 2026, {}, "yes"),
        ("3556", 0.50, 2025, {"wh": 500.0}, "advised_lower"),
        ("3556", 0.50, 2026, {"wh": 500.0}, "no"),
        ("3556", 0.50, 2026, {"wh": 100.0}, "yes"),
        ("3480", 0.20, 2027, {}, "cannot decide"),
    ],
)
def test_how_full_it_may_fly(un: str, soc: float, year: int, facts: dict[str, Any], answer: str) -> None:
    assert air_soc_ok(un, soc, ship_date=date(year, 6, 30), **facts) == answer
