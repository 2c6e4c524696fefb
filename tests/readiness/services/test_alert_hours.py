"""The hours an alert states: a person's, with those of the charger beside them, also while the work is only coming."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import time_machine

from fleet.models import BatteryBank
from readiness.domain.charging import CHARGE_WORK_H, fleet_charge_hours
from readiness.domain.chemistry import chemistry_index
from readiness.models import Alert, BankState
from readiness.sentences import alert_hours, mend_sentence
from readiness.services.sweep_alerts import COMING
from tests.factories.fleet import NOW, CertificateFactory, CertificateRuleFactory, DesignFactory, ago
from tests.factories.readiness import FaultFactory, ReadingFactory
from tests.readiness.services.test_sweep import bank_of, check_of, ready_unit, sweep

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def charge_alert(unit: Any) -> Alert:
    return Alert.objects.get(about_unit=unit, rule="charge_due", cleared_at=None)


def with_charge_coming(**bank: Any) -> Any:
    """A unit that holds enough today, and whose charge falls due within the days a depot looks ahead."""
    unit = ready_unit()
    BatteryBank.objects.filter(pk=bank_of(unit).pk).update(**bank)
    sweep(unit)
    moment = _before_due(unit)
    # The reading that keeps its state known moves the day on which its charge is due.
    ReadingFactory(bank=bank_of(unit), happened_at=moment)
    sweep(unit, day=moment.date(), now=moment)
    moment = _before_due(unit)
    sweep(unit, day=moment.date(), now=moment)
    return unit


def _before_due(unit: Any) -> dt.datetime:
    due = BankState.objects.get(bank=bank_of(unit)).due_day
    assert due is not None
    return NOW + (due - 10 * DAY - NOW.date())


def words(alert: Alert) -> str:
    return alert_hours(alert.data, alert.work_h)


def test_a_coming_charge_says_a_persons_hours_and_the_chargers() -> None:
    unit = with_charge_coming()
    alert = charge_alert(unit)
    assert {item["stage"] for item in alert.data["items"]} == {COMING}
    bank = bank_of(unit)
    state = BankState.objects.get(bank=bank)
    full = fleet_charge_hours(
        np.array([chemistry_index()[bank.chemistry]]),
        np.array([bank.capacity_ah]),
        np.array([state.low_soc]),
        np.array([bank.charger_a]),
    )
    charger_h = int(np.ceil(full[0]))
    assert alert.work_h == CHARGE_WORK_H
    assert words(alert) == f"about 0.5 h of work, {charger_h} h on the charger"
    assert "mend_h" not in check_of(unit, "charge_floor"), "what passes needs no mend today"


def test_only_what_is_truly_missing_is_called_not_known_and_named() -> None:
    alert = charge_alert(with_charge_coming(charger_a=None))
    assert alert.work_h == CHARGE_WORK_H
    assert words(alert) == (
        "about 0.5 h of work, hours on the charger not known: the current of its charger is not on file"
    )


def test_a_charge_that_is_due_now_says_the_same_hours_as_its_check() -> None:
    unit = ready_unit()
    ReadingFactory(bank=bank_of(unit), volts_v=24.2, happened_at=ago(1))
    sweep(unit)
    check = check_of(unit, "charge_floor")
    alert = charge_alert(unit)
    assert alert.work_h == CHARGE_WORK_H, "floor, interval and leaving are one charge"
    assert words(alert).endswith(f", {check['mend_h']} h on the charger")
    assert check["mend_h"] > CHARGE_WORK_H


def test_the_unit_page_names_the_missing_charger_too() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    BatteryBank.objects.filter(pk=bank.pk).update(charger_a=None)
    ReadingFactory(bank=bank, volts_v=24.2, happened_at=ago(1))
    sweep(unit)
    assert mend_sentence(check_of(unit, "charge_floor")) == (
        "How long the charge takes cannot be told: the current of its charger is not on file."
    )


def test_a_coming_renewal_states_its_hours() -> None:
    design = DesignFactory()
    rule = CertificateRuleFactory(design=design, renew_h=4.0, lead_days=60)
    unit = ready_unit(design=design)
    CertificateFactory(unit=unit, kind=rule.kind, expires_on=NOW.date() + 45 * DAY)
    sweep(unit)
    assert check_of(unit, "certificate")["outcome"] == "pass"
    assert words(Alert.objects.get(about_unit=unit, rule="certificate")) == "about 4 h of work"


def test_a_fault_of_unknown_hours_says_so() -> None:
    unit = ready_unit()
    FaultFactory(unit=unit, mend_h=None)
    sweep(unit)
    alert = Alert.objects.get(about_unit=unit, rule="fault_open")
    assert words(alert) == "hours of work not known: nobody stated how long the fault takes to mend"


def test_matters_without_work_of_their_own_say_nothing() -> None:
    assert alert_hours({"items": [{"key": "debt", "outcome": "fail", "id": 1}]}, None) == ""
    assert alert_hours({"items": [{"key": "kit", "outcome": "fail", "id": 1, "not_here": True}]}) == (
        "no work here can mend it"
    )
