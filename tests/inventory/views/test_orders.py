"""Orders on screen: written, approved by another, sent, received with what is asked, found again where the item is."""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from inventory.models import Balance, Movement, Order, OrderLine, Receipt, Supplier, SupplyOffer
from inventory.services.ordering import Wanted
from tests.factories.fleet import TODAY
from tests.factories.inventory import ItemFactory, order_for

pytestmark = pytest.mark.django_db

GOOD = TODAY + dt.timedelta(days=400)


def url(name: str, *args: Any) -> str:
    return reverse(f"inventory:{name}", args=args)


def page(client: Any, name: str, *args: Any, query: str = "") -> str:
    response = client.get(url(name, *args) + query)
    assert response.status_code == 200
    return str(response.content.decode())


def lines_data(*rows: dict[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = {"lines-TOTAL_FORMS": len(rows) + 1, "lines-INITIAL_FORMS": 0}
    for number, row in enumerate(rows):
        data |= {f"lines-{number}-{name}": value for name, value in row.items()}
    return data


def new_order(client: Any, *rows: dict[str, Any], **more: Any) -> Any:
    head = {"supplier": "SUP", "place": "NORTH", "currency": "eur", "token": str(uuid4())}
    return client.post(url("order-new"), {**head, **lines_data(*rows), **more})


@pytest.fixture
def item() -> Any:
    Supplier.objects.create(code="SUP", name="Supplier")
    return ItemFactory(code="F-1", name="Filter")


def test_an_order_goes_its_way_by_two_people(cast: Any, signed_in: Any, item: Any) -> None:
    percy, ada, nora = signed_in(cast.percy), signed_in(cast.ada), signed_in(cast.nora)
    done = new_order(percy, {"item": "f-1", "qty": "10", "price": "21.50"})
    assert (done.status_code, done.url) == (302, url("order-show", "PO-00001"))
    form = page(percy, "order-approve", "PO-00001")
    assert "for 215.00 EUR?" in form
    refused = percy.post(url("order-approve", "PO-00001"), {"seen": 1})
    assert refused.status_code == 422
    assert "another person than the one who wrote the order" in refused.content.decode()
    assert ada.post(url("order-approve", "PO-00001"), {"seen": 1}).status_code == 302
    sent = percy.post(url("order-send", "PO-00001"), {"seen": 2, "sent_on": TODAY.isoformat()})
    assert sent.status_code == 302
    line = OrderLine.objects.get()
    answer = {"seen": 3, "confirmed_on": TODAY.isoformat(), f"promised_{line.pk}": TODAY.isoformat()}
    assert percy.post(url("order-confirm", "PO-00001"), answer | {"their_ref": "S-77"}).status_code == 302
    came = {"token": str(uuid4()), "code": "L7", "expires_on": GOOD.isoformat(), "qty": 4, "damaged_qty": 1}
    for _press in range(2):
        assert nora.post(url("order-receive", "PO-00001", line.pk), came).status_code == 302
    assert Receipt.objects.count() == 2, "one good and one damaged, whatever the presses"
    shown = page(nora, "order-show", "PO-00001")
    for words in ("confirmed, part received", "S-77", "and 1 damaged", "L7 Q1", "Ada Brook", "approved"):
        assert words in shown, words
    listed = page(nora, "order-list", query="?state=begun")
    assert "PO-00001" in listed


def test_a_manager_receives_but_does_not_order(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    line = order.lines.get()
    shown = page(signed_in(cast.nora), "order-show", order.code)
    assert url("order-receive", order.code, line.pk) in shown
    assert url("order-cancel", order.code) not in shown
    assert url("order-receive", order.code, line.pk) not in page(
        signed_in(cast.silas), "order-show", order.code
    )


def test_too_much_is_asked_with_a_box_to_tick(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    line = order.lines.get()
    client, where = signed_in(cast.nora), url("order-receive", order.code, line.pk)
    came = {"token": str(uuid4()), "code": "L7", "expires_on": GOOD.isoformat(), "qty": 12}
    asked = client.post(where, came)
    assert asked.status_code == 422
    text = asked.content.decode()
    assert "2 more of" in text
    assert 'name="sure"' in text
    assert not Movement.objects.exists()
    form = asked.context["form"]
    sure = came | {"asked": form.data["asked"], "sure": "on"}
    assert client.post(where, sure | {"qty": 13}).status_code == 422, "the tick was for two too many"
    assert client.post(where, sure).status_code == 302
    assert Balance.objects.get().qty == 12
    assert Order.objects.get().state == "closed"


def test_what_is_missing_on_the_form_is_told_beside_it(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    client = signed_in(cast.nora)
    answer = client.post(url("order-receive", order.code, order.lines.get().pk), {"code": "L7", "qty": 1})
    assert "Write until when the lot is good" in answer.content.decode()
    answer = client.post(
        url("order-receive", order.code, order.lines.get().pk),
        {"code": "L7", "qty": 1, "made_on": GOOD.isoformat(), "expires_on": TODAY.isoformat()},
    )
    assert "expiry date lies before the date of manufacture" in answer.content.decode()
    assert not Movement.objects.exists()


def test_the_price_is_the_break_that_the_quantity_reaches(cast: Any, signed_in: Any, item: Any) -> None:
    supplier = Supplier.objects.get()
    for from_qty, price in ((0, "3"), (10, "2.5"), (100, "2")):
        SupplyOffer.objects.create(
            supplier=supplier,
            item=item,
            from_qty=from_qty,
            price=price,
            currency="EUR",
            lead_time_days=9,
            valid_from=TODAY,
        )
    client = signed_in(cast.percy)
    assert new_order(client, {"item": "Filter", "qty": "99"}).status_code == 302
    assert OrderLine.objects.get().price == Decimal("2.5")
    refused = new_order(client, {"item": "Filter", "qty": "9"}, currency="USD")
    assert "No offer of this supplier in this currency" in refused.content.decode()


def test_a_wrong_line_is_marked_and_nothing_is_saved(cast: Any, signed_in: Any, item: Any) -> None:
    client = signed_in(cast.percy)
    for row, words in (
        ({"item": "nothing", "qty": "1", "price": "1"}, "No item has this code or name"),
        ({"item": "F-1", "qty": "1.5", "price": "1"}, "Enter a whole number"),
        ({"item": "F-1", "qty": "-3", "price": "1"}, "greater than or equal to 1"),
        ({"item": "F-1", "qty": "1", "price": "-1"}, "greater than or equal to 0"),
    ):
        answer = new_order(client, row)
        assert answer.status_code == 422
        assert words in answer.content.decode()
    assert "There is no line on the order" in new_order(client).content.decode()
    assert not Order.objects.exists()


def test_more_lines_keep_what_was_typed(cast: Any, signed_in: Any, item: Any) -> None:
    answer = new_order(signed_in(cast.percy), {"item": "F-1", "qty": "7", "price": "1"}, more="1")
    assert answer.status_code == 200
    assert len(answer.context["lines"].forms) == 6
    assert 'value="7"' in answer.content.decode()
    assert not Order.objects.exists()


def test_nothing_is_ordered_twice_unknowingly(cast: Any, signed_in: Any, item: Any) -> None:
    client = signed_in(cast.percy)
    order = order_for(cast.north, Wanted(item, Decimal(10), Decimal(1)), state="sent")
    shown = page(client, "item-detail", "F-1")
    assert order.code in shown
    assert url("order-new") + "?item=F-1" in shown
    row = {"item": "F-1", "qty": "10", "price": "1"}
    asked = new_order(client, row)
    assert f"10 of Filter for North depot are on order {order.code} already" in asked.content.decode()
    assert new_order(client, row, asked=asked.context["form"].data["asked"], sure="on").status_code == 302


def test_a_draft_is_changed_only_by_who_saw_it(cast: Any, signed_in: Any, item: Any) -> None:
    order = order_for(cast.north, Wanted(item, Decimal(10), Decimal(1)))
    client = signed_in(cast.percy)
    row = {"item": "F-1", "qty": "6", "price": "2"}
    sent = {"currency": "EUR", "token": str(uuid4()), **lines_data(row)}
    assert client.post(url("order-change", order.code), sent | {"seen": 9}).status_code == 422
    assert client.post(url("order-change", order.code), sent | {"seen": 1}).status_code == 302
    assert (OrderLine.objects.get().qty, Order.objects.get().created_by) == (6, cast.percy)


def test_late_and_unconfirmed_orders_are_to_be_asked_about(cast: Any, signed_in: Any) -> None:
    late = order_for(cast.north, state="confirmed", sent_days_ago=30)
    late.lines.update(promised_on=TODAY - dt.timedelta(days=4))
    silent = order_for(cast.north, state="sent", sent_days_ago=8)
    fine = order_for(cast.north, state="confirmed")
    fine.lines.update(promised_on=TODAY)
    shown = page(signed_in(cast.percy), "order-expedite")
    assert "4 days late" in shown
    assert "not confirmed, sent 8 days ago" in shown
    assert late.code in shown
    assert silent.code in shown
    assert fine.code not in shown
    listed = page(signed_in(cast.percy), "order-list", query="?state=late")
    assert late.code in listed
    assert fine.code not in listed


def test_an_order_goes_to_paper_and_sheet(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    client = signed_in(cast.percy)
    paper = client.get(url("order-show", order.code) + "?format=pdf")
    assert paper.content.startswith(b"%PDF")
    assert paper.content == client.get(url("order-show", order.code) + "?format=pdf").content
    sheet = client.get(url("order-show", order.code) + "?format=xlsx")
    rows = list(load_workbook(io.BytesIO(sheet.content)).active.values)
    assert rows[1][5:10] == (10, "each", 21.5, 215, "EUR")
    listed = client.get(url("order-list") + "?format=csv").content.decode()
    assert order.code in listed


def test_a_supplier_shows_offers_prices_and_how_long_it_took(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent", sent_days_ago=12)
    client = signed_in(cast.nora)
    empty = page(client, "supplier-show", "SUP")
    assert "No delivery of an order that was sent is on file yet" in empty
    came = {"token": str(uuid4()), "code": "L7", "expires_on": GOOD.isoformat(), "qty": 4}
    client.post(url("order-receive", order.code, order.lines.get().pk), came)
    shown = page(client, "supplier-show", "SUP")
    assert "half within 12, longest 12" in shown
    assert "21.50 EUR" in shown
    assert "Supplier" in page(client, "supplier-list")


def test_an_order_is_found_by_either_number(cast: Any, signed_in: Any) -> None:
    order = order_for(cast.north, state="sent")
    Order.objects.update(their_ref="S-7788")
    client = signed_in(cast.vera)
    for word in (order.code, "s-77"):
        found = client.get(reverse("fleet:search"), {"q": word}).content.decode()
        assert url("order-show", order.code) in found, word
    assert url("supplier-show", "SUP") in client.get(reverse("fleet:search"), {"q": "suppl"}).content.decode()


def test_pages_ask_the_same_number_of_queries_at_any_size(cast: Any, signed_in: Any, queries_of: Any) -> None:
    item = ItemFactory(code="F-1")

    def more(number: int) -> None:
        for _each in range(number):
            order_for(cast.north, Wanted(ItemFactory(), Decimal(1), Decimal(1)), state="sent")
            other = order_for(cast.north, Wanted(ItemFactory(), Decimal(1), Decimal(1)), state="sent")
            other.lines.update(item=item)

    more(2)
    client = signed_in(cast.percy)
    urls = [
        url("order-list"),
        url("order-expedite"),
        url("supplier-show", "SUP"),
        url("item-detail", "F-1"),
        url("supplier-list"),
    ]
    before = [queries_of(client, one) for one in urls]
    more(5)
    assert [queries_of(client, one) for one in urls] == before
