"""A whole unit in one mode: every line is kept, the worst decides, the order says nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.domain.dangerous_goods.answers import Decision, decide_items, explained
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.other_goods import unknown
from fleet.domain.dangerous_goods.records import Item
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import Mode, Verdict, worst_of


@dataclass(frozen=True, slots=True)
class UnitItem:
    """One thing aboard or in the kit; `removable` things could be shipped apart or bought at the destination.

    `total_qty` is all of it, in `total_unit` ('kg' or 'L', '' for the unit of its table entry), `gross_kg` all of it with
    its packaging: a whole vehicle is judged by these, a package by the record. None: not known.
    """

    label: str
    item: Item
    removable: bool = False
    total_qty: float | None = None
    total_unit: str = ""
    gross_kg: float | None = None


@dataclass(frozen=True, slots=True)
class UnitDecision:
    """The verdict of a unit with every line; `deciding` are the labels of the worst lines."""

    mode: Mode
    verdict: Verdict
    lines: tuple[tuple[str, Decision], ...]
    deciding: tuple[str, ...]
    ship_apart: tuple[str, ...]
    without_them: Verdict | None

    @property
    def missing(self) -> tuple[tuple[str, str], ...]:
        """Every missing fact as (label, fact)."""
        return tuple((label, fact) for label, decision in self.lines for fact in decision.missing)


def judge_unit(
    items: Sequence[UnitItem],
    mode: Mode,
    ship_date: date,
    *,
    list_confirmed: bool,
    rules: Rules | None = None,
    strict: bool = True,
    decided: Mapping[Item, Decision] | None = None,
) -> UnitDecision:
    """The unit as its worst item. A list nobody confirmed complete, or an empty one, cannot be decided.

    `ship_apart` names removable items without which the verdict would be better; `without_them` is that verdict.
    `decided`: decisions on its items for this mode and day that are known already.
    """
    held = [entry.item for entry in items]
    if decided is None:
        decisions = decide_items(held, mode, ship_date, rules=rules, strict=strict)
    else:
        decisions = [decided[item] for item in held]
    lines = [(entry.label, decision) for entry, decision in zip(items, decisions, strict=True)]
    edition = edition_for(mode, ship_date, (rules or held_rules()).editions)
    for missing, reason in ((not items, "missing_items"), (not list_confirmed, "goods_list_unconfirmed")):
        if missing:
            lines.append(("", explained(unknown(reason, "mixed", "goods_list"), mode, ship_date, edition)))
    verdict = worst_of(decision.verdict for _label, decision in lines)
    deciding = tuple(label for label, decision in lines if decision.verdict == verdict)
    apart, without = _ship_apart(items, lines, verdict)
    return UnitDecision(mode, verdict, tuple(lines), deciding, apart, without)


def _ship_apart(
    items: Sequence[UnitItem], lines: Sequence[tuple[str, Decision]], verdict: Verdict
) -> tuple[tuple[str, ...], Verdict | None]:
    fixed = [
        decision.verdict
        for place, (_label, decision) in enumerate(lines)
        if place >= len(items) or not items[place].removable
    ]
    rest = max(fixed, default=Verdict.NOT_RESTRICTED)
    if rest >= verdict:
        return (), None
    apart = tuple(
        entry.label
        for entry, (_label, decision) in zip(items, lines, strict=False)
        if entry.removable and decision.verdict > rest
    )
    return apart, rest
