"""The list of goods of a unit: what it shows, what is put on it, looked at, taken off and said to be complete."""

import html
import re
import uuid

import pytest

from fleet.models import BatteryBank, Unit
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck
from inventory.selectors.goods import goods_keys
from inventory.services.goods import goods_check_record, goods_line_add, goods_list_confirm, item_goods_save
from readiness.selectors.goods_list import goods_page
from tests.factories.fleet import NOW, BankFactory, UnitFactory, ago
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard, fitted

pytestmark = pytest.mark.django_db
URL = "/units/MW-1/transport/goods/"


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def bank(unit) -> BatteryBank:
    return BankFactory(unit=unit, serial="BK-1")


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def line_of(unit, **given) -> GoodsLine:
    values = {"label": "Sat phone", "kind": "battery", "attributes": {"chemistry": "li_ion"}}
    return goods_line_add(unit=unit, happened_at=ago(2), actor=None, now=NOW, **(values | given))


def look(unit, days=1.0, **given):
    return goods_check_record(unit=unit, happened_at=ago(days), actor=None, now=NOW, **given)


def post(client, path, **given):
    return client.post(URL + path, {"token": uuid.uuid4(), **given})


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def test_the_list_shows_what_is_known_what_is_missing_and_who_looked(client, unit, bank) -> None:
    item_goods_save(item=aboard(unit, item=ItemFactory(name="Lamp box")).item, kind="lamp", actor=None)
    aboard(unit, item=ItemFactory(name="Grey drum"))
    line_of(unit)
    look(unit, bank=bank, answers={"condition": "ok"})
    look(unit, days=200, bank=bank, answers={"terminals": "yes"})
    page = text(client.get(URL))
    assert "Nobody has said that this list is complete" in page
    assert "4 lines" in page
    assert "chemistry: lead-acid" in page
    assert "energy, Wh: 4800" in page
    assert "condition of the battery: sound" in page
    assert "terminals covered: yes" in page
    assert page.count("look again") == 1
    assert "mercury in each, g" in page
    assert "the word of what it is" in page
    assert "UN 38.3 tests" in page
    assert "terminals covered: not looked at" in page


def test_what_is_harmful_counts_until_somebody_finds_otherwise(client, unit, bank) -> None:
    look(unit, days=200, bank=bank, answers={"condition": "damaged"})
    assert "counts until somebody finds otherwise" in text(client.get(URL))


def test_what_the_page_shows_is_what_is_confirmed(unit, bank) -> None:
    none = aboard(unit).item
    item_goods_save(item=none, kind="none", actor=None)
    aboard(unit)
    fitted(unit)
    DesignItemFactory(design=unit.design, item=ItemFactory())
    line_of(unit)
    keys = goods_page(unit, now=NOW).keys
    assert sorted(keys) == goods_keys(unit, now=NOW)
    assert f"item:{none.code}" not in keys
    assert len(keys) == 5


@pytest.mark.parametrize(
    ("who", "writes"), [("manager", True), ("other_manager", False), ("dispatcher", False), ("viewer", False)]
)
def test_only_who_keeps_the_unit_writes(cast, signed_in, unit, bank, who, writes) -> None:
    line = line_of(unit)
    reader = signed_in(cast.roles()[who])
    page = reader.get(URL).content.decode()
    assert (f"{URL}confirm/" in page, f"/records/goods-line/{line.pk}/strike/" in page) == (writes, writes)
    assert (f"{URL}check/?about=bank%3ABK-1" in page) == writes
    for path in ("add/?kind=lamp", "check/?about=bank:BK-1", "confirm/"):
        assert reader.get(URL + path).status_code == (200 if writes else 403), path


def test_the_kind_is_chosen_first_then_its_facts(client, unit) -> None:
    chosen = client.get(f"{URL}add/").content.decode()
    assert "?kind=battery" in chosen
    assert "?kind=none" not in chosen
    battery = client.get(f"{URL}add/?kind=battery").content.decode()
    assert 'name="wh"' in battery
    assert "Energy, Wh" in battery
    assert 'name="condition"' not in battery
    assert 'name="un"' in client.get(f"{URL}add/?kind=goods").content.decode()
    assert 'href="?kind=goods"' in client.get(f"{URL}add/?kind=none").content.decode()


def test_a_line_is_put_on_the_list_once(client, cast, unit) -> None:
    given = {"kind": "battery", "label": "Sat phone", "pieces": "2", "mass_kg": "0,4", "chemistry": "li_ion"}
    given |= {"wh": "12,6", "vib_pressure_ok": "", "sodium_molten": "no", "token": uuid.uuid4()}
    for _tap in range(2):
        answer = post(client, "add/", **given)
        assert (answer.status_code, answer["Location"]) == (302, URL)
    row = GoodsLine.objects.get()
    assert row.attributes == {"chemistry": "li_ion", "wh": 12.6, "sodium_molten": False}
    assert (row.pieces, row.mass_kg, row.removable, row.recorded_by) == (2, 0.4, False, cast.nora)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"kind": "goods", "label": "Can", "pieces": "1", "un": "9999"}, "not in the table of goods"),
        ({"kind": "goods", "label": "Can", "pieces": "1", "un": "3480"}, "Enter it as a battery"),
        ({"kind": "lamp", "label": "Box", "pieces": "1", "hg_g_each": "little"}, "little"),
        ({"kind": "lamp", "label": "Box", "pieces": "1", "hg_g_each": "-1"}, "less than 0"),
        ({"kind": "lamp", "label": "Box", "pieces": "0"}, "greater than or equal to 1"),
        ({"kind": "none"}, "Choose what it is"),
        ({}, "Choose what it is"),
    ],
)
def test_a_line_that_cannot_be_keeps_what_was_typed_and_says_why(client, unit, given, sentence) -> None:
    answer = post(client, "add/", **given)
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert not GoodsLine.objects.exists()


def test_a_look_at_a_bank_is_written_for_what_was_looked_at(client, cast, unit, bank) -> None:
    form = client.get(f"{URL}check/?about=bank:BK-1").content.decode()
    assert 'name="ticks_us"' in form
    assert 'name="tank"' not in form
    token = uuid.uuid4()
    for _tap in range(2):
        answer = post(
            client, "check/", about="bank:BK-1", condition="ok", upright="no", terminals="", token=token
        )
        assert (answer.status_code, answer["Location"]) == (302, URL)
    rows = GoodsCheck.objects.order_by("kind").values_list("kind", "answer", "bank", "recorded_by")
    assert list(rows) == [
        ("condition", "ok", bank.pk, cast.nora.pk),
        ("upright", "no", bank.pk, cast.nora.pk),
    ]


def test_a_look_at_an_engine_is_about_its_tank(client, unit) -> None:
    engine = line_of(unit, label="Pump", kind="engine", attributes={"fuel": "diesel"})
    about = f"line:{engine.pk}"
    assert 'name="condition"' not in client.get(f"{URL}check/?about={about}").content.decode()
    post(client, "check/", about=about, tank="in_tank", fill_pct="40", fuel_l="8", note="dip stick")
    row = GoodsCheck.objects.get()
    assert (row.line, row.answer, row.fill_pct, row.fuel_l, row.note) == (
        engine,
        "in_tank",
        40.0,
        8.0,
        "dip stick",
    )
    assert "state of the fuel tank: fuel in the tank" in text(client.get(URL))


def test_the_charge_of_a_loose_battery_is_a_look_and_that_of_a_bank_is_not(client, unit, bank) -> None:
    pack = line_of(
        unit, label="Spare pack", kind="battery", attributes={"chemistry": "li_ion", "config": "alone"}
    )
    about = f"line:{pack.pk}"
    assert 'name="soc_pct"' in client.get(f"{URL}check/?about={about}").content.decode()
    assert 'name="soc_pct"' not in client.get(f"{URL}check/?about=bank:BK-1").content.decode()
    refused = post(client, "check/", about=about, soc_pct="128")
    assert refused.status_code == 422
    assert "from 0 to 100 %" in text(refused)
    post(client, "check/", about=about, soc_pct="27.4", condition="ok")
    row = GoodsCheck.objects.get(kind="charge")
    assert (row.line, row.answer, row.soc_pct) == (pack, "measured", 27.4)
    assert "charge of the battery: 28 %, measured by its own meter or display" in text(client.get(URL))
    assert "27.4 %" in text(client.get(f"/units/{unit.tag}/"))


@pytest.mark.parametrize("about", ["", "bank:BK-9", "line:999", "line:x", "item:IT-1", "line:²"])
def test_what_is_not_here_is_not_looked_at(client, unit, about) -> None:
    for answer in (client.get(f"{URL}check/", {"about": about}), post(client, "check/", about=about)):
        assert (answer.status_code, answer["Location"]) == (302, URL)
    lamp = line_of(unit, label="Lamps", kind="lamp", attributes={})
    assert client.get(f"{URL}check/?about=line:{lamp.pk}").status_code == 302
    assert not GoodsCheck.objects.exists()


def test_a_look_at_nothing_and_one_that_has_not_come_yet_are_refused(client, unit, bank) -> None:
    for given, sentence in (({}, "Nothing is answered"), ({"condition": "ok"}, "has not come yet")):
        answer = post(client, "check/", about="bank:BK-1", happened_at="2099-01-01T00:00", **given)
        assert answer.status_code == 422
        assert sentence in text(answer)
    assert not GoodsCheck.objects.exists()


def test_the_list_is_confirmed_as_it_was_shown(client, cast, unit, bank) -> None:
    line_of(unit)
    shown = client.get(f"{URL}confirm/").context["form"].initial["shown"]
    assert post(client, "confirm/", shown=shown).status_code == 422
    token = uuid.uuid4()
    for _tap in range(2):
        answer = post(client, "confirm/", shown=shown, all_there="on", token=token)
        assert (answer.status_code, answer["Location"]) == (302, URL)
    assert GoodsListCheck.objects.get().keys == goods_keys(unit, now=NOW)
    page = text(client.get(URL))
    assert f"Said to be complete by {cast.nora}" in page
    assert "It counts through" in page


def test_a_list_that_changed_meanwhile_is_shown_again_before_it_is_confirmed(client, unit, bank) -> None:
    shown = client.get(f"{URL}confirm/").context["form"].initial["shown"]
    line = line_of(unit)
    answer = post(client, "confirm/", shown=shown, all_there="on")
    assert answer.status_code == 422
    assert f"+ {line.label}" in text(answer)
    assert not GoodsListCheck.objects.exists()
    again = answer.context["form"]
    assert again["all_there"].value() in (None, False)
    assert post(client, "confirm/", shown=again["shown"].value(), all_there="on").status_code == 302


def test_a_line_taken_off_takes_the_word_with_it(client, unit, bank) -> None:
    line = line_of(unit)
    goods_list_confirm(unit=unit, keys_shown=goods_keys(unit, now=NOW), actor=None, now=NOW)
    answer = client.post(f"/records/goods-line/{line.pk}/strike/?next={URL}", {"reason": "sold", "next": URL})
    assert (answer.status_code, answer["Location"]) == (302, URL)
    page = text(client.get(URL))
    assert f"a line is gone, '{line.label}'." in page
    assert page.count("Sat phone") == 1


def test_the_unit_page_leads_to_the_list(client, unit) -> None:
    assert URL in client.get("/units/MW-1/").content.decode()


def test_queries_do_not_grow_with_the_list(client, queries_of, unit, cast) -> None:
    def more(count: int) -> None:
        for n in range(count):
            bank = BankFactory(unit=unit, position=f"p{BatteryBank.objects.count()}")
            look(unit, days=1 + n, bank=bank, answers={"condition": "ok", "terminals": "yes"})
            aboard(unit)
            line = line_of(unit, label=f"Pump {n}", kind="engine", attributes={"fuel": "diesel"})
            goods_check_record(
                unit=unit,
                line=line,
                answers={"tank": "drained"},
                happened_at=ago(1),
                actor=cast.nora,
                now=NOW,
            )

    more(2)
    few = queries_of(client, URL)
    more(6)
    assert queries_of(client, URL) == few
