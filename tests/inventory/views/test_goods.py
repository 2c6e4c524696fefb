"""What items are to the transport rules: the list of those of which nobody has said, and the page that says it."""

import html
import re
import uuid

import pytest

from inventory.models import ItemGoods
from inventory.services.goods import item_goods_save
from tests.factories.fleet import UnitFactory
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard, fitted

pytestmark = pytest.mark.django_db
LIST = "/stores/goods/"


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.percy)


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def post(client, code: str, **given):
    return client.post(f"{LIST}{code}/", {"token": uuid.uuid4(), "source": "Safety sheet 2026-03", **given})


def names(answer) -> list[str]:
    return [line["item"].name for line in answer.context["lines"]]


def test_the_list_begins_with_what_nobody_has_said_and_finds_the_rest(client, cast) -> None:
    unit = UnitFactory(tag="MW-1", home=cast.north)
    lamp, rag = ItemFactory(name="Lamp box", code="LB/1"), ItemFactory(name="Rag")
    for name in ("Aboard drum", "Kit drum", "Shelf drum"):
        ItemFactory(name=name)
    aboard(unit, item=ItemFactory._meta.model.objects.get(name="Aboard drum"))
    DesignItemFactory(design=unit.design, item=ItemFactory._meta.model.objects.get(name="Kit drum"))
    item_goods_save(item=lamp, kind="lamp", attributes={"hg_g_each": 0.01}, actor=None, source="Data sheet")
    item_goods_save(item=rag, kind="none", actor=None)
    assert names(client.get(LIST)) == ["Aboard drum", "Kit drum", "Shelf drum"]
    assert names(client.get(f"{LIST}?where=travels")) == ["Aboard drum", "Kit drum"]
    assert names(client.get(f"{LIST}?said=any")) == ["Lamp box", "Rag"]
    assert names(client.get(f"{LIST}?said=lamp")) == ["Lamp box"]
    assert names(client.get(f"{LIST}?said=all&q=b")) == ["Aboard drum", "Lamp box"]
    page = text(client.get(f"{LIST}?said=lamp"))
    assert "mercury in each, g: 0.01" in page
    assert "Data sheet" in page
    assert "Loosen the filters" in text(client.get(f"{LIST}?said=lamp&q=zz"))
    csv = client.get(f"{LIST}?said=all&export=csv")
    assert csv.status_code == 200
    assert b"Lamp box" in csv.getvalue() if hasattr(csv, "getvalue") else True


def test_when_all_is_said_the_list_says_so(client) -> None:
    item_goods_save(item=ItemFactory(), kind="none", actor=None)
    assert "Of every item here somebody has said what it is" in text(client.get(LIST))


def test_what_is_fitted_travels_too(client, cast) -> None:
    part = fitted(UnitFactory(home=cast.north))
    assert names(client.get(f"{LIST}?where=travels")) == [part.lot.item.name]


def test_the_kind_comes_first_then_its_facts_and_it_is_saved_once(client, cast) -> None:
    item = ItemFactory(name="Lamp box", code="LB/1", dangerous_goods="UN3506")
    page = client.get("/stores/items/LB/1/")
    assert "Nobody has said what it is" in text(page)
    assert 'href="/stores/goods/LB/1/"' in page.content.decode()
    chosen = client.get(f"{LIST}LB/1/").content.decode()
    assert "?kind=lamp" in chosen
    assert "?kind=none" in chosen
    assert "UN3506" in chosen
    body = client.get(f"{LIST}LB/1/?kind=lamp").content.decode()
    assert 'name="hg_g_each"' in body
    assert 'name="un"' not in body
    given = {
        "kind": "lamp",
        "hg_g_each": "0,01",
        "radioactive": "no",
        "removable": "on",
        "token": uuid.uuid4(),
    }
    for _tap in range(2):
        answer = post(client, "LB/1", next=f"{LIST}?q=lamp", **given)
        assert (answer.status_code, answer["Location"]) == (302, f"{LIST}?q=lamp")
    row = ItemGoods.objects.get(item=item)
    assert row.attributes == {"hg_g_each": 0.01, "radioactive": False}
    assert (row.kind, row.removable, row.source, row.version) == ("lamp", True, "Safety sheet 2026-03", 1)
    page = text(client.get("/stores/items/LB/1/"))
    assert "lamp with mercury" in page
    assert "Mercury in each, g 0.01" in page
    again = client.get(f"{LIST}LB/1/")
    assert 'value="0.01"' in again.content.decode()
    assert "Percy Vale" in text(again)


def test_the_door_of_another_kind_is_open_and_takes_nothing_along(client) -> None:
    item = ItemFactory(code="X")
    item_goods_save(item=item, kind="goods", attributes={"un": "1203", "pg": "II"}, actor=None)
    assert "?kind=carbon" in client.get(f"{LIST}X/").content.decode()
    assert post(client, "X", kind="none", seen="1").status_code == 302
    item.goods.refresh_from_db()
    assert (item.goods.kind, item.goods.attributes) == ("none", {})


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"kind": "goods", "un": "9999"}, "not in the table of goods"),
        ({"kind": "goods", "un": "3480"}, "Enter it as a battery"),
        ({"kind": "lamp", "hg_g_each": "little"}, "little"),
        ({"kind": "lamp", "hg_g_each": "-1"}, "less than 0"),
        ({"kind": "none", "source": ""}, "This field is required"),
        ({"kind": "dragon"}, "What is it?"),
        ({}, "What is it?"),
    ],
)
def test_what_cannot_be_comes_back_with_a_sentence_and_what_was_typed(client, given, sentence) -> None:
    ItemFactory(code="X")
    answer = post(client, "X", **given)
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert all(
        str(value) in answer.content.decode() for name, value in given.items() if name in ("un", "hg_g_each")
    )
    assert not ItemGoods.objects.exists()


def test_two_who_save_at_once_see_both_and_choose(client, cast) -> None:
    item = ItemFactory(code="X")
    item_goods_save(item=item, kind="lamp", attributes={"hg_g_each": 0.02}, actor=cast.ada)
    answer = post(client, "X", kind="lamp", hg_g_each="0.01", seen="")
    assert answer.status_code == 409
    page = text(answer)
    assert "Ada Brook saved this while you had it open" in page
    assert "mercury in each, g: 0.02" in page
    assert "mercury in each, g: 0.01" in page
    again = post(client, "X", kind="lamp", hg_g_each="0.01", seen=answer.context["form"]["seen"].value())
    assert again.status_code == 302
    item.goods.refresh_from_db()
    assert item.goods.attributes == {"hg_g_each": 0.01}


@pytest.mark.parametrize(
    ("who", "says"),
    [
        ("manager", True),
        ("procurement", True),
        ("administrator", True),
        ("dispatcher", False),
        ("viewer", False),
    ],
)
def test_who_keeps_stock_says_what_items_are(cast, signed_in, who, says) -> None:
    ItemFactory(code="X")
    reader = signed_in(cast.roles()[who])
    assert reader.get(f"{LIST}X/").status_code == (200 if says else 403)
    for url in (LIST, "/stores/items/X/"):
        link = "/stores/goods/X/" in reader.get(url).content.decode()
        # A manager of one depot is led to the page by the card of the item, and told there who may.
        assert link == (says and not (who == "manager" and url == LIST))


def test_the_list_takes_as_many_queries_for_many_items(client, cast, queries_of) -> None:
    for n in range(3):
        item_goods_save(item=ItemFactory(name=f"A{n}"), kind="lamp", actor=None)
    few = queries_of(client, f"{LIST}?said=all")
    unit = UnitFactory(home=cast.north)
    for n in range(12):
        aboard(unit, item=ItemFactory(name=f"B{n}"))
    assert queries_of(client, f"{LIST}?said=all") == few


def test_a_manager_of_one_depot_sees_it_and_is_told_who_may_say_it(cast, signed_in) -> None:
    """What an item is counts for the units of all depots."""
    item, manager = ItemFactory(code="X"), signed_in(cast.nora)
    assert "ask procurement" in text(manager.get(f"{LIST}X/"))
    assert post(manager, "X", kind="lamp").status_code == 403
    assert not ItemGoods.objects.filter(item=item).exists()
    item_goods_save(item=item, kind="lamp", attributes={"hg_g_each": 0.01}, actor=None, source="Data sheet")
    page = manager.get(f"{LIST}X/?kind=goods")
    assert "Mercury in each, g 0.01" in text(page)
    assert 'method="post" class="form"' not in page.content.decode()
    assert f'href="{LIST}X/' not in manager.get(f"{LIST}?said=all").content.decode()
    assert f'href="{LIST}X/' in signed_in(cast.ada).get(f"{LIST}?said=all").content.decode()
    assert post(signed_in(cast.percy), "X", kind="none", seen="1").status_code == 302
