"""Logged temperatures in the snapshot: they replace the climate day by day, and fall back to it at once."""

import datetime as dt
from typing import Any

import numpy as np
import pytest

from fleet.models import BankStay, TemperatureLog
from readiness.domain.bank_records import EventKind
from readiness.domain.loggers import LoggerState
from readiness.domain.sample_files import SampleFile
from readiness.models import BankLogger
from readiness.selectors.snapshot import day_number, load_snapshot
from readiness.services.samples import samples_take
from tests.factories.fleet import MEANS_C, NOW, TODAY, BankFactory, DesignFactory, UnitFactory, ago
from tests.factories.readiness import ReadingFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def send(serial: str, *, days: float, until_days_ago: float = 0.0, temp: Any = 12.0, **values: Any) -> None:
    """Hourly samples over so many days up to so many days ago."""
    last = NOW - dt.timedelta(days=until_days_ago)
    steps = int(days * 24)
    rows = [
        {
            "bank": serial,
            "at": (last - dt.timedelta(hours=n)).isoformat(),
            "temp_c": temp(n) if callable(temp) else temp + 0.1 * (n % 5),
            **values,
        }
        for n in range(steps)
    ]
    taken = samples_take(file=SampleFile(rows), how="api", actor=None, rights=None, now=NOW)
    assert taken.kept == steps
    BankLogger.objects.update(expected_min=60)


def temperatures(unit: Any, ago_days: list[int], as_of: dt.date = TODAY) -> list[float]:
    snapshot = load_snapshot([unit.pk], as_of, now=NOW)
    first = day_number(TODAY) - 40
    means = snapshot.sites.daily_mean_c(first, 60)
    site = int(snapshot.bank_arrays.site[0])
    return [round(float(means[site, 40 - n]), 6) for n in ago_days]


def expected(day: dt.date, heat_c: float) -> float:
    return MEANS_C[day.month - 1] + heat_c


@pytest.fixture
def unit() -> Any:
    unit = UnitFactory(design=DesignFactory(enclosure_heat_c=6.0, enclosure_swing_c=4.0))
    BankFactory(serial="B-1", unit=unit)
    return unit


def before(days: int) -> dt.date:
    return TODAY - dt.timedelta(days=days)


def test_logged_days_replace_the_climate_and_all_others_have_it_with_the_allowance(unit: Any) -> None:
    send("B-1", days=5, until_days_ago=3, temp=12.0)
    now = temperatures(unit, [0, 1, 5, 6, 20])
    assert now[2] == pytest.approx(12.2, abs=0.01)
    assert now[3] == pytest.approx(12.2, abs=0.01)
    assert [now[0], now[1], now[4]] == [expected(before(n), 6.0) for n in (0, 1, 20)]


def test_today_is_not_over_and_has_the_climate(unit: Any) -> None:
    send("B-1", days=3, temp=12.0)
    assert temperatures(unit, [0, 1]) == [expected(TODAY, 6.0), pytest.approx(12.2, abs=0.01)]


@pytest.mark.parametrize(
    ("sent", "state"),
    [
        ({"days": 6.0, "temp": lambda n: 20.0}, LoggerState.STUCK),
        ({"days": 6.0, "temp": lambda n: 60.0 + 0.1 * (n % 5)}, LoggerState.IMPLAUSIBLE),
        ({"days": 6.0, "until_days_ago": 1.0}, LoggerState.SILENT),
        ({"days": 6.0}, LoggerState.LIVE),
    ],
)
def test_a_logger_that_is_not_believed_falls_back_to_the_climate(
    unit: Any, sent: dict[str, Any], state: LoggerState
) -> None:
    send("B-1", **sent)
    snapshot = load_snapshot([unit.pk], TODAY, now=NOW)
    assert LoggerState(int(snapshot.banks["logger"][0])) == state
    if state in (LoggerState.STUCK, LoggerState.IMPLAUSIBLE):
        assert temperatures(unit, [1, 2, 3]) == [expected(before(n), 6.0) for n in (1, 2, 3)]
    if state == LoggerState.SILENT:
        assert float(snapshot.banks["logger_since"][0]) == pytest.approx(day_number(TODAY) - 0.5, abs=1e-6)
        assert temperatures(unit, [0, 1])[0] == expected(TODAY, 6.0)


def test_a_bank_without_a_logger_has_none(unit: Any) -> None:
    snapshot = load_snapshot([unit.pk], TODAY, now=NOW)
    assert snapshot.banks["logger"].tolist() == [-1]


def test_the_own_logger_of_a_bank_knows_better_than_that_of_its_place(unit: Any) -> None:
    for n in range(1, 12):
        TemperatureLog.objects.create(place=unit.home, day=before(n), mean_c=9.0)
    send("B-1", days=4, until_days_ago=1, temp=12.0)
    other = UnitFactory(home=unit.home)
    BankFactory(serial="B-2", unit=other)
    assert temperatures(unit, [3, 9]) == [pytest.approx(12.2, abs=0.01), 9.0]
    assert temperatures(other, [3, 9]) == [9.0, 9.0]


def test_a_logger_goes_with_its_bank(unit: Any) -> None:
    send("B-1", days=20, temp=12.0)
    other = UnitFactory()
    moved_at = ago(10)
    BankStay.objects.filter(bank__serial="B-1").update(ended_at=moved_at)
    BankStay.objects.create(bank=unit.bank_stays.get().bank, unit=other, started_at=moved_at)
    snapshot = load_snapshot([other.pk], TODAY, now=NOW)
    means = snapshot.sites.daily_mean_c(day_number(TODAY) - 40, 60)
    sites = {int(snapshot.bank_arrays.site[0])} | set(
        snapshot.events.site[snapshot.events.kind == EventKind.SITE].tolist()
    )
    assert len(sites) == 2
    assert all(round(float(means[site, 36]), 1) == 12.2 for site in sites)


def test_rested_voltages_come_to_one_reading_a_week_beside_those_that_people_took(unit: Any) -> None:
    ReadingFactory(bank=unit.bank_stays.get().bank, happened_at=ago(30), volts_v=25.5)
    send("B-1", days=21, temp=12.0, volts_v=25.6, current_a=0.0)
    snapshot = load_snapshot([unit.pk], TODAY, now=NOW)
    volts = snapshot.events.take(np.flatnonzero(snapshot.events.kind == EventKind.VOLTAGE))
    weeks = {(int(at) - 4) // 7 for at in volts.time[1:]}
    assert len(volts) == 1 + len(weeks)
    assert volts.value.tolist() == [25.5] + [25.6] * len(weeks)
    assert (volts.rest_h[1:] >= 24.0).all()
    assert len(weeks) in (3, 4)


def test_a_past_day_is_judged_without_the_days_after_it(unit: Any) -> None:
    send("B-1", days=21, temp=12.0, volts_v=25.6, current_a=0.0)
    past = before(10)
    snapshot = load_snapshot([unit.pk], past)
    assert LoggerState(int(snapshot.banks["logger"][0])) == LoggerState.LIVE
    assert (snapshot.events.time <= day_number(past) + 1.5).all()
    assert temperatures(unit, [5], as_of=past) == [expected(before(5), 6.0)]
