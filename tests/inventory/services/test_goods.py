"""The list of dangerous goods: what is put on it, looked at, said to be complete, and what an item of the stores is."""

import uuid
from typing import Any

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from fleet.services import changes
from fleet.services.versions import Conflict
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck, ItemGoods
from inventory.selectors.goods import goods_keys
from inventory.services.goods import (
    ListChanged,
    goods_check_record,
    goods_line_add,
    goods_line_strike,
    goods_list_confirm,
    item_goods_save,
    units_with,
)
from tests.factories.fleet import NOW, BankFactory, UnitFactory, UserFactory, ago
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard, in_store

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
WHO: dict[str, Any] = {"actor": None, "now": NOW}


@pytest.fixture
def unit():
    return UnitFactory(tag="MW-1")


def phone(unit, **given):
    values = {
        "label": "Phone",
        "kind": "battery",
        "attributes": {"chemistry": "li_ion"},
        "happened_at": ago(1),
    }
    return goods_line_add(unit=unit, **(values | WHO | given))


def refused(key, call, **given) -> DomainError:
    kept = [list(model.objects.order_by("pk").values()) for model in (GoodsLine, GoodsCheck, GoodsListCheck)]
    with pytest.raises(DomainError) as caught:
        call(**(WHO | given))
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    now = [list(model.objects.order_by("pk").values()) for model in (GoodsLine, GoodsCheck, GoodsListCheck)]
    assert kept == now
    return caught.value


def test_a_line_is_put_on_once_and_told_to_the_audit(unit) -> None:
    actor, token = UserFactory(), uuid.uuid4()
    rows = [
        phone(unit, label=" Phone ", attributes={"chemistry": "li_ion", "wh": None}, actor=actor, token=token)
        for _tap in range(2)
    ]
    assert rows[0] == rows[1] == GoodsLine.objects.get()
    assert (rows[0].label, rows[0].attributes, rows[0].recorded_by) == (
        "Phone",
        {"chemistry": "li_ion"},
        actor,
    )
    entry = AuditEntry.objects.get(action="goodsline.add")
    assert (entry.unit, entry.actor) == (unit, actor)


@pytest.mark.parametrize(
    ("given", "key"),
    [
        ({"label": "  "}, "goods.no_label"),
        ({"kind": "none", "attributes": {}}, "goods.line_of_none"),
        ({"attributes": {"condition": "ok"}}, "goods.dated"),
        ({"attributes": {"colour": "blue"}}, "goods.attribute_unknown"),
        ({"kind": "goods", "attributes": {"un": "9999"}}, "goods.un_unknown"),
        ({"happened_at": ago(-1)}, "record.in_future"),
        ({"pieces": 0}, "record.field"),
        ({"mass_kg": 0.0}, "record.refused"),
        ({"mass_kg": float("nan")}, "record.not_a_number"),
    ],
)
def test_a_line_that_cannot_be_is_refused(unit, given, key) -> None:
    refused(key, lambda **more: phone(unit, **(more | given)))


def test_a_look_at_a_bank_is_all_or_none_and_once(unit) -> None:
    bank, token = BankFactory(unit=unit), uuid.uuid4()
    answers = {"condition": "ok", "terminals": "yes"}
    for _tap in range(2):
        rows = goods_check_record(
            unit=unit, bank=bank, answers=answers, happened_at=ago(0.5), token=token, **WHO
        )
    assert [(row.kind, row.answer) for row in rows] == [("condition", "ok"), ("terminals", "yes")]
    assert GoodsCheck.objects.count() == 2
    about = {"unit": unit, "bank": bank, "happened_at": ago(0.5)}
    refused("goods.nothing_checked", goods_check_record, answers={}, **about)
    refused("record.refused", goods_check_record, answers={"condition": "ok", "upright": "damaged"}, **about)
    refused("goods.check_does_not_fit", goods_check_record, answers={"tank": "drained"}, **about)
    other = BankFactory(unit=UnitFactory())
    refused(
        "goods.bank_elsewhere", goods_check_record, answers={"condition": "ok"}, **(about | {"bank": other})
    )


def test_the_charge_is_said_of_a_battery_on_a_line_and_of_nothing_else(unit) -> None:
    pack = phone(unit, label="Spare pack")
    about = {"unit": unit, "line": pack, "happened_at": ago(0.5)}
    (row,) = goods_check_record(answers={"charge": "measured"}, soc_pct=28.0, **about, **WHO)
    assert (row.soc_pct, row.fill_pct) == (28.0, None)
    for soc_pct in (None, -1.0, 100.5, float("nan")):
        refused(
            "goods.charge_not_said",
            goods_check_record,
            answers={"charge": "measured"},
            soc_pct=soc_pct,
            **about,
        )
    engine = phone(unit, label="Pump", kind="engine", attributes={"fuel": "diesel"})
    bank = BankFactory(unit=unit)
    for subject in ({"line": engine}, {"line": None, "bank": bank}):
        refused(
            "goods.check_does_not_fit",
            goods_check_record,
            answers={"charge": "measured"},
            soc_pct=28.0,
            **(about | subject),
        )


def test_a_look_belongs_to_a_line_that_still_counts(unit) -> None:
    engine = phone(unit, label="Pump", kind="engine", attributes={"fuel": "diesel"})
    (row,) = goods_check_record(
        unit=unit,
        line=engine,
        answers={"tank": "in_tank"},
        fill_pct=40.0,
        fuel_l=8.0,
        happened_at=ago(0.5),
        **WHO,
    )
    assert (row.fill_pct, row.fuel_l) == (40.0, 8.0)
    about = {"unit": unit, "line": engine, "happened_at": ago(0.5)}
    refused("goods.check_does_not_fit", goods_check_record, answers={"condition": "ok"}, **about)
    refused("record.field", goods_check_record, answers={"tank": "in_tank"}, fill_pct=101.0, **about)
    refused(
        "goods.line_elsewhere",
        goods_check_record,
        answers={"tank": "drained"},
        **(about | {"unit": UnitFactory()}),
    )
    goods_line_strike(line=engine, reason="sold", **WHO)
    refused("goods.line_taken_off", goods_check_record, answers={"tank": "drained"}, **about)


def test_the_list_is_confirmed_as_it_was_shown_or_not_at_all(unit) -> None:
    bank, line = BankFactory(unit=unit), phone(unit)
    lot = aboard(unit)
    item = lot.item
    keys = sorted([f"bank:{bank.serial}", f"item:{item.code}", f"line:{line.pk}"])
    assert goods_keys(unit, now=NOW) == keys
    gone = refused("goods.list_changed", goods_list_confirm, unit=unit, keys_shown=[*keys, "line:0"])
    assert isinstance(gone, ListChanged)
    assert (gone.came, gone.gone) == ([], ["line:0"])
    came = refused("goods.list_changed", goods_list_confirm, unit=unit, keys_shown=keys[:-1])
    assert isinstance(came, ListChanged)
    assert (came.came, came.gone) == (keys[-1:], [])
    token = uuid.uuid4()
    for _tap in range(2):
        row = goods_list_confirm(unit=unit, keys_shown=keys, token=token, **WHO)
    assert (row.keys, row.happened_at, GoodsListCheck.objects.count()) == (keys, NOW, 1)


def test_the_keys_leave_out_what_is_none_what_is_ashore_and_what_was_taken_off(unit) -> None:
    none, other = ItemFactory(), ItemFactory()
    item_goods_save(item=none, kind="none", actor=None)
    aboard(unit, item=none)
    in_store(5, item=other)
    kit = DesignItemFactory(design=unit.design, item=ItemFactory())
    goods_line_strike(line=phone(unit), reason="sold", **WHO)
    assert goods_keys(unit, now=NOW) == [f"item:{kit.item.code}"]


def test_what_an_item_is_is_said_once_and_changed_against_what_was_seen(unit, monkeypatch) -> None:
    item = aboard(unit).item
    told: list[frozenset[int]] = []
    monkeypatch.setattr(changes, "_markers", [lambda ids: told.append(frozenset(ids))])
    row = item_goods_save(item=item, kind="goods", attributes={"un": "UN 2880"}, actor=None)
    assert (row.attributes, row.version, told) == ({"un": "2880"}, 1, [frozenset({unit.pk})])
    changed = item_goods_save(item=item, kind="none", attributes={"un": "2880"}, actor=None, seen_version=1)
    assert (changed.kind, changed.attributes, changed.version) == ("none", {}, 2)
    with pytest.raises(Conflict):
        item_goods_save(item=item, kind="lamp", actor=None, seen_version=1)
    with pytest.raises(Conflict):
        item_goods_save(item=item, kind="lamp", actor=None)
    assert ItemGoods.objects.get().kind == "none"
    actions = AuditEntry.objects.filter(action__startswith="itemgoods").order_by("id")
    assert [entry.action for entry in actions] == ["itemgoods.add", "itemgoods.edit"]


def test_units_with_an_item_carry_it_or_have_it_on_the_bill(unit) -> None:
    item = aboard(unit).item
    on_bill = UnitFactory()
    DesignItemFactory(design=on_bill.design, item=item)
    stranger = UnitFactory()
    found = units_with(item)
    assert {unit.pk, on_bill.pk} <= found
    assert (stranger.pk in found) == (stranger.design_id == on_bill.design_id)


def test_only_who_keeps_the_stores_of_all_depots_says_what_an_item_is(cast) -> None:
    """What an item is counts in every depot: the keeper of one is refused by the service, whatever page asked."""
    item = ItemFactory()
    for actor in (cast.nora, cast.vera, cast.dina, cast.stig):
        with pytest.raises(DomainError) as refused:
            item_goods_save(item=item, kind="lamp", actor=actor)
        assert refused.value.key == "goods.may_not_say"
    assert not ItemGoods.objects.exists()
    item_goods_save(item=item, kind="lamp", actor=cast.percy)
    assert ItemGoods.objects.get().kind == "lamp"
