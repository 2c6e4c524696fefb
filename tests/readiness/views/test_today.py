"""Today and the alerts: order by cost of delay, only what is for one's role, take and give back, put off."""

import datetime as dt
from uuid import uuid4

import pytest
from django.contrib.messages import get_messages

from fleet.models import AuditEntry
from fleet.models.office import Role
from inventory.models import Balance
from inventory.services.takes import part_take
from readiness.models import Alert
from readiness.selectors.pages_alerts import OWNING_ROLES
from readiness.services.sweep_alerts import Draft
from readiness.services.sweep_stores import sweep_stores
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory, ago
from tests.factories.inventory import ItemFactory, aboard, fitted, in_store
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


# --- Matters of stock lead to the form of the stores that settles them ---


def actions(client, query: str = "") -> list[tuple[str, str]]:
    (matter,) = client.get(f"/{query}").context["matters"]
    return [
        (matter.action_label, matter.action_url),
        *((other.label, other.url) for other in matter.other_actions),
    ]


def kit_entry(item, **facts) -> dict:
    return {"key": "kit", "outcome": "fail", "id": item.pk, "needed": 4, "aboard": 1, "in_stores": 9, **facts}


def test_a_short_kit_is_issued_with_item_unit_and_what_is_missing(cast, signed_in) -> None:
    bag, pad = ItemFactory(code="BAG", name="Bag"), ItemFactory(code="PAD", name="Pad")
    entries = [kit_entry(pad, in_stores=0, not_here=True), kit_entry(bag)]
    alert(cast, "A", rule="kit_short", data={"items": entries})
    client = signed_in(cast.nora)
    bag_url = "/stores/issue/A/?item=BAG&qty=3&next=%2F"
    assert actions(client) == [
        ("Issue what is missing", bag_url),
        ("Issue 3 × Bag", bag_url),
        ("Book in 3 × Pad", "/stores/receive/?item=PAD&next=%2F"),
    ]
    in_store(9, place=cast.north, item=bag)
    assert client.get(bag_url).context["form"].initial["qty"] == 3
    # Who may not write in the stores looks at the unit.
    assert actions(signed_in(cast.vera), "?for=everyone")[0] == ("Open the unit", "/units/A/")


def test_an_expired_lot_aboard_is_swapped_in_two_forms(cast, signed_in) -> None:
    unit = UnitFactory(tag="A", home=cast.north)
    lot = aboard(unit, 3, expires_on=TODAY - DAY)
    fresh = in_store(9, place=cast.north, item=lot.item)
    entry = {"key": "lots_aboard", "outcome": "fail", "id": 0, "bad_lots": 1, "lot": lot.pk}
    AlertFactory(unit=unit, rule="lots_aboard", data={"items": [entry]})
    client = signed_in(cast.nora)
    label, url = actions(client)[0]
    assert label == "Swap the lot"
    form = client.get(url).context["form"]
    assert (form.initial["at"], form.initial["qty"]) == ("unit:A", 3)
    fields = {field["name"]: field["value"] for field in client.get(url).context["fields"]}
    data = {**fields, "token": uuid4(), "at": "unit:A", "to": "NORTH", "qty": 3}
    second = client.post(url.partition("?")[0], data)["Location"]
    assert second == f"/stores/issue/A/?item={lot.item.code}&qty=3&next=%2F"
    assert client.post(second, {"token": uuid4(), "qty": 3})["Location"] == "/"
    assert Balance.objects.get(lot=fresh, unit=unit).qty == 3


def test_a_debt_offers_another_one_or_the_same_back(cast, signed_in) -> None:
    giver, taker = UnitFactory(tag="A", home=cast.north), UnitFactory(tag="B", home=cast.north)
    part = fitted(giver, position="lamp 1")
    debt = part_take(part=part, target=taker, happened_at=ago(3), actor=None, now=NOW).debt
    AlertFactory(unit=giver, rule="debt", data={"items": [{"key": "debt", "outcome": "fail", "id": debt.pk}]})
    client = signed_in(cast.nora)
    assert actions(client) == [
        ("Put another in", "/units/A/parts/fit/?next=%2F&position=lamp+1"),
        ("Give it back from B", f"/stores/take/A/?source=B&debt={debt.pk}&next=%2F"),
    ]
    spare = in_store(1, place=cast.north, item=part.lot.item)
    form = client.get(actions(client)[0][1]).context["form"]
    assert form.initial["position"] == "lamp 1"
    assert form.initial["stock"] == str(Balance.objects.get(lot=spare, place=cast.north).pk)
    assert actions(signed_in(cast.vera), "?for=everyone") == [("Look at its debts", "/stores/debts/?q=A")]


def test_a_missing_part_names_its_line_of_the_bill(cast, signed_in) -> None:
    unit = UnitFactory(tag="A", home=cast.north)
    part = fitted(unit, position="lamp 1")
    line = unit.design.bill.get(position="lamp 1")
    entry = {"key": "part_life", "outcome": "fail", "id": line.pk, "label": "lamp 1"}
    AlertFactory(unit=unit, rule="part_life", data={"items": [entry]})
    client = signed_in(cast.nora)
    ((_label, url),) = actions(client)
    assert url == f"/units/A/parts/fit/?next=%2F&line={line.pk}"
    assert client.get(url).context["form"].initial["position"] == part.position


def test_an_expired_lot_in_the_stores_is_thrown_away(cast, signed_in) -> None:
    lot = in_store(5, place=cast.north, expires_on=TODAY - DAY)
    sweep_stores(depot=cast.north, as_of=TODAY, now=NOW)
    assert Alert.objects.get().lot == lot
    client = signed_in(cast.percy)
    (label, url), (_look, page) = actions(client)
    assert (label, page) == ("Throw it away", f"/stores/lots/{lot.pk}/")
    assert client.get(url).context["form"].initial["qty"] == 5


def test_links_of_stock_cost_no_query_a_line(cast, signed_in, queries_of) -> None:
    def some() -> None:
        unit = UnitFactory(home=cast.north)
        lot = aboard(unit, 3)
        debt = part_take(
            source=unit,
            lot=lot,
            qty=1,
            target=UnitFactory(home=cast.north),
            happened_at=ago(3),
            actor=None,
            now=NOW,
        ).debt
        for rule, entry in (
            ("kit_short", kit_entry(lot.item)),
            ("lots_aboard", {"key": "lots_aboard", "outcome": "fail", "id": 0, "lot": lot.pk}),
            ("debt", {"key": "debt", "outcome": "fail", "id": debt.pk}),
        ):
            AlertFactory(unit=unit, rule=rule, data={"items": [entry]})

    client = signed_in(cast.nora)
    some()
    few = {url: queries_of(client, url) for url in ("/", "/alerts/")}
    for _n in range(5):
        some()
    assert {url: queries_of(client, url) for url in few} == few


# --- The alert list does what Today does ---


def test_from_the_list_a_matter_is_taken_and_its_row_comes_back(cast, signed_in) -> None:
    row = alert(cast, "A", too_late_on=TODAY + 9 * DAY)
    client = signed_in(cast.nora)
    page = client.get("/alerts/?q=a").content.decode()
    for act in ("take", "acknowledge", "snooze"):
        assert f'action="/alerts/{row.pk}/{act}/"' in page
    assert f'<tr id="alert-{row.pk}">' in page
    assert 'name="next" value="/alerts/?q=a"' in page
    sent = {"next": "/alerts/?q=a", "shape": "row"}
    taken = client.post(f"/alerts/{row.pk}/take/", sent, headers={"HX-Request": "true"}).content.decode()
    assert taken.count("<tr") == 1
    assert f'action="/alerts/{row.pk}/give-back/"' in taken
    assert 'name="next" value="/alerts/?q=a"' in taken, "the next form still knows where it stands"
    # Without scripts one comes back to the same list.
    back = client.post(f"/alerts/{row.pk}/acknowledge/", {**sent, "note": "seen"})
    assert back["Location"] == f"/alerts/?q=a#alert-{row.pk}"
    refused = client.post(f"/alerts/{row.pk}/snooze/", sent, headers={"HX-Request": "true"})
    assert refused.status_code == 422
    assert "Say until which day." in refused.content.decode()
    assert "<tr" in refused.content.decode()


def test_who_may_not_work_on_alerts_gets_the_list_without_the_forms(cast, signed_in) -> None:
    row = alert(cast, "A")
    page = signed_in(cast.vera).get("/alerts/").content.decode()
    assert f"/alerts/{row.pk}/take/" not in page
    assert 'href="/units/A/"' in page
