"""What the fleet teaches is worked out once a day, in a fixed number of queries, and moves only when it moves noticeably."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from readiness.domain.bank_flags import Flag
from readiness.models import Alert, BankState, ChemistryLearning, Verdict
from readiness.services.fleet_learning import fleet_learning_refresh
from readiness.services.sweep import sweep_units
from readiness.services.sweeps import sweep_at_once
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    SupplyStateFactory,
    UnitFactory,
    WetStateFactory,
    ago,
)
from tests.factories.readiness import BankTestFactory, ChargeFactory, ReadingFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def kept_bank(loses_v: float = 0.01, readings: int = 4):
    """A gel bank charged 120 days ago and read every 25 days, `loses_v` [V] lower each time."""
    bank = BankFactory(unit=UnitFactory(), design_life_years=10.0)
    WetStateFactory(unit=bank.stays.get(ended_at=None).unit)
    SupplyStateFactory(bank=bank, happened_at=ago(125))
    ChargeFactory(bank=bank, happened_at=ago(121), ended_at=ago(120))
    for n in range(readings):
        ReadingFactory(bank=bank, volts_v=25.75 - n * loses_v, happened_at=ago(100 - 25 * n))
    return bank


def test_a_row_for_each_chemistry_once_a_day_and_no_more() -> None:
    for _n in range(3):
        kept_bank()
    assert fleet_learning_refresh(as_of=TODAY, now=NOW) == 1
    row = ChemistryLearning.objects.get()
    assert (row.chemistry, row.as_of) == ("vrla_gel", TODAY)
    assert row.scatter["voltage"][1] > 0
    assert fleet_learning_refresh(as_of=TODAY, now=NOW) == 0
    assert fleet_learning_refresh(as_of=TODAY - dt.timedelta(days=3), now=NOW) == 0
    # Nothing happened: a day later the same stands, and so does the day on which it was worked out.
    assert fleet_learning_refresh(as_of=TODAY + dt.timedelta(days=1), now=NOW + dt.timedelta(days=1)) == 0
    later = ChemistryLearning.objects.get()
    assert later.computed_at == row.computed_at
    assert later.as_of == TODAY + dt.timedelta(days=1)


def test_as_many_queries_for_many_banks_as_for_few() -> None:
    def asked() -> int:
        ChemistryLearning.objects.all().delete()
        with CaptureQueriesContext(connection) as seen:
            fleet_learning_refresh(as_of=TODAY, now=NOW)
        return len(seen)

    kept_bank()
    few = asked()
    for _n in range(6):
        kept_bank()
    assert asked() == few


def test_a_bank_that_loses_more_than_its_peers_is_flagged_and_comes_up_as_a_matter() -> None:
    banks = [kept_bank() for _n in range(8)]
    bad = kept_bank(loses_v=0.30)
    units = [bank.stays.get(ended_at=None).unit for bank in (*banks, bad)]
    fleet_learning_refresh(as_of=TODAY, now=NOW)
    assert ChemistryLearning.objects.get().peers == 9
    sweep_units(unit_ids=[unit.pk for unit in units], as_of=TODAY, now=NOW)
    state = BankState.objects.get(bank=bad)
    assert state.flags & int(Flag.RATE_HIGH)
    assert state.peer_ratio > 3
    assert state.own_low_pct_month < state.own_pct_month < state.own_high_pct_month
    assert Alert.objects.filter(rule="bank_rate", bank=bad, cleared_at=None).count() == 1
    for bank in banks:
        assert not BankState.objects.get(bank=bank).flags & int(Flag.RATE_HIGH)
    assert not Alert.objects.filter(rule="bank_rate").exclude(bank=bad).exists()
    checks = Verdict.objects.get(unit=units[-1], current=True).result["checks"]
    row = next(check for check in checks if check["key"] == "bank_rate")
    assert (row["outcome"], row["gates"]) == ("fail", False)
    # Judged again alone, on the same day, it says the same.
    before = (state.flags, state.peer_ratio, state.own_pct_month)
    sweep_units(unit_ids=[units[-1].pk], as_of=TODAY, now=NOW)
    state.refresh_from_db()
    assert (state.flags, state.peer_ratio, state.own_pct_month) == pytest.approx(before)


def test_tests_are_told_and_a_new_good_one_clears_the_matter() -> None:
    bank = kept_bank()
    unit = bank.stays.get(ended_at=None).unit
    BankTestFactory(bank=bank, kind="capacity", capacity_ah=0.7 * bank.capacity_ah, happened_at=ago(30))
    BankTestFactory(bank=bank, kind="ohmic", capacity_ah=None, worst_ratio=1.4, happened_at=ago(30))
    sweep_units(unit_ids=[unit.pk], as_of=TODAY, now=NOW)
    flags = BankState.objects.get(bank=bank).flags
    assert flags & int(Flag.CAPACITY_LOW)
    assert flags & int(Flag.OHMIC_INVESTIGATE)
    assert not flags & int(Flag.TEST_DUE)
    weak = Alert.objects.get(rule="bank_weak", bank=bank, cleared_at=None)
    assert len(weak.data["items"]) == 2
    BankTestFactory(bank=bank, kind="capacity", capacity_ah=0.97 * bank.capacity_ah, happened_at=ago(2))
    BankTestFactory(bank=bank, kind="ohmic", capacity_ah=None, worst_ratio=1.05, happened_at=ago(2))
    sweep_units(unit_ids=[unit.pk], as_of=TODAY, now=NOW)
    weak.refresh_from_db()
    assert weak.cleared_at is not None


def test_a_quiet_fleet_stays_quiet() -> None:
    units = [kept_bank().stays.get(ended_at=None).unit.pk for _n in range(3)]
    fleet_learning_refresh(as_of=TODAY, now=NOW)
    sweep_units(unit_ids=units, as_of=TODAY, now=NOW)
    next_day = TODAY + dt.timedelta(days=1)
    fleet_learning_refresh(as_of=next_day, now=NOW + dt.timedelta(days=1))
    assert sweep_units(unit_ids=units, as_of=next_day, now=NOW + dt.timedelta(days=1)).changed == 0


def test_what_cannot_be_worked_out_stops_no_sweep(monkeypatch: pytest.MonkeyPatch) -> None:
    unit = kept_bank().stays.get(ended_at=None).unit

    def broken(*_args: object, **_given: object) -> None:
        raise ValueError("a record that nothing can be made of")

    monkeypatch.setattr("readiness.services.fleet_learning.noise_of_fleet", broken)
    sweep_at_once(depot=unit.home, as_of=TODAY, now=NOW)
    assert not ChemistryLearning.objects.exists()
    assert Verdict.objects.filter(unit=unit, current=True).exists()
