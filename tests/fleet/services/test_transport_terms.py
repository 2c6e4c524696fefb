"""The owner's transport terms: from today on, one row a day, against what was shown."""

import datetime as dt

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, TransportTerms
from fleet.services.transport_terms import (
    TERMS,
    TIMES,
    TermsChanged,
    stricter,
    terms_shown,
    transport_terms_save,
)
from tests.factories.fleet import TODAY, UserFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)
USUAL = {name: getattr(TransportTerms(), name) for name in TERMS}


def save(changes, *, since=TODAY, shown="", **given) -> TransportTerms:
    values = {"today": TODAY, "actor": None, "source": "Board 7 May"} | given
    return transport_terms_save(values=USUAL | changes, valid_from=since, shown=shown, **values)


def test_the_first_terms_and_those_that_follow(django_assert_max_num_queries) -> None:
    actor = UserFactory()
    first = save({"list_days": 90})
    assert (first.list_days, first.terminals_days, first.valid_to) == (90, 30, None)
    second = save({"list_days": 60}, since=TODAY + 5 * DAY, shown=terms_shown(first), actor=actor)
    first.refresh_from_db()
    assert (first.valid_to, second.valid_from, second.valid_to) == (TODAY + 4 * DAY, TODAY + 5 * DAY, None)
    assert [entry.action for entry in AuditEntry.objects.order_by("id")] == [
        "transportterms.add",
        "transportterms.end",
        "transportterms.add",
    ]
    assert AuditEntry.objects.latest("id").actor == actor


def test_the_same_day_edits_and_twice_is_once() -> None:
    first = save({"list_days": 90})
    again = save({"list_days": 60}, shown=terms_shown(first))
    assert (again.pk, again.list_days) == (first.pk, 60)
    assert save({"list_days": 60}, shown="whatever").pk == first.pk
    entry = AuditEntry.objects.get(action="transportterms.edit")
    assert (entry.before["list_days"], entry.after["list_days"]) == (90, 60)


def test_who_did_not_see_the_latest_writes_nothing() -> None:
    other = UserFactory()
    save({"list_days": 90}, actor=other)
    with pytest.raises(TermsChanged) as caught:
        save({"list_days": 10}, since=TODAY + DAY)
    assert caught.value.by == other
    assert TransportTerms.objects.get().list_days == 90


@pytest.mark.parametrize(
    ("changes", "given", "key"),
    [
        ({"list_days": 90}, {"since": TODAY - DAY}, "terms.in_past"),
        ({"list_days": 90}, {"source": "  "}, "terms.no_source"),
        ({"list_days": 0}, {}, "terms.no_time"),
        ({"soc_hours": 0}, {}, "terms.no_time"),
        ({"gap_mm": -1.0}, {}, "record.refused"),
        ({"gap_mm": float("inf")}, {}, "record.not_a_number"),
    ],
)
def test_terms_that_cannot_be_are_refused(changes, given, key) -> None:
    with pytest.raises(DomainError) as caught:
        save(changes, **given)
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    assert not TransportTerms.objects.exists()


def test_nothing_new_and_nothing_before_what_is_planned() -> None:
    planned = save({"list_days": 90}, since=TODAY + 9 * DAY)
    with pytest.raises(DomainError) as caught:
        save({"list_days": 60}, since=TODAY, shown=terms_shown(planned))
    assert caught.value.key == "terms.later_on_file"
    with pytest.raises(DomainError) as caught:
        save({"list_days": 90}, since=TODAY + 10 * DAY, shown=terms_shown(planned))
    assert caught.value.key == "terms.nothing_changes"


def test_all_terms_are_given_or_it_is_a_fault_of_the_caller() -> None:
    with pytest.raises(ValueError, match="list_days"):
        transport_terms_save(
            values={"list_days": 3}, valid_from=TODAY, today=TODAY, actor=None, shown="", source="Board"
        )


@pytest.mark.parametrize("name", TERMS)
def test_less_time_more_room_and_heavier_gear_are_stricter(name) -> None:
    assert stricter(name, 10, 5) == (name in TIMES)
    assert stricter(name, 5, 10) == (name not in TIMES)
