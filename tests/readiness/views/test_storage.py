"""How full banks are kept: the conflict aloud, the choice with its reason, and no choice under a floor."""

import datetime as dt

import pytest

from fleet.models import ClimateNormal, DepotTerms
from readiness.models import StoragePolicy
from tests.factories.fleet import TODAY, BankFactory, UnitFactory
from tests.factories.readiness import ChargeFactory, ChargerBayFactory, StoragePolicyFactory
from tests.readiness.views.test_bay_settings import hidden, send, text

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


@pytest.fixture
def depot(cast):
    """One lithium bay, a notice of 6 hours, and a year at 20 degC where the climate is not on file yet."""
    ChargerBayFactory(place=cast.north, profiles=["lfp"], max_v=60.0)
    DepotTerms.objects.filter(place=cast.north).delete()
    DepotTerms.objects.create(place=cast.north, valid_from=TODAY - 90 * DAY, notice_h=6.0)
    for month in range(1, 13):
        ClimateNormal.objects.update_or_create(place=cast.north, month=month, defaults={"mean_c": 20.0})
    return cast.north


def lithium(depot, count=1, **facts):
    given = {
        "cells_in_series": 16,
        "capacity_ah": 400.0,
        "charger_a": 80.0,
        "depart_soc": 0.95,
        "floor_soc": 0.3,
    }
    banks = [
        BankFactory(unit=UnitFactory(home=depot), chemistry="lfp", **(given | facts)) for _n in range(count)
    ]
    for bank in banks:
        ChargeFactory(bank=bank, to_soc=0.55, end_sign="bms_full")
    return banks


def page(depot) -> str:
    return f"/charging/{depot.code}/storage/"


def test_the_conflict_is_said_with_the_hours_of_one_and_of_the_last(client, depot) -> None:
    """400 Ah at 80 A from half: 3.1 h (reference page 3.3); from 55 % a little less, and half an hour of hands."""
    lithium(depot, 2)
    shown = text(client.get(page(depot)))
    assert "Nobody can have all three." in shown
    assert "one may leave after 3.4 h, the last of all after 6.7 h" in shown
    assert "no: the notice is 6 h" in shown
    assert "Nobody has chosen yet." in shown
    assert "no load bank is on file" in shown


def test_with_a_second_bay_both_are_ready_in_time(client, depot) -> None:
    lithium(depot, 2)
    ChargerBayFactory(place=depot, profiles=["lfp"], max_v=60.0)
    shown = text(client.get(page(depot)))
    assert "the last of all after 3.4 h" in shown
    assert "no: the notice" not in shown.split("At 30 %, to fly")[0]


@pytest.mark.parametrize("bay", [{"profiles": ["vrla_gel"]}, {"max_v": 50.0}], ids=str)
def test_a_bay_that_cannot_charge_them_is_no_bay(client, depot, bay) -> None:
    depot.bays.update(**bay)
    lithium(depot)
    assert "a bay that can charge it" in text(client.get(page(depot)))


def test_a_notice_that_is_not_known_decides_nothing(client, depot) -> None:
    DepotTerms.objects.update(notice_h=None)
    lithium(depot)
    shown = text(client.get(page(depot)))
    assert "cannot be told: the depot's notice is not on file" in shown


def test_the_choice_is_previewed_and_saved_with_who_and_why(client, depot, cast) -> None:
    bank = lithium(depot)[0]
    url = f"{page(depot)}lfp/"
    given = {"policy": "ready", "level_pct": "", "reason": "The valley calls at night", "valid_from": TODAY}
    first = client.post(url, {**hidden(client.get(url)), **given})
    assert first.status_code == 200
    shown = text(first)
    assert "no level chosen → 100 %" in shown
    assert f"Under it now, and on Today from that day on: {bank.serial}" in shown
    assert not StoragePolicy.objects.exists()
    assert client.post(url, {**hidden(first), **given}).status_code == 302
    chosen = StoragePolicy.objects.get()
    assert (chosen.store_soc, chosen.chosen_by, chosen.reason) == (
        1.0,
        cast.nora,
        "The valley calls at night",
    )
    assert "Kept at 100 % since" in text(client.get(page(depot)))


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"policy": "other", "level_pct": "25"}, "25 % is under the floor of"),
        ({"policy": "other", "level_pct": ""}, "Type the level, between 5 and 100 %."),
        ({"policy": "other", "level_pct": "120"}, "less than or equal to 100"),
        ({"reason": " "}, "This field is required"),
        ({"policy": ""}, "This field is required"),
    ],
)
def test_a_choice_that_cannot_be_is_refused(client, depot, given, sentence) -> None:
    lithium(depot)
    usual = {"policy": "store", "level_pct": "", "reason": "to last", "valid_from": TODAY}
    answer = send(client, f"{page(depot)}lfp/", **{**usual, **given})
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not StoragePolicy.objects.exists()


def test_a_choice_ends_the_one_before_and_is_taken_back(client, depot) -> None:
    lithium(depot)
    old = StoragePolicyFactory(place=depot, store_soc=0.55)
    given = {"policy": "ready", "level_pct": "", "reason": "storm season", "valid_from": TODAY + DAY}
    assert send(client, f"{page(depot)}lfp/", **given).status_code == 302
    old.refresh_from_db()
    assert old.valid_to == TODAY
    new = StoragePolicy.objects.get(valid_to=None)
    assert send(client, f"/charging/{depot.code}/settings/storage/{new.pk}/back/").status_code == 302
    old.refresh_from_db()
    assert old.valid_to is None


def test_lead_and_nickel_leave_no_choice(client, depot) -> None:
    BankFactory(unit=UnitFactory(home=depot), chemistry="vrla_gel")
    assert "Kept full, without a choice" in text(client.get(page(depot)))
    assert client.get(f"{page(depot)}vrla_gel/").status_code == 404


def test_the_page_takes_as_many_queries_for_many_banks(client, depot, queries_of) -> None:
    lithium(depot)
    one = queries_of(client, page(depot))
    lithium(depot, 5)
    assert queries_of(client, page(depot)) == one
