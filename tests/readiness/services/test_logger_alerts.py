"""A logger that is not believed is somebody's matter, and settled when it is heard again."""

import datetime as dt
from typing import Any

import pytest

from readiness.domain.sample_files import SampleFile
from readiness.models import Alert, BankLogger
from readiness.sentences import alert_sentence
from readiness.services.samples import samples_take
from readiness.services.sweep import sweep_units
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def send(hours_ago: list[float], temp: Any) -> None:
    rows = [
        {"bank": "B-1", "at": (NOW - dt.timedelta(hours=n)).isoformat(), "temp_c": temp(n)} for n in hours_ago
    ]
    samples_take(file=SampleFile(rows), how="api", actor=None, rights=None, now=NOW)
    BankLogger.objects.update(expected_min=60)


def open_alert() -> Alert | None:
    return Alert.objects.filter(rule="logger", cleared_at__isnull=True).first()


def sweep(unit: Any, now: dt.datetime = NOW) -> None:
    sweep_units(unit_ids=[unit.pk], as_of=TODAY, now=now)


def wobble(n: float) -> float:
    return 10.0 + n % 5 / 10


@pytest.fixture
def unit() -> Any:
    unit = UnitFactory()
    BankFactory(serial="B-1", unit=unit)
    return unit


def test_silence_raises_one_matter_and_a_new_value_settles_it(unit: Any) -> None:
    send([float(n) for n in range(10, 100)], wobble)
    sweep(unit)
    alert = open_alert()
    assert alert is not None
    assert alert.owner_role == "depot_manager"
    said = alert_sentence(alert.rule, alert.data, alert.work_h)
    assert "Logger silent since" in said
    assert "climate used" in said
    sweep(unit)
    assert Alert.objects.filter(rule="logger").count() == 1
    send([float(n) for n in range(10)], wobble)
    sweep(unit)
    assert open_alert() is None


def test_a_stuck_one_says_so(unit: Any) -> None:
    send([float(n) for n in range(120)], lambda n: 10.0)
    sweep(unit)
    alert = open_alert()
    assert alert is not None
    assert "always the same value" in alert_sentence(alert.rule, alert.data, alert.work_h)


def test_one_that_was_taken_off_is_nobodys_matter(unit: Any) -> None:
    send([float(n) for n in range(10, 100)], wobble)
    sweep(unit)
    assert open_alert() is not None
    BankLogger.objects.update(off_at=NOW)
    sweep(unit)
    assert open_alert() is None


def test_one_without_a_sensor_of_temperature_is_nobodys_matter(unit: Any) -> None:
    rows = [{"bank": "B-1", "at": (NOW - dt.timedelta(days=9)).isoformat(), "volts_v": 25.5}]
    samples_take(file=SampleFile(rows), how="api", actor=None, rights=None, now=NOW)
    sweep(unit)
    assert open_alert() is None


def test_an_older_silence_does_not_gate_the_verdict(unit: Any) -> None:
    send([float(n) for n in range(10, 100)], wobble)
    sweep(unit)
    checks = unit.verdicts.get(current=True).result["checks"]
    assert [check["gates"] for check in checks if check["key"] == "logger_heard"] == [False]
