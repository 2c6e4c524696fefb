"""Deployments that come in from a file leave the same absences, stays and verdicts as those written down by hand."""

import datetime as dt
from itertools import pairwise

import pytest
import time_machine

from fleet.models import Absence, Deployment, UnitStay
from fleet.services.deployments import deployment_end, deployment_start
from fleet.services.units import absence_end, absence_start, absence_strike
from readiness.services.sweep import sweep_units
from tests.factories.fleet import NOW, TODAY, DepotFactory, UnitFactory
from tests.fleet.services.imports.steps import (
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    take_back,
    workbook,
)
from tests.fleet.services.imports.test_conflicts_and_undo import snapshot
from tests.readiness.services.test_sweep import ready_unit, verdict

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
HEADER = ("Mission", "Unit", "From", "To date", "Custodian", "Is exercise")


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


def day(ago):
    return (TODAY - dt.timedelta(days=ago)).isoformat()


def missions(*rows):
    return workbook(Missions=[HEADER, *rows])


def stays(unit):
    return [
        (stay.place.code if stay.place else "away", stay.started_at, stay.ended_at)
        for stay in unit.stays.order_by("started_at", "pk")
    ]


def judged(unit):
    sweep_units(unit_ids=[unit.pk], as_of=TODAY, now=NOW)
    return [(check["key"], check["outcome"]) for check in verdict(unit).result["checks"]], verdict(
        unit
    ).outcome


def test_a_mission_that_is_over_gives_the_same_stays_and_verdict_as_by_hand():
    by_hand, by_file, never = (ready_unit() for _ in range(3))
    left = dt.datetime.combine(TODAY - dt.timedelta(days=8), dt.time(8), tzinfo=dt.UTC)
    back = dt.datetime.combine(TODAY - dt.timedelta(days=1), dt.time(18), tzinfo=dt.UTC)
    for unit in (by_hand, by_file):
        unit.home.time_zone = "UTC"
        unit.home.save()
    started = deployment_start(
        unit=by_hand, code="HAND", started_at=left, custodian="Coastal team", actor=None
    )
    deployment_end(deployment=started, ended_at=back, actor=None)
    run = read_and_bring_in(missions(("FILE", by_file.tag, day(8), day(1), "Coastal team", "no")))
    assert applied(run)["deployments"]["added"] == 1
    assert [each[1:] for each in stays(by_file)] == [each[1:] for each in stays(by_hand)]
    one, other = (Absence.objects.get(unit=unit) for unit in (by_hand, by_file))
    for name in ("purpose", "custodian", "started_at", "ended_at", "place"):
        assert getattr(one, name) == getattr(other, name), name
    assert Deployment.objects.get(code="FILE").absence == other
    assert judged(by_file) == judged(by_hand)
    assert judged(by_file)[1] == "cannot_decide"
    assert judged(never)[1] == "ready"


def test_the_whole_import_of_missions_is_taken_back():
    unit = ready_unit()
    before = snapshot()
    run = read_and_bring_in(
        missions(
            ("B", unit.tag, day(20), day(15), None, "no"),
            ("A", unit.tag, day(40), day(30), None, "yes"),
            ("C", unit.tag, day(15), day(12), None, "no"),
            ("D", unit.tag, day(3), None, "Coastal team", "no"),
        )
    )
    assert applied(run)["deployments"]["added"] == 4
    home = unit.home.code
    assert [name for name, _start, _end in stays(unit)] == [home, "away"] * 4
    spans = stays(unit)
    assert all(one[2] == other[1] for one, other in pairwise(spans))
    assert Absence.objects.get(unit=unit, purpose="exercise").custodian == "not recorded"
    again = read(missions(("A", unit.tag, day(40), day(30), None, "yes")))
    assert counts(again)["deployments"] == (0, 0, 1, 0)
    take_back(run)
    assert snapshot() == before


@pytest.mark.parametrize("first", [0, 1])
def test_two_missions_in_one_time_are_named_before_anything_is_written(first):
    unit = ready_unit()
    rows = [("A", unit.tag, day(40), day(30), None, "no"), ("B", unit.tag, day(35), day(20), None, "no")]
    run = read(missions(*(rows if first == 0 else reversed(rows))))
    assert [(fault["key"], fault["row"]) for fault in run.faults] == [("stay.away_then", 3 - first)]
    assert run.faults[0]["mend"]


def test_a_mission_before_the_unit_was_written_down_moves_its_first_stay():
    home = DepotFactory(time_zone="UTC")
    unit = UnitFactory(home=home, commissioned_on=None, stay=False)
    UnitStay.objects.create(unit=unit, place=home, started_at=NOW)
    read_and_bring_in(missions(("A", unit.tag, day(40), day(30), None, "no")))
    away, here = unit.stays.order_by("started_at")
    assert (away.absence.ended_at, here.place, here.ended_at) == (here.started_at, home, None)


def test_a_mission_of_before_the_unit_was_commissioned_is_refused():
    unit = UnitFactory(commissioned_on=TODAY - dt.timedelta(days=20))
    run = read(missions(("A", unit.tag, day(40), day(30), None, "no")))
    assert [fault["row"] for fault in run.faults] == [2]


def test_an_open_mission_of_a_unit_that_came_later_is_named_in_the_preview():
    home = DepotFactory(time_zone="UTC")
    unit = UnitFactory(home=home, commissioned_on=None, stay=False)
    UnitStay.objects.create(unit=unit, place=home, started_at=NOW)
    run = read(missions(("A", unit.tag, day(4), None, "Coastal team", "no")))
    assert [fault["key"] for fault in run.faults] == ["deployment.before_here"]
    assert "commissioned" in run.faults[0]["mend"]


def test_a_file_may_end_one_mission_and_begin_the_next():
    unit = ready_unit()
    read_and_bring_in(missions(("A", unit.tag, day(9), None, "Coastal team", "no")))
    run = bring_in(
        read(
            missions(
                ("B", unit.tag, day(2), None, "Hill team", "no"), ("A", unit.tag, day(9), day(2), None, "no")
            )
        )
    )
    assert run.faults == []
    assert (applied(run)["deployments"]["added"], applied(run)["deployments"]["changed"]) == (1, 1)
    assert Absence.objects.get(unit=unit, ended_at=None).custodian == "Hill team"


@pytest.mark.parametrize(("left", "back"), [(90, 80), (30, 20), (20, 10)], ids=["before", "within", "after"])
@pytest.mark.parametrize("when", ["brought in", "struck out"])
def test_a_struck_absence_leaves_one_stay_for_missions_and_their_undo(left, back, when):
    """Whether the absence is struck out before or after the missions came in, an undo leaves the unit at home, once."""
    unit = ready_unit()
    moment = lambda ago: dt.datetime.combine(TODAY - dt.timedelta(days=ago), dt.time(12), tzinfo=dt.UTC)  # noqa: E731
    loan = absence_start(unit=unit, purpose="loan", custodian="Harbour", started_at=moment(50), actor=None)
    absence_end(absence=loan, ended_at=moment(40 if when == "brought in" else 45), actor=None)
    if when == "brought in":
        absence_strike(absence=loan, reason="never was", actor=None)
        assert len(stays(unit)) == 1
        left, back = left + 15, back + 15
    run = read_and_bring_in(missions(("A", unit.tag, day(left), day(back), "Coastal team", "no")))
    if when == "struck out":
        absence_strike(absence=loan, reason="never was", actor=None)
    assert [place for place, _, _ in stays(unit)] == [unit.home.code, "away", unit.home.code]
    assert all(one[2] == other[1] for one, other in pairwise(stays(unit)))
    take_back(run)
    assert [(place, until) for place, _, until in stays(unit)] == [(unit.home.code, None)]
