"""A verdict in words: what a list says in one line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.models.away import Absence
from fleet.web.days import day_words
from readiness.models.sweep import Outcome
from readiness.sentences import (
    check_caution,
    check_margin,
    check_name,
    check_sentence,
    check_source,
    mend_sentence,
)


def why_undecided(unit: Any) -> str:
    """Why the stored verdict of a listed unit may not be shown; empty when it may."""
    reasons = {
        "none": _("Not judged yet: no sweep has seen this unit."),
        "waiting": _("Something about it changed: it is being judged again."),
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
    """The first thing that stands in the way, in one sentence, and how many more do; empty when nothing does."""
    standing = sorted(_standing(result), key=_gravity)
    if not standing:
        return ""
    sentence = check_sentence(standing[0])
    more = len(standing) - 1
    if not more:
        return sentence
    return f"{sentence} " + ngettext("And %(n)d more.", "And %(n)d more.", more) % {"n": more}


def _standing(result: Any) -> list[Mapping[str, Any]]:
    """Checks on which the verdict rests and which do not pass."""
    return [
        check for check in (result or {}).get("checks", ()) if check["gates"] and check["outcome"] != "pass"
    ]


def _gravity(check: Mapping[str, Any]) -> tuple[int, int]:
    """What no work here mends first, then what failed, then what cannot be told; the longest work before the short."""
    hours = check.get("mend_h")
    if hours == "not_here":
        return (0, 0)
    return (1 if check["outcome"] == "fail" else 2, -int(100 * (hours or 0)))


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
    caution: str = ""
    gates: bool = True

    @property
    def failing(self) -> bool:
        return self.outcome != "pass"


@dataclass(frozen=True)
class CheckGroups:
    """What the verdict rests on and does not pass, what else wants work, and what passes."""

    standing: tuple[CheckLine, ...] = ()
    besides: tuple[CheckLine, ...] = ()
    passing: tuple[CheckLine, ...] = ()

    @property
    def cautions(self) -> list[str]:
        """Each once, beside the work they are about."""
        return list(dict.fromkeys(line.caution for line in (*self.standing, *self.besides) if line.caution))


def check_groups(result: Any, today: dt.date | None = None) -> CheckGroups:
    """The checks of a stored verdict in three groups, the gravest first; margins in days need ``today``."""
    checks = sorted((result or {}).get("checks", ()), key=_gravity)
    lines = [_check_line(check, today) for check in checks]
    return CheckGroups(
        standing=tuple(line for line in lines if line.gates and line.outcome != "pass"),
        besides=tuple(line for line in lines if not line.gates and line.outcome != "pass"),
        passing=tuple(line for line in lines if line.outcome == "pass"),
    )


def _check_line(check: Mapping[str, Any], today: dt.date | None) -> CheckLine:
    margin = check_margin(check, today) if today else None
    return CheckLine(
        name=check_name(check),
        outcome=check["outcome"],
        sentence=check_sentence(check),
        margin=margin.value if margin else None,
        unit=margin.unit if margin else "",
        source=check_source(check),
        mend=mend_sentence(check),
        caution=check_caution(check),
        gates=bool(check["gates"]),
    )
