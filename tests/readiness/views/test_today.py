"""Today and the alerts: order by cost of delay, only what is for one's role, take and give back, put off."""

import datetime as dt

import pytest
from django.contrib.messages import get_messages

from fleet.models import AuditEntry
from fleet.models.office import Role
from readiness.models import Alert
from readiness.selectors.pages_alerts import OWNING_ROLES
from readiness.services.sweep_alerts import Draft
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory
from tests.factories.readiness import AlertFactory, TaskFactory

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


def alert(cast, tag: str, **given) -> Alert:
    return AlertFactory(unit=UnitFactory(tag=tag, home=given.pop("home", cast.north)), **given)


def tags(answer) -> list[str]:
    return [matter.alert.about_unit.tag for matter in answer.context["matters"]]


def test_the_costliest_delay_comes_first(cast, signed_in) -> None:
    alert(cast, "B", cost_of_delay=5, too_late_on=TODAY + 9 * DAY)
    alert(cast, "A", cost_of_delay=50)
    alert(cast, "C", cost_of_delay=5, too_late_on=TODAY - DAY)
    alert(cast, "D", cost_of_delay=99, cleared_at=NOW, cleared_by="charge")
    alert(cast, "E", cost_of_delay=99, home=cast.south)
    answer = signed_in(cast.nora).get("/")
    assert tags(answer) == ["A", "C", "B"]
    late = answer.context["matters"][1]
    assert (late.distance, late.late) == ("1 day late", True)


def test_each_role_sees_its_own_and_may_see_all(cast, signed_in) -> None:
    alert(cast, "MINE")
    alert(cast, "BUY", owner_role=Role.PROCUREMENT)
    assert tags(signed_in(cast.nora).get("/")) == ["MINE"]
    assert sorted(tags(signed_in(cast.nora).get("/?for=everyone"))) == ["BUY", "MINE"]
    assert tags(signed_in(cast.percy).get("/")) == ["BUY"]
    assert sorted(tags(signed_in(cast.ada).get("/"))) == ["BUY", "MINE"]


@pytest.mark.parametrize(
    ("who", "seen", "narrowed"),
    [
        ("manager", ["MINE"], True),
        ("procurement", ["BUY"], True),
        ("dispatcher", ["BUY", "MINE", "SOUTH"], False),
        ("viewer", ["BUY", "MINE", "SOUTH"], False),
        ("administrator", ["BUY", "MINE", "SOUTH"], False),
    ],
)
def test_who_owns_no_matters_sees_everyones(cast, signed_in, who, seen, narrowed) -> None:
    alert(cast, "MINE")
    alert(cast, "BUY", owner_role=Role.PROCUREMENT)
    alert(cast, "SOUTH", home=cast.south)
    answer = signed_in(cast.roles()[who]).get("/")
    assert sorted(tags(answer)) == seen
    assert answer.context["narrowed"] is narrowed
    assert "Nothing is due" not in answer.content.decode()


def test_every_rule_gives_its_matters_to_a_role_that_today_knows() -> None:
    given = {Draft("kit_short", 1, None, 1, buy=buy).owner_role for buy in (False, True)}
    assert given == set(OWNING_ROLES)


@pytest.mark.parametrize(("until", "there"), [(TODAY - DAY, True), (TODAY, True), (TODAY + DAY, False)])
def test_what_is_put_off_comes_back_on_its_day(cast, signed_in, until, there) -> None:
    alert(cast, "A", snoozed_until=until)
    answer = signed_in(cast.nora).get("/")
    assert bool(answer.context["matters"]) is there
    assert answer.context["snoozed"] == (0 if there else 1)


def test_the_day_is_that_of_the_depot(cast, signed_in) -> None:
    """Noon UTC is the same day in both; the page says the depot's own."""
    assert signed_in(cast.silas).get("/").context["today"] == TODAY


def test_take_and_give_back_answer_with_the_line(cast, signed_in) -> None:
    row = alert(cast, "A")
    client = signed_in(cast.nora)
    answer = client.post(f"/alerts/{row.pk}/take/", headers={"HX-Request": "true"})
    assert b"taken by you" in answer.content
    assert b"<html" not in answer.content
    row.refresh_from_db()
    assert row.taken_by == cast.nora
    assert (
        client.post(f"/alerts/{row.pk}/give-back/", {"next": "/?for=everyone"})["Location"]
        == f"/?for=everyone#alert-{row.pk}"
    )
    row.refresh_from_db()
    assert row.taken_by is None
    assert AuditEntry.objects.filter(action__startswith="alert.").count() == 2


def test_what_another_took_is_refused_with_a_sentence(cast, signed_in) -> None:
    row = alert(cast, "A", taken_by=cast.ada)
    answer = signed_in(cast.nora).post(f"/alerts/{row.pk}/take/", headers={"HX-Request": "true"})
    assert answer.status_code == 422
    assert "Ada Brook has taken this on" in answer.content.decode()


def test_a_note_and_a_snooze(cast, signed_in) -> None:
    row = alert(cast, "A", too_late_on=TODAY + 5 * DAY)
    client = signed_in(cast.nora)
    client.post(f"/alerts/{row.pk}/acknowledge/", {"note": "Charger ordered"})
    client.post(f"/alerts/{row.pk}/snooze/", {"until": (TODAY + 4 * DAY).isoformat()})
    row.refresh_from_db()
    assert (row.acknowledged_note, row.snoozed_until) == ("Charger ordered", TODAY + 4 * DAY)
    client.post(f"/alerts/{row.pk}/wake/")
    row.refresh_from_db()
    assert row.snoozed_until is None


def test_putting_off_past_the_last_day_is_refused(cast, signed_in) -> None:
    row = alert(cast, "A", too_late_on=TODAY + 5 * DAY)
    answer = signed_in(cast.nora).post(f"/alerts/{row.pk}/snooze/", {"until": (TODAY + 5 * DAY).isoformat()})
    assert "at the latest" in str(next(iter(get_messages(answer.wsgi_request))))
    row.refresh_from_db()
    assert row.snoozed_until is None


@pytest.mark.parametrize(
    ("who", "status"), [("nora", 302), ("silas", 403), ("vera", 403), ("dina", 302), ("stig", 403)]
)
def test_who_may_work_on_an_alert(cast, signed_in, who, status) -> None:
    row = alert(cast, "A")
    assert signed_in(getattr(cast, who)).post(f"/alerts/{row.pk}/take/").status_code == status


def test_unknown_alerts_and_gets(cast, signed_in) -> None:
    client = signed_in(cast.nora)
    assert client.post("/alerts/999/take/").status_code == 404
    assert client.get(f"/alerts/{alert(cast, 'A').pk}/take/").status_code == 405


def test_the_alert_list_filters(cast, signed_in) -> None:
    alert(cast, "A")
    alert(cast, "B", taken_by=cast.nora)
    alert(cast, "C", cleared_at=NOW, cleared_by="a charge")
    client = signed_in(cast.nora)

    def listed(query: str = "") -> list[str]:
        return sorted(line.alert.about_unit.tag for line in client.get(f"/alerts/?{query}").context["lines"])

    assert listed() == ["A", "B"]
    assert listed("state=mine") == ["B"]
    assert listed("state=cleared") == ["C"]
    assert listed("q=a") == ["A"]
    assert client.get("/alerts/?format=csv").content.decode("utf-8-sig").count("\n") == 3


def test_queries_do_not_grow(cast, signed_in, queries_of) -> None:
    client = signed_in(cast.nora)
    for n in range(2):
        alert(cast, f"A{n}", taken_by=cast.ada), TaskFactory(unit=UnitFactory(home=cast.north))
    few = {url: queries_of(client, url) for url in ("/", "/alerts/")}
    for n in range(12):
        alert(cast, f"B{n}", taken_by=cast.ada), TaskFactory(unit=UnitFactory(home=cast.north))
    assert {url: queries_of(client, url) for url in few} == few
    assert max(few.values()) <= 10


def test_one_action_leads_to_the_record_that_settles_it(cast, signed_in) -> None:
    unit = UnitFactory(tag="A", home=cast.north)
    bank = BankFactory(unit=unit)
    AlertFactory(
        unit=None,
        bank=bank,
        about_unit=unit,
        depot=cast.north,
        subject_key=f"bank:{bank.pk}",
        cost_of_delay=9,
    )
    alert(cast, "B", rule="inspection", data={"items": [{"key": "inspection", "outcome": "fail", "id": 7}]})
    alert(cast, "C", rule="kit_short")
    urls = [matter.action_url for matter in signed_in(cast.nora).get("/").context["matters"]]
    assert urls[0] == f"/units/A/charge/start/?next=%2F&bank={bank.pk}"
    assert urls[1:] == ["/units/B/inspection/?next=%2F&type=7", "/units/C/"]
    # Who may not write looks at the unit.
    seen = [matter.action_url for matter in signed_in(cast.vera).get("/?for=everyone").context["matters"]]
    assert seen[0] == "/units/A/"
