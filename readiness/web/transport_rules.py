"""Editions of the rules in words: what is held and through when, what waits, and what an edition changes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.domain.dangerous_goods.answers import reasons
from fleet.domain.dangerous_goods.editions import Edition
from fleet.domain.dangerous_goods.loaded import TableFaults, check_tables
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import mode_of, verdict_of
from fleet.domain.transport.answers import MODES
from fleet.lib.errors import DomainError
from fleet.models import RuleEdition
from fleet.selectors.editions import tables_of
from fleet.web.days import day_words
from readiness.rules_words import MODE_WORDS, ending_words
from readiness.web.transport import VERDICT_WORDS


@dataclass(frozen=True)
class HeldEdition:
    name: str
    first: str
    last: str
    goods_table: str
    source: str
    shipped: bool
    now: bool


@dataclass(frozen=True)
class HeldMode:
    """The editions of one mode. `warning` is empty while the last one reaches far enough."""

    title: str
    editions: tuple[HeldEdition, ...]
    warning: str


def held_modes(rules: Rules, today: dt.date) -> list[HeldMode]:
    """Every mode with its editions by day, and what there is to warn of."""
    shipped = {edition.key for edition in held_rules().editions}
    return [
        HeldMode(
            str(MODE_WORDS[mode]),
            tuple(
                _held(edition, edition.key in shipped, today)
                for edition in rules.editions
                if edition.mode is mode
            ),
            ending_words(rules, mode, today),
        )
        for mode in MODES
    ]


def _held(edition: Edition, shipped: bool, today: dt.date) -> HeldEdition:
    last = day_words(edition.valid_to) or str(_("no end: amended as it runs"))
    first = day_words(edition.valid_from)
    return HeldEdition(
        edition.name, first, last, edition.goods_table, edition.source, shipped, edition.holds_on(today)
    )


@dataclass(frozen=True)
class EditionRow:
    """One loading in a list."""

    pk: int
    name: str
    state: str
    waiting: bool
    covers: str
    loaded: str
    by: str
    since: str


def edition_rows(editions: Iterable[RuleEdition]) -> list[EditionRow]:
    return [
        EditionRow(
            edition.pk,
            edition.name,
            str(edition.get_state_display()),
            edition.state == RuleEdition.State.LOADED,
            covers_words(edition),
            day_words(edition.loaded_at.date()),
            str(edition.loaded_by),
            _since(edition),
        )
        for edition in editions
    ]


def covers_words(edition: RuleEdition) -> str:
    """Each mode with its first day."""
    return "; ".join(
        str(
            _("%(mode)s from %(day)s")
            % {"mode": MODE_WORDS[mode_of(mode)], "day": day_words(dt.date.fromisoformat(first))}
        )
        for mode, first in edition.covers
    )


def _since(edition: RuleEdition) -> str:
    if edition.state == RuleEdition.State.RELEASED and edition.released_at:
        words, at, who = _("released %(day)s by %(who)s"), edition.released_at, edition.released_by
    elif edition.state == RuleEdition.State.WITHDRAWN and edition.withdrawn_at:
        words, at, who = _("withdrawn %(day)s by %(who)s"), edition.withdrawn_at, edition.withdrawn_by
    else:
        return ""
    return str(words % {"day": day_words(at.date()), "who": str(who)})


def edition_pairs(edition: RuleEdition) -> list[dict[str, str]]:
    """Who did what with a loading, as label and value."""
    pairs = [
        {"label": _("Concerns"), "value": covers_words(edition)},
        {"label": _("Loaded"), "value": f"{day_words(edition.loaded_at.date())}, {edition.loaded_by}"},
        {"label": _("Table of goods"), "value": _("its own") if edition.goods_csv else _("as held")},
    ]
    if edition.note:
        pairs.append({"label": _("Note"), "value": edition.note})
    if edition.released_at:
        pairs.append(
            {
                "label": _("Released"),
                "value": f"{day_words(edition.released_at.date())}, {edition.released_by}",
            }
        )
    if edition.withdrawn_at:
        pairs.append(
            {
                "label": _("Withdrawn"),
                "value": f"{day_words(edition.withdrawn_at.date())}, {edition.withdrawn_by}",
                "note": edition.withdrawn_reason,
            }
        )
    return pairs


def joining_words(edition: RuleEdition, rules: Rules) -> tuple[list[str], list[str]]:
    """What stands against a waiting edition, and what to look at: entries that its table of goods lacks or has anew."""
    try:
        checked = check_tables(rules, tables_of(edition))
    except TableFaults as error:
        return list(error.sentences), []
    except DomainError as error:
        return [error.sentence], []
    looks = []
    if checked.gone:
        words = _("Not in the new table of goods, so that they cannot be decided: %(numbers)s.")
        looks.append(words % {"numbers": ", ".join(f"UN {un}" for un in checked.gone)})
    if checked.new:
        words = _("New in the table of goods: %(numbers)s.")
        looks.append(words % {"numbers": ", ".join(f"UN {un}" for un in checked.new)})
    return [], looks


@dataclass(frozen=True)
class ChangedUnits:
    mode: str
    day: str
    before: str
    after: str
    units: int


@dataclass(frozen=True)
class ChangedLine:
    tag: str
    url: str
    label: str
    mode: str
    day: str
    before: str
    after: str
    un: str
    why: str


@dataclass(frozen=True)
class ChangesShown:
    """What an edition changes, in words. `counted` empty: nobody has counted yet."""

    counted: str
    days: str
    units: int
    units_changed: int
    lines_total: int
    of_units: list[ChangedUnits]
    lines: list[ChangedLine]
    than_last: list[ChangedLine]
    than_last_total: int
    digest: str


NOTHING_COUNTED = ChangesShown("", "", 0, 0, 0, [], [], [], 0, "")


def changes_shown(changes: Any) -> ChangesShown:
    """The list kept on an edition; what is no list of ours counts as not counted."""
    if not isinstance(changes, dict) or changes.get("schema") != 1:
        return NOTHING_COUNTED
    at = dt.datetime.fromisoformat(changes["counted_at"])
    days = "; ".join(
        f"{MODE_WORDS[mode_of(mode)]}: {', '.join(_day(day) for day in dates)}"
        for mode, dates in changes["days"].items()
    )
    return ChangesShown(
        f"{day_words(at.date())}, {at:%H:%M} UTC",
        days,
        changes["units"],
        changes["units_changed"],
        changes["lines_total"],
        [
            ChangedUnits(
                _mode(row), _day(row["day"]), _verdict(row["before"]), _verdict(row["after"]), row["units"]
            )
            for row in changes["of_units"]
        ],
        [_line(row) for row in changes["lines"]],
        [_line(row) for row in changes["than_last"]["lines"]],
        changes["than_last"]["lines_total"],
        changes["digest"],
    )


def _line(row: dict[str, str]) -> ChangedLine:
    reason = reasons().get(row["reason"])
    return ChangedLine(
        row["tag"],
        f"{reverse('readiness:unit-transport', args=[row['tag']])}?ship_on={row['day']}",
        row["label"],
        _mode(row),
        _day(row["day"]),
        _verdict(row["before"]),
        _verdict(row["after"]),
        row["un"] if row["un"] not in ("none", "mixed") else "",
        reason.sentence if reason else row["reason"],
    )


def _mode(row: dict[str, Any]) -> str:
    return str(MODE_WORDS[mode_of(row["mode"])])


def _day(day: str) -> str:
    return day_words(dt.date.fromisoformat(day))


def _verdict(word: str) -> str:
    return str(VERDICT_WORDS[verdict_of(word)])
