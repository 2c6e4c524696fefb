"""What a next edition would change: shown before a second person releases it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from fleet.domain.dangerous_goods.answers import Decision, battery_decision, decide_item
from fleet.domain.dangerous_goods.batteries import decide_columns
from fleet.domain.dangerous_goods.columns import battery_columns
from fleet.domain.dangerous_goods.editions import Edition, edition_for
from fleet.domain.dangerous_goods.records import Battery, Item
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
    """Every (item, mode, ship date) that the new rules decide otherwise, in the order of modes, dates and items."""
    days = list(ship_dates)
    things = [item for _label, item in items]
    return [
        Change(items[place][0], old, new)
        for mode in modes
        for day in days
        for place, (old, new) in changed_items(things, mode, day, before, after).items()
    ]


def changed_items(
    items: Sequence[Item],
    mode: Mode,
    ship_date: date,
    before: Rules,
    after: Rules,
    *,
    before_on: date | None = None,
) -> dict[int, tuple[Decision, Decision]]:
    """The places of items that the new rules decide otherwise, in order, with both decisions; batteries in one pass.

    The facts are taken as given: it is the rules that differ, not what is known of an item. `before_on`: the old rules are
    asked for that day instead, to compare an edition with the one before it.
    """
    first_day = before_on or ship_date
    if _same_text(
        edition_for(mode, first_day, before.editions),
        edition_for(mode, ship_date, after.editions),
        before,
        after,
    ):
        return {}
    found: dict[int, tuple[Decision, Decision]] = {}
    places = [place for place, item in enumerate(items) if isinstance(item, Battery)]
    if places:
        columns = battery_columns([item for item in items if isinstance(item, Battery)])
        old = decide_columns(columns, mode, first_day, rules=before)
        new = decide_columns(columns, mode, ship_date, rules=after)
        differs = (old.verdict != new.verdict) | (old.un != new.un) | (old.reason != new.reason)
        for row in np.flatnonzero(differs).tolist():
            found[places[row]] = (battery_decision(old, row), battery_decision(new, row))
    known: dict[Item, tuple[Decision, Decision]] = {}
    for place, item in enumerate(items):
        if isinstance(item, Battery):
            continue
        if item not in known:
            known[item] = (
                decide_item(item, mode, first_day, rules=before),
                decide_item(item, mode, ship_date, rules=after),
            )
        first, second = known[item]
        if (first.verdict, first.un, first.reason) != (second.verdict, second.un, second.reason):
            found[place] = known[item]
    return dict(sorted(found.items()))


def change_days(before: Rules, after: Rules, today: date) -> dict[Mode, tuple[date, ...]]:
    """The ship dates on which two sets of rules are compared: today, and the first day of each edition that is new.

    Only modes whose editions differ; where one is cut short, the day after its end.
    """
    days = {}
    for mode in Mode:
        old = {edition.key: edition for edition in before.editions if edition.mode is mode}
        new = {edition.key: edition for edition in after.editions if edition.mode is mode}
        if old != new:
            firsts = {edition.valid_from for key, edition in new.items() if key not in old}
            firsts |= {edition.valid_from for key, edition in old.items() if key not in new}
            days[mode] = tuple(sorted({today, *firsts}))
    return days


def _same_text(old: Edition | None, new: Edition | None, before: Rules, after: Rules) -> bool:
    """Whether both decide alike whatever the item: what an edition says lies in its flags and its goods table alone."""
    if old is None or new is None:
        return old is new
    return (
        old.soc_packed_with_mandatory == new.soc_packed_with_mandatory
        and old.soc_vehicle_mandatory == new.soc_vehicle_mandatory
        and before.tables[old.goods_table] == after.tables[new.goods_table]
    )
