"""Labels hold the address of their page; what a scanner types into the box opens the lot or the stores."""

from __future__ import annotations

from typing import Any

import pytest
import segno
from django.urls import reverse

from tests.factories.inventory import LotFactory, in_store

pytestmark = pytest.mark.django_db
FIND = reverse("fleet:search")


def scanned(client: Any, text: str) -> str:
    """Where the box leads; empty when it shows what it found instead."""
    response = client.get(FIND, {"q": text})
    return str(response.headers.get("Location", ""))


def test_a_label_holds_the_address_of_its_lot(cast: Any, signed_in: Any) -> None:
    lot = in_store(3, place=cast.north, code="L/77")
    client = signed_in(cast.vera)
    page = client.get(reverse("inventory:lot-label", args=[lot.pk])).content.decode()
    address = "http://testserver" + reverse("inventory:lot-detail", args=[lot.pk])
    modules = segno.make_qr(address, error="m")
    drawn = modules.svg_inline(scale=3, border=2, light="#fff")
    path = drawn.partition(' d="M')[2].partition('"')[0]
    assert path in page, "the drawing is that of the address"
    assert "L/77" in page
    assert lot.item.name in page


def test_a_place_has_its_own_label_and_one_for_each_lot(cast: Any, signed_in: Any, queries_of: Any) -> None:
    client, where = signed_in(cast.nora), reverse("inventory:place-labels", args=["NORTH"])
    in_store(3, place=cast.north)
    in_store(3, place=cast.south)
    assert client.get(where).content.decode().count('class="label"') == 2
    before = queries_of(client, where)
    for _each in range(4):
        in_store(3, place=cast.north)
    assert client.get(where).content.decode().count('class="label"') == 6
    assert queries_of(client, where) == before


def test_what_a_scanner_types_opens_the_page(cast: Any, signed_in: Any) -> None:
    lot = in_store(1, place=cast.north, code="L/77", serial="SN-1")
    page = reverse("inventory:lot-detail", args=[lot.pk])
    client = signed_in(cast.nora)
    assert scanned(client, "l/77") == page
    assert scanned(client, "SN-1") == page
    assert scanned(client, f"https://the-old-name.example{page}") == page
    stores = reverse("inventory:store-list")
    assert scanned(client, f"http://testserver{stores}?place=NORTH") == f"{stores}?place=NORTH"


def test_what_no_page_bears_is_only_looked_for(cast: Any, signed_in: Any) -> None:
    LotFactory(code="TWICE")
    LotFactory(code="TWICE")
    client = signed_in(cast.nora)
    for text in (
        "TWICE",
        "http://elsewhere.example//elsewhere.example/",
        "https://elsewhere.example/no/such",
        "L",
    ):
        assert scanned(client, text) == "", text
