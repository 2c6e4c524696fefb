"""What an answer says is missing, each with the page on which it is written down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.web.goods_words import fact_words

# Facts that a dated look answers, at a bank or at a line of the list.
LOOKED_AT = frozenset({"condition", "terminals_protected", "upright_secured"})
BANK_LOOKED_AT = LOOKED_AT | {"sp598_ok", "us_159e_ok"}
LINE_LOOKED_AT = BANK_LOOKED_AT | {"fuel_state", "tank_fill_pct", "fuel_l", "soc_pct", "indicated_pct"}
CHARGE = frozenset({"soc_pct", "indicated_pct"})
# What a battery bank's record of transport holds, where the box is called otherwise than the fact.
BOX_OF = {"wh": "declared_wh"}
EDITION = "edition"  # no fact of the thing: the rules for that day are not held


@dataclass(frozen=True)
class Ask:
    """A missing fact in words; `url` is '' where no page can take it, `right` is what a person needs to write there."""

    words: str
    url: str
    right: str


def missing_words(facts: Iterable[str], *, unsaid: bool = False) -> tuple[str, ...]:
    """What is missing of one line, in words: for the sheet, the PDF, the API, one load and the list of goods alike."""
    return (_("the word of what it is"),) if unsaid else tuple(fact_words(fact) for fact in facts)


def asks_of(
    tag: str, key: str, facts: tuple[str, ...], *, unsaid: bool, back: str = "unit-transport"
) -> tuple[Ask, ...]:
    """The missing facts of one line of a unit. `key` as in the list of goods; '' is the list itself. `unsaid`: nobody has
    said what the item is, so that there is one question only. `back`: the page of the unit to come back to.
    """
    kind, _colon, name = key.partition(":")
    if not key:
        page = reverse("readiness:rules-list") if EDITION in facts else _page("unit-goods-show", tag)
        return (Ask(", ".join(missing_words(facts)), page, "view"),) if facts else ()
    if kind == "item" and unsaid:
        (words,) = missing_words(facts, unsaid=True)
        return (Ask(words, item_url(tag, name, "", back), "stock"),)
    return tuple(
        Ask(words, fact_url(tag, key, fact, back), "view" if fact == EDITION else _right(kind))
        for fact, words in zip(facts, missing_words(facts), strict=True)
    )


def _right(kind: str) -> str:
    return "stock" if kind == "item" else "upkeep"


def fact_url(tag: str, key: str, fact: str, back: str) -> str:
    """The address that lands on the box of a fact."""
    if fact == EDITION:
        return reverse("readiness:rules-list")
    kind, _colon, name = key.partition(":")
    if kind == "bank":
        if fact in CHARGE:
            return _with(reverse("readiness:bank-reading-record", args=[name]), tag, back)
        if fact in BANK_LOOKED_AT:
            return _look(tag, key, back)
        box = BOX_OF.get(fact, fact)
        return (
            _with(reverse("readiness:bank-transport-edit", args=[name]), tag, back, fact=box) + f"#id_{box}"
        )
    if kind == "line":
        return _look(tag, key, back) if fact in LINE_LOOKED_AT else _page("unit-goods-show", tag)
    return "" if fact in LINE_LOOKED_AT else item_url(tag, name, fact, back)


def item_url(tag: str, code: str, fact: str, back: str) -> str:
    """Where it is said what an item is; `fact` '' for the question what it is at all."""
    asked = {"fact": fact} if fact else {}
    url = _with(reverse("inventory:item-goods-edit", args=[code]), tag, back, **asked)
    return f"{url}#id_{fact}" if fact else url


def _look(tag: str, key: str, back: str) -> str:
    return _with(_page("unit-goods-check-record", tag), tag, back, about=key)


def _page(name: str, tag: str) -> str:
    return reverse(f"readiness:{name}", args=[tag])


def _with(url: str, tag: str, back: str, **more: str) -> str:
    """The address with the way back."""
    return f"{url}?{urlencode({**more, 'next': _page(back, tag)})}"
