"""What stands on a unit's list of goods: its banks, what is aboard or in its kit, its own lines; and what items are."""

from __future__ import annotations

import datetime as dt

from django.db.models import Exists, OuterRef, QuerySet

from fleet.models import BankStay, Unit
from inventory.models import Balance, DesignItem, FittedPart, GoodsKind, GoodsLine, Item
from inventory.selectors.spots import day_at


def goods_keys(unit: Unit, *, now: dt.datetime) -> list[str]:
    """`bank:<serial>`, `item:<code>`, `line:<pk>`, sorted. An item said to be none is left out. Six queries."""
    banks = BankStay.objects.current().filter(unit=unit).values_list("bank__serial", flat=True)
    items = {
        *Balance.objects.filter(unit=unit, qty__gt=0).values_list("lot__item_id", flat=True),
        *FittedPart.objects.filter(unit=unit, removed_at__isnull=True).values_list("lot__item_id", flat=True),
        *unit.design.bill.valid_on(day_at(unit, now)).filter(purpose="kit").values_list("item_id", flat=True),
    }
    listed = Item.objects.filter(pk__in=items).exclude(goods__kind=GoodsKind.NONE)
    lines = GoodsLine.objects.counting().filter(unit=unit).values_list("pk", flat=True)
    return sorted(
        [
            *(f"bank:{serial}" for serial in banks),
            *(f"item:{code}" for code in listed.values_list("code", flat=True)),
            *(f"line:{pk}" for pk in lines),
        ]
    )


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
