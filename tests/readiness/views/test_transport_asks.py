"""What is missing leads to the page that takes it, for who may write there: from the sheet and from the list of goods."""

import html
import re

import pytest

from fleet.domain.dangerous_goods.asked import facts_of_bank
from fleet.domain.dangerous_goods.records import Battery
from inventory.services.goods import goods_check_record, goods_line_add, item_goods_save
from readiness.selectors.goods_list import goods_page
from readiness.selectors.transport import load_transport
from readiness.web.transport_asks import BANK_LOOKED_AT, asks_of, fact_url
from tests.factories.fleet import NOW, TODAY, BankFactory, PackedFormFactory, UnitFactory, ago
from tests.factories.inventory import ItemFactory, aboard

pytestmark = pytest.mark.django_db
BOXES = {
    "config",
    "host",
    "un383",
    "wh",
    "vib_pressure_ok",
    "package_gross_kg",
    "net_mass_kg",
    "ctu_gross_kg",
}  # on the form of a bank
SHEET, LIST = "/units/MW-1/transport/", "/units/MW-1/transport/goods/"


@pytest.fixture
def unit(cast):
    unit = UnitFactory(tag="MW-1", home=cast.north)
    PackedFormFactory(design=unit.design)
    bank = BankFactory(unit=unit, serial="B/1", chemistry="lfp")
    goods_check_record(
        unit=unit, bank=bank, answers={"condition": "ok"}, happened_at=ago(1), actor=None, now=NOW
    )
    return unit


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def links(answer) -> set[str]:
    return {html.unescape(url) for url in re.findall(r'href="([^"]*)"', answer.content.decode())}


@pytest.mark.parametrize("page", [SHEET, LIST])
def test_every_missing_fact_leads_to_its_box_and_back(cast, signed_in, unit, page) -> None:
    aboard(unit, item=ItemFactory(code="X/1"))
    lamp = aboard(unit, item=ItemFactory(code="LAMP")).item
    item_goods_save(item=lamp, kind="lamp", attributes={"radioactive": False}, actor=None)
    client = signed_in(cast.ada)
    answer = client.get(page)
    next_ = f"next={page.replace('/', '%2F')}"
    wanted = {
        f"/banks/B/1/transport/?fact=un383&{next_}#id_un383",
        f"/stores/goods/X/1/?{next_}",
        f"/stores/goods/LAMP/?fact=hg_g_each&{next_}#id_hg_g_each",
    }
    assert wanted <= links(answer)
    assert "the word of what it is" in text(answer)
    for url in wanted:
        there = client.get(url.partition("#")[0])
        assert there.status_code == 200
        box = url.partition("#id_")[2]
        if box:
            assert f'id="id_{box}"' in there.content.decode()


def test_what_was_not_looked_at_leads_to_the_look(cast, signed_in, unit) -> None:
    body = links(signed_in(cast.nora).get(SHEET))
    assert f"{LIST}check/?about=bank%3AB%2F1&next=%2Funits%2FMW-1%2Ftransport%2F" in body


@pytest.mark.parametrize(
    ("who", "bank", "item"),
    [
        ("manager", True, True),
        ("procurement", False, True),
        ("other_manager", False, True),
        ("viewer", False, False),
    ],
)
def test_only_who_may_write_gets_the_link(cast, signed_in, unit, who, bank, item) -> None:
    aboard(unit, item=ItemFactory(code="X"))
    for page in (SHEET, LIST):
        found = links(signed_in(cast.roles()[who]).get(page))
        assert any(url.startswith("/banks/B/1/transport/") for url in found) == bank
        assert any(url.startswith("/stores/goods/X/") for url in found) == item


def test_every_fact_of_a_bank_has_a_page(cast, signed_in) -> None:
    unit = UnitFactory(tag="MW-2", home=cast.north)
    client = signed_in(cast.nora)
    for chemistry in ("lfp", "vrla_gel", "flooded_sb", "nimh", "nicd_sealed"):
        BankFactory(unit=unit, serial=f"B-{chemistry}", chemistry=chemistry, position=chemistry)
        facts = {*facts_of_bank(chemistry), *BANK_LOOKED_AT, "soc_pct"}
        for fact in sorted(facts):
            url = fact_url("MW-2", f"bank:B-{chemistry}", fact, "unit-transport")
            page = client.get(url.partition("#")[0])
            assert page.status_code == 200, (chemistry, fact)
            assert f'id="{url.partition("#")[2]}"' in page.content.decode() or fact not in BOXES, fact


def test_a_battery_of_the_stores_says_what_no_check_can_tell(unit) -> None:
    item = aboard(unit, item=ItemFactory(code="PHONE")).item
    item_goods_save(item=item, kind="battery", attributes={"chemistry": "li_ion"}, actor=None)
    row = next(row for row in goods_page(unit, now=NOW).rows if row.key == "item:PHONE")
    assert {"condition", "terminals_protected"} <= set(row.missing)
    asks = asks_of("MW-1", row.key, ("condition", "wh"), unsaid=False)
    assert [bool(ask.url) for ask in asks] == [False, True]


def test_tick_lists_are_looked_at_on_an_own_line_too(cast, signed_in, unit) -> None:
    line = goods_line_add(
        unit=unit,
        label="Spare start battery",
        kind="battery",
        attributes={
            "chemistry": "lead_acid",
            "wet_type": "flooded",
            "config": "alone",
            "package_gross_kg": 20.0,
        },
        happened_at=ago(2),
        actor=None,
        now=NOW,
    )
    body = signed_in(cast.nora).get(f"{LIST}check/?about=line:{line.pk}").content.decode()
    assert 'name="ticks_adr"' in body

    def ticked() -> tuple[bool | None, bool | None]:
        (record,) = load_transport([unit], ship_date=TODAY, now=NOW)
        item = record.items[record.keys.index(f"line:{line.pk}")].item
        assert isinstance(item, Battery)
        return item.sp598_ok, item.us_159e_ok

    look = {"unit": unit, "line": line, "happened_at": ago(1), "actor": None, "now": NOW}
    goods_check_record(answers={"condition": "ok", "terminals": "yes"}, **look)
    assert ticked() == (None, None)
    goods_check_record(answers={"ticks_adr": "yes", "ticks_us": "no"}, **look)
    assert ticked() == (True, False)


def test_rules_that_are_not_held_are_no_fact_of_a_bank() -> None:
    for key in ("bank:B/1", "item:X", "line:3", ""):
        (ask,) = asks_of("MW-1", key, ("edition",), unsaid=False)
        assert (ask.url, ask.right) == ("/transport/rules/", "view")
