"""What a next edition would change: shown before a second person releases it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.domain.dangerous_goods.answers import Decision, decide_item
from fleet.domain.dangerous_goods.records import Item
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode


@dataclass(frozen=True, slots=True)
class Change:
    """One item whose verdict, number or reason differs on a ship date."""

    label: str
    before: Decision
    after: Decision


def changed_verdicts(
    items: Sequence[tuple[str, Item]],
    modes: Iterable[Mode],
    ship_dates: Iterable[date],
    before: Rules,
    after: Rules,
) -> list[Change]:
    """Every (item, mode, ship date) that the new rules decide otherwise, in the order given."""
    days = list(ship_dates)
    found = []
    for mode in modes:
        for day in days:
            for label, item in items:
                old = decide_item(item, mode, day, rules=before)
                new = decide_item(item, mode, day, rules=after)
                if (old.verdict, old.un, old.reason) != (new.verdict, new.un, new.reason):
                    found.append(Change(label, old, new))
    return found
