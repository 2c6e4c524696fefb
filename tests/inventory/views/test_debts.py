"""Debts between units: who owes what to whom, who is held back, and the forms that settle it filled in."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from fleet.models import BankStay, DepotTerms, Unit
from fleet.services.banks import bank_swap
from inventory.forms.stock import as_qty, prefilled, qty_field
from inventory.models import Balance, FittedPart, Item, Movement, PartDebt
from inventory.selectors.issues import items_for
from inventory.selectors.ledger_check import ledger_differences
from inventory.selectors.takes import bill_positions
from inventory.services.debts import bank_debts_review
from inventory.services.ledger import part_fit
from inventory.services.takes import bank_take, part_take
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory, ago
from tests.factories.inventory import (
    ChlorineFactory,
    DesignItemFactory,
    ItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
)

pytestmark = pytest.mark.django_db
WHO = {"actor": None, "now": NOW}
URL = "/stores/debts/"


@pytest.fixture
def pair(cast: Any) -> tuple[Unit, Unit]:
    """N-1 gave N-2 its lamp nine days ago."""
    giver = UnitFactory(home=cast.north, tag="N-1")
    taker = UnitFactory(home=cast.north, tag="N-2", design=giver.design)
    part = fitted(giver, item=LampFactory(name="Lamp 40 W"), position="lamp 1")
    part_take(part=part, target=taker, target_position="lamp 1", happened_at=ago(9), reason="call 7", **WHO)
    return giver, taker


def lines(answer: Any) -> list[Any]:
    return list(answer.context["lines"])


def owe(giver: Unit, taker: Unit, qty: int = 3, **lot: Any) -> PartDebt:
    return part_take(
        source=giver, lot=aboard(giver, 6, **lot), qty=qty, target=taker, happened_at=ago(5), **WHO
    ).debt  # type: ignore[return-value]


def test_who_owes_what_since_when_and_who_is_held_back(cast: Any, signed_in: Any, pair: Any) -> None:
    owe(*pair, item=ItemFactory(name="Marker", grounds_unit=False))
    answer = signed_in(cast.nora).get(URL)
    lamp, marker = lines(answer)
    assert (lamp.row.owed_to.tag, lamp.row.given_to.tag, lamp.what, lamp.where) == (
        "N-1",
        "N-2",
        "Lamp 40 W",
        "lamp 1",
    )
    assert lamp.distance == "9 days ago"
    assert lamp.held_back == "N-1 cannot leave without it"
    assert (marker.what, marker.held_back) == ("3 × Marker", "no: it may leave without")
    assert "call 7" in answer.content.decode()


def test_filters_order_and_files(cast: Any, signed_in: Any, pair: Any) -> None:
    south = UnitFactory(home=cast.south, tag="S-1")
    far = UnitFactory(home=cast.south, tag="S-2")
    owe(south, far, item=ItemFactory(name="Filter bag"))
    client = signed_in(cast.ada)

    def tags(query: str = "") -> list[str]:
        return [line.row.owed_to.tag for line in lines(client.get(f"{URL}?{query}"))]

    assert tags() == ["N-1", "S-1"]
    assert tags("sort=-since") == ["S-1", "N-1"]
    assert tags("depot=SOUTH") == ["S-1"]
    assert tags("q=n-2") == ["N-1"]
    assert tags("q=bag") == ["S-1"]
    assert tags("state=settled") == []
    rows = client.get(f"{URL}?format=csv").content.decode("utf-8-sig").splitlines()
    assert len(rows) == 3
    assert rows[1].startswith("N-1,North depot,Lamp 40 W,")
    region = client.get(URL, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in region
    assert "N-1" in region


def test_the_depot_in_view_narrows_and_nothing_owed_says_so(cast: Any, signed_in: Any, pair: Any) -> None:
    assert lines(signed_in(cast.silas).get(URL)) == []
    assert "No unit owes another anything" in signed_in(cast.silas).get(URL).content.decode()
    assert "No debt matches" in signed_in(cast.nora).get(f"{URL}?q=nothing").content.decode()
    assert 'href="/stores/debts/"' in signed_in(cast.nora).get("/stores/").content.decode()


def test_only_what_a_person_may_do_is_offered(cast: Any, signed_in: Any, pair: Any) -> None:
    kit = owe(*pair)

    def offered(who: Any) -> list[list[str]]:
        return [[action.label for action in line.actions] for line in lines(signed_in(who).get(URL))]

    assert offered(cast.nora) == [["Put another in", "Give it back from N-2"]] * 2
    assert offered(cast.vera) == [[], []]
    assert offered(cast.percy) == [[], ["Put another in"]]
    (line,) = [line for line in lines(signed_in(cast.percy).get(URL)) if line.row.pk == kit.pk]
    assert line.actions[0].url.startswith("/stores/issue/N-1/?next=")
    assert f"item={kit.item.code}&qty=3" in line.actions[0].url  # type: ignore[union-attr]


def test_given_back_a_part_leaves_no_debt_the_other_way(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, taker = pair
    client = signed_in(cast.nora)
    url = lines(client.get(URL))[0].actions[1].url
    page = client.get(url)
    form = page.context["form"]
    moved = FittedPart.objects.get(unit=taker, removed_at=None)
    assert (form.initial["what"], form.initial["position"]) == (f"part:{moved.pk}", "lamp 1")
    data = {"token": uuid4(), "what": f"part:{moved.pk}", "position": "lamp 1", "reason": "back"}
    for _tap in range(2):
        answer = client.post(url, data)
        assert (answer.status_code, answer["Location"]) == (302, URL)
    assert FittedPart.objects.get(unit=giver, removed_at=None).follows == moved
    assert PartDebt.objects.get().settled_at is not None, "settled, and none the other way round"
    assert ledger_differences() == []


def test_the_very_piece_that_was_taken_is_chosen_before_others_of_its_item(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    _giver, taker = pair
    lent = FittedPart.objects.get(unit=taker, removed_at=None)
    own = fitted(taker, item=lent.lot.item, position="lamp 0")
    assert own.lot_id != lent.lot_id
    client = signed_in(cast.nora)
    form = client.get(lines(client.get(URL))[0].actions[1].url).context["form"]
    assert form.initial["what"] == f"part:{lent.pk}"


def test_given_back_more_than_was_owed_is_owed_itself(pair: Any) -> None:
    giver, taker = pair
    other = UnitFactory(home=giver.home, tag="N-3")
    lot = aboard(giver, 6)
    older = part_take(source=giver, lot=lot, qty=2, target=other, happened_at=ago(6), **WHO).debt
    part_take(source=giver, lot=lot, qty=2, target=taker, happened_at=ago(5), **WHO)
    aboard(taker, 3, lot=lot)
    back = part_take(source=taker, lot=lot, qty=3, target=giver, happened_at=ago(2), **WHO)
    older.refresh_from_db()  # type: ignore[union-attr]
    settled = PartDebt.objects.get(item=lot.item, given_to=taker)
    assert settled.settled_at is not None, "its own debt comes first"
    rest = PartDebt.objects.filter(item=lot.item, settled_at=None, owed_to=giver, given_to=other)
    assert sum(row.qty for row in rest) == 1, "what is more fills the older debt"
    assert back.debt is not None
    assert (back.debt.owed_to, back.debt.qty) == (taker, Decimal(1))


def test_a_bank_given_back_settles_its_debt(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, taker = pair
    bank = BankFactory(unit=giver)
    bank_take(bank=bank, target=taker, happened_at=ago(4), **WHO)
    client = signed_in(cast.nora)
    (line,) = [line for line in lines(client.get(URL)) if line.row.bank_id]
    assert line.held_back == "N-1 cannot leave without it"
    data = {"token": uuid4(), "what": f"bank:{bank.pk}", "reason": "back"}
    assert client.get(line.actions[1].url).context["form"].initial["what"] == f"bank:{bank.pk}"
    for _tap in range(2):
        assert client.post(line.actions[1].url, data).status_code == 302
    assert BankStay.objects.current().get(bank=bank).unit == giver
    assert PartDebt.objects.get(bank=bank).settled_at is not None


def back_url(debt: PartDebt, to: Unit, by: Unit) -> str:
    return reverse("inventory:part-take", args=[to.tag]) + f"?source={by.tag}&debt={debt.pk}&next={URL}"


def give_back(client: Any, debt: PartDebt, qty: Any) -> list[str]:
    """Gives so much back of a kit debt; what the next page says."""
    row = Balance.objects.get(lot__item=debt.item, unit=debt.given_to)
    data = {"token": uuid4(), "what": f"lot:{row.pk}", "qty": qty, "reason": "back"}
    answer = client.post(back_url(debt, debt.owed_to, debt.given_to), data, follow=True)
    assert answer.status_code == 200
    return [str(message) for message in answer.context["messages"]]


def test_it_says_what_was_given_back_and_what_is_still_owed(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, taker = pair
    client = signed_in(cast.nora)
    item = ItemFactory(name="Filter bag")
    debt = owe(*pair, item=item)
    (said,) = give_back(client, debt, 2)
    assert said.startswith("2 × Filter bag given back to N-1 by N-2, which still owes it 1;")
    (said,) = give_back(client, debt, 1)
    assert said == "Given back to N-1 by N-2; both are judged anew."
    # More than was owed: the rest is a taking of its own.
    again = part_take(
        source=giver,
        lot=Balance.objects.get(unit=giver, lot__item=item).lot,
        qty=2,
        target=taker,
        happened_at=ago(3),
        **WHO,
    ).debt
    aboard(taker, 3, lot=again.opened_with.lot)  # type: ignore[union-attr]
    (said,) = give_back(client, again, 5)  # type: ignore[arg-type]
    assert said.startswith("2 × Filter bag given back to N-1. N-2 is owed the other 3 until")
    assert PartDebt.objects.get(owed_to=taker, settled_at=None).qty == 3


def test_a_debt_that_somebody_else_settled_meanwhile_is_said_and_nothing_booked(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    giver, taker = pair
    debt = PartDebt.objects.get()
    client = signed_in(cast.nora)
    moved = FittedPart.objects.get(unit=taker, removed_at=None)
    data = {"token": uuid4(), "what": f"part:{moved.pk}", "position": "lamp 1", "reason": "back"}
    spare = in_store(1, place=cast.north, item=moved.lot.item)
    part_fit(
        lot=spare,
        unit=giver,
        position="lamp 1",
        from_place=cast.north,
        happened_at=ago(1),
        actor=cast.ada,
        now=NOW,
    )
    before = Movement.objects.count()
    for answer, status in (
        (client.post(back_url(debt, giver, taker), data), 409),
        (client.get(back_url(debt, giver, taker)), 200),
    ):
        assert answer.status_code == status
        page = answer.content.decode()
        assert f"settled meanwhile by {cast.ada}" in page
        assert ("Nothing was booked." in page) is (status == 409)
        assert "/stores/debts/?q=N-1" in page
    assert Movement.objects.count() == before


def test_a_bank_that_was_replaced_meanwhile_is_said_and_one_put_back_is_done(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    giver, taker = pair
    bank = BankFactory(unit=giver)
    debt = bank_take(bank=bank, target=taker, happened_at=ago(4), **WHO)
    other = BankFactory(place=cast.north)
    bank_swap(unit=giver, bank=other, at=ago(2), actor=None, now=NOW)
    bank_debts_review({giver.pk})
    client = signed_in(cast.nora)
    url = back_url(debt, giver, taker)
    answer = client.post(url, {"token": uuid4(), "what": f"bank:{bank.pk}", "reason": "back"})
    assert answer.status_code == 409
    assert "settled meanwhile" in answer.content.decode()
    assert BankStay.objects.current().get(bank=bank).unit == taker
    done = client.post(url, {"token": uuid4(), "what": f"bank:{other.pk}", "reason": "back"}, follow=True)
    assert "settled meanwhile" in done.content.decode(), "not swallowed: where it was to go, and said"
    for odd in ("bank:x", "bank:" + "9" * 30, "", "lot:1"):
        assert client.post(url, {"what": odd}).status_code == 409


@pytest.mark.parametrize("system", ["si", "us"])
@pytest.mark.parametrize("base", ["kg", "l", "m"])
@pytest.mark.parametrize("qty", ["12.345", "12.6", "20", "0.001", "1000", "1234.5", "999999999.999"])
def test_what_stands_in_the_field_means_exactly_the_quantity(system: Any, base: str, qty: str) -> None:
    item = Item(base_unit=base)
    field = qty_field(item, system)
    shown = field.prepare_value(prefilled(Decimal(qty), item))
    assert as_qty(field.clean(shown)) == Decimal(qty)


def test_whole_pieces_are_filled_in_as_numbers() -> None:
    item = Item(base_unit="each")
    assert (prefilled(Decimal("4.000"), item), prefilled(Decimal("2.25"), item)) == (4, 3)


@pytest.mark.parametrize("units", ["si", "us"])
def test_all_of_it_leaves_nothing_behind(cast: Any, signed_in: Any, pair: Any, units: str) -> None:
    """The three forms that a link fills in, sent as they are: everything goes, and no more than there is."""
    giver, taker = pair
    cast.nora.unit_system = units
    cast.nora.save(update_fields=["unit_system"])
    client = signed_in(cast.nora)
    litres = ItemFactory(base_unit="l")
    lot = in_store("12.345", place=cast.north, item=litres)
    url = reverse("inventory:stock-scrap", args=[lot.pk]) + "?at=place:NORTH&qty=all"
    shown = str(client.get(url).context["form"]["qty"].value())
    data = {"token": uuid4(), "at": "place:NORTH", "qty": shown, "reason": "old"}
    assert client.post(url, data).status_code == 302
    assert not Balance.objects.filter(lot=lot, qty__gt=0).exists()
    more = in_store("12.6", place=cast.north, item=litres)
    url = issue(item=litres.code, qty="12.6")
    shown = str(client.get(url).context["form"]["qty"].value())
    assert client.post(url, {"token": uuid4(), "qty": shown}).status_code == 302
    assert Balance.objects.get(lot=more, unit=giver).qty == Decimal("12.6")
    debt = part_take(source=giver, lot=more, qty=Decimal("7.777"), target=taker, happened_at=NOW, **WHO).debt
    form = client.get(back_url(debt, giver, taker)).context["form"]  # type: ignore[arg-type]
    give_back(client, debt, form["qty"].value())  # type: ignore[arg-type]
    assert not PartDebt.objects.filter(item=litres, settled_at=None).exists()
    assert ledger_differences() == []


def test_a_debt_of_other_units_fills_nothing_in(cast: Any, signed_in: Any, pair: Any) -> None:
    debt = PartDebt.objects.get()
    client = signed_in(cast.nora)
    url = reverse("inventory:part-take", args=["N-2"])
    for pk in (debt.pk, "x", "9" * 30):
        assert "what" not in client.get(f"{url}?source=N-1&debt={pk}").context["form"].initial


def test_query_counts_do_not_grow(cast: Any, signed_in: Any, queries_of: Any, pair: Any) -> None:
    client = signed_in(cast.nora)
    few = queries_of(client, URL)
    for _n in range(6):
        owe(*pair)
    assert queries_of(client, URL) == few <= 9


# --- An item put aboard a unit ---------------------------------------------------------------------------------------------


def issue(tag: str = "N-1", **query: Any) -> str:
    words = "&".join(f"{key}={value}" for key, value in query.items())
    return f"/stores/issue/{tag}/?{words}"


def test_the_missing_quantity_is_taken_from_lots_that_last_the_first_to_expire_first(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    giver, _taker = pair
    item = ItemFactory()
    days = {5: 9, 60: 2, 200: 9}  # the mission takes 30 days
    lots = {
        day: in_store(qty, place=cast.north, item=item, expires_on=TODAY + (day * (NOW - ago(1))))
        for day, qty in days.items()
    }
    client = signed_in(cast.nora)
    page = client.get(issue(item=item.code, qty=4, next="/"))
    assert page.context["form"].initial["qty"] == 4
    data = {"token": uuid4(), "qty": "4", "next": "/"}
    for _tap in range(2):
        answer = client.post(issue(item=item.code), data)
        assert (answer.status_code, answer["Location"]) == (302, "/")
    got = {row.lot_id: row.qty for row in Balance.objects.filter(unit=giver, lot__item=item)}
    assert got == {lots[60].pk: 2, lots[200].pk: 2}
    assert ledger_differences() == []


def test_too_much_is_refused_beside_what_lasts_and_a_named_lot_is_taken(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    item = ItemFactory()
    soon = in_store(9, place=cast.north, item=item, expires_on=TODAY)
    client = signed_in(cast.nora)
    refused = client.post(issue(item=item.code), {"token": uuid4(), "qty": "2"})
    assert refused.status_code == 422
    assert "Only 0 of it last through" in refused.content.decode()
    named = {"token": uuid4(), "qty": "2", "lot": soon.pk}
    assert client.post(issue(item=item.code), named).status_code == 302
    assert Movement.objects.get(kind="issue", lot=soon).qty == 2


def test_an_amount_that_is_weighed_and_an_item_there_is_none_of(cast: Any, signed_in: Any, pair: Any) -> None:
    client = signed_in(cast.nora)
    chlorine = ChlorineFactory()
    in_store("5.5", place=cast.north, item=chlorine)
    assert client.get(issue(item=chlorine.code, qty="1.25")).context["form"].initial["qty"] == "1.25 kg"
    assert client.post(issue(item=chlorine.code), {"token": uuid4(), "qty": "1.25 kg"}).status_code == 302
    none = LotFactory().item
    DesignItemFactory(design=pair[0].design, item=none)
    page = client.get(issue(item=none.code)).content.decode()
    assert "have none of it that may be issued" in page
    assert f"/stores/receive/?item={none.code}" in page


@pytest.mark.parametrize("stated", [False, True], ids=["no terms", "terms without a length"])
def test_where_no_mission_is_stated_a_lot_is_chosen_by_name(
    cast: Any, signed_in: Any, pair: Any, stated: bool
) -> None:
    terms = DepotTerms.objects.filter(place=cast.north)
    terms.update(mission_days=None) if stated else terms.delete()
    item = ItemFactory()
    lot = in_store(9, place=cast.north, item=item, expires_on=TODAY)
    client = signed_in(cast.nora)
    page = client.get(issue(item=item.code)).content.decode()
    assert "The standard mission of North depot is not stated" in page
    assert "lasts the mission" not in page
    assert "good through " + f"{TODAY:%a}" in page, "of the lot itself"
    refused = client.post(issue(item=item.code), {"token": uuid4(), "qty": "2"})
    assert refused.status_code == 422
    assert "choose a lot by name" in str(refused.context["form"].errors["lot"])
    assert not Movement.objects.filter(kind="issue", lot=lot).exists()
    named = {"token": uuid4(), "qty": "2", "lot": lot.pk}
    assert client.post(issue(item=item.code), named).status_code == 302


def test_what_links_name_can_be_chosen_and_the_bill_is_that_of_today(
    cast: Any, signed_in: Any, pair: Any
) -> None:
    giver, taker = pair
    day = NOW - ago(1)
    spans = {
        "on it": (TODAY, TODAY),
        "gone": (TODAY - 9 * day, TODAY - day),
        "to come": (TODAY + day, None),
    }
    items = {}
    for name, (first, last) in spans.items():
        items[name] = ItemFactory(name=name)
        for place in ("", f"place {name}"):
            DesignItemFactory(
                design=giver.design, item=items[name], position=place, valid_from=first, valid_to=last
            )
    assert set(items_for(giver, TODAY).filter(pk__in=[item.pk for item in items.values()])) == {
        items["on it"]
    }
    positions = [name for name, _item, _held in bill_positions(giver, TODAY)]
    assert positions == ["lamp 1", "place on it"]
    # The bill no longer asks for what was taken: it is owed all the same, and what lies aboard is swapped.
    debt = owe(*pair)
    giver.design.bill.filter(position="lamp 1").update(valid_to=TODAY - day)
    assert bill_positions(giver, TODAY)[0][::2] == ("lamp 1", False)
    assert "lamp 1" not in [name for name, _item, _held in bill_positions(taker, TODAY)]
    owed = set(items_for(giver, TODAY))
    assert debt.item in owed
    assert PartDebt.objects.get(position="lamp 1").item in owed
    assert debt.item in items_for(taker, TODAY), "it lies aboard, and a fresh lot of it may be put there"
    client = signed_in(cast.nora)
    for line in lines(client.get(URL)):
        for action in line.actions:
            page = client.get(action.url)
            assert page.status_code == 200
            assert "Select a valid choice" not in page.content.decode()
    lamp = PartDebt.objects.get(position="lamp 1")
    form = client.get(back_url(lamp, giver, taker)).context["form"]
    data = {"token": uuid4(), "what": form.initial["what"], "position": "lamp 1", "reason": "back"}
    assert client.post(back_url(lamp, giver, taker), data).status_code == 302


@pytest.mark.parametrize("qty", ["", "x", "-1", "0", "NaN", "Infinity", "1e99"])
def test_what_is_no_quantity_is_left_out(cast: Any, signed_in: Any, pair: Any, qty: str) -> None:
    item = ItemFactory()
    in_store(9, place=cast.north, item=item)
    assert "qty" not in signed_in(cast.nora).get(issue(item=item.code, qty=qty)).context["form"].initial


def test_an_item_that_is_not_named_is_asked_for(cast: Any, signed_in: Any, pair: Any) -> None:
    item = ItemFactory(name="Sieve")
    in_store(1, place=cast.north, item=item)
    other = ItemFactory(name="Elsewhere")
    in_store(1, place=cast.south, item=other)
    page = signed_in(cast.nora).get(issue()).content.decode()
    assert "Sieve" in page
    assert "Elsewhere" not in page


def test_both_units_lead_to_their_debts(cast: Any, signed_in: Any, pair: Any) -> None:
    client = signed_in(cast.nora)
    for tag in ("N-1", "N-2"):
        assert f'href="/stores/debts/?q={tag}"' in client.get(f"/units/{tag}/").content.decode()
        assert [line.row.owed_to.tag for line in lines(client.get(f"{URL}?q={tag}"))] == ["N-1"]
