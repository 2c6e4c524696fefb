"""Out on a call and back: absence, legs, day logs."""

import datetime as dt
import uuid

import pytest

from fleet.lib.errors import DomainError
from fleet.models import DayLog, Deployment, Leg
from fleet.services.deployments import day_log_record, deployment_end, deployment_start, leg_record
from fleet.services.units import absence_end
from tests.factories.fleet import NOW, TODAY, DepotFactory, PlaceFactory, UnitFactory, ago

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def start(unit, **changes):
    values = {
        "code": "DPL-1",
        "started_at": ago(10),
        "custodian": "River valley",
        "site": PlaceFactory(time_zone="America/Denver"),
        "actor": None,
        "now": NOW,
    }
    return deployment_start(unit=unit, **(values | changes))


def test_a_deployment_is_an_absence_from_start_to_end():
    unit = UnitFactory()
    deployment = start(unit, due_back_on=TODAY, people=4000)
    assert (deployment.absence.purpose, deployment.started_on) == ("call", TODAY - dt.timedelta(days=10))
    assert start(unit).pk == deployment.pk
    with pytest.raises(DomainError, match="still open"):
        absence_end(absence=deployment.absence, ended_at=ago(1), actor=None, now=NOW)
    for _ in range(2):
        deployment_end(deployment=deployment, ended_at=ago(1), actor=None, now=NOW)
    deployment = Deployment.objects.get()
    assert (deployment.ended_on, deployment.absence.ended_at) == (TODAY - dt.timedelta(days=1), ago(1))
    assert unit.stays.current().get().place == unit.home


def test_an_exercise_is_an_exercise_and_a_code_is_used_once():
    assert start(UnitFactory(), exercise=True).absence.purpose == "exercise"
    with pytest.raises(DomainError, match="Choose another"):
        start(UnitFactory())


def test_nothing_is_left_behind_when_the_unit_cannot_go():
    unit = UnitFactory()
    start(unit)
    with pytest.raises(DomainError, match="is away already"):
        start(unit, code="DPL-2", started_at=ago(1))
    assert Deployment.objects.count() == 1


def test_legs_follow_each_other_and_are_completed_by_their_arrival():
    deployment = start(UnitFactory())
    home, field, site = deployment.unit.home, PlaceFactory(), deployment.site

    def leg(**changes):
        values = {"conveyance": "truck", "origin": home, "destination": field, "actor": None, "now": NOW}
        return leg_record(deployment=deployment, **(values | changes))

    first = leg(departed_at=ago(10))
    assert leg(departed_at=ago(10)).pk == first.pk
    assert leg(departed_at=ago(10), arrived_at=ago(9)).arrived_at == ago(9)
    with pytest.raises(DomainError, match="before leg 1 has arrived"):
        leg(origin=field, destination=site, departed_at=ago(9.5))
    second = leg(origin=field, destination=site, departed_at=ago(8))
    assert (second.sequence, Leg.objects.count()) == (2, 2)
    with pytest.raises(DomainError, match="arrives before it departs"):
        leg(origin=field, destination=site, departed_at=ago(8), arrived_at=ago(8.5))


def test_a_day_log_counts_from_the_end_of_that_day_at_the_site():
    deployment = start(UnitFactory(home=DepotFactory(time_zone="Europe/Oslo")))
    day = TODAY - dt.timedelta(days=3)
    token = uuid.uuid4()
    for _ in range(2):
        log = day_log_record(deployment=deployment, day=day, hours_a_h=20.0, actor=None, token=token, now=NOW)
    assert log.happened_at.date() == day + dt.timedelta(days=1)
    assert log.happened_at.astimezone(dt.UTC).hour in (6, 7)
    unfinished = day_log_record(deployment=deployment, day=TODAY, actor=None, now=NOW)
    assert unfinished.happened_at == NOW
    assert DayLog.objects.count() == 2


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"day": TODAY - dt.timedelta(days=11)}, "is no day of deployment"),
        ({"day": TODAY + dt.timedelta(days=1)}, "has not come yet"),
        ({"hours_a_h": 26.0}, "between 0 and 24 hours"),
        ({"turbidity_ntu": -3.0}, "cannot be less than 0"),
    ],
)
def test_a_day_log_that_cannot_be_is_refused(changes, words):
    deployment = start(UnitFactory())
    values = {"day": TODAY - dt.timedelta(days=2), "actor": None, "now": NOW}
    with pytest.raises(DomainError, match=words):
        day_log_record(deployment=deployment, **(values | changes))


def test_a_day_is_logged_once_and_not_after_the_return():
    deployment = start(UnitFactory())
    day_log_record(deployment=deployment, day=TODAY - dt.timedelta(days=2), actor=None, now=NOW)
    with pytest.raises(DomainError, match="Correct that one"):
        day_log_record(deployment=deployment, day=TODAY - dt.timedelta(days=2), actor=None, now=NOW)
    with pytest.raises(DomainError, match="after the day it is to end"):
        deployment_end(deployment=deployment, ended_at=ago(4), actor=None, now=NOW)
