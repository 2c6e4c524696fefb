"""The admin site: the ledger to look at only, nothing deleted, lots written by their service."""

from __future__ import annotations

from typing import Any

import pytest
import time_machine
from django.contrib import admin
from django.test import Client, RequestFactory
from django.urls import reverse

from fleet.models import AuditEntry, User
from inventory import models
from inventory.models import GoodsLine, ItemGoods, Lot, Movement
from tests.factories.fleet import NOW, DepotFactory, UnitFactory, ago
from tests.factories.inventory import ItemFactory, aboard, in_store

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def staff() -> User:
    return User.objects.create(username="root", is_staff=True, is_superuser=True)


@pytest.fixture
def client(staff: User) -> Client:
    client = Client()
    client.force_login(staff)
    return client


MODELS = [name for name in models.__all__ if hasattr(getattr(models, name), "_meta")]


@pytest.mark.parametrize("name", sorted(MODELS))
def test_nothing_is_deleted_and_results_are_only_looked_at(name: str, staff: User) -> None:
    page: Any = admin.site._registry[getattr(models, name)]
    request = RequestFactory().get("/")
    request.user = staff
    assert not page.has_delete_permission(request)
    assert "delete_selected" not in page.get_actions(request)
    looked_at = name in {
        "Movement",
        "Balance",
        "FittedPart",
        "PartDebt",
        "Receipt",
        "Order",
        "OrderLine",
        "LifeExtension",
    }
    assert page.has_change_permission(request) is not looked_at
    put_right_only = name in {"GoodsCheck", "GoodsLine", "GoodsListCheck"}  # written down on the pages
    assert page.has_add_permission(request) is not (looked_at or put_right_only)


def test_movements_and_balances_are_shown(client: Client) -> None:
    lot = in_store(3, place=DepotFactory())
    movement = lot.movements.get()
    for address, pk in (("movement", movement.pk), ("balance", lot.balances.get().pk), ("lot", lot.pk)):
        assert client.get(reverse(f"admin:inventory_{address}_changelist")).status_code == 200
        assert client.get(reverse(f"admin:inventory_{address}_change", args=[pk])).status_code == 200
    client.post(reverse("admin:inventory_movement_change", args=[movement.pk]), {"qty": 9})
    assert Movement.objects.get().qty == 3


def test_a_lot_is_written_by_its_service(client: Client) -> None:
    item = ItemFactory()
    data = {"item": item.pk, "code": "L-1", "expires_on": "2030-01-31"}
    assert client.post(reverse("admin:inventory_lot_add"), data).status_code == 302
    lot = Lot.objects.get()
    url = reverse("admin:inventory_lot_change", args=[lot.pk])
    assert client.post(url, {"expires_on": "2031-01-31", "seen_version": lot.version}).status_code == 302
    response = client.post(url, {"expires_on": "2032-01-31", "seen_version": lot.version})
    assert "while you had it open" in response.content.decode()
    assert list(AuditEntry.objects.filter(subject_kind="lot").values_list("action", flat=True)) == [
        "lot.create",
        "lot.update",
    ]


def goods_page(client: Client, name: str, pk: int | None, **sent: Any) -> str:
    """What the page answers; empty when it was saved."""
    address = f"admin:inventory_{name}_{'change' if pk else 'add'}"
    response = client.post(reverse(address, args=[pk] if pk else []), sent)
    return "" if response.status_code == 302 else response.content.decode()


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ('{"un": "9999"}', "9999"),
        ('{"colour": "red"}', "colour"),
        ('{"qty": "a lot"}', "qty"),
        ('["2880"]', "by their names"),
    ],
)
def test_what_an_item_is_passes_the_rule_of_its_page(client: Client, facts: str, sentence: str) -> None:
    item = ItemFactory()
    page = goods_page(client, "itemgoods", None, item=item.pk, kind="goods", attributes=facts)
    assert sentence in page.partition("errornote")[2]
    assert not ItemGoods.objects.exists()


def test_what_an_item_is_is_kept_as_its_page_keeps_it(client: Client) -> None:
    unit = UnitFactory()
    item = aboard(unit).item
    first = {"item": item.pk, "kind": "goods", "attributes": '{"un": "UN 2880", "pg": ""}', "removable": "on"}
    assert goods_page(client, "itemgoods", None, **first) == ""
    goods = ItemGoods.objects.get()
    assert goods.attributes == {"un": "2880"}
    change = {"kind": "none", "attributes": '{"un": "2880"}', "seen_version": goods.version}
    assert goods_page(client, "itemgoods", goods.pk, **change) == ""
    goods.refresh_from_db()
    assert (goods.kind, goods.attributes, goods.version) == ("none", {}, 2)
    assert "while you had it open" in goods_page(
        client, "itemgoods", goods.pk, **change | {"kind": "lamp", "attributes": "{}"}
    )
    assert list(AuditEntry.objects.filter(subject_kind="itemgoods").values_list("action", flat=True)) == [
        "itemgoods.add",
        "itemgoods.edit",
    ]


def test_a_line_of_goods_passes_the_rule_of_its_page(client: Client, staff: User) -> None:
    with time_machine.travel(NOW, tick=False):
        client.force_login(staff)
        line = GoodsLine.objects.create(
            unit=UnitFactory(), label="drum", kind="goods", attributes={"un": "2880"}, happened_at=ago(1)
        )
        sent = {"unit": line.unit_id, "label": "drum", "kind": "goods", "pieces": "1", "reason": "misread"}
        sent |= {
            "happened_at_0": f"{line.happened_at:%Y-%m-%d}",
            "happened_at_1": f"{line.happened_at:%H:%M:%S}",
        }
        refused = goods_page(client, "goodsline", line.pk, **sent, attributes='{"un": "9999"}')
        assert "9999" in refused.partition("errornote")[2]
        assert "by their names" in goods_page(client, "goodsline", line.pk, **sent, attributes="[1]")
        assert GoodsLine.objects.get().attributes == {"un": "2880"}
        assert (
            goods_page(client, "goodsline", line.pk, **sent, attributes='{"un": "UN 1203", "pg": ""}') == ""
        )
        assert GoodsLine.objects.counting().get().attributes == {"un": "1203"}
