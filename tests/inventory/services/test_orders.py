"""What an order has received follows from the receipts whose booking stands."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from fleet.models import AuditEntry, User
from inventory.models import Movement, Order, OrderLine, Receipt, Supplier
from inventory.services.ledger import movement_reverse, stock_receive
from tests.factories.fleet import NOW, TODAY, DepotFactory, ago
from tests.factories.inventory import LotFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def booked(line: OrderLine, qty: int) -> Movement:
    """So much of the line came in, booked into the place of the order."""
    lot = LotFactory(item=line.item)
    movement = stock_receive(
        lot=lot, qty=qty, place=line.order.place, happened_at=ago(3), actor=None, now=NOW
    )
    Receipt.objects.create(line=line, lot=lot, movement=movement, received_on=TODAY)
    return movement


@pytest.fixture
def line() -> OrderLine:
    order = Order.objects.create(
        code="PO-1",
        supplier=Supplier.objects.create(code="SUP", name="Supplier"),
        place=DepotFactory(),
        state=Order.State.CLOSED,
        currency="EUR",
    )
    return OrderLine.objects.create(order=order, item=LotFactory().item, qty=10, price=1)


def test_a_receipt_that_is_reversed_was_not_received(line: OrderLine) -> None:
    booked(line, 4)
    wrong = booked(line, 6)
    found = OrderLine.objects.with_received().get()
    assert (found.received_qty, found.open_qty) == (10, 0)
    assert not OrderLine.objects.still_to_come().exists()
    movement_reverse(movement=wrong, reason="the box was empty", actor=None, now=NOW)
    found = OrderLine.objects.still_to_come().get()
    assert (found.received_qty, found.open_qty) == (4, 6)
    assert Receipt.objects.count() == 2
    assert Receipt.objects.counting().count() == 1
    line.order.refresh_from_db()
    assert (line.order.state, line.order.version) == ("confirmed", 2)
    entry = AuditEntry.objects.get(action="order.receipt_reversed")
    assert entry.before == {"state": "closed", "received_qty": "10.000"}
    assert entry.after == {"state": "confirmed", "received_qty": "4.000"}


def test_an_order_that_has_enough_without_it_stays_closed(line: OrderLine) -> None:
    booked(line, 10)
    movement_reverse(movement=booked(line, 3), reason="booked twice", actor=None, now=NOW)
    line.order.refresh_from_db()
    assert line.order.state == "closed"
    found = OrderLine.objects.with_received().get()
    assert (found.received_qty, found.open_qty) == (10, 0)


@pytest.mark.parametrize("state", Order.State.values)
def test_nothing_more_comes_of_an_order_that_is_closed(line: OrderLine, state: str) -> None:
    booked(line, 4)
    Order.objects.update(state=state)
    found = [row.open_qty for row in OrderLine.objects.still_to_come()]
    assert found == ([6] if state in ("approved", "sent", "confirmed") else [])


def test_other_movements_touch_no_order(line: OrderLine) -> None:
    movement = stock_receive(
        lot=LotFactory(item=line.item),
        qty=1,
        place=line.order.place,
        happened_at=ago(3),
        actor=None,
        now=NOW,
    )
    movement_reverse(movement=movement, reason="no", actor=None, now=NOW)
    assert not AuditEntry.objects.filter(subject_kind="order").exists()


def test_the_admin_shows_what_came(line: OrderLine) -> None:
    movement_reverse(movement=booked(line, 7), reason="no", actor=None, now=NOW)
    client = Client()
    client.force_login(User.objects.create(username="root", is_staff=True, is_superuser=True))
    page = client.get(reverse("admin:inventory_orderline_changelist")).content.decode()
    assert 'class="field-received">0' in page
    page = client.get(reverse("admin:inventory_receipt_changelist")).content.decode()
    assert 'alt="False"' in page
