"""The pages of the owner's transport terms: what holds, what held, and what a change does before it is saved."""

import datetime as dt
import html
import re

import pytest

from fleet.models import TransportTerms
from fleet.services.transport_terms import TERMS, terms_shown, transport_terms_save
from tests.factories.fleet import TODAY

pytestmark = pytest.mark.django_db
PAGE, EDIT = "/fleet/settings/transport/", "/fleet/settings/transport/edit/"
DAY = dt.timedelta(days=1)
USUAL = {name: getattr(TransportTerms(), name) for name in TERMS}
TYPED = {name: f"{value:g}" for name, value in USUAL.items()}


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.ada)


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def save(changes, since=TODAY, actor=None):
    latest = TransportTerms.objects.order_by("-valid_from").first()
    return transport_terms_save(
        values=USUAL | changes,
        valid_from=since,
        today=TODAY,
        actor=actor,
        shown=terms_shown(latest),
        source="Board 7 May",
    )


def send(client, **given):
    return client.post(EDIT, TYPED | {"valid_from": TODAY, "source": "Board 7 May", "seen": ""} | given)


def test_without_any_the_page_says_what_counts(client) -> None:
    page = text(client.get(PAGE))
    assert "The owner has stated none: common practice counts." in page
    assert "Covered terminals count for 30 days" in page
    assert PAGE in client.get("/fleet/settings/").content.decode()


def test_what_holds_what_held_and_who(client, cast) -> None:
    save({"list_days": 90}, actor=cast.ada)
    save({"list_days": 60, "gap_mm": 80.0}, since=TODAY + 5 * DAY, actor=cast.ada)
    page = text(client.get(PAGE))
    assert "The list of goods counts for 90 days" in page
    assert "90 days → 60 days (stricter" in page
    assert "180 days → 90 days" in page
    assert "50 mm → 80 mm (stricter" in page
    assert "Board 7 May" in page
    assert "Ada Brook" in page


def test_what_changes_is_shown_before_it_is_saved(client, cast) -> None:
    asked = send(client, terminals_days="60", rigging_kg="200", valid_from=TODAY + DAY)
    assert asked.status_code == 200
    page = text(asked)
    assert "Not saved yet" in page
    assert "30 days → 60 days (looser" in page
    assert "150 kg → 200 kg (stricter" in page
    assert not TransportTerms.objects.exists()
    previewed = asked.context["form"]["previewed"].value()
    other = send(client, terminals_days="90", valid_from=TODAY + DAY, previewed=previewed)
    assert "30 days → 90 days" in text(other)
    assert not TransportTerms.objects.exists()
    given = {"terminals_days": "60", "rigging_kg": "200", "valid_from": TODAY + DAY, "previewed": previewed}
    for _tap in range(2):
        assert send(client, **given)["Location"] == PAGE
    row = TransportTerms.objects.get()
    assert (row.terminals_days, row.rigging_kg, row.list_days, row.valid_from) == (
        60,
        200.0,
        180,
        TODAY + DAY,
    )


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"terminals_days": "0"}, "greater than or equal to 1"),
        ({"terminals_days": ""}, "This field is required"),
        ({"gap_mm": "-3"}, "cannot be less than"),
        ({"gap_mm": "3 kg"}, "3 kg"),
        ({"source": ""}, "This field is required"),
        ({}, "Nothing changes by that"),
    ],
)
def test_terms_that_cannot_be_come_back_as_typed(client, given, sentence) -> None:
    save({})
    mark = terms_shown(TransportTerms.objects.get())
    answer = send(client, seen=mark, valid_from=TODAY + DAY, **given)
    assert answer.status_code == 422
    assert sentence in text(answer)
    for name, value in given.items():
        assert answer.context["form"][name].value() == value
    assert TransportTerms.objects.count() == 1


def test_a_day_that_has_passed_is_refused(client) -> None:
    asked = send(client, list_days="9", valid_from=TODAY - DAY)
    answer = send(
        client, list_days="9", valid_from=TODAY - DAY, previewed=asked.context["form"]["previewed"].value()
    )
    assert answer.status_code == 422
    assert "has passed" in text(answer)


def test_who_changed_them_meanwhile_is_named_and_nothing_is_lost(client, cast) -> None:
    asked = send(client, list_days="9")
    save({"list_days": 90}, actor=cast.nora)
    given = {"list_days": "9", "previewed": asked.context["form"]["previewed"].value()}
    clash = send(client, **given)
    assert clash.status_code == 409
    assert "Nora Lind changed the terms while you had them open" in text(clash)
    assert "90 days → 9 days" in text(clash)
    seen = clash.context["form"]["seen"].value()
    again = send(client, list_days="9", seen=seen)
    assert "90 days → 9 days" in text(again)
    given = {"list_days": "9", "seen": seen, "previewed": again.context["form"]["previewed"].value()}
    assert send(client, **given).status_code == 302
    assert TransportTerms.objects.get().list_days == 9


@pytest.mark.parametrize(("who", "may"), [("administrator", True), ("manager", False), ("viewer", False)])
def test_everyone_reads_them_and_the_administrator_changes_them(cast, signed_in, who, may) -> None:
    reader = signed_in(cast.roles()[who])
    assert (EDIT in reader.get(PAGE).content.decode()) == may
    assert reader.get(EDIT).status_code == (200 if may else 403)


def test_inches_and_pounds(client, cast) -> None:
    cast.ada.unit_system = "us"
    cast.ada.save()
    save({"gap_mm": 51.3})
    page = text(client.get(PAGE))
    assert "2.0 in" in page
    form = client.get(EDIT).context["form"]
    boxes = {name: form[name].value() for name in TERMS}
    given = boxes | {"rigging_kg": "400", "seen": form["seen"].value()}
    asked = send(client, **given)
    assert "gap" not in text(asked).partition("this changes")[2].partition("How long")[0]
    assert send(client, **given, previewed=asked.context["form"]["previewed"].value()).status_code == 302
    row = TransportTerms.objects.get()
    assert (row.gap_mm, row.rigging_kg) == (51.3, pytest.approx(400 * 0.45359237))


def test_the_page_takes_as_many_queries_with_a_long_history(client, cast, queries_of) -> None:
    save({"list_days": 99}, actor=cast.ada)
    few = queries_of(client, PAGE)
    for n in range(1, 7):
        save({"list_days": 99 - n}, since=TODAY + n * DAY, actor=cast.ada)
    assert queries_of(client, PAGE) == few
