"""Facts of dangerous goods as people enter them: each one is a number, a word or a yes/no that its record knows.

What goes stale (condition, covered terminals, state of a tank) is no standing fact: it is refused here, and checked by date.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import fields
from typing import Any

from fleet.domain.dangerous_goods.engines import UN_OF_FUEL
from fleet.domain.dangerous_goods.entries import BATTERY_ENTRIES, un_digits
from fleet.domain.dangerous_goods.records import KINDS, WORDS, item_from
from fleet.lib.errors import DomainError

WORDS_OF: dict[str, dict[str, tuple[str, ...]]] = {
    "battery": WORDS,
    "goods": {"pg": ("I", "II", "III")},
    "carbon": {"activation": ("steam", "chemical"), "n4_result": ("pass", "fail")},
    "nadcc": {"form": ("anhydrous", "dihydrate")},
    "engine": {"fuel": tuple(UN_OF_FUEL)},
}
DATED: dict[str, frozenset[str]] = {
    "battery": frozenset(
        {
            "condition",
            "terminals_protected",
            "upright_secured",
            "sp598_ok",
            "us_159e_ok",
            "soc_pct",
            "indicated_pct",
        }
    ),
    "engine": frozenset({"fuel_state", "tank_fill_pct", "fuel_l"}),
}


def entered_facts(kind: str, attributes: Mapping[str, Any], held_un: Collection[str]) -> dict[str, Any]:
    """The facts of a kind as they are kept: without what is not known, UN numbers as four digits.

    `held_un`: UN numbers (four digits) of the goods table. Raises DomainError naming the fact and the mend.
    """
    if not isinstance(attributes, Mapping):
        raise DomainError("goods.not_facts", "Write the facts by their names, each with its value.")
    item_from(kind, dict(attributes))
    dated = DATED.get(kind, frozenset())
    types = {field.name: str(field.type).partition(" ")[0] for field in fields(KINDS[kind])}
    kept = {name: value for name, value in attributes.items() if value not in (None, "", "unknown")}
    for name, value in kept.items():
        if name in dated:
            raise DomainError(
                "goods.dated",
                "{name}: this goes stale. Record it as a check with its date, not as a standing fact.",
                name=name,
            )
        CHECKS[types[name]](name, value)
        words = WORDS_OF.get(kind, {}).get(name)
        if words is not None and value not in words:
            raise DomainError(
                "goods.word_unknown",
                "{name}: '{value}' is not known. Choose one of: {words}.",
                name=name,
                value=value,
                words=", ".join(words),
            )
    if "un" in kept:
        kept["un"] = entered_un(kept["un"], held_un)
    return kept


def entered_un(text: str, held_un: Collection[str]) -> str:
    """A UN number as four digits, or 'none'. Raises DomainError for one that the table does not hold."""
    un = un_digits(text)
    if un.lower() == "none":
        return "none"
    if un in BATTERY_ENTRIES:
        raise DomainError(
            "goods.un_of_battery",
            "un: UN {un} is a battery or what it powers. Enter it as a battery, so that its own rules are asked.",
            un=un,
        )
    if un not in held_un:
        raise DomainError(
            "goods.un_unknown",
            "un: '{un}' is not in the table of goods. Type the four digits of the safety sheet, section 14, "
            "or 'none' if it says that the thing is not regulated.",
            un=un,
        )
    return un


def _number(name: str, value: Any) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise DomainError(
            "goods.not_a_number", "{name}: '{value}' is not a number.", name=name, value=str(value)
        )
    if value < 0:
        raise DomainError(
            "goods.negative",
            "{name}: {value} is less than 0. Type what was measured.",
            name=name,
            value=value,
        )
    if name.endswith("_pct") and value > 100:
        raise DomainError("goods.over_100", "{name}: {value} is more than 100 %.", name=name, value=value)


def _word(name: str, value: Any) -> None:
    if not isinstance(value, str):
        raise DomainError("goods.not_a_word", "{name}: '{value}' is not a word.", name=name, value=str(value))


def _yes_no(name: str, value: Any) -> None:
    if not isinstance(value, bool):
        raise DomainError(
            "goods.not_yes_no", "{name}: '{value}' is neither yes nor no.", name=name, value=str(value)
        )


CHECKS: dict[str, Callable[[str, Any], None]] = {"float": _number, "str": _word, "bool": _yes_no}
