"""How a depot charges: shown to every member, written down by its keepers, refused with a sentence and nothing saved."""

import datetime as dt
import html
import re

import pytest

from fleet.models import AuditEntry, DepotTerms, User
from readiness.models import BayPlan, BayTerms, ChargerBay, CrewDay, CrewHours, StoragePolicy, SupplyHours
from tests.factories.fleet import NOW, TODAY
from tests.factories.readiness import (
    BayPlanFactory,
    BayPlanLineFactory,
    BayTermsFactory,
    ChargerBayFactory,
    SupplyHoursFactory,
)

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


@pytest.fixture
def depot(cast):
    return cast.north


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def hidden(answer) -> dict[str, str]:
    """The hidden boxes that the page sends back."""
    found = re.findall(
        r'<input type="hidden" name="(seen|previewed)"(?: value="([^"]*)")?', answer.content.decode()
    )
    return dict(found)


def send(client, url: str, **given):
    """Opens the page, sends the form, and sends it once more when it shows what changes first."""
    page = client.get(url)
    assert page.status_code == 200
    answer = client.post(url, {**hidden(page), **given})
    if answer.status_code == 200:
        answer = client.post(url, {**hidden(answer), **given})
    return answer


def at(depot, path: str) -> str:
    return f"/charging/{depot.code}/settings/{path}"


BAY = {"name": "B1", "max_a": "60", "max_v": "33", "profiles": ["vrla_gel"], "valid_from": TODAY}


def test_a_bay_is_added_audited_and_shown(client, depot, cast) -> None:
    assert send(client, at(depot, "bays/add/"), **BAY).status_code == 302
    bay = ChargerBay.objects.get()
    assert (bay.max_a, bay.max_v, bay.max_kw, bay.profiles) == (60, 33, None, ["vrla_gel"])
    line = AuditEntry.objects.get(action="chargerbay.add")
    assert (line.actor, line.place) == (cast.nora, depot)
    assert "B1" in text(client.get(at(depot, "")))


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (
            {"max_a": "0"},
            "Bay B1: a current of 0 A charges nothing. Type what stands on the plate of its charger.",
        ),
        ({"max_v": "0"}, "Bay B1: a voltage of 0 V charges nothing."),
        ({"max_a": "-5"}, "Bay B1: a current of -5 A charges nothing."),
        ({"max_kw": "0"}, "Bay B1: a power of 0 kW charges nothing."),
        ({"max_a": "60000"}, "more than any charger of a depot gives. Check the unit."),
        ({"profiles": []}, "say for which chemistries its charger has a programme"),
    ],
)
def test_a_bay_that_cannot_be_is_refused(client, depot, given, sentence) -> None:
    answer = send(client, at(depot, "bays/add/"), **{**BAY, **given})
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not ChargerBay.objects.exists()


def test_a_changed_bay_is_previewed_and_the_old_one_ends_the_day_before(client, depot) -> None:
    bay = ChargerBayFactory(place=depot, name="B1", max_a=60.0)
    plan = BayPlanFactory(place=depot, state=BayPlan.State.PUBLISHED, published_at=NOW)
    line = BayPlanLineFactory(
        plan=plan, bay=bay, starts_at=NOW + DAY, ends_at=NOW + 1.3 * DAY, off_at=NOW + 1.4 * DAY
    )
    url = at(depot, f"bays/{bay.pk}/")
    page = client.get(url)
    given = {
        "max_a": "40 A", "max_v": "60 V", "max_kw": "3.5 kW", "profiles": bay.profiles, "valid_from": TODAY + DAY
    }  # fmt: skip
    first = client.post(url, {**hidden(page), **given})
    assert first.status_code == 200
    assert "Greatest current: 60.0 A → 40.0 A" in text(first)
    assert f"1 charge of the published plan is on this bay after that day: {line.bank.serial}" in text(first)
    assert ChargerBay.objects.count() == 1
    changed = client.post(url, {**hidden(first), **given, "max_a": "30"})
    assert changed.status_code == 200, "another answer than was previewed is previewed first"
    assert client.post(url, {**hidden(first), **given}).status_code == 302
    old, new = ChargerBay.objects.order_by("valid_from")
    assert (old.max_a, old.valid_to, new.max_a, new.valid_from) == (60, TODAY, 40, TODAY + DAY)


def test_what_somebody_changed_meanwhile_is_not_overwritten(client, depot) -> None:
    bay = ChargerBayFactory(place=depot)
    url = at(depot, f"bays/{bay.pk}/")
    page = client.get(url)
    ChargerBay.objects.update(max_a=55)
    given = {"max_a": "40", "max_v": "60", "profiles": bay.profiles, "valid_from": TODAY}
    answer = client.post(url, {**hidden(page), **given})
    assert answer.status_code == 409
    assert "changed this while you had it open" in text(answer)
    assert ChargerBay.objects.get().max_a == 55


def test_a_bay_is_ended_taken_up_again_and_a_new_one_taken_back(client, depot) -> None:
    bay = ChargerBayFactory(place=depot)
    assert send(client, at(depot, f"bay/{bay.pk}/end/"), last_day=TODAY).status_code == 302
    bay.refresh_from_db()
    assert bay.valid_to == TODAY
    assert send(client, at(depot, f"bay/{bay.pk}/on/")).status_code == 302
    bay.refresh_from_db()
    assert bay.valid_to is None
    given = {"max_a": "40", "max_v": "60", "profiles": bay.profiles, "valid_from": TODAY + DAY}
    send(client, at(depot, f"bays/{bay.pk}/"), **given)
    new = ChargerBay.objects.get(valid_to=None)
    assert send(client, at(depot, f"bay/{new.pk}/back/")).status_code == 302
    only = ChargerBay.objects.get()
    assert (only.pk, only.valid_to) == (bay.pk, None)


@pytest.mark.parametrize(("path", "sentence"), [("back", "End it instead"), ("end", "It can end yesterday")])
def test_what_has_held_is_neither_taken_back_nor_ended_before_yesterday(
    client, depot, path, sentence
) -> None:
    bay = ChargerBayFactory(place=depot)
    answer = send(client, at(depot, f"bay/{bay.pk}/{path}/"), last_day=TODAY - 9 * DAY)
    assert answer.status_code == 422
    assert sentence in text(answer)
    bay.refresh_from_db()
    assert bay.valid_to is None


TERMS = {
    "base_kw": "1.5 kW", "handlings_per_hour": "", "least_h": "1", "horizon_days": "14", "unattended": ["lfp"],
    "source": "House rules", "valid_from": TODAY,
}  # fmt: skip


def test_terms_are_stated_and_then_changed(client, depot) -> None:
    assert send(client, at(depot, "terms/"), **TERMS).status_code == 302
    terms = BayTerms.objects.get()
    assert (terms.base_kw, terms.handlings_per_hour, terms.unattended) == (1.5, None, ["lfp"])
    later = {**TERMS, "unattended": [], "valid_from": TODAY + 3 * DAY}
    page = client.post(at(depot, "terms/"), {**hidden(client.get(at(depot, "terms/"))), **later})
    assert "lithium iron phosphate → none" in text(page)
    assert send(client, at(depot, "terms/"), **later).status_code == 302
    assert [row.valid_to for row in BayTerms.objects.order_by("valid_from")] == [TODAY + 2 * DAY, None]


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"handlings_per_hour": "0"}, "can begin no charge"),
        ({"horizon_days": "90"}, "less than or equal to 56"),
        ({"base_kw": "-1"}, "cannot be less than"),
    ],
)
def test_terms_that_cannot_be_are_refused(client, depot, given, sentence) -> None:
    answer = send(client, at(depot, "terms/"), **{**TERMS, **given})
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not BayTerms.objects.exists()


def test_the_supply_limit_changes_and_what_else_the_depot_promises_stays(client, depot) -> None:
    DepotTerms.objects.filter(place=depot).delete()
    DepotTerms.objects.create(place=depot, valid_from=TODAY - 90 * DAY, notice_h=7.0, supply_limit_kw=11.0)
    assert send(client, at(depot, "limit/"), supply_limit_kw="9 kW", valid_from=TODAY).status_code == 302
    now = DepotTerms.objects.get(place=depot, valid_to=None)
    assert (now.supply_limit_kw, now.notice_h, now.valid_from) == (9, 7, TODAY)


def week(**given: str) -> dict[str, str]:
    grid = {f"d{day}_{n}_{end}": "" for day in range(7) for n in range(2) for end in ("opens", "closes")}
    return {**grid, "valid_from": str(TODAY), **given}


MONDAY = {"d0_0_opens": "07:00", "d0_0_closes": "12:00", "d0_1_opens": "13:00", "d0_1_closes": "17:00"}


def test_the_week_is_a_grid_and_a_new_one_ends_the_old(client, depot) -> None:
    body = client.get(at(depot, "week/")).content.decode()
    assert body.count('<label class="visually-hidden" for="id_d') == 28, "each box says its day and its end"
    assert send(client, at(depot, "week/"), **week(**MONDAY)).status_code == 302
    assert CrewHours.objects.count() == 2
    later = {**MONDAY, "d5_0_opens": "08:00", "d5_0_closes": "11:00", "valid_from": str(TODAY + DAY)}
    page = client.post(at(depot, "week/"), {**hidden(client.get(at(depot, "week/"))), **week(**later)})
    assert "Saturday: closed → 08:00–11:00" in text(page)
    assert send(client, at(depot, "week/"), **week(**later)).status_code == 302
    assert CrewHours.objects.filter(valid_to=None).count() == 3
    assert CrewHours.objects.filter(valid_to=TODAY).count() == 2
    assert send(client, at(depot, "week/back/")).status_code == 302
    assert CrewHours.objects.filter(valid_to=None).count() == CrewHours.objects.count() == 2


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "A depot with no hours can begin no charge at all."),
        (
            {"d0_0_opens": "12:00", "d0_0_closes": "07:00"},
            "Monday: the crew leaves at 07:00, before it comes at 12:00.",
        ),
        ({**MONDAY, "d0_1_opens": "11:00"}, "Monday: 07:00–12:00 and 11:00–17:00 overlap."),
        ({"d0_0_opens": "07:00"}, "Monday: give both when the crew comes and when it leaves, or neither."),
        ({"d0_0_opens": "7 o'clock", "d0_0_closes": "12:00"}, "Type the time as 07:30."),
    ],
)
def test_a_week_that_cannot_be_is_refused(client, depot, given, sentence) -> None:
    answer = send(client, at(depot, "week/"), **week(**given))
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not CrewHours.objects.exists()


def test_a_closed_day_comes_and_goes(client, depot) -> None:
    given = {"day": TODAY + DAY, "opens": "", "closes": "", "reason": "stock count"}
    assert send(client, at(depot, "days/add/"), **given).status_code == 302
    day = CrewDay.objects.get()
    assert "stock count" in text(client.get(at(depot, "")))
    assert send(client, at(depot, f"days/{day.pk}/")).status_code == 302
    assert not CrewDay.objects.exists()
    assert set(AuditEntry.objects.filter(subject_kind="crewday").values_list("action", flat=True)) == {
        "crewday.add",
        "crewday.remove",
    }


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"opens": "08:00"}, "give both hours, or none"),
        ({"opens": "12:00", "closes": "08:00"}, "the crew leaves at 08:00, before it comes at 12:00"),
        ({"day": TODAY - DAY}, "has passed"),
    ],
)
def test_a_day_that_cannot_be_is_refused(client, depot, given, sentence) -> None:
    answer = send(
        client, at(depot, "days/add/"), **{"day": TODAY, "opens": "", "closes": "", "reason": "x", **given}
    )
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not CrewDay.objects.exists()


SUPPLY = {
    "weekday": "",
    "starts": "22:00",
    "ends": "00:00",
    "limit_kw": "5",
    "reason": "night",
    "valid_from": TODAY,
}


def test_supply_hours_are_added_once_and_ended(client, depot) -> None:
    for _tap in range(2):
        assert send(client, at(depot, "supply/add/"), **SUPPLY).status_code == 302
    hours = SupplyHours.objects.get()
    assert "every day, 22:00–24:00" in text(client.get(at(depot, "")))
    assert send(client, at(depot, f"supply/{hours.pk}/end/"), last_day=TODAY).status_code == 302
    hours.refresh_from_db()
    assert hours.valid_to == TODAY


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"ends": "21:00"}, "The hours end at 21:00, before they start at 22:00."),
        ({"limit_kw": "-1"}, "0 or more"),
        ({"limit_kw": "5000"}, "more than any depot draws"),
    ],
)
def test_supply_hours_that_cannot_be_are_refused(client, depot, given, sentence) -> None:
    answer = send(client, at(depot, "supply/add/"), **{**SUPPLY, **given})
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not SupplyHours.objects.exists()


def test_an_empty_depot_is_told_what_is_missing(client, depot) -> None:
    page = text(client.get(at(depot, "")))
    assert "No bay is on file" in page
    assert "The crew has no hours on file" in page


def test_other_keepers_see_it_and_may_not_write(cast, signed_in, depot) -> None:
    bay = ChargerBayFactory(place=depot)
    for user in (cast.sami, cast.vera) if hasattr(cast, "sami") else (cast.roles()["viewer"],):
        client = signed_in(user)
        assert client.get(at(depot, "")).status_code == 200
        assert "Add a bay" not in text(client.get(at(depot, "")))
        assert client.post(at(depot, f"bay/{bay.pk}/end/"), {"last_day": TODAY}).status_code == 403


def test_the_page_takes_as_many_queries_for_many_rows(client, depot, queries_of) -> None:
    BayTermsFactory(place=depot)
    ChargerBayFactory(place=depot)
    SupplyHoursFactory(place=depot)
    one = queries_of(client, at(depot, ""))
    for _n in range(8):
        ChargerBayFactory(place=depot)
        SupplyHoursFactory(place=depot, starts=dt.time(7 + _n % 2))
    assert queries_of(client, at(depot, "")) == one


@pytest.mark.parametrize(
    ("model", "given", "sentence"),
    [
        ("storagepolicy", {"chemistry": "vrla_gel", "store_soc": "0.5", "reason": "to last"}, "is kept full"),
        (
            "chargerbay",
            {"name": "B9", "max_a": "60000", "max_v": "33", "profiles": '["lfp"]'},
            "Check the unit",
        ),
        (
            "chargerbay",
            {"name": "B9", "max_a": "60", "max_v": "33", "profiles": '["sodium"]'},
            "is no chemistry",
        ),
    ],
)
def test_the_admin_site_keeps_the_same_rules(client, depot, model, given, sentence) -> None:
    root = User.objects.create(username="root", is_staff=True, is_superuser=True)
    client.force_login(root)
    sent = {"place": depot.pk, "valid_from": TODAY, **given}
    answer = client.post(f"/admin/readiness/{model}/add/", sent)
    assert sentence in text(answer)
    assert not ChargerBay.objects.exists()
    assert not StoragePolicy.objects.exists()
