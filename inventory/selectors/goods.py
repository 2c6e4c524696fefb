"""What stands on a unit's list of goods: its banks, what is aboard or in its kit, its own lines; and what items are."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db.models import Exists, OuterRef, QuerySet

from fleet.models import BankStay, Unit
from inventory.models import Balance, DesignItem, FittedPart, GoodsKind, GoodsLine, Item
from inventory.selectors.spots import day_at


def goods_keys(unit: Unit, *, now: dt.datetime) -> list[str]:
    """`bank:<serial>`, `item:<code>`, `line:<pk>`, sorted. An item said to be none is left out. Six queries."""
    return goods_keys_of([unit], now=now)[unit.pk]


def goods_keys_of(units: Collection[Unit], *, now: dt.datetime) -> dict[int, list[str]]:
    """`goods_keys` of several units, by unit. Six queries; the homes of the units are loaded."""
    ids = [unit.pk for unit in units]
    keys: dict[int, set[str]] = {pk: set() for pk in ids}
    banks = BankStay.objects.current().filter(unit__in=ids)
    for unit_id, serial in banks.values_list("unit_id", "bank__serial"):
        keys[unit_id or 0].add(f"bank:{serial}")
    aboard = Balance.objects.filter(unit__in=ids, qty__gt=0)
    fitted = FittedPart.objects.filter(unit__in=ids, removed_at__isnull=True)
    items = {
        *aboard.values_list("unit_id", "lot__item_id"),
        *fitted.values_list("unit_id", "lot__item_id"),
    }
    kit = DesignItem.objects.filter(
        design__in={unit.design_id for unit in units}, purpose=DesignItem.Purpose.KIT
    )
    spans = list(kit.values_list("design_id", "item_id", "valid_from", "valid_to"))
    for unit in units:
        day = day_at(unit, now)
        items |= {
            (unit.pk, item)
            for design, item, since, until in spans
            if design == unit.design_id and since <= day and (until is None or until >= day)
        }
    listed = Item.objects.filter(pk__in={item for _unit, item in items}).exclude(goods__kind=GoodsKind.NONE)
    codes = dict(listed.values_list("pk", "code"))
    for unit_id, item in items:
        if item in codes:
            keys[unit_id or 0].add(f"item:{codes[item]}")
    for unit_id, pk in GoodsLine.objects.counting().filter(unit__in=ids).values_list("unit_id", "pk"):
        keys[unit_id].add(f"line:{pk}")
    return {pk: sorted(found) for pk, found in keys.items()}


def goods_names(keys: Collection[str]) -> dict[str, str]:
    """What the lines are called for people, by key: those taken off the list too. Two queries at most."""
    parted = {key: key.partition(":")[::2] for key in keys}
    lines = {int(name) for kind, name in parted.values() if kind == "line" and name.isdecimal()}
    codes = {name for kind, name in parted.values() if kind == "item"}
    labels = dict(GoodsLine.objects.filter(pk__in=lines).values_list("pk", "label")) if lines else {}
    items = dict(Item.objects.filter(code__in=codes).values_list("code", "name")) if codes else {}
    names = {}
    for key, (kind, name) in parted.items():
        if kind == "line" and name.isdecimal():
            names[key] = labels.get(int(name), key)
        else:
            names[key] = items.get(name, name) if kind == "item" else name
    return names


def items_said(day: dt.date) -> QuerySet[Item]:
    """Every item with what was said of it (`goods`, None: nothing). Adds `is_aboard` and `in_kit`: some unit carries it, a
    bill in force on `day` has it in the kit. One query.
    """
    aboard = Balance.objects.filter(lot__item=OuterRef("pk"), unit__isnull=False, qty__gt=0)
    fitted = FittedPart.objects.filter(lot__item=OuterRef("pk"), removed_at__isnull=True)
    kit = DesignItem.objects.valid_on(day).filter(item=OuterRef("pk"), purpose=DesignItem.Purpose.KIT)
    return Item.objects.select_related("goods").annotate(
        is_aboard=Exists(aboard) | Exists(fitted), in_kit=Exists(kit)
    )
