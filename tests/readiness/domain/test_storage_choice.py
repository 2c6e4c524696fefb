"""A chemistry's banks share the bays: the last one waits longest."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from readiness.domain.check_rows import CheckOutcome
from readiness.domain.storage_choice import KeptBank, group_costs, last_ready_h
from readiness.domain.storage_policy import policy_costs


def bank(key: str, **facts: object) -> KeptBank:
    usual = {
        "capacity_ah": 400.0,
        "month_mean_c": np.full(12, 25.0),
        "depart_soc": 0.95,
        "charger_a": 80.0,
        "load_a": None,
        "floor_soc": 0.3,
    }
    return KeptBank(key=key, **(usual | facts))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("hours", "bays", "last"),
    [([3.0], 1, 3.0), ([3.0, 3.0], 1, 6.0), ([3.0, 3.0, 3.0], 2, 6.0), ([], 2, 0.0)],
)
def test_charges_share_bays(hours: list[float], bays: int, last: float) -> None:
    assert last_ready_h(hours, bays) == last


def test_it_is_never_less_than_the_best_assignment_and_at_most_a_third_more() -> None:
    """Longest first on m machines: at most 4/3 - 1/(3m) of the optimum (Graham 1969); the optimum by enumeration."""
    rng = np.random.default_rng(5)
    for _n in range(60):
        bays = int(rng.integers(1, 4))
        hours = rng.uniform(0.5, 9.0, int(rng.integers(1, 7))).round(1).tolist()
        best = min(
            max(sum(h for h, at in zip(hours, where, strict=True) if at == bay) for bay in range(bays))
            for where in itertools.product(range(bays), repeat=len(hours))
        )
        found = last_ready_h(hours, bays)
        assert best - 1e-9 <= found <= (4 / 3 - 1 / (3 * bays)) * best + 1e-9


def test_no_bay_is_no_answer() -> None:
    with pytest.raises(ValueError, match="no bay"):
        last_ready_h([1.0], 0)
    store = group_costs("lfp", [bank("A")], bays=0, lead_time_h=6.0)[0]
    assert store.last_h is None
    assert "bay" in store.missing
    assert store.check.outcome == CheckOutcome.CANNOT_DECIDE


def test_the_slowest_and_the_warmest_count() -> None:
    group = [bank("A"), bank("B", charger_a=40.0, month_mean_c=np.full(12, 30.0))]
    store, ready, _air = group_costs("lfp", group, bays=2, lead_time_h=6.0)
    slow = policy_costs(
        "lfp",
        400.0,
        month_mean_c=np.full(12, 30.0),
        depart_soc=0.95,
        charger_a=40.0,
        lead_time_h=6.0,
        bay_queue_h=0.0,
    )
    assert store.one_h == slow[0].ready_h
    assert store.loss_pct_year == slow[0].loss_pct_year
    assert ready.loss_pct_year == slow[1].loss_pct_year
    assert ready.last_h == 0.0


def test_a_level_under_or_at_a_floor_names_its_banks() -> None:
    group = [bank("A", floor_soc=0.3), bank("B", floor_soc=0.4)]
    air = group_costs("lfp", group, bays=1, lead_time_h=6.0)[2]
    assert (air.under_floor, air.at_floor) == (("B",), ("A",))


def test_a_level_of_ones_own_stands_beside_the_three() -> None:
    costs = group_costs("lfp", [bank("A")], bays=1, lead_time_h=6.0, own_soc=0.7)
    assert [cost.policy for cost in costs] == ["store", "ready", "air", "own"]
    assert costs[0].loss_pct_year < costs[3].loss_pct_year < costs[1].loss_pct_year
    assert costs[3].one_h is not None
    assert costs[0].one_h is not None
    assert costs[3].one_h < costs[0].one_h
