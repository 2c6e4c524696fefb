"""How many bays: the rule at once, a year as a job, its answer with what it was played with."""

import datetime as dt

import pytest

from fleet.models import ClimateNormal, DepotTerms, Job
from fleet.services.jobs import job_run
from readiness.models import CrewHours
from tests.factories.fleet import TODAY, BankFactory, UnitFactory
from tests.factories.readiness import BayTermsFactory, ChargeFactory, ChargerBayFactory
from tests.readiness.views.test_bay_settings import text

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


@pytest.fixture
def depot(cast):
    place = cast.north
    ChargerBayFactory(place=place, name="B1", profiles=["vrla_gel"], max_a=60.0, max_v=33.0)
    BayTermsFactory(place=place, unattended=["vrla_gel"])
    DepotTerms.objects.filter(place=place).delete()
    DepotTerms.objects.create(place=place, valid_from=TODAY - 90 * DAY, notice_h=6.0, supply_limit_kw=8.0)
    for weekday in range(5):
        CrewHours.objects.create(
            place=place, valid_from=TODAY - 90 * DAY, weekday=weekday, opens=dt.time(7), closes=dt.time(17)
        )
    for month in range(1, 13):
        ClimateNormal.objects.update_or_create(place=place, month=month, defaults={"mean_c": 20.0})
    return place


def gel(depot, count=1, **facts):
    given = {"cells_in_series": 12, "capacity_ah": 600.0, "charger_a": 60.0, "floor_soc": 0.8}
    for _n in range(count):
        bank = BankFactory(unit=UnitFactory(home=depot), chemistry="vrla_gel", **(given | facts))
        ChargeFactory(bank=bank)


def page(depot) -> str:
    return f"/charging/{depot.code}/how-many/"


def test_the_rule_is_said_at_once_and_the_inputs_are_shown(client, depot) -> None:
    gel(depot, 3)
    shown = text(client.get(page(depot)))
    assert "the crew is there for 50." in shown
    assert "1 bay is enough on the average" in shown
    assert "Banks at home 3" in shown
    assert "Nobody has played it yet." in shown


@pytest.mark.parametrize(
    ("gone", "sentence"),
    [
        ("bays", "No bay is on file."),
        ("crew_hours", "The crew has no hours on file"),
        ("bay_terms", "The terms of charging are not on file."),
        ("terms", "The supply limit is not known"),
    ],
)
def test_what_is_missing_is_said_and_nothing_is_played(client, depot, gone, sentence) -> None:
    gel(depot)
    getattr(depot, gone).all().delete()
    answer = client.get(page(depot))
    assert answer.status_code == 200
    assert sentence in text(answer)
    assert "Play a year" not in text(answer)
    refused = client.post(page(depot), {"calls_per_year": "1"})
    assert refused.status_code == 422
    assert not Job.objects.exists()


def test_banks_that_cannot_be_played_are_named(client, depot) -> None:
    gel(depot)
    gel(depot, cells_in_series=24)
    assert "no bay here can charge it" in text(client.get(page(depot)))
    CrewHours.objects.filter(place=depot).update(closes=dt.time(10))
    depot.bay_terms.update(unattended=[])
    assert "its charge is longer than the crew ever stays" in text(client.get(page(depot)))


def test_a_year_is_played_once_by_a_worker_and_its_answer_shown(client, depot) -> None:
    gel(depot, 3)
    for _tap in range(2):
        assert client.post(page(depot), {"calls_per_year": "2"}).status_code == 302
    job = Job.objects.get()
    assert "A year is being played" in text(client.get(page(depot)))
    done = job_run(job_id=job.pk, keep_lease=False)
    assert done is not None
    job.refresh_from_db()
    assert job.state == Job.State.DONE, job.error
    choices = {each["name"]: each for each in job.result["choices"]}
    assert choices["now"]["charges"] > 8
    assert choices["now"]["late_h"] < choices["kw:0.5"]["late_h"] or choices["kw:0.5"]["late_h"] == 0
    answer = client.get(page(depot))
    shown = text(answer)
    assert "As it is now" in shown
    assert "The same as a table" in shown
    assert 'role="img"' in answer.content.decode()
    assert "have changed since it was played" not in shown
    DepotTerms.objects.filter(place=depot).update(supply_limit_kw=5.0)
    assert "have changed since it was played" in text(client.get(page(depot)))


@pytest.mark.parametrize("calls", ["-1", "100", "often", "nan"])
def test_a_number_of_calls_that_cannot_be_is_refused(client, depot, calls) -> None:
    gel(depot)
    assert client.post(page(depot), {"calls_per_year": calls}).status_code == 422
    assert not Job.objects.exists()


def test_the_region_alone_is_asked_for_while_it_runs(client, depot) -> None:
    gel(depot)
    client.post(page(depot), {"calls_per_year": "1"})
    part = client.get(page(depot), headers={"HX-Request": "true"})
    assert "A year is being played" in text(part)
    assert "<html" not in part.content.decode()


def test_the_page_takes_as_many_queries_for_many_banks(client, depot, queries_of) -> None:
    gel(depot)
    one = queries_of(client, page(depot))
    gel(depot, 4)
    assert queries_of(client, page(depot)) == one
