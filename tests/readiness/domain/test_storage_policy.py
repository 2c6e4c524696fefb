"""The three ways to keep lithium, against the published figures and the worked example."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from readiness.domain.check_rows import CheckOutcome
from readiness.domain.errors import RejectedInput
from readiness.domain.storage_policy import PolicyCost, policy_costs


def costs(code: str = "lfp", **facts: Any) -> dict[str, PolicyCost]:
    told: dict[str, Any] = {
        "month_mean_c": np.full(12, 25.0),
        "depart_soc": 0.95,
        "charger_a": 80.0,
        "lead_time_h": 12.0,
        "bay_queue_h": 0.0,
        "load_a": 70.0,
    }
    return {cost.policy: cost for cost in policy_costs(code, 400.0, **(told | facts))}


# First-year loss at 25 degC: reference page on battery storage 3.3, table (Schimpe et al. 2018): 0.3, 0.5 and 1.0.
def test_what_each_policy_costs_in_life() -> None:
    answer = costs(store_soc=0.5)
    assert answer["air"].loss_pct_year == pytest.approx(2.8, abs=0.07)
    assert answer["store"].loss_pct_year == pytest.approx(3.9, abs=0.07)
    assert answer["ready"].loss_pct_year == pytest.approx(6.5, abs=0.07)
    assert answer["ready"].loss_pct_year - answer["store"].loss_pct_year == pytest.approx(2.5, abs=0.1)
    assert answer["air"].extra_pct_year == 0.0


def test_hours_until_ready() -> None:
    """400 Ah at 80 A from 0.5: 3.1 h (reference page 3.3), and half an hour of hands."""
    answer = costs(store_soc=0.5)
    assert answer["store"].ready_h == pytest.approx(3.1 + 0.5, abs=0.05)
    assert answer["ready"].ready_h == 0.0
    assert costs(store_soc=0.5, bay_queue_h=6.0)["store"].ready_h == pytest.approx(9.6, abs=0.05)


def test_hours_until_it_may_fly_and_what_it_then_lacks() -> None:
    """Discharging from full to 30 % needs a load bank: 280 Ah at 70 A are 4 h, and half an hour of hands."""
    answer = costs()
    assert answer["ready"].fly_h == pytest.approx(4.5)
    assert answer["air"].fly_h == 0.0
    assert answer["air"].arrives_short_soc == pytest.approx(0.65)
    assert costs(load_a=None)["ready"].fly_h is None


@pytest.mark.parametrize(("lead_h", "outcome"), [(3.7, CheckOutcome.PASS), (3.5, CheckOutcome.FAIL)])
def test_half_full_is_allowed_only_where_there_is_time(lead_h: float, outcome: CheckOutcome) -> None:
    answer = costs(store_soc=0.5, lead_time_h=lead_h)
    assert answer["store"].outcome == outcome
    assert answer["ready"].outcome == CheckOutcome.PASS


@pytest.mark.parametrize("gone", ["charger_a", "lead_time_h", "bay_queue_h"])
def test_what_is_not_known_cannot_be_decided(gone: str) -> None:
    answer = costs(**{gone: None})
    assert answer["store"].outcome == CheckOutcome.CANNOT_DECIDE
    assert answer["store"].missing == (gone,)


@pytest.mark.parametrize("code", ["lfp", "nmc"])
def test_warmth_and_charge_cost_life(code: str) -> None:
    cool, warm = costs(code, month_mean_c=np.full(12, 10.0)), costs(code, month_mean_c=np.full(12, 35.0))
    for policy in ("store", "ready", "air"):
        assert warm[policy].loss_pct_year > cool[policy].loss_pct_year
    assert cool["air"].loss_pct_year < cool["store"].loss_pct_year < cool["ready"].loss_pct_year


@pytest.mark.parametrize(
    ("key", "facts"),
    [
        ("not_lithium", {"code": "vrla_gel"}),
        ("unknown_chemistry", {"code": "lead_foam"}),
        ("series_uneven", {"month_mean_c": np.full(11, 20.0)}),
        ("soc_out_of_range", {"depart_soc": 1.1}),
        ("current_not_positive", {"charger_a": 0.0}),
        ("negative_duration", {"bay_queue_h": -1.0}),
    ],
)
def test_refusals(key: str, facts: dict[str, Any]) -> None:
    with pytest.raises(RejectedInput) as refusal:
        costs(**facts)
    assert refusal.value.key == key
