"""The owner's storage policy in the sweep: it asks for a charge, and moves neither the floor nor what is needed to leave."""

import datetime as dt
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import time_machine

from readiness.domain.storage_policy import top_up_level
from readiness.models import Alert
from readiness.sentences import check_sentence
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    DepotFactory,
    SupplyStateFactory,
    UnitFactory,
    WetStateFactory,
)
from tests.factories.readiness import ChargeFactory, StoragePolicyFactory
from tests.readiness.services.test_sweep import check_of, sweep, verdict

DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.mark.parametrize(
    ("kept", "floor", "level"),
    [
        (1.0, 0.3, 0.9),
        (0.55, 0.3, 0.45),
        (0.35, 0.3, 0.3),  # never under the floor
        (0.3, 0.3, 0.3),
        (0.2, 0.3, 0.3),  # a choice under the floor lowers nothing
        (np.nan, 0.3, np.nan),
    ],
)
def test_the_level_at_which_a_kept_bank_is_charged_again(kept: float, floor: float, level: float) -> None:
    assert top_up_level(kept, floor) == pytest.approx(level, nan_ok=True)


def half_full(**facts: Any) -> Any:
    """A lithium bank that was put away at 55 % the other day."""
    unit = UnitFactory(**facts)
    bank = BankFactory(
        unit=unit,
        chemistry="lfp",
        cells_in_series=8,
        capacity_ah=200.0,
        charger_a=40.0,
        design_life_years=10.0,
    )
    SupplyStateFactory(bank=bank)
    ChargeFactory(bank=bank, to_soc=0.55, end_sign="bms_full")
    WetStateFactory(unit=unit)
    return unit


def keys(unit: Any) -> set[str]:
    return {check["key"] for check in verdict(unit).result["checks"]}


@pytest.mark.django_db
@pytest.mark.db_both
def test_a_bank_kept_half_full_is_as_the_owner_wants_it_until_it_has_lost_ten_points() -> None:
    unit = half_full()
    StoragePolicyFactory(place=unit.home, store_soc=0.55)
    sweep(unit)
    kept = check_of(unit, "charge_kept")
    assert kept["outcome"] == "pass"
    assert TODAY < dt.date.fromisoformat(kept["due_on"]) < TODAY + 365 * DAY
    assert "The owner keeps it at 55 %" in check_sentence(kept)
    assert not Alert.objects.filter(rule="charge_due", cleared_at=None).exists()


@pytest.mark.django_db
@pytest.mark.db_both
def test_a_bank_to_be_kept_full_that_is_not_is_todays_work_and_holds_nothing_back() -> None:
    unit = half_full()
    sweep(unit)
    before = {key: check_of(unit, key) for key in ("charge_floor", "charge_depart")}
    outcome = verdict(unit).outcome
    assert "charge_kept" not in keys(unit)
    StoragePolicyFactory(place=unit.home, store_soc=1.0)
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    kept = check_of(unit, "charge_kept")
    assert kept["outcome"] == "fail"
    assert not kept["gates"]
    assert kept["mend_h"] == pytest.approx(before["charge_depart"]["mend_h"]), "both charges go to full"
    assert "charged up to 100 % again" in check_sentence(kept)
    assert {key: check_of(unit, key) for key in before} == before
    assert verdict(unit).outcome == outcome
    alert = Alert.objects.get(rule="charge_due", cleared_at=None)
    assert alert.about_unit == unit


@pytest.mark.django_db
@pytest.mark.parametrize("kept", [0.3, 0.55, 1.0])
def test_no_choice_moves_the_floor(kept: float) -> None:
    unit = half_full()
    sweep(unit)
    floor = check_of(unit, "charge_floor")
    StoragePolicyFactory(place=unit.home, store_soc=kept)
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "charge_floor") == floor
    assert check_of(unit, "charge_kept")["due_on"] <= floor["due_on"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    "policy",
    [
        {"valid_to": TODAY - DAY},
        {"valid_from": TODAY + DAY},
        {"chemistry": "nmc"},
        {"elsewhere": True},
    ],
    ids=str,
)
def test_only_the_choice_in_force_for_this_chemistry_at_home_counts(policy: dict[str, Any]) -> None:
    unit = half_full()
    place = DepotFactory() if policy.pop("elsewhere", False) else unit.home
    StoragePolicyFactory(place=place, store_soc=1.0, **policy)
    sweep(unit)
    assert "charge_kept" not in keys(unit)
