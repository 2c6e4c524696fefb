"""From stored verdicts to the horizon: until when each unit stays as it is, and what runs out when.

Only days on which something ends are drawn; that somebody works on it in time is not assumed. A check that passes today and
turns on a day is taken to fail from that day on, or, where it is evidence that grows old, to be undecided.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.web.days import day_words, distance_words
from fleet.web.horizon import HorizonUnit, Mark, MarkKind, State, Stretch
from readiness.sentences import check_name
from readiness.web.verdicts import first_reason, why_undecided

DAY = dt.timedelta(days=1)
# Evidence that only grows old: past its day nothing can be said.
GROWS_OLD = frozenset({"charge_known", "float_proof"})
KINDS: dict[str, MarkKind] = {
    "charge_floor": MarkKind.CHARGE,
    "charge_interval": MarkKind.CHARGE,
    "charge_kept": MarkKind.CHARGE,
    "part_life": MarkKind.PART,
    "kit": MarkKind.KIT,
    "lots_aboard": MarkKind.KIT,
    "certificate": MarkKind.CERTIFICATE,
    "inspection": MarkKind.INSPECTION,
}
WEIGHT = {State.READY: 0, State.AFTER_WORK: 1, State.CANNOT_DECIDE: 2, State.BLOCKED: 3}


def horizon_units(units: Iterable[Any], *, today: dt.date) -> list[HorizonUnit]:
    return [horizon_unit(unit, today=today) for unit in units]


def horizon_unit(unit: Any, *, today: dt.date) -> HorizonUnit:
    """One listed unit (see ``units_with_verdicts``); one whose verdict may not be shown has neither dates nor marks."""
    state = State(unit.shown_outcome)
    told = why_undecided(unit)
    checks = [] if told else list((unit.shown_result or {}).get("checks", ()))
    turns = _turns(checks)
    return HorizonUnit(
        tag=unit.tag,
        name=unit.design.name,
        url=reverse("readiness:unit-show", args=[unit.tag]),
        state=state,
        stretches=stretches(state, turns),
        marks=marks(checks),
        words=told or _words(state, unit.shown_result, turns, today),
        group=unit.home.name,
    )


Turn = tuple[dt.date, State, str]


def _turns(checks: Iterable[Mapping[str, Any]]) -> list[Turn]:
    """When a check on which the verdict rests stops passing, to what, and what it is called; in day order."""
    turns = []
    for check in checks:
        day = _day(check.get("turns_on"))
        if day is None or check.get("outcome") != "pass" or not check.get("gates"):
            continue
        after = State.CANNOT_DECIDE if check["key"] in GROWS_OLD else State.AFTER_WORK
        turns.append((day, after, check_name(check)))
    return sorted(turns)


def stretches(state: State, turns: Iterable[Turn]) -> list[Stretch]:
    """The state today, and after each turn the gravest so far; blocked and undecided units stay as they are."""
    found: list[Stretch] = []
    if WEIGHT[state] >= WEIGHT[State.CANNOT_DECIDE]:
        return found
    now = state
    for day, after, _name in turns:
        graver = after if WEIGHT[after] > WEIGHT[now] else now
        if graver is not now:
            found.append(Stretch(day - DAY, now))
            now = graver
    return [*found, Stretch(dt.date.max, now)]


def marks(checks: Iterable[Mapping[str, Any]]) -> list[Mark]:
    """One mark per thing that runs out, on its last good day; a charge on the day it is due, its line to the floor day."""
    found: list[Mark] = []
    charges: dict[Any, list[Mapping[str, Any]]] = {}
    for check in checks:
        kind = KINDS.get(str(check["key"]))
        if kind is MarkKind.CHARGE:
            charges.setdefault(check["subject"]["id"], []).append(check)
        elif kind is not None and (day := last_good_day(check)) is not None:
            found.append(
                Mark(
                    kind,
                    day,
                    _("%(what)s, through %(day)s") % {"what": check_name(check), "day": day_words(day)},
                )
            )
    for pair in charges.values():
        due = min((day for check in pair if (day := _day(check.get("due_on")))), default=None)
        floor = max((day for check in pair if (day := _day(check.get("late_on")))), default=None)
        if due is not None:
            words = _("charge due on %(day)s") % {"day": day_words(due)}
            if floor is not None and floor > due:
                words += ", " + _("low end at the floor on %(day)s") % {"day": day_words(floor)}
            found.append(Mark(MarkKind.CHARGE, due, words, latest=floor))
    return found


def last_good_day(check: Mapping[str, Any]) -> dt.date | None:
    """The date written on the thing where there is one, else the day before the check turns or became late."""
    data = check.get("data") or {}
    for name in ("expires_day", "due_day", "last_day"):
        if (day := _day(data.get(name))) is not None:
            return day
    turn = _day(check.get("turns_on")) or _day(check.get("late_on"))
    return turn - DAY if turn else None


def _day(text: Any) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


def _words(state: State, result: Any, turns: list[Turn], today: dt.date) -> str:
    """What ends first, or what stands in the way now."""
    if state is not State.READY:
        return first_reason(result)
    if not turns:
        return _("Ready; nothing dated is on file.")
    day, _after, name = turns[0]
    return _("%(day)s (%(distance)s): %(what)s") % {
        "day": day_words(day),
        "distance": distance_words(day, today),
        "what": name,
    }
