"""A verdict in words: what a list says in one line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from fleet.models.away import Absence
from fleet.web.days import day_words
from readiness.models.sweep import Outcome


def why_undecided(unit: Any) -> str:
    """Why the stored verdict of a listed unit may not be shown; empty when it may."""
    reasons = {
        "none": _("Not judged yet: no sweep has seen this unit."),
        "aside": _("The last sweep could not work this unit out and set it aside."),
        "old": _("The last verdict is of %(day)s: older than the last sweep that was due.")
        % {"day": day_words(unit.shown_day)},
        "turned": _("A date has passed since the last verdict; it must be worked out again."),
    }
    return reasons.get(unit.why_undecided, "")


def hours_words(hours: float | None) -> str:
    return "" if hours is None else _("%(hours)s h") % {"hours": f"{hours:.1f}".removesuffix(".0")}


def outcome_label(outcome: str) -> str:
    return str(Outcome(outcome).label)


@dataclass(frozen=True)
class UnitLine:
    """One row of the list of units."""

    unit: Any
    why: str
    away: str


def unit_lines(units: Iterable[Any]) -> list[UnitLine]:
    """Rows of the list; no query."""
    return [
        UnitLine(unit, why_undecided(unit) or first_reason(unit.shown_result), _away_words(unit.away))
        for unit in units
    ]


def _away_words(purpose: str | None) -> str:
    return str(Absence.Purpose(purpose).label) if purpose else ""


def first_reason(result: Any) -> str:
    """The first thing that stands in the way, in one sentence; empty when nothing does."""
    return ""


@dataclass(frozen=True)
class CheckLine:
    """One check with its margin, its sentence and its source."""

    name: str
    outcome: str
    sentence: str
    margin: float | None
    unit: str
    source: str
    mend: str


@dataclass(frozen=True)
class CheckGroups:
    standing: tuple[CheckLine, ...] = ()
    passing: tuple[CheckLine, ...] = ()


def check_groups(result: Any) -> CheckGroups:
    """What stands in the way first, what passes beneath."""
    return CheckGroups()
