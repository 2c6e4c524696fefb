"""The stores on screen: what lies where, filters in the address, the same on file, the same number of queries."""

from __future__ import annotations

import csv
import datetime as dt
import io
from decimal import Decimal
from typing import Any

import openpyxl
import pytest
from django.urls import reverse

from inventory.models import Lot
from inventory.services.ledger import movement_reverse, stock_use
from tests.factories.fleet import NOW, TODAY, UnitFactory, ago
from tests.factories.inventory import ChlorineFactory, ItemFactory, LotFactory, aboard, fitted, in_store

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


def rows_of(response: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))


def codes(client: Any, query: str) -> list[str]:
    response = client.get(f"{reverse('inventory:store-list')}?{query}&format=csv")
    assert response.status_code == 200
    return [row["Lot"] for row in rows_of(response)]


@pytest.fixture
def shelves(cast: Any) -> dict[str, Lot]:
    """One lot of every state in the north, one good lot in the south, one aboard a unit of the north."""
    item = ItemFactory(name="Sediment cartridge", code="CART")
    north = {"place": cast.north}
    return {
        "good": in_store(5, lot=LotFactory(item=item, code="GOOD", expires_on=TODAY + 400 * DAY), **north),
        "soon": in_store(5, lot=LotFactory(item=item, code="SOON", expires_on=TODAY + 20 * DAY), **north),
        "today": in_store(5, lot=LotFactory(item=item, code="TODAY", expires_on=TODAY), **north),
        "past": in_store(5, lot=LotFactory(item=item, code="PAST", expires_on=TODAY - DAY), **north),
        "dateless": in_store(5, lot=LotFactory(item=item, code="DATELESS", expires_on=None), **north),
        "apart": in_store(5, lot=LotFactory(item=item, code="APART", status="quarantine"), **north),
        "south": in_store(5, lot=LotFactory(code="SOUTHERN"), place=cast.south),
        "aboard": aboard(
            UnitFactory(home=cast.north, tag="N-1"), 2, lot=LotFactory(item=item, code="ABOARD")
        ),
    }


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("", {"GOOD", "SOON", "TODAY", "PAST", "DATELESS", "APART", "SOUTHERN"}),
        ("status=usable", {"GOOD", "SOON", "TODAY", "SOUTHERN"}),
        ("status=expired", {"PAST"}),
        ("status=unknown", {"DATELESS"}),
        ("status=quarantine", {"APART"}),
        ("status=recalled", set()),
        ("within=20", {"SOON", "TODAY", "PAST"}),
        ("within=19", {"TODAY", "PAST"}),
        ("place=SOUTH", {"SOUTHERN"}),
        ("depot=NORTH&status=usable", {"GOOD", "SOON", "TODAY"}),
        ("where=aboard", {"ABOARD"}),
        ("depot=SOUTH&where=all", {"SOUTHERN"}),
        ("q=sediment+go", {"GOOD"}),
        ("q=N-1&where=all", {"ABOARD"}),
        ("q=nothing+of+this", set()),
    ],
)
def test_filters(cast: Any, shelves: Any, signed_in: Any, query: str, expected: set[str]) -> None:
    assert set(codes(signed_in(cast.vera), query)) == expected


def test_order_and_what_is_said_of_each_lot(cast: Any, shelves: Any, signed_in: Any) -> None:
    client = signed_in(cast.vera)
    assert codes(client, "depot=NORTH&sort=expiry")[:3] == ["PAST", "TODAY", "SOON"]
    assert codes(client, "depot=NORTH&sort=-expiry")[-1] == "DATELESS"
    page = client.get(reverse("inventory:store-list"), {"depot": "NORTH"}).content.decode()
    for words in (
        "usable",
        "expired",
        "in quarantine",
        "expiry not known",
        "in 20 days",
        "today",
        "yesterday",
    ):
        assert words in page, words
    assert "SOUTHERN" not in page
    assert "Receive" not in page


def test_the_region_alone_for_htmx(cast: Any, shelves: Any, signed_in: Any) -> None:
    response = signed_in(cast.nora).get(reverse("inventory:store-list"), headers={"HX-Request": "true"})
    assert "<table" in response.content.decode()
    assert "<html" not in response.content.decode()


def test_a_list_can_be_had_as_a_sheet_and_never_as_a_formula(cast: Any, signed_in: Any) -> None:
    item = ItemFactory(name="=HYPERLINK(1)")
    in_store(3, lot=LotFactory(item=item, code="+1"), place=cast.north)
    client = signed_in(cast.vera)
    for name in ("inventory:store-list", "inventory:movement-list"):
        response = client.get(reverse(name), {"format": "xlsx"})
        sheet = openpyxl.load_workbook(io.BytesIO(response.content)).active
        cells = {str(cell.value).lstrip("'"): cell for row in sheet.iter_rows(min_row=2) for cell in row}
        assert cells["=HYPERLINK(1)"].data_type == "s"
        assert cells["3"].data_type == "n"


def test_items_with_what_there_is_of_each(cast: Any, shelves: Any, signed_in: Any) -> None:
    client = signed_in(cast.vera)
    url = reverse("inventory:store-list")
    (row,) = rows_of(
        client.get(url, {"by": "item", "depot": "NORTH", "q": "cart", "format": "csv", "stock": "bad"})
    )
    assert (row["Usable in stores"], row["Not usable"], row["Aboard units"]) == ("15.0", "15.0", "2.0")
    assert row["First to expire"] == TODAY.isoformat()
    page = client.get(url, {"by": "item"}).content.decode()
    assert 'name="by" value="item"' in page
    assert "Sediment cartridge" in page


def test_pages_of_a_lot_and_an_item(cast: Any, signed_in: Any) -> None:
    unit = UnitFactory(home=cast.north, tag="N-1")
    part = fitted(unit, position="lamp 1")
    lot = part.lot
    in_store(3, place=cast.north, lot=lot)
    client = signed_in(cast.nora)
    page = client.get(reverse("inventory:lot-detail", args=[lot.pk])).content.decode()
    assert "fitted in lamp 1" in page
    assert reverse("inventory:stock-issue", args=[lot.pk]) in page
    assert "Take back" in page
    page = client.get(reverse("inventory:item-detail", args=[lot.item.code])).content.decode()
    assert lot.code in page
    assert "9000 hours" in page
    seen = signed_in(cast.vera).get(reverse("inventory:lot-detail", args=[lot.pk])).content.decode()
    assert (
        "/reverse/"
        in signed_in(cast.nora).get(reverse("inventory:lot-detail", args=[lot.pk])).content.decode()
    )
    assert "/reverse/" not in seen
    assert reverse("inventory:stock-issue", args=[lot.pk]) not in seen


def test_amounts_are_shown_in_the_units_a_person_chose(cast: Any, signed_in: Any) -> None:
    in_store("10.500", place=cast.north, item=ChlorineFactory())
    cast.vera.unit_system = "us"
    cast.vera.save()
    assert "lb" in signed_in(cast.vera).get(reverse("inventory:store-list")).content.decode()
    metric = signed_in(cast.nora).get(reverse("inventory:store-list")).content.decode()
    assert "10.5" in metric
    assert "kg" in metric


def test_movements_filters_and_what_was_taken_back(cast: Any, signed_in: Any) -> None:
    lot = in_store(9, place=cast.north, lot=LotFactory(code="L-N"), at=ago(30))
    used = stock_use(lot=lot, qty=Decimal(2), place=cast.north, happened_at=ago(10), actor=cast.nora, now=NOW)
    movement_reverse(movement=used, reason="not used at all", actor=cast.nora, now=NOW)
    in_store(4, place=cast.south, lot=LotFactory(code="L-S"), at=ago(5))
    client = signed_in(cast.vera)
    url = reverse("inventory:movement-list")

    def kinds(**query: str) -> list[str]:
        return [row["Kind"] for row in rows_of(client.get(url, {**query, "format": "csv"}))]

    assert kinds(place="NORTH") == ["reversal", "use", "receipt"]
    assert kinds(standing="counts", sort="when") == ["receipt", "receipt"]
    assert kinds(standing="reversed") == ["use"]
    assert kinds(depot="SOUTH") == ["receipt"]
    assert kinds(first=ago(10).date().isoformat(), last=ago(9).date().isoformat()) == ["reversal", "use"]
    assert kinds(kind="receipt", q="L-S") == ["receipt"]
    assert kinds(q="not used") == ["reversal"]
    page = client.get(url, {"place": "NORTH"}).content.decode()
    assert 'class="struck"' in page
    assert "taken back" in page


@pytest.mark.parametrize("which", ["stores", "items", "movements", "lot", "item"])
def test_query_counts_do_not_grow(cast: Any, signed_in: Any, queries_of: Any, which: str) -> None:
    item = ItemFactory(name="Cartridge")
    lot = in_store(50, place=cast.north, lot=LotFactory(item=item))
    unit = UnitFactory(home=cast.north)

    def more(count: int) -> None:
        for n in range(count):
            in_store(3, place=cast.south if n % 2 else cast.north, lot=LotFactory(item=item))
            in_store(3, place=cast.north)
            aboard(unit, 1, lot=lot)
            fitted(
                UnitFactory(design=unit.design, home=cast.south), lot=LotFactory(), position=f"p{n}-{count}"
            )

    url = {
        "stores": reverse("inventory:store-list") + "?where=all",
        "items": reverse("inventory:store-list") + "?by=item",
        "movements": reverse("inventory:movement-list"),
        "lot": reverse("inventory:lot-detail", args=[lot.pk]),
        "item": reverse("inventory:item-detail", args=[item.code]),
    }[which]
    client = signed_in(cast.nora)
    more(2)
    few = queries_of(client, url)
    more(9)
    assert queries_of(client, url) == few
    assert few <= 16
