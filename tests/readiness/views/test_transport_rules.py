"""The pages of the editions: what is held and ends, loading with all faults at once, the list, release, withdrawal."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.dangerous_goods.words import Mode
from fleet.models import Job, RuleEdition
from fleet.services.editions import edition_count
from readiness.rules_words import ending_words
from readiness.services import edition_changes
from readiness.services.digest import digest_text
from tests.cast import Cast
from tests.editions import AIR_2027, air_edition, table
from tests.factories.fleet import BankFactory, PackedFormFactory, UnitFactory

pytestmark = pytest.mark.django_db


def text(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


def file(content: str | bytes, name: str = "editions.csv") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content.encode() if isinstance(content, str) else content, "text/csv")


@pytest.fixture
def unit(cast: Cast) -> Any:
    unit = UnitFactory(tag="N-1", home=cast.north)
    PackedFormFactory(design=unit.design)
    BankFactory(unit=unit, chemistry="lfp", serial="LFP/1")
    return unit


def test_the_list_names_what_is_held_and_warns_of_what_ends(cast: Cast, signed_in: Any) -> None:
    page = text(signed_in(cast.vera).get("/transport/rules/"))
    assert "no end: amended as it runs" in page
    assert "By air: the editions held end" in page
    assert "Nothing was loaded yet" in page
    assert "Load the next edition" not in page
    assert "Load the next edition" in text(signed_in(cast.ada).get("/transport/rules/"))
    air_edition(cast.ada)
    page = text(signed_in(cast.vera).get("/transport/rules/"))
    assert "loaded, waits for a second person" in page
    assert "By air from Fri 1 Jan 2027" in page


def test_an_upload_is_loaded_counted_and_shown(cast: Cast, signed_in: Any, unit: Any) -> None:
    client = signed_in(cast.ada)
    answer = client.post(
        "/transport/rules/load/",
        {"name": "Air 2027", "editions": file("\ufeff" + table(AIR_2027)), "note": "read"},
    )
    edition = RuleEdition.objects.get()
    assert answer.status_code == 302
    assert answer.headers["Location"] == f"/transport/rules/{edition.pk}/"
    page = text(client.get(answer.headers["Location"]))
    assert "It changes nothing yet." in page
    assert "You loaded it: a second person" in page
    assert "Release it" not in page
    assert ">N-1<" in page
    assert "LFP/1" in page
    assert edition.changes["units_changed"] == 1


def test_all_faults_are_shown_and_nothing_is_kept(cast: Cast, signed_in: Any) -> None:
    client = signed_in(cast.ada)
    wrong = table(AIR_2027 | {"mode": "RAIL"}, AIR_2027 | {"valid_to": "soon"})
    answer = client.post("/transport/rules/load/", {"name": "Air", "editions": file(wrong)})
    assert answer.status_code == 422
    assert "line 2, column &#x27;mode&#x27;" in text(answer)
    assert "line 3, column &#x27;valid_to&#x27;" in text(answer)
    for content in (b"\xff\xfe\x00", b"x" * 2_000_001):
        answer = client.post("/transport/rules/load/", {"name": "Air", "editions": file(content)})
        assert answer.status_code == 422
        assert "field__error" in text(answer)
    assert not RuleEdition.objects.exists()


def test_the_templates_are_the_tables_in_use(cast: Cast, signed_in: Any) -> None:
    client = signed_in(cast.vera)
    editions = client.get("/transport/rules/template/editions.csv")
    assert "air_2026" in editions.content.decode()
    assert "attachment" in editions.headers["Content-Disposition"]
    assert "UN 2880" in client.get("/transport/rules/template/goods.csv").content.decode()
    assert client.get("/transport/rules/template/people.csv").status_code == 404


def test_a_second_person_sees_the_list_confirms_and_releases(cast: Cast, signed_in: Any, unit: Any) -> None:
    edition = edition_count(edition=air_edition(cast.ada))
    client = signed_in(cast.dina)
    here = f"/transport/rules/{edition.pk}/"
    assert "Release it" in text(client.get(here))
    page = text(client.get(here + "?release=1"))
    assert "Release Air 2027?" in page
    assert "It changes answers of 1 of 1 units." in page
    assert edition.changes["digest"] in page
    client.post(here + "release/", {"seen": "another"})
    edition.refresh_from_db()
    assert edition.state == "loaded"
    assert "Look again" in text(client.get(here))
    client.post(here + "release/", {"seen": edition.changes["digest"]})
    assert "Every answer follows it" in text(client.get(here))
    sheet = text(client.get("/units/N-1/transport/?ship_on=2027-03-01"))
    assert "air test edition" in sheet
    client.post(here + "withdraw/", {"reason": ""})
    edition.refresh_from_db()
    assert edition.state == "released"
    assert "Withdraw Air 2027?" in text(client.get(here + "?withdraw=1"))
    client.post(here + "withdraw/", {"reason": "a misprint"})
    assert "a misprint" in text(client.get(here))
    assert "air test edition" not in text(client.get("/units/N-1/transport/?ship_on=2027-03-01"))


def test_the_loader_and_those_without_the_right_find_no_way_to_release(cast: Cast, signed_in: Any) -> None:
    edition = edition_count(edition=air_edition(cast.ada))
    here = f"/transport/rules/{edition.pk}/"
    signed_in(cast.ada).post(here + "release/", {"seen": edition.changes["digest"]})
    assert (
        signed_in(cast.nora).post(here + "release/", {"seen": edition.changes["digest"]}).status_code == 403
    )
    assert "?release=1" not in text(signed_in(cast.vera).get(here))
    edition.refresh_from_db()
    assert edition.state == "loaded"


def test_one_that_does_not_follow_on_any_more_says_so(cast: Cast, signed_in: Any) -> None:
    edition = edition_count(edition=air_edition(cast.ada))
    RuleEdition.objects.update(editions_csv=table(AIR_2027 | {"valid_from": "2027-02-01"}))
    page = text(signed_in(cast.dina).get(f"/transport/rules/{edition.pk}/"))
    assert "As the rules stand now it cannot be released" in page
    assert "Begin on 2027-01-01" in page
    assert "?release=1" not in page


def test_a_large_fleet_is_gone_through_in_the_background(
    cast: Cast, signed_in: Any, unit: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(edition_changes, "AT_ONCE_UNITS", 0)
    edition = air_edition(cast.ada)
    client = signed_in(cast.dina)
    here = f"/transport/rules/{edition.pk}/"
    client.post(here + "count/")
    assert Job.objects.get().kind == "edition_count"
    answer = client.get(here)
    assert "Going through the fleet" in text(answer)
    assert answer.headers["Cache-Control"] == "no-store"
    assert 'hx-trigger="every 2s"' in text(answer)
    Job.objects.update(state="done")
    client.post(here + "release/", {"seen": "x"})
    assert Job.objects.filter(kind="edition_release", params__seen="x").exists()


def test_the_sheet_and_the_search_lead_to_the_editions(cast: Cast, signed_in: Any, unit: Any) -> None:
    client = signed_in(cast.dina)
    assert "/transport/rules/" in text(client.get("/units/N-1/transport/?ship_on=2099-03-01"))
    assert "/transport/rules/" in text(client.get("/transport/"))
    assert "By air: the editions held end" in text(client.get("/transport/"))


def test_the_queries_of_the_pages_do_not_grow(cast: Cast, signed_in: Any, unit: Any, queries_of: Any) -> None:
    client = signed_in(cast.dina)
    edition = edition_count(edition=air_edition(cast.ada))
    here = f"/transport/rules/{edition.pk}/"
    first = queries_of(client, "/transport/rules/"), queries_of(client, here)
    for number in range(3):
        air_edition(cast.ada, key=f"air_{number}")
        BankFactory(unit=UnitFactory(home=cast.north), chemistry="lfp")
    edition_count(edition=edition)
    assert (queries_of(client, "/transport/rules/"), queries_of(client, here)) == first


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (dt.date(2026, 10, 1), ""),
        (dt.date(2026, 10, 2), "end on 31 Dec 2026, 90 days from now"),
        (dt.date(2026, 12, 30), "end on 31 Dec 2026, 1 day from now"),
        (dt.date(2026, 12, 31), "end on 31 Dec 2026, 0 days from now"),
        (dt.date(2027, 1, 1), "ended on 31 Dec 2026. Nothing that leaves now can be decided"),
    ],
)
def test_the_end_of_what_is_held_is_said_in_time(day: dt.date, said: str) -> None:
    words = ending_words(held_rules(), Mode.AIR, day)
    assert said in words
    assert bool(said) == bool(words)
    assert ending_words(held_rules(), Mode.ROAD_US, day) == ""


def test_the_morning_mail_says_it_too(cast: Cast) -> None:
    lines = digest_text(cast.north, dt.date(2026, 12, 1))[1]
    assert "By air: the editions held end on 31 Dec 2026, 30 days from now." in lines
    assert "By road (ADR)" in lines
    assert "By sea" not in lines
    assert "By air" not in digest_text(cast.north, dt.date(2026, 11, 1))[1]
