"""Facts of dangerous goods as one line of text, for a cell of a sheet: ``chemistry=li_ion; wh=12.5``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from fleet.domain.dangerous_goods.entered import DATED, WORDS_OF
from fleet.domain.dangerous_goods.records import KINDS
from fleet.lib.errors import DomainError

TYPE_OF: dict[str, str] = {
    field.name: str(field.type).partition(" ")[0] for record in KINDS.values() for field in fields(record)
}
YES_NO = {"yes": True, "no": False, "true": True, "false": False}
_NUMBER = re.compile(r"-?\d+(\.\d+)?\Z")


def facts_from_text(text: str) -> dict[str, Any]:
    """The facts of a text, each as number, word or yes/no as its name asks; 'unknown' is left out.

    Raises DomainError for a part that is no fact, a fact named twice, a number or yes/no that is none.
    """
    found: dict[str, Any] = {}
    for part in filter(None, (each.strip() for each in text.split(";"))):
        name, mark, value = (each.strip() for each in part.partition("="))
        name = re.sub(r"[\s-]+", "_", name.casefold())
        if not mark or not name or not value:
            raise DomainError(
                "goods.fact_unreadable",
                "'{part}' is no fact.",
                part=part,
                mend="Write for instance 'chemistry=li_ion; wh=12.5'.",
            )
        if name in found:
            raise DomainError(
                "goods.fact_twice", "'{name}' is told twice.", name=name, mend="Take one of the two out."
            )
        found[name] = _typed(name, value)
    return {name: value for name, value in found.items() if value != "unknown"}


def _typed(name: str, value: str) -> Any:
    kind = "str" if value.casefold() == "unknown" else TYPE_OF.get(name, "str")
    if kind == "float":
        if not _NUMBER.match(value):
            raise DomainError(
                "goods.not_a_number",
                "{name}: '{value}' is not a number.",
                name=name,
                value=value,
                mend="Write digits with a point for the decimals, and no unit: the name of the fact says it.",
            )
        return float(value)
    if kind == "bool":
        if value.casefold() not in YES_NO:
            raise DomainError(
                "goods.not_yes_no",
                "{name}: '{value}' is neither yes nor no.",
                name=name,
                value=value,
                mend="Write yes, no or unknown.",
            )
        return YES_NO[value.casefold()]
    return "unknown" if value.casefold() == "unknown" else value


def text_of_facts(facts: Mapping[str, Any]) -> str:
    """Facts as `facts_from_text` reads them, by name."""
    return "; ".join(f"{name}={_shown(value)}" for name, value in sorted(facts.items()))


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        text = f"{value:.15g}"
        return f"{value:.15f}".rstrip("0") if "e" in text else text
    return str(value)


def facts_asked(kind: str) -> str:
    """The standing facts of a kind with the words each may have, for the help beside the column."""
    told = []
    for field in fields(KINDS[kind]):
        if field.name in DATED.get(kind, frozenset()):
            continue
        words = WORDS_OF.get(kind, {}).get(field.name)
        if words is None and TYPE_OF[field.name] == "bool":
            words = ("yes", "no")
        told.append(f"{field.name} ({'/'.join(words)})" if words else field.name)
    return ", ".join(told)
