"""The sweep as a service: what it stores, that it repeats itself, what a change does at once, what it sets aside."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import UnitStay
from readiness.models import Alert, BankState, SetAside, Sweep, Verdict
from readiness.services.sweep import sweep_units
from readiness.services.sweeps import sweep_now
from readiness.services.upkeep import charge_record, reading_record
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    DepotFactory,
    DesignFactory,
    SupplyStateFactory,
    UnitFactory,
    UserFactory,
    WetStateFactory,
    ago,
)
from tests.factories.readiness import ChargeFactory, FaultFactory, ReadingFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
STRUCK = {"struck_at": ago(1), "struck_reason": "not so"}


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    """What happens at once after a change asks the clock: it stands still at noon of the stated day."""
    with time_machine.travel(NOW, tick=False):
        yield


def ready_unit(**facts: Any) -> Any:
    """A unit about which everything needed is on file and fine."""
    unit = UnitFactory(**facts)
    bank = BankFactory(unit=unit, design_life_years=10.0)
    SupplyStateFactory(bank=bank)
    ChargeFactory(bank=bank)
    ReadingFactory(bank=bank)
    WetStateFactory(unit=unit)
    return unit


def bank_of(unit: Any) -> Any:
    return unit.bank_stays.get(ended_at=None).bank


def sweep(*units: Any, day: dt.date = TODAY, now: dt.datetime = NOW) -> Any:
    return sweep_units(unit_ids=[unit.pk for unit in units], as_of=day, now=now)


def verdict(unit: Any) -> Verdict:
    return Verdict.objects.get(unit=unit, current=True)


def check_of(unit: Any, key: str) -> dict[str, Any]:
    return next(check for check in verdict(unit).result["checks"] if check["key"] == key)


def open_rules(unit: Any) -> set[str]:
    return set(Alert.objects.filter(about_unit=unit, cleared_at=None).values_list("rule", flat=True))


def test_a_unit_with_everything_on_file_is_ready() -> None:
    unit = ready_unit()
    written = sweep(unit)
    assert (written.units, written.changed, written.set_aside) == (1, 1, 0)
    found = verdict(unit)
    assert found.outcome == "ready"
    assert found.time_to_ready_h == 0
    assert found.turns_on is not None
    assert found.turns_on > TODAY
    assert open_rules(unit) == set()
    state = BankState.objects.get(bank=bank_of(unit))
    assert state.status == "decided"
    assert 0.8 < state.low_soc < state.soc < state.high_soc <= 1


def test_a_unit_nobody_surveyed_is_not_decided_and_raises_one_alert() -> None:
    unit = UnitFactory(home=DepotFactory(terms=False, climate=False))
    BankFactory(unit=unit)
    sweep(unit)
    assert verdict(unit).outcome == "cannot_decide"
    alerts = Alert.objects.filter(about_unit=unit, rule="survey", cleared_at=None)
    assert alerts.count() == 1
    assert len(alerts.get().data["items"]) >= 4
    assert alerts.get().work_h == pytest.approx(
        len(alerts.get().data["items"]) * unit.design.survey_min / 60, abs=0.01
    )


def test_the_next_day_confirms_an_unchanged_result_without_a_new_row() -> None:
    unit = ready_unit()
    sweep(unit)
    tomorrow = TODAY + dt.timedelta(days=1)
    written = sweep(unit, day=tomorrow, now=NOW + dt.timedelta(days=1))
    assert (written.units, written.changed) == (1, 0)
    found = verdict(unit)
    assert (found.from_day, found.last_confirmed_day) == (TODAY, tomorrow)
    assert Verdict.objects.filter(unit=unit).count() == 1


def test_running_it_twice_changes_nothing() -> None:
    unit = ready_unit()
    FaultFactory(unit=unit)
    sweep(unit)
    alert = Alert.objects.get(about_unit=unit)
    sweep(unit)
    again = Alert.objects.get(about_unit=unit)
    assert (again.pk, again.updated_at) == (alert.pk, alert.updated_at)
    assert Verdict.objects.filter(unit=unit).count() == 1


def test_a_verdict_turns_on_the_day_it_said() -> None:
    unit = ready_unit()
    sweep(unit)
    turns = verdict(unit).turns_on
    assert turns is not None
    later = dt.datetime.combine(turns, dt.time(12), tzinfo=dt.UTC)
    sweep(unit, day=turns - dt.timedelta(days=1), now=later - dt.timedelta(days=1))
    assert verdict(unit).outcome == "ready"
    sweep(unit, day=turns, now=later)
    assert verdict(unit).outcome != "ready"


def test_a_sweep_of_an_earlier_day_leaves_the_later_verdict() -> None:
    unit = ready_unit()
    sweep(unit)
    written = sweep(unit, day=TODAY - dt.timedelta(days=7))
    assert written.units == 0
    assert verdict(unit).last_confirmed_day == TODAY


def test_a_verdict_of_a_later_day_does_not_stand_in_the_way_of_today() -> None:
    """A unit moves to a depot further west, where it is still yesterday; or a day ahead was stored once."""
    unit = ready_unit()
    sweep(unit, day=TODAY + dt.timedelta(days=1))
    FaultFactory(unit=unit, severity="blocks", mend_h=30.0)
    written = sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert (written.units, verdict(unit).outcome, verdict(unit).last_confirmed_day) == (
        1,
        "after_work",
        TODAY,
    )


def test_an_unchanged_verdict_of_a_later_day_is_taken_back_to_today() -> None:
    unit = ready_unit()
    sweep(unit, day=TODAY + dt.timedelta(days=1))
    ahead = verdict(unit)
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    found = verdict(unit)
    assert (found.pk, found.from_day, found.last_confirmed_day) == (ahead.pk, TODAY, TODAY)


def test_a_day_to_come_is_never_stored_by_the_command() -> None:
    unit = ready_unit()
    with pytest.raises(CommandError, match="still to come"):
        call_command("sweep", as_of=TODAY + dt.timedelta(days=1), store=True)
    assert not Verdict.objects.filter(unit=unit).exists()


def test_a_unit_that_moved_west_is_judged_for_the_day_there() -> None:
    """It is the 25th at noon UTC: already the 26th in the first zone, still the 25th in the second."""
    east, west = DepotFactory(time_zone="Pacific/Auckland"), DepotFactory(time_zone="America/Phoenix")
    unit = ready_unit(home=east)
    sweep_now(unit_ids=[unit.pk])
    assert verdict(unit).last_confirmed_day == TODAY + dt.timedelta(days=1)
    unit.home = west
    unit.save()
    FaultFactory(unit=unit, severity="blocks", mend_here=False)
    sweep_now(unit_ids=[unit.pk])
    assert (verdict(unit).outcome, verdict(unit).last_confirmed_day) == ("blocked", TODAY)


def test_a_slow_sweep_does_not_overwrite_what_was_computed_from_later_records() -> None:
    unit = ready_unit()
    sweep(unit, now=NOW)
    FaultFactory(unit=unit, severity="blocks", mend_h=2.0)
    sweep(unit, now=NOW + dt.timedelta(minutes=5))
    written = sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert written.units == 0
    assert check_of(unit, "fault")["outcome"] == "fail"


@pytest.mark.parametrize(
    ("severity", "mend_h", "here", "outcome"),
    [
        ("blocks", 2.0, True, "ready"),
        ("blocks", 30.0, True, "after_work"),
        ("blocks", None, True, "cannot_decide"),
        ("blocks", 2.0, False, "blocked"),
        ("degrades", 30.0, True, "ready"),
    ],
)
def test_an_open_fault_weighs_by_its_severity_and_hours(
    severity: str, mend_h: float | None, here: bool, outcome: str
) -> None:
    unit = ready_unit()
    FaultFactory(unit=unit, severity=severity, mend_h=mend_h, mend_here=here)
    sweep(unit)
    assert verdict(unit).outcome == outcome
    assert "fault_open" in open_rules(unit)


def test_a_new_charge_clears_the_alert_at_once_and_says_by_what(
    django_capture_on_commit_callbacks: Any,
) -> None:
    unit = UnitFactory()
    bank = BankFactory(unit=unit, design_life_years=10.0)
    SupplyStateFactory(bank=bank)
    WetStateFactory(unit=unit)
    low = ReadingFactory(bank=bank, volts_v=24.2, happened_at=ago(1))
    sweep(unit)
    assert "charge_due" in open_rules(unit)
    assert low.counts
    with django_capture_on_commit_callbacks(execute=True):
        charge_record(
            bank=bank,
            actor=UserFactory(),
            happened_at=ago(hours=23),
            ended_at=ago(hours=1),
            end_sign="current_steady",
            now=NOW,
        )
    sweep(unit, now=NOW + dt.timedelta(hours=1))
    cleared = Alert.objects.get(about_unit=unit, rule="charge_due")
    assert cleared.cleared_at is not None
    assert cleared.cleared_by.startswith("charge ")


def test_after_an_alarm_the_rate_it_says_is_planned_on_beyond_the_next_charge() -> None:
    quiet, alarmed = ready_unit(), ready_unit()
    ReadingFactory(bank=bank_of(alarmed), volts_v=24.2, happened_at=ago(2))
    for unit in (quiet, alarmed):
        ChargeFactory(bank=bank_of(unit), happened_at=ago(hours=23), ended_at=ago(hours=1))
    sweep(quiet, alarmed)
    assert "unexplained_loss" in open_rules(alarmed)
    due = [BankState.objects.get(bank=bank_of(unit)).floor_day for unit in (quiet, alarmed)]
    assert due[1] < due[0] - dt.timedelta(days=30)
    states = BankState.objects.get(bank=bank_of(alarmed))
    assert states.own_pct_month > 3 * states.published_pct_month


def test_an_alert_is_not_cleared_because_its_reading_was_struck_out() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    bank.charges.all().update(**STRUCK)
    bank.readings.all().update(**STRUCK)
    low = ReadingFactory(bank=bank, volts_v=24.2, happened_at=ago(1))
    sweep(unit)
    assert "charge_due" in open_rules(unit)
    low.struck_at, low.struck_reason = NOW, "wrong unit"
    low.save()
    sweep(unit, now=NOW + dt.timedelta(hours=1))
    assert verdict(unit).outcome == "cannot_decide"
    assert "charge_due" in open_rules(unit)


def test_a_certificate_must_last_through_the_last_mission_day() -> None:
    depot = DepotFactory()
    design = DesignFactory()
    CertificateRuleFactory(design=design, renew_h=3.0)
    last = TODAY + dt.timedelta(days=30)
    enough, short = (ready_unit(home=depot, design=design) for _ in range(2))
    CertificateFactory(unit=enough, expires_on=last)
    CertificateFactory(unit=short, expires_on=last - dt.timedelta(days=1))
    none = ready_unit(home=depot, design=design)
    sweep(enough, short, none)
    outcomes = [check_of(unit, "certificate")["outcome"] for unit in (enough, short, none)]
    assert outcomes == ["pass", "fail", "cannot_decide"]
    assert [verdict(unit).time_to_ready_h for unit in (enough, short, none)] == [0, 3, None]
    assert open_rules(none) == {"survey"}


@pytest.mark.parametrize(
    ("purpose", "recall_h", "outcome"),
    [
        ("loan", 2.0, "blocked"),
        ("call", 2.0, "blocked"),
        ("exercise", 2.0, None),
        ("workshop", None, "blocked"),
    ],
)
def test_a_unit_away_is_never_ready(purpose: str, recall_h: float | None, outcome: str | None) -> None:
    unit = ready_unit()
    absence = unit.absences.create(
        purpose=purpose, custodian="Harbour board", started_at=ago(2), recall_h=recall_h
    )
    unit.stays.filter(ended_at=None).update(ended_at=ago(2))
    UnitStay.objects.create(unit=unit, absence=absence, started_at=ago(2))
    sweep(unit)
    assert verdict(unit).outcome != "ready"
    if outcome:
        assert verdict(unit).outcome == outcome


def test_after_an_absence_the_charge_is_not_known_until_it_is_shown() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    bank.readings.all().update(**STRUCK)
    absence = unit.absences.create(
        purpose="loan", custodian="Harbour board", started_at=ago(9), ended_at=ago(2)
    )
    unit.stays.filter(ended_at=None).update(ended_at=ago(9))
    UnitStay.objects.create(unit=unit, absence=absence, started_at=ago(9), ended_at=ago(2))
    UnitStay.objects.create(unit=unit, place=unit.home, started_at=ago(2))
    sweep(unit)
    assert "used" in BankState.objects.get(bank=bank).reasons
    assert verdict(unit).outcome == "cannot_decide"
    ReadingFactory(bank=bank, happened_at=ago(hours=2))
    sweep(unit, now=NOW + dt.timedelta(hours=1))
    assert BankState.objects.get(bank=bank).status == "decided"


def test_a_unit_that_cannot_be_computed_is_set_aside_and_the_others_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    units = [ready_unit() for _ in range(5)]
    bad = units[2]
    from readiness.services import sweep as service

    real = service.assess

    def assess(snapshot: Any) -> Any:
        if bad.pk in snapshot.units["id"].tolist():
            raise ZeroDivisionError("a number nobody expected")
        return real(snapshot)

    monkeypatch.setattr(service, "assess", assess)
    written = sweep(*units)
    assert (written.units, written.set_aside) == (5, 1)
    aside = SetAside.objects.get(unit=bad, cleared_at=None)
    assert "a number nobody expected" in aside.reason
    assert Verdict.objects.filter(current=True).count() == 4
    monkeypatch.setattr(service, "assess", real)
    sweep(*units, now=NOW + dt.timedelta(hours=1))
    aside.refresh_from_db()
    assert aside.cleared_at is not None


def test_the_number_of_queries_does_not_grow_with_the_units() -> None:
    depot, design = DepotFactory(), DesignFactory()
    few = [ready_unit(home=depot, design=design) for _ in range(2)]
    many = [ready_unit(home=depot, design=design) for _ in range(9)]
    with CaptureQueriesContext(connection) as two:
        sweep(*few)
    with CaptureQueriesContext(connection) as nine:
        sweep(*many)
    assert len(nine) == len(two)


def test_a_retired_unit_has_no_verdict_and_no_open_matters() -> None:
    unit = ready_unit()
    FaultFactory(unit=unit)
    sweep(unit)
    unit.retired_on = TODAY
    unit.save()
    sweep_now(unit_ids=[unit.pk], now=NOW)
    assert not Verdict.objects.filter(unit=unit, current=True).exists()
    assert open_rules(unit) == set()


def test_a_snooze_ends_when_the_matter_worsens() -> None:
    unit = ready_unit()
    FaultFactory(unit=unit, severity="minor")
    sweep(unit)
    Alert.objects.filter(about_unit=unit).update(snoozed_until=TODAY + dt.timedelta(days=10))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert Alert.objects.get(about_unit=unit).snoozed_until is not None
    FaultFactory(unit=unit, severity="blocks")
    sweep(unit, now=NOW + dt.timedelta(minutes=2))
    alert = Alert.objects.get(about_unit=unit, rule="fault_open")
    assert alert.snoozed_until is None
    assert alert.worsened_at == NOW + dt.timedelta(minutes=2)


def test_a_reading_typed_in_is_judged_at_once(django_capture_on_commit_callbacks: Any) -> None:
    unit = ready_unit()
    sweep(unit, day=TODAY - dt.timedelta(days=2), now=ago(2))
    with django_capture_on_commit_callbacks(execute=True):
        reading_record(
            bank=bank_of(unit),
            actor=UserFactory(),
            kind="voltage",
            happened_at=ago(hours=1),
            volts_v=23.6,
            temp_c=15.0,
            rest_h=48.0,
            now=NOW,
        )
    state = BankState.objects.get(bank=bank_of(unit))
    assert state.low_soc < 0.5
    assert Sweep.objects.count() == 0
