"""What people may do with an alert, and what they may not."""

import datetime as dt

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from readiness.models import Alert
from readiness.services.alerts import (
    LONGEST_SNOOZE_DAYS,
    alert_acknowledge,
    alert_give_back,
    alert_snooze,
    alert_take,
    alert_wake,
)
from tests.cast import Cast
from tests.factories.readiness import AlertFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
TODAY = dt.date(2026, 11, 25)


@pytest.fixture
def alert(cast: Cast) -> Alert:
    row: Alert = AlertFactory(depot=cast.north, too_late_on=TODAY + dt.timedelta(days=10))
    return row


def test_taken_by_one_person_only(alert: Alert, cast: Cast) -> None:
    alert_take(alert=alert, actor=cast.nora)
    alert_take(alert=alert, actor=cast.nora)
    with pytest.raises(DomainError, match="Nora Lind has taken this on"):
        alert_take(alert=alert, actor=cast.ada)
    assert AuditEntry.objects.filter(action="alert.take").count() == 1


def test_given_back_it_is_free_for_another(alert: Alert, cast: Cast) -> None:
    alert_take(alert=alert, actor=cast.nora)
    alert_give_back(alert=alert, actor=cast.ada)
    assert alert_take(alert=alert, actor=cast.ada).taken_by == cast.ada


def test_acknowledging_needs_a_word_and_leaves_it_open(alert: Alert, cast: Cast) -> None:
    with pytest.raises(DomainError, match="Write a word"):
        alert_acknowledge(alert=alert, actor=cast.nora, note="  ")
    row = alert_acknowledge(alert=alert, actor=cast.nora, note="Lamp ordered, here on Friday")
    assert (row.cleared_at, row.acknowledged_by) == (None, cast.nora)


@pytest.mark.parametrize(
    ("until_days", "key"),
    [(0, "alert.snooze_in_past"), (1, None), (9, None), (10, "alert.snooze_too_long")],
    ids=["today", "tomorrow", "the day before it is too late", "the too-late day"],
)
def test_snooze_ends_before_the_too_late_day(
    alert: Alert, cast: Cast, until_days: int, key: str | None
) -> None:
    until = TODAY + dt.timedelta(days=until_days)
    if key is None:
        assert alert_snooze(alert=alert, actor=cast.nora, until=until, today=TODAY).snoozed_until == until
        return
    with pytest.raises(DomainError) as refused:
        alert_snooze(alert=alert, actor=cast.nora, until=until, today=TODAY)
    assert refused.value.key == key


@pytest.mark.parametrize("days", [-3, 0, 1])
def test_what_is_too_late_tomorrow_cannot_be_put_off(alert: Alert, cast: Cast, days: int) -> None:
    alert.too_late_on = TODAY + dt.timedelta(days=days)
    alert.save()
    with pytest.raises(DomainError) as refused:
        alert_snooze(alert=alert, actor=cast.nora, until=TODAY + dt.timedelta(days=1), today=TODAY)
    assert refused.value.key == "alert.too_late_to_snooze"


def test_without_a_too_late_day_a_snooze_still_ends(alert: Alert, cast: Cast) -> None:
    alert.too_late_on = None
    alert.save()
    last = TODAY + dt.timedelta(days=LONGEST_SNOOZE_DAYS)
    assert alert_snooze(alert=alert, actor=cast.nora, until=last, today=TODAY).snoozed_until == last
    assert alert_wake(alert=alert, actor=cast.nora).snoozed_until is None
    with pytest.raises(DomainError):
        alert_snooze(alert=alert, actor=cast.nora, until=last + dt.timedelta(days=1), today=TODAY)


def test_a_settled_matter_is_left_alone(alert: Alert, cast: Cast) -> None:
    alert.cleared_at = dt.datetime(2026, 11, 24, tzinfo=dt.UTC)
    alert.save()
    for act in (alert_take, alert_give_back):
        with pytest.raises(DomainError, match="settled already"):
            act(alert=alert, actor=cast.nora)
    assert not AuditEntry.objects.exists()
