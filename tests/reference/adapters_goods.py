"""Cases of dangerous goods: from a case's attributes to the domain's records, the printed procedure, and its answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from datetime import date
from typing import Any

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.loads import LoadItem, TradeItem, adr_points, materials_of_trade
from fleet.domain.dangerous_goods.other_goods import Ruling, unknown
from fleet.domain.dangerous_goods.records import KINDS, item_from
from fleet.domain.dangerous_goods.segregation import Stowed, rule_pair
from fleet.domain.dangerous_goods.words import Mode, Verdict, mode_of, verdict_of, worst_of

Attributes = dict[str, Any]
DEFAULT_SHIP_DATE = date(2026, 6, 30)


def dangerous_goods(inputs: Attributes) -> dict[str, str]:
    attributes = dict(inputs["attributes"])
    mode = mode_of(inputs["mode"])
    kind = attributes.pop("kind")
    if kind not in KINDS:
        return _told(_OTHER_KINDS[kind](attributes, mode))
    day = attributes.pop("ship_date", None)
    ship_date = date.fromisoformat(day) if day else DEFAULT_SHIP_DATE
    decision = decide_item(item_from(kind, _of(KINDS[kind], attributes)), mode, ship_date, strict=False)
    return _told(Ruling(decision.verdict, decision.reason, decision.un))


def _of(record: type, values: Attributes) -> Attributes:
    """The values the record has a place for: a case may say more than the procedure reads."""
    return {field.name: values[field.name] for field in fields(record) if field.name in values}


def _told(ruling: Ruling) -> dict[str, str]:
    word = "unknown" if ruling.verdict is Verdict.CANNOT_DECIDE else ruling.verdict.word
    return {"verdict": word, "un": ruling.un, "reason_key": ruling.reason}


def _adr_load(attributes: Attributes, _mode: Mode) -> Ruling:
    return adr_points([LoadItem(**_of(LoadItem, item)) for item in attributes["items"]]).ruling


def _mot_load(attributes: Attributes, _mode: Mode) -> Ruling:
    renamed = [
        {("hazard_class" if k == "class" else k): v for k, v in i.items()} for i in attributes["items"]
    ]
    return materials_of_trade([TradeItem(**_of(TradeItem, item)) for item in renamed])


def _pair(attributes: Attributes, mode: Mode) -> Ruling:
    first, second = (Stowed(attributes.get(f"class_{s}"), attributes.get(f"tag_{s}")) for s in "ab")
    return rule_pair(first, second, mode)


def _unit(attributes: Attributes, _mode: Mode) -> Ruling:
    words = attributes.get("item_verdicts") or []
    if not words:
        return unknown("missing_items", "mixed")
    return Ruling(worst_of(verdict_of(word) for word in words), "worst_of", "mixed")


_OTHER_KINDS: dict[str, Callable[[Attributes, Mode], Ruling]] = {
    "adr_load": _adr_load,
    "mot_load": _mot_load,
    "pair": _pair,
    "unit": _unit,
}
