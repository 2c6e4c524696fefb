"""Leaving, coming back, moving, and the day on site: saved once, refused with a sentence, by those who may."""

import datetime as dt
import uuid

import pytest

from fleet.models import Absence, DayLog, Deployment, Leg, Unit
from fleet.services.units import current_stay
from tests.factories.fleet import NOW, TODAY, PlaceFactory, UnitFactory

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)
MOMENT = NOW.strftime("%Y-%m-%dT%H:%M")
LEAVING = {"purpose": "workshop", "custodian": "Kurt, workshop", "started_at": MOMENT}
SENT = {"code": "DPL-9", "custodian": "Team 2", "started_at": (NOW - 3 * DAY).strftime("%Y-%m-%dT%H:%M")}


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def client(cast, unit, signed_in):
    return signed_in(cast.nora)


def post(client, path: str, htmx: bool = False, **given):
    headers = {"HX-Request": "true"} if htmx else {}
    return client.post(f"/units/MW-1/{path}", {"token": uuid.uuid4(), **given}, headers=headers)


@pytest.mark.parametrize("path", ["leave/", "back/", "move/", "deployment/", "day/"])
def test_the_manager_of_another_depot_stays_out(cast, unit, signed_in, path) -> None:
    assert post(signed_in(cast.silas), path).status_code == 403


@pytest.mark.parametrize("who", ["nora", "dina"])
def test_away_and_back_each_once(cast, unit, signed_in, who) -> None:
    client = signed_in(getattr(cast, who))
    for _tap in range(2):
        answer = post(client, "leave/", recall_h="1 d", due_back_on=TODAY + 9 * DAY, **LEAVING)
        assert (answer.status_code, answer["Location"]) == (302, "/units/MW-1/")
    absence = Absence.objects.get()
    assert (absence.recall_h, absence.due_back_on) == (24, TODAY + 9 * DAY)
    assert "Kurt, workshop" in client.get("/units/MW-1/back/").content.decode()
    for _tap in range(2):
        given = {"absence": absence.pk, "to": cast.north.pk, "ended_at": MOMENT}
        assert post(client, "back/", **given).status_code == 302
    assert current_stay(unit).place == cast.north
    assert client.get("/units/MW-1/back/").status_code == 302


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"custodian": ""}, "This field is required"),
        ({"due_back_on": TODAY - DAY}, "lies before it leaves"),
        ({"started_at": "2099-01-01T00:00"}, "has not come yet"),
        ({"recall_h": "-2"}, "cannot be less than"),
    ],
)
def test_a_leave_that_cannot_be(client, given, sentence) -> None:
    answer = post(client, "leave/", htmx=True, **{**LEAVING, **given})
    assert (answer.status_code, Absence.objects.count()) == (422, 0)
    assert sentence in answer.content.decode()


def test_an_absence_of_another_unit_is_not_ended_here(client, cast) -> None:
    other = UnitFactory(tag="MW-2", home=cast.north)
    client.post("/units/MW-2/leave/", {"token": uuid.uuid4(), **LEAVING})
    answer = post(client, "back/", absence=other.absences.get().pk, to=cast.north.pk)
    assert answer.status_code == 422
    assert other.absences.get().ended_at is None


def test_a_unit_moves_to_another_depot_and_home(client, cast, unit) -> None:
    assert post(client, "move/", to=cast.south.pk, happened_at=MOMENT).status_code == 302
    unit.refresh_from_db()
    assert (current_stay(unit).place, unit.home) == (cast.south, cast.north)
    assert post(client, "move/", to=cast.south.pk, happened_at=MOMENT, as_home="on").status_code == 302
    unit.refresh_from_db()
    assert unit.home == cast.south
    assert unit.stays.filter(place=cast.south).count() == 1
    assert post(client, "move/", to=cast.north.pk).status_code == 403


def test_a_unit_away_does_not_move(client, cast) -> None:
    post(client, "leave/", **LEAVING)
    answer = post(client, "move/", to=cast.south.pk)
    assert answer.status_code == 422
    assert "End the absence" in answer.content.decode()


def test_a_deployment_its_days_and_its_end(client, cast, unit) -> None:
    site = PlaceFactory(kind="site", time_zone="Europe/Oslo")
    for _tap in range(2):
        assert post(client, "deployment/", site=site.pk, people="4000", **SENT).status_code == 302
    deployment = Deployment.objects.get()
    form = client.get("/units/MW-1/day/").context["form"]
    assert form.initial["day"] == TODAY - 3 * DAY
    token = uuid.uuid4()
    given = {"deployment": deployment.pk, "day": TODAY - 3 * DAY, "hours_a_h": "7.5", "volume_a_m3": "9000 l"}
    for _tap in range(2):
        assert post(client, "day/", token=token, **given).status_code == 302
    log = DayLog.objects.get()
    assert (log.hours_a_h, log.volume_a_m3) == (7.5, pytest.approx(9))
    assert client.get("/units/MW-1/day/").context["form"].initial["day"] == TODAY - 2 * DAY
    back = {"absence": deployment.absence_id, "to": cast.north.pk, "ended_at": MOMENT}
    for _tap in range(2):
        assert post(client, "back/", **back).status_code == 302
    deployment.refresh_from_db()
    assert deployment.ended_on == TODAY
    assert current_stay(unit).place == cast.north
    assert client.get("/units/MW-1/day/").status_code == 302


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "Type at least one figure"),
        ({"hours_a_h": "26"}, "between 0 and 24 hours"),
        ({"hours_a_h": "5", "day": TODAY - 9 * DAY}, "is no day of deployment"),
        ({"hours_a_h": "5", "day": TODAY + DAY}, "has not come yet"),
        ({"volume_a_m3": "-1"}, "cannot be less than"),
    ],
)
def test_a_day_that_cannot_be(client, given, sentence) -> None:
    post(client, "deployment/", **SENT)
    key = Deployment.objects.get().pk
    answer = post(client, "day/", htmx=True, **{"deployment": key, "day": TODAY - DAY, **given})
    assert (answer.status_code, DayLog.objects.count()) == (422, 0)
    assert sentence in answer.content.decode()


def test_a_code_is_not_used_twice(client, cast) -> None:
    other = UnitFactory(tag="MW-2", home=cast.north)
    client.post("/units/MW-2/deployment/", {"token": uuid.uuid4(), **SENT})
    assert other.deployments.count() == 1
    answer = post(client, "deployment/", **SENT)
    assert answer.status_code == 422
    assert "Choose another" in answer.content.decode()


def moment(days: int, hour: int) -> str:
    return (NOW + days * DAY).strftime(f"%Y-%m-%dT{hour:02d}:00")


def test_legs_are_told_as_they_happen_and_stand_in_the_history(client, cast, unit) -> None:
    site, port = PlaceFactory(name="Valley town"), PlaceFactory(name="Old port", kind="port")
    post(client, "deployment/", site=site.pk, **SENT)
    opened = client.get("/units/MW-1/leg/").context["form"].initial
    assert (opened["origin"], opened["destination"]) == (cast.north.pk, site.pk)
    way = {"conveyance": "truck", "origin": cast.north.pk, "destination": port.pk}
    assert post(client, "leg/", departed_at=moment(-2, 8), **way).status_code == 302
    # The last leg has not arrived: the form is about it.
    page = client.get("/units/MW-1/leg/")
    assert "not arrived yet" in page.content.decode()
    assert page.context["form"].initial["conveyance"] == "truck"
    arrived = {"departed_at": moment(-2, 8), "arrived_at": moment(-2, 14)}
    for _tap in range(2):
        assert post(client, "leg/", **way, **arrived).status_code == 302
    leg = Leg.objects.get()
    assert (leg.sequence, leg.destination, leg.arrived_at.hour) == (1, port, 13)  # Oslo, one hour ahead
    assert client.get("/units/MW-1/leg/").context["form"].initial["origin"] == port.pk
    on = {"conveyance": "barge", "origin": port.pk, "destination": site.pk, "departed_at": moment(-1, 6)}
    assert post(client, "leg/", **on).status_code == 302
    there = {**on, "arrived_at": moment(-1, 9)}
    assert post(client, "leg/", **there).status_code == 302
    back = client.get("/units/MW-1/leg/").context["form"].initial
    assert (back["origin"], back["destination"]) == (site.pk, cast.north.pk)
    history = client.get("/units/MW-1/?history=all").content.decode()
    assert "1, truck: North depot → Old port" in history
    assert "2, barge: Old port → Valley town" in history


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"conveyance": ""}, "This field is required"),
        ({"destination": "origin"}, "A leg leads from one place to another."),
        ({"departed_at": ""}, "It arrived, so it left: say when."),
        ({"arrived_at": moment(-3, 8)}, "arrives before it departs"),
        ({"arrived_at": "2099-01-01T00:00"}, "has not come yet"),
    ],
)
def test_a_leg_that_cannot_be(client, cast, given, sentence) -> None:
    site = PlaceFactory()
    post(client, "deployment/", site=site.pk, **SENT)
    whole = {"conveyance": "truck", "departed_at": moment(-2, 8), "arrived_at": moment(-2, 14)}
    sent = {**whole, "origin": cast.north.pk, "destination": site.pk, **given}
    sent["destination"] = cast.north.pk if sent["destination"] == "origin" else sent["destination"]
    answer = post(client, "leg/", **sent)
    assert (answer.status_code, Leg.objects.count()) == (422, 0)
    assert sentence in answer.content.decode()
    assert 'value="truck"' in answer.content.decode() or not sent["conveyance"]


def test_a_unit_at_home_has_no_leg(client) -> None:
    assert client.get("/units/MW-1/leg/")["Location"] == "/units/MW-1/"
