"""A long sheet says how far it is, in few writes, and can be stopped in the middle."""

import pytest

from fleet.lib.jobs import JobCancelled
from fleet.models import ImportRun, Place
from fleet.services.imports import runs
from tests.factories.fleet import DepotFactory
from tests.fleet.services.imports.steps import bring_in, read

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
ROWS = 45


@pytest.fixture
def told(monkeypatch):
    """What the job's row was told, one entry a write."""
    told = []
    monkeypatch.setattr(runs, "ROWS_A_STEP", 10)
    monkeypatch.setattr(
        "fleet.services.jobs.RunningJob.progress",
        lambda context, done, total, note="": told.append((done, total, note)),
    )
    return told


def places(rows=ROWS):
    lines = [f"P{number};Place {number};site;Europe/Oslo" for number in range(rows)]
    return "\n".join(["Code;Name;Kind;Time zone", *lines]).encode()


def test_one_long_sheet_says_how_many_rows_are_read_and_checked(told):
    run = read(places(), name="places.csv")
    assert run.state == ImportRun.State.PREVIEW
    reading = [(done, total) for done, total, note in told if "rows read" in note]
    assert reading == [(10, 0), (20, 0), (30, 0), (40, 0)]
    assert told[3][2] == "40 rows read, sheet “places”"
    checking = [(done, total) for done, total, note in told if note == "Places"]
    assert checking == [(10, 45), (20, 45), (30, 45), (40, 45), (45, 45)]


def test_the_writes_are_few(told):
    read(places(400), name="places.csv")
    assert len(told) <= 2 * 400 / 10 + 2


def test_rows_with_faults_leave_nothing_out_at_the_end(told):
    read(places() + b"\nX;;nowhere;Mars", name="places.csv")
    assert told[-1][:2] == (46, 46)


def test_before_writing_the_rows_are_checked_again_and_that_is_said_too(told):
    run = read(places(), name="places.csv")
    told.clear()
    bring_in(run)
    assert Place.objects.count() == ROWS
    assert (
        next(note for _done, _total, note in told if "checked again" in note)
        == "Places, 10 rows checked again"
    )


def test_reading_stops_in_the_middle_of_a_sheet(told, monkeypatch):
    DepotFactory()

    def stop(context):
        if len(told) == 2:
            raise JobCancelled

    monkeypatch.setattr("fleet.services.jobs.RunningJob.check_cancelled", stop)
    run = read(places(), name="places.csv")
    assert run.state == ImportRun.State.FAILED
    assert len(told) == 2
