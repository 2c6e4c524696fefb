"""Sweeps: what ran, one asked for by those who may, progress and stop, and units set aside."""

import datetime as dt

import pytest
from django.test import override_settings

from fleet.models import Job
from readiness.models import SetAside, Sweep
from tests.factories.fleet import NOW, TODAY, UnitFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody takes the jobs up, so that the page can be seen while they wait."""
    monkeypatch.setattr("fleet.services.jobs.announce", lambda job_id: None)


def job(place, **given) -> Job:
    return Job.objects.create(kind="sweep", place=place, **given)


def test_what_ran_is_listed_by_depot(cast, signed_in) -> None:
    for depot in (cast.north, cast.south):
        Sweep.objects.create(
            depot=depot, as_of=TODAY, cause="nightly", state="done", units_total=3, units_done=3
        )
    rows = signed_in(cast.nora).get("/sweeps/").context["paging"].rows
    assert [row.depot for row in rows] == [cast.north]
    assert len(signed_in(cast.ada).get("/sweeps/").context["paging"].rows) == 2


def test_units_set_aside_are_named_with_the_reason(cast, signed_in) -> None:
    unit, mended = UnitFactory(tag="AA-1", home=cast.north), UnitFactory(tag="BB-2", home=cast.north)
    sweep = Sweep.objects.create(depot=cast.north, as_of=TODAY, cause="asked")
    SetAside.objects.create(unit=unit, sweep=sweep, reason="a date beyond the calendar")
    SetAside.objects.create(unit=mended, sweep=sweep, reason="x", cleared_at=NOW)
    page = signed_in(cast.vera).get("/sweeps/").content.decode()
    assert "a date beyond the calendar" in page
    assert "BB-2" not in page


@pytest.mark.parametrize(
    ("who", "asked", "status", "depots"),
    [
        ("nora", "NORTH", 302, ["NORTH"]),
        ("nora", "", 302, ["NORTH"]),
        ("nora", "SOUTH", 403, []),
        ("ada", "", 302, ["NORTH", "SOUTH"]),
        ("vera", "NORTH", 403, []),
        ("nora", "NONE", 404, []),
    ],
)
def test_who_may_ask_for_one(cast, signed_in, who, asked, status, depots) -> None:
    answer = signed_in(getattr(cast, who)).post("/sweeps/start/", {"depot": asked})
    assert answer.status_code == status
    assert sorted(Job.objects.values_list("place__code", flat=True)) == depots


def test_asking_twice_starts_one(cast, signed_in) -> None:
    client = signed_in(cast.nora)
    for _tap in range(2):
        client.post("/sweeps/start/", {"depot": "NORTH"})
    assert Job.objects.count() == 1


def test_the_region_asks_again_only_while_something_runs(cast, signed_in) -> None:
    client = signed_in(cast.nora)
    running = job(cast.north, state="running", progress_done=5, progress_total=10)
    region = client.get("/sweeps/progress/", headers={"HX-Request": "true"}).content.decode()
    assert "every 2s" in region
    assert "5 of 10 units" in region
    assert "Stop it" in region
    assert "Stop it" not in signed_in(cast.vera).get("/sweeps/").content.decode()
    Job.objects.filter(pk=running.pk).update(state="done", finished_at=NOW)
    assert "every 2s" not in client.get("/sweeps/progress/").content.decode()
    Job.objects.filter(pk=running.pk).update(finished_at=NOW - dt.timedelta(hours=1))
    assert "Nothing runs" in client.get("/sweeps/progress/").content.decode()


def test_stopping_one_that_waits(cast, signed_in) -> None:
    waiting, other = job(cast.north), job(cast.south)
    client = signed_in(cast.nora)
    assert client.post(f"/sweeps/{waiting.pk}/stop/").status_code == 302
    waiting.refresh_from_db()
    assert waiting.state == Job.State.CANCELLED
    assert client.post(f"/sweeps/{other.pk}/stop/").status_code == 403
    import_job = Job.objects.create(kind="import", place=cast.north)
    assert client.post(f"/sweeps/{import_job.pk}/stop/").status_code == 404


@override_settings(DEBUG=False)
def test_queries_do_not_grow(cast, signed_in, queries_of) -> None:
    client = signed_in(cast.nora)

    def grow(count: int) -> None:
        for n in range(count):
            done = job(cast.north, state="done", finished_at=NOW, requested_by=cast.ada)
            sweep = Sweep.objects.create(depot=cast.north, as_of=TODAY, cause="asked", job=done)
            SetAside.objects.create(unit=UnitFactory(home=cast.north), sweep=sweep, reason=f"r{n}")

    grow(2)
    few = queries_of(client, "/sweeps/")
    grow(9)
    assert queries_of(client, "/sweeps/") == few <= 12
