"""What an item is to the transport rules, in words."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from fleet.web.goods_words import fact_words, value_words
from inventory.models import GoodsKind, ItemGoods


def item_goods_pairs(goods: ItemGoods | None) -> list[dict[str, Any]]:
    """Label and value of what is known; nothing while nobody has said."""
    if goods is None:
        return []
    pairs = [{"label": _("It is"), "value": goods.get_kind_display()}]
    pairs += [
        {"label": fact_words(name)[:1].upper() + fact_words(name)[1:], "value": value_words(value)}
        for name, value in goods.attributes.items()
    ]
    if goods.kind != GoodsKind.NONE:
        apart = _("yes") if goods.removable else _("no")
        pairs.append({"label": _("Can be sent apart or bought there"), "value": apart})
    return [*pairs, {"label": _("Where this is written"), "value": goods.source}]


def facts_said(goods: ItemGoods) -> str:
    """The facts on file in one line."""
    return ", ".join(f"{fact_words(name)}: {value_words(value)}" for name, value in goods.attributes.items())
