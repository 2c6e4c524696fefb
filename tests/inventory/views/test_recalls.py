"""A recall finds every piece and stops it in one step; a later date by test is for marked items only."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from inventory.domain.errors import LotNotUsable, StockError
from inventory.models import LifeExtension, Lot
from inventory.selectors.recall import lots_to_stop, pieces_of
from inventory.services.extensions import lot_extend, lot_extension_withdraw
from inventory.services.ledger import stock_issue, stock_transfer
from inventory.services.lots import lots_stop
from tests.factories.fleet import NOW, TODAY, DeploymentFactory, UnitFactory, ago
from tests.factories.inventory import ItemFactory, LotFactory, aboard, fitted, in_store, order_for

pytestmark = pytest.mark.django_db
RECALL = reverse("inventory:recall-show")


def spread(cast: Any) -> Lot:
    """One lot in both depots, aboard a unit that is away, and fitted."""
    away, home = UnitFactory(tag="N-1", home=cast.north), UnitFactory(tag="N-2", home=cast.north)
    DeploymentFactory(unit=away, code="D-9", started_on=TODAY - dt.timedelta(days=3))
    lot = fitted(home).lot
    in_store(20, place=cast.north, lot=lot)
    stock_transfer(
        lot=lot, qty=5, from_place=cast.north, to_place=cast.south, happened_at=ago(9), actor=None, now=NOW
    )
    aboard(away, 2, lot=lot, at=ago(8))
    return lot


def test_every_piece_is_found_and_stopped(cast: Any, signed_in: Any) -> None:
    lot = spread(cast)
    other = in_store(3, place=cast.north)
    client = signed_in(cast.nora)
    where = f"{RECALL}?lot={lot.code.lower()}"
    shown = client.get(where).content.decode()
    for words in (
        "North depot",
        "South depot",
        "N-1, North depot",
        "aboard, away on D-9",
        "fitted in lamp 1",
    ):
        assert words in shown, words
    assert other.code not in shown
    total = sum(piece.qty for piece in pieces_of([lot], TODAY))
    assert total == 1 + 20 + 2
    form = client.get(where).context["form"]
    sent = {
        "lots": form.initial["lots"],
        "status": "recalled",
        "reason": "notice 12: cracked",
        "token": str(uuid4()),
    }
    assert client.post(where, sent).status_code == 302
    assert set(Lot.objects.filter(status="recalled")) == {lot}
    assert AuditEntry.objects.get(action="lot.recall").note == "notice 12: cracked"
    assert "All of it is recalled already" in client.get(where).content.decode()
    with pytest.raises(LotNotUsable):
        stock_issue(
            lot=lot,
            qty=1,
            place=cast.north,
            unit=UnitFactory(home=cast.north),
            happened_at=NOW,
            actor=None,
            now=NOW,
        )


def test_a_model_a_serial_and_what_was_split_from_a_lot_are_found(cast: Any) -> None:
    item = ItemFactory(code="PMP-1", serialised=True)
    one, two = (in_store(1, place=cast.north, item=item, serial=serial) for serial in ("A1", "A2"))
    parted = LotFactory(code="B7")
    split = LotFactory(item=parted.item, code="B7 Q1", split_from=parted)
    assert set(lots_to_stop(item="pmp-1")) == {one, two}
    assert set(lots_to_stop(serial="a2")) == {two}
    assert set(lots_to_stop(lot="b7")) == {parted, split}
    assert not lots_to_stop().exists()


def test_open_orders_of_a_recalled_model_are_named(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    in_store(1, place=cast.north, item=order.lines.get().item)
    shown = signed_in(cast.percy).get(f"{RECALL}?item={order.lines.get().item.code}").content.decode()
    assert order.code in shown


def test_a_quarantine_takes_no_recall_away(cast: Any) -> None:
    recalled, good = LotFactory(status="recalled"), LotFactory()
    assert lots_stop(lots=[recalled, good], status="quarantine", reason="smell", actor=None) == 1
    recalled.refresh_from_db()
    assert recalled.status == "recalled"


def test_who_may_not_write_sees_but_cannot_stop(cast: Any, signed_in: Any) -> None:
    lot = in_store(1, place=cast.north)
    client = signed_in(cast.vera)
    shown = client.get(f"{RECALL}?lot={lot.code}").content.decode()
    assert "North depot" in shown
    assert "Stop all of it" not in shown
    assert client.post(f"{RECALL}?lot={lot.code}", {}).status_code == 403


def test_the_recall_asks_the_same_number_of_queries_at_any_size(
    cast: Any, signed_in: Any, queries_of: Any
) -> None:
    item = ItemFactory(code="X-1")
    client, where = signed_in(cast.nora), f"{RECALL}?item=X-1"
    in_store(1, place=cast.north, item=item)
    aboard(UnitFactory(home=cast.north), 1, item=item)
    before = queries_of(client, where)
    for _each in range(4):
        in_store(1, place=cast.north, item=item)
        aboard(UnitFactory(home=cast.north), 1, item=item)
    assert queries_of(client, where) == before


def extend(lot: Lot, **changes: Any) -> LifeExtension:
    said = {
        "to_expires_on": TODAY + dt.timedelta(days=90),
        "tested_on": TODAY - dt.timedelta(days=1),
        "paper": "Harbour laboratory 26-118",
        "signer": "A. Chemist",
    }
    return lot_extend(lot=lot, today=TODAY, actor=None, now=NOW, **{**said, **changes})


def expired(**item: Any) -> Lot:
    return LotFactory(item=ItemFactory(**item), expires_on=TODAY - dt.timedelta(days=5))


@pytest.mark.parametrize(
    ("item", "changes", "words"),
    [
        ({}, {}, "is not marked as extendable"),
        ({"extendable": True}, {"paper": " "}, "test paper.*cannot be blank"),
        ({"extendable": True}, {"signer": ""}, "signed by: This field cannot be blank"),
        ({"extendable": True}, {"to_expires_on": TODAY}, "must lie ahead"),
        ({"extendable": True}, {"tested_on": TODAY + dt.timedelta(days=1)}, "must have been made"),
    ],
)
def test_a_life_is_made_longer_only_with_all_that_belongs_to_it(item: Any, changes: Any, words: str) -> None:
    lot = expired(**item)
    with pytest.raises(DomainError, match=words):
        extend(lot, **changes)
    lot.refresh_from_db()
    assert lot.expires_on == TODAY - dt.timedelta(days=5)


def test_a_recalled_lot_gets_no_later_date() -> None:
    lot = expired(extendable=True)
    lots_stop(lots=[lot], status="recalled", reason="notice", actor=None)
    with pytest.raises(StockError, match="is recalled"):
        extend(lot)


def test_a_later_date_counts_until_it_is_taken_back() -> None:
    lot = expired(extendable=True)
    first = extend(lot)
    second = extend(lot, to_expires_on=TODAY + dt.timedelta(days=200))
    with pytest.raises(StockError, match="changed again since"):
        lot_extension_withdraw(extension=first, reason="wrong lot", actor=None, now=NOW)
    lot_extension_withdraw(extension=second, reason="wrong lot", actor=None, now=NOW)
    lot_extension_withdraw(extension=first, reason="wrong lot", actor=None, now=NOW)
    lot.refresh_from_db()
    assert lot.expires_on == TODAY - dt.timedelta(days=5)
    actions = list(AuditEntry.objects.order_by("pk").values_list("action", flat=True))
    assert actions == ["lot.extend", "lot.extend", "lot.extension_withdrawn", "lot.extension_withdrawn"]


def test_the_page_of_a_lot_extends_it_and_takes_it_back(cast: Any, signed_in: Any) -> None:
    lot = in_store(4, place=cast.north, item=ItemFactory(extendable=True))
    client = signed_in(cast.nora)
    detail = reverse("inventory:lot-detail", args=[lot.pk])
    where = reverse("inventory:lot-extend", args=[lot.pk])
    assert where in client.get(detail).content.decode()
    sent = {
        "token": str(uuid4()),
        "tested_on": TODAY.isoformat(),
        "to_expires_on": (TODAY + dt.timedelta(days=900)).isoformat(),
        "paper": "Harbour laboratory 26-118",
        "signer": "A. Chemist",
    }
    for _press in range(2):
        assert client.post(where, sent).status_code == 302
    made = LifeExtension.objects.get()
    assert "Harbour laboratory 26-118" in client.get(detail).content.decode()
    back = reverse("inventory:lot-extension-withdraw", args=[lot.pk, made.pk])
    assert client.post(back, {"reason": "another lot"}).status_code == 302
    assert "taken back: another lot" in client.get(detail).content.decode()
    plain = in_store(1, place=cast.north)
    assert (
        "Extend its life" not in client.get(reverse("inventory:lot-detail", args=[plain.pk])).content.decode()
    )


def test_more_lots_than_can_be_shown_are_stopped_by_the_same_step_again(
    cast: Any, signed_in: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("inventory.views.recalls.MOST_LOTS", 2)
    item = ItemFactory()
    for number in range(5):
        in_store(1, place=cast.north, lot=LotFactory(item=item, code=f"M{number}"))
    client = signed_in(cast.nora)
    where = f"{RECALL}?item={item.code}"
    assert client.get(f"{where}&format=csv").content.decode().count("North depot") == 5, "files are whole"
    for left in (3, 1, 0):
        sent = {
            "lots": client.get(where).context["form"].initial["lots"],
            "status": "recalled",
            "reason": "notice 13",
            "token": str(uuid4()),
        }
        assert client.post(where, sent).status_code == 302
        assert Lot.objects.filter(item=item, status="good").count() == left
