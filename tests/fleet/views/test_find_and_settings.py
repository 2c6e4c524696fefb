"""The one search box, and a person's own settings."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests.factories.fleet import (
    BankFactory,
    BlockFactory,
    CertificateFactory,
    PlaceFactory,
    UnitFactory,
)

pytestmark = pytest.mark.django_db


def find(client, text):
    return client.get(reverse("fleet:search"), {"q": text})


def test_it_finds_each_kind_of_thing_by_a_part_of_its_name(client, cast):
    from inventory.models import Item, Lot

    client.force_login(cast.vera)
    unit = UnitFactory(tag="QQ-UNIT", home=cast.north)
    bank = BankFactory(serial="QQ-BANK", unit=unit)
    BlockFactory(serial="QQ-BLOCK", bank=bank)
    CertificateFactory(number="QQ-CERT", unit=unit)
    PlaceFactory(name="QQ-PLACE")
    Lot.objects.create(item=Item.objects.create(code="QQ-ITEM", name="Lamp"), code="QQ-LOT", serial="QQ-9")
    page = find(client, "qq-").content.decode()
    for name in ("QQ-UNIT", "QQ-BANK", "QQ-BLOCK", "QQ-CERT", "QQ-PLACE", "QQ-ITEM", "QQ-LOT", "serial QQ-9"):
        assert name in page
    assert reverse("readiness:unit-show", args=["QQ-UNIT"]) in page


def test_a_whole_tag_leads_to_the_unit(client, cast):
    client.force_login(cast.vera)
    unit = UnitFactory(tag="MW-7")
    assert find(client, " mw-7 ").headers["Location"] == reverse("readiness:unit-show", args=[unit.tag])


def test_the_best_match_comes_first_and_the_rest_is_said(client, cast):
    client.force_login(cast.vera)
    for number in range(25):
        BankFactory(serial=f"X7-{number:02d}-AB")
    BankFactory(serial="AB-1")
    page = find(client, "ab").content.decode()
    assert page.index("AB-1") < page.index("X7-00-AB")
    assert "Only the first 20 are shown" in page


@pytest.mark.parametrize(
    ("text", "words"), [("a", "Two signs at least"), ("zzzz", "Nothing bears that name")]
)
def test_nothing_found_says_what_to_do(client, cast, text, words):
    client.force_login(cast.vera)
    assert words in find(client, text).content.decode()


def test_the_search_costs_the_same_at_two_sizes(client, cast):
    client.force_login(cast.vera)

    def queries():
        with CaptureQueriesContext(
            connection,
        ) as context:
            assert find(client, "SER").status_code == 200
        return len(context)

    counts = []
    for number in (2, 15):
        for each in range(number):
            unit = UnitFactory(serial=f"SER-{number}-{each}")
            bank = BankFactory(serial=f"SERB-{number}-{each}", unit=unit)
            BlockFactory(serial=f"SERK-{number}-{each}", bank=bank)
        queries()
        counts.append(queries())
    assert counts[0] == counts[1]


def test_settings_are_kept_and_shown(client, cast):
    client.force_login(cast.nora)
    url = reverse("fleet:settings")
    assert "depot manager, North depot" in client.get(url).content.decode()
    client.post(url, {"unit_system": "us", "theme": "dark"})
    cast.nora.refresh_from_db()
    assert (cast.nora.unit_system, cast.nora.theme) == ("us", "dark")
    assert 'data-theme="dark"' in client.get(url).content.decode()
    assert client.post(url, {"unit_system": "furlong", "theme": "dark"}).status_code == 422
