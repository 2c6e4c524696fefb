"""What one does with stock on screen: asked, written once, refused with a sentence, taken back; only in one's own depot."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from fleet.models import AuditEntry
from inventory.models import Balance, Lot, Movement
from inventory.selectors.ledger_check import ledger_differences
from inventory.services.ledger import part_remove, part_take, stock_count, stock_transfer, stock_use
from tests.factories.fleet import NOW, TODAY, UnitFactory, ago
from tests.factories.inventory import ChlorineFactory, ItemFactory, LotFactory, aboard, fitted, in_store

pytestmark = pytest.mark.django_db


def address(name: str, lot: Lot) -> str:
    return reverse(f"inventory:{name}", args=[lot.pk])


def post(client: Any, name: str, lot: Lot, **data: Any) -> Any:
    return client.post(address(name, lot), {"token": str(uuid4()), "at": "place:NORTH", **data})


def qty(lot: Lot, **where: Any) -> int:
    row = Balance.objects.filter(lot=lot, **where).first()
    return int(row.qty) if row else 0


def test_every_action_writes_its_movement(cast: Any, signed_in: Any) -> None:
    unit = UnitFactory(home=cast.north, tag="N-1")
    lot = in_store(20, place=cast.north)
    client = signed_in(cast.nora)
    done = [
        post(client, "stock-receive-more", lot, qty=5),
        post(client, "stock-issue", lot, qty=8, unit="N-1"),
        post(client, "stock-return", lot, at="unit:N-1", to="NORTH", qty=1),
        post(client, "stock-use", lot, at="unit:N-1", qty=2),
        post(client, "stock-transfer", lot, to="SOUTH", qty=4),
        post(client, "stock-scrap", lot, qty=1, reason="crushed"),
        post(client, "stock-count", lot, qty=10),
    ]
    assert [response.status_code for response in done] == [302] * 7
    assert (qty(lot, place=cast.north), qty(lot, place=cast.south), qty(lot, unit=unit)) == (10, 4, 5)
    kinds = Movement.objects.order_by("pk").values_list("kind", flat=True)
    assert list(kinds) == ["receipt", "receipt", "issue", "return", "use", "transfer", "scrap", "count"]
    assert set(Movement.objects.exclude(recorded_by=None).values_list("recorded_by", flat=True)) == {
        cast.nora.pk
    }
    assert ledger_differences() == []


def test_forms_show_what_is_where_and_ask(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    client = signed_in(cast.nora)
    for name in (
        "stock-issue",
        "stock-transfer",
        "stock-use",
        "stock-count",
        "stock-scrap",
        "lot-quarantine",
    ):
        page = client.get(address(name, lot) + "?at=place:NORTH").content.decode()
        assert 'class="confirm"' in page, name
        assert lot.item.name in page
    page = client.get(address("stock-scrap", lot)).content.decode()
    assert "North depot (20)" in page
    assert "button--grave" in page


def test_done_offers_the_way_back_and_it_works(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    client = signed_in(cast.nora)
    response = client.post(
        address("stock-use", lot), {"token": uuid4(), "at": "place:NORTH", "qty": 3}, follow=True
    )
    used = Movement.objects.get(kind="use")
    undo = reverse("inventory:movement-reverse", args=[used.pk])
    assert undo in response.content.decode()
    assert "Take back: use of 3" in client.get(undo).content.decode()
    response = client.post(undo, {"token": uuid4(), "reason": ""})
    assert response.status_code == 422
    response = client.post(undo, {"token": uuid4(), "reason": "mistyped", "next": "/stores/movements/"})
    assert response.headers["Location"] == "/stores/movements/"
    assert qty(lot, place=cast.north) == 20
    assert client.post(undo, {"token": uuid4(), "reason": "again"}).status_code == 422


def test_a_double_tap_is_one_movement(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    client, token = signed_in(cast.nora), uuid4()
    for _ in range(2):
        assert post(client, "stock-use", lot, qty=3, token=token).status_code == 302
    assert qty(lot, place=cast.north) == 17


@pytest.mark.parametrize(
    ("name", "data", "sentence"),
    [
        ("stock-use", {"qty": 21}, "20 were there"),
        ("stock-use", {"qty": 0}, "greater than or equal to 1"),
        ("stock-use", {"qty": "1.5"}, "whole number"),
        ("stock-use", {"qty": 1, "at": "place:SOUTH"}, "not one of the available choices"),
        ("stock-use", {"qty": 1, "happened_at": "2099-01-01T10:00"}, "has not come yet"),
        ("stock-scrap", {"qty": 1}, "required"),
        ("stock-transfer", {"qty": 1, "to": "NORTH"}, "choose another one"),
        ("stock-count", {"qty": -1}, "greater than or equal to 0"),
    ],
)
def test_what_cannot_be_is_refused_beside_what_was_typed(
    cast: Any, signed_in: Any, name: str, data: dict[str, Any], sentence: str
) -> None:
    lot = in_store(20, place=cast.north)
    response = post(signed_in(cast.nora), name, lot, **data)
    assert response.status_code == 422
    assert sentence in response.content.decode()
    assert Movement.objects.count() == 1


def test_an_expired_lot_is_not_issued(cast: Any, signed_in: Any) -> None:
    UnitFactory(home=cast.north, tag="N-1")
    lot = in_store(20, place=cast.north, expires_on=TODAY - dt.timedelta(days=1))
    client = signed_in(cast.nora)
    response = post(client, "stock-issue", lot, qty=1, unit="N-1")
    assert response.status_code == 422
    assert "is expired" in response.content.decode()
    assert "stock-issue" not in client.get(address("lot-detail", lot)).content.decode()


def test_times_are_those_of_the_depot(cast: Any, signed_in: Any) -> None:
    """The north depot is in Oslo: one hour ahead of UTC in winter, two in summer."""
    lot = in_store(20, place=cast.north, at=ago(300))
    when = ago(2).replace(hour=9, minute=0).strftime("%Y-%m-%dT%H:%M")
    post(signed_in(cast.nora), "stock-use", lot, qty=1, happened_at=when)
    used = Movement.objects.get(kind="use")
    assert used.happened_at.hour in (7, 8)


def test_amounts_are_read_in_any_unit(cast: Any, signed_in: Any) -> None:
    lot = in_store("20", place=cast.north, item=ChlorineFactory())
    post(signed_in(cast.nora), "stock-use", lot, qty="500 g")
    post(signed_in(cast.nora), "stock-use", lot, qty="1,5")
    assert Balance.objects.get(lot=lot).qty == 18


def test_only_in_ones_own_depot(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    movement = lot.movements.get()
    for person in (cast.silas, cast.dina, cast.vera, cast.stig):
        client = signed_in(person)
        assert post(client, "stock-use", lot, qty=1).status_code == 403
        assert post(client, "lot-quarantine", lot, reason="x").status_code == 403
        undo = reverse("inventory:movement-reverse", args=[movement.pk])
        assert client.post(undo, {"token": uuid4(), "reason": "x"}).status_code == 403
    # Silas holds some of the lot too: he may use his own, not that of the north.
    in_store(5, place=cast.south, lot=lot)
    silas = signed_in(cast.silas)
    assert post(silas, "stock-use", lot, qty=1).status_code == 422
    assert post(silas, "stock-use", lot, qty=1, at="place:SOUTH").status_code == 302
    assert (qty(lot, place=cast.north), qty(lot, place=cast.south)) == (20, 4)


def receipt(**changes: Any) -> dict[str, Any]:
    return {
        "token": uuid4(),
        "item": "CART",
        "code": "L-77",
        "expires_on": (TODAY + dt.timedelta(days=90)).isoformat(),
        "qty": "12",
        "place": "NORTH",
        **changes,
    }


def test_a_delivery_makes_its_lot_known(cast: Any, signed_in: Any) -> None:
    ItemFactory(code="CART", name="Cartridge")
    client = signed_in(cast.percy)
    data = receipt()
    for _ in range(2):
        assert client.post(reverse("inventory:stock-receive"), data).status_code == 302
    lot = Lot.objects.get()
    assert (lot.code, lot.expires_on, qty(lot, place=cast.north)) == (
        "L-77",
        TODAY + dt.timedelta(days=90),
        12,
    )
    assert client.post(reverse("inventory:stock-receive"), receipt(qty=3)).status_code == 302
    assert qty(lot, place=cast.north) == 15


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"expires_on": ""}, "tick that it has no expiry date"),
        ({"qty": "1.5"}, "whole number"),
        ({"code": ""}, "lot number as it stands"),
        ({"no_expiry": "on"}, "not both"),
        ({"place": "SOUTH"}, "valid choice"),
        ({"expires_on": "2020-01-01", "made_on": "2021-01-01"}, "before the date of manufacture"),
    ],
)
def test_a_delivery_that_cannot_be(cast: Any, signed_in: Any, changes: Any, sentence: str) -> None:
    ItemFactory(code="CART", name="Cartridge")
    response = signed_in(cast.nora).post(reverse("inventory:stock-receive"), receipt(**changes))
    assert response.status_code == 422
    assert sentence in response.content.decode()
    assert not Lot.objects.exists()


def test_a_lot_is_put_apart_and_released(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    client = signed_in(cast.nora)
    assert client.post(address("lot-quarantine", lot), {"reason": ""}).status_code == 422
    client.post(address("lot-quarantine", lot), {"reason": "smells"})
    lot.refresh_from_db()
    assert lot.status == "quarantine"
    assert "in quarantine" in client.get(address("lot-detail", lot)).content.decode()
    client.post(address("lot-release", lot), {"reason": "tested"})
    client.post(address("lot-recall", lot), {"reason": "maker's letter"})
    lot.refresh_from_db()
    assert lot.status == "recalled"
    notes = AuditEntry.objects.filter(subject_kind="lot").order_by("pk").values_list("note", flat=True)
    assert list(notes) == ["smells", "tested", "maker's letter"]


def test_saving_over_someone_elses_change_shows_both(cast: Any, signed_in: Any) -> None:
    lot = in_store(20, place=cast.north)
    client = signed_in(cast.nora)
    theirs = {"version": lot.version, "expires_on": "2030-01-01", "why": "read again"}
    mine = {"version": lot.version, "expires_on": "2031-01-01", "why": "also read"}
    assert client.post(address("lot-edit", lot), theirs).status_code == 302
    response = client.post(address("lot-edit", lot), mine)
    page = response.content.decode()
    assert response.status_code == 409
    assert "while you had it open" in page
    lot.refresh_from_db()
    assert lot.expires_on == dt.date(2030, 1, 1)
    assert f'name="version" value="{lot.version}"' in page
    assert client.post(address("lot-edit", lot), {**mine, "version": lot.version}).status_code == 302
    lot.refresh_from_db()
    assert lot.expires_on == dt.date(2031, 1, 1)


def test_what_lies_aboard_of_another_depots_unit_is_theirs(cast: Any, signed_in: Any) -> None:
    lot = aboard(UnitFactory(home=cast.south, tag="S-1"), 4, lot=LotFactory())
    response = post(signed_in(cast.nora), "stock-use", lot, qty=1, at="unit:S-1")
    assert response.status_code == 403
    assert Movement.objects.filter(kind="use").count() == 0
    assert NOW


def movement_of_kind(kind: str, cast: Any) -> Movement:
    """A movement of the north depot; what goes elsewhere goes to the south."""
    when = {"happened_at": ago(2), "actor": None, "now": NOW}
    if kind in ("fit", "remove"):
        part = fitted(UnitFactory(home=cast.north))
        if kind == "remove":
            part_remove(part=part, **when)
        return part.movements.get(kind=kind)
    unit = UnitFactory(home=cast.north)
    if kind == "issue":
        return aboard(unit).movements.get(kind="issue")
    if kind == "take":
        target = UnitFactory(home=cast.south, design=unit.design)
        return part_take(source=unit, lot=aboard(unit), qty=1, target=target, **when).movements[0]
    lot = in_store(9, place=cast.north)
    if kind == "receipt":
        return lot.movements.get()
    if kind == "transfer":
        return stock_transfer(lot=lot, qty=4, from_place=cast.north, to_place=cast.south, **when)
    if kind == "count":
        return stock_count(lot=lot, counted_qty=7, place=cast.north, **when)
    return stock_use(lot=lot, qty=1, place=cast.north, **when)


@pytest.mark.parametrize(
    ("kind", "may"),
    [
        ("receipt", "nora percy ada"),
        ("issue", "nora percy ada"),
        ("use", "nora percy ada"),
        ("count", "nora percy ada"),
        ("transfer", "silas percy ada"),
        ("fit", "nora ada"),
        ("remove", "nora ada"),
        ("take", "silas ada"),
    ],
)
def test_only_who_keeps_what_the_reversal_takes_away_may_reverse(
    cast: Any, signed_in: Any, kind: str, may: str
) -> None:
    """What was sent is the receiver's; parts in and out of a unit, and from unit to unit, are the unit's keeper's."""
    movement = movement_of_kind(kind, cast)
    url = reverse("inventory:movement-reverse", args=[movement.pk])
    people = ("nora", "silas", "percy", "dina", "vera", "ada")
    answers = {name: signed_in(getattr(cast, name)).get(url).status_code for name in people}
    assert {name for name, status in answers.items() if status == 200} == set(may.split())
    assert {status for name, status in answers.items() if name not in may.split()} == {403}
    stranger = "vera" if "nora" in may.split() else "nora"
    assert signed_in(getattr(cast, stranger)).post(url, {"token": uuid4(), "reason": "x"}).status_code == 403
    shown = {
        name: url in signed_in(getattr(cast, name)).get(reverse("inventory:movement-list")).content.decode()
        for name in people
    }
    assert {name for name, seen in shown.items() if seen} == set(may.split())


def test_where_there_are_many_units_the_tag_is_typed(cast: Any, signed_in: Any, monkeypatch: Any) -> None:
    """A list of thousands is of no use to a thumb, and every open of the form would read them all."""
    lot, unit = in_store(20, place=cast.north), UnitFactory(tag="N-1", home=cast.north)
    UnitFactory(tag="N-2", home=cast.north)
    client = signed_in(cast.nora)
    assert '<select name="unit"' in client.get(address("stock-issue", lot)).content.decode()
    monkeypatch.setattr("fleet.web.fields.LISTED_UNITS", 1)
    page = client.get(address("stock-issue", lot)).content.decode()
    assert '<input type="text" name="unit"' in page
    assert "N-2" not in page
    assert post(client, "stock-issue", lot, qty=1, unit="nobody").status_code == 422
    post(client, "stock-issue", lot, qty=8, unit=" n-1 ")
    assert Movement.objects.get(kind="issue").to_unit == unit
