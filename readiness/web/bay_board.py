"""A bay plan in words: lines by day, what is to be done now, how good it is, who is in danger. No queries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.utils import formats
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.dates import find_zone
from fleet.web.days import day_words
from readiness.bay_sentences import (
    LEVELS,
    WHY,
    chemistry_word,
    damage,
    gap_words,
    level_value,
    sentence,
    way_words,
)
from readiness.domain.bay_plan.wishes import Why
from readiness.models import BayPlan, BayPlanLine, Charge

# A line that begins within this time may be begun from the board.
START_AHEAD = dt.timedelta(hours=12)
NEXT_LINES = 6


@dataclass(frozen=True)
class LineView:
    """One stretch of a bank on a bay, as every list shows it. `state`: planned, late, running, over, done."""

    pk: int
    bank: str
    stretch: int
    unit: str
    bay: str
    starts_at: dt.datetime
    ends_at: dt.datetime
    off_at: dt.datetime
    kw: float
    set_a: float | None
    kwh: float | None
    why: str
    state: str
    state_words: str
    starts: str
    ends: str
    off: str
    day: dt.date
    chemistry: str = ""
    charge: Charge | None = None
    may_start: bool = False


@dataclass(frozen=True)
class DayView:
    day: dt.date
    words: str
    lines: tuple[LineView, ...]


@dataclass(frozen=True)
class LevelView:
    label: str
    value: str
    proof: str
    proven: bool


@dataclass(frozen=True)
class Danger:
    bank: str
    unit: str
    words: str


@dataclass(frozen=True)
class Change:
    bank: str
    words: str


@dataclass(frozen=True)
class PlanView:
    """A plan as its page and its print show it; all moments are spelt in the depot's zone."""

    plan: BayPlan
    zone: str
    lines: tuple[LineView, ...]
    days: tuple[DayView, ...]
    levels: tuple[LevelView, ...]
    dangers: tuple[Danger, ...]
    left_out: tuple[Danger, ...]
    undone: tuple[Danger, ...]
    late: tuple[Danger, ...]
    notes: tuple[str, ...]
    ways: tuple[str, ...]
    ways_asked: bool
    proof_words: str
    slot_h: int
    changes: tuple[Change, ...] = ()
    running: bool = False


@dataclass(frozen=True)
class NowView:
    """What the crew does next, on a phone."""

    on_bays: tuple[LineView, ...] = ()
    elsewhere: tuple[Charge, ...] = ()
    connect: tuple[LineView, ...] = ()
    take_off: tuple[LineView, ...] = ()
    waiting: int = field(default=0)


def plan_view(
    plan: BayPlan, lines: Sequence[BayPlanLine], *, now: dt.datetime, against: Sequence[BayPlanLine] = ()
) -> PlanView:
    """`against`: the lines of the published plan, for the list of changes of a draft."""
    frozen = plan.frozen
    zone = find_zone(plan.place.time_zone)
    views = tuple(_line(line, frozen, zone, now, plan) for line in lines)
    slot_h = int(frozen.get("slot_h", 1))
    levels = tuple(
        LevelView(
            str(LEVELS[row["name"]][0]),
            level_value(row["name"], row["value"], slot_h),
            gap_words(row, slot_h),
            row["proven"],
        )
        for row in frozen.get("levels", [])
    )
    return PlanView(
        plan=plan,
        zone=plan.place.time_zone,
        lines=views,
        days=_days(views),
        levels=levels,
        dangers=tuple(_dangers(frozen, lines, zone, now)),
        left_out=tuple(
            Danger(row.get("bank", ""), row.get("unit", ""), sentence(row))
            for row in frozen.get("left_out", [])
        ),
        undone=tuple(_undone(frozen, zone)),
        late=tuple(_late(frozen, lines, zone)),
        notes=tuple(sentence(row) for row in frozen.get("notes", [])),
        ways=tuple(way_words(row) for row in frozen.get("ways", [])),
        ways_asked=bool(frozen.get("ways_asked")),
        proof_words=_proof_words(plan),
        slot_h=slot_h,
        changes=tuple(changes_between(against, lines, zone)) if against else (),
    )


def _proof_words(plan: BayPlan) -> str:
    levels = plan.frozen.get("levels", [])
    proven = sum(1 for level in levels if level["proven"])
    if plan.proven:
        return _("Proven best at every level, in %(seconds)s s.") % {"seconds": plan.frozen.get("seconds", 0)}
    return _("Proven best at the first %(n)d of %(total)d levels; below, what is known of the rest.") % {
        "n": proven,
        "total": len(levels),
    }


def _line(
    line: BayPlanLine, frozen: Mapping[str, Any], zone: dt.tzinfo, now: dt.datetime, plan: BayPlan
) -> LineView:
    known = frozen.get("banks", {}).get(line.bank.serial, {})
    kind = frozen.get("charges", {}).get(line.bank.serial, {}).get("kind", "")
    charge = line.charge if line.charge is not None and line.charge.counts else None
    state = _state(line, charge, now, plan)
    why = known.get("why", "")
    starts_at, ends_at, off_at = _really(line, charge)
    return LineView(
        pk=line.pk,
        bank=line.bank.serial,
        stretch=line.stretch,
        unit=known.get("unit", ""),
        bay=line.bay.name,
        starts_at=starts_at,
        ends_at=ends_at,
        off_at=off_at,
        kw=line.kw,
        set_a=known.get("set_a", {}).get(kind),
        kwh=known.get("kwh", {}).get(kind),
        why=str(WHY[Why(why)]) if why in set(Why) else "",
        state=state,
        state_words=state_words()[state],
        starts=_moment(starts_at, zone),
        ends=_moment(ends_at, zone),
        off=_moment(off_at, zone),
        day=starts_at.astimezone(zone).date(),
        chemistry=chemistry_word(known.get("chemistry", "")) if known else "",
        charge=charge,
        may_start=state in ("planned", "late")
        and plan.state == BayPlan.State.PUBLISHED
        and line.starts_at - now <= START_AHEAD,
    )


def _really(line: BayPlanLine, charge: Charge | None) -> tuple[dt.datetime, dt.datetime, dt.datetime]:
    """When a line begins, ends and frees its bay: as planned, or as its charge really went."""
    if charge is None:
        return line.starts_at, line.ends_at, line.off_at
    if charge.ended_at is not None:
        return charge.happened_at, charge.ended_at, charge.ended_at
    ends_at = charge.planned_end_at or line.ends_at
    return charge.happened_at, ends_at, max(ends_at, line.off_at)


def state_words() -> dict[str, str]:
    return {
        "planned": _("planned"),
        "late": _("should have begun"),
        "running": _("on charge"),
        "over": _("past its planned end"),
        "done": _("ended"),
    }


def _state(line: BayPlanLine, charge: Charge | None, now: dt.datetime, plan: BayPlan) -> str:
    if charge is not None:
        if charge.ended_at is not None:
            return "done"
        return "over" if (charge.planned_end_at or line.ends_at) < now else "running"
    late = plan.state == BayPlan.State.PUBLISHED and line.starts_at < now - dt.timedelta(minutes=30)
    return "late" if late else "planned"


def _moment(at: dt.datetime, zone: dt.tzinfo) -> str:
    return formats.date_format(at.astimezone(zone), "D j M, H:i")


def _days(lines: Iterable[LineView]) -> tuple[DayView, ...]:
    found: dict[dt.date, list[LineView]] = {}
    for line in lines:
        found.setdefault(line.day, []).append(line)
    return tuple(DayView(day, day_words(day), tuple(rows)) for day, rows in sorted(found.items()))


def _starts(lines: Sequence[BayPlanLine]) -> dict[str, BayPlanLine]:
    """The first stretch of every bank."""
    found: dict[str, BayPlanLine] = {}
    for line in sorted(lines, key=lambda row: row.starts_at):
        found.setdefault(line.bank.serial, line)
    return found


def _at(text: str | None) -> dt.datetime | None:
    return dt.datetime.fromisoformat(text) if text else None


def _dangers(
    frozen: Mapping[str, Any], lines: Sequence[BayPlanLine], zone: dt.tzinfo, now: dt.datetime
) -> Iterable[Danger]:
    """Banks that stand under their floor, or fall under it before this plan charges them."""
    begins = _starts(lines)
    for serial, bank in frozen.get("banks", {}).items():
        floor_at = _at(bank.get("floor_at"))
        if floor_at is None or bank.get("why") == Why.RUNNING:
            continue
        line = begins.get(serial)
        asked = _at(frozen.get("asked_at")) or now
        data = {
            "floor": f"{100 * (bank.get('floor_soc') or 0):.0f} %",
            "when": _moment(floor_at, zone),
            "damage": damage(bank["chemistry"]),
        }
        if floor_at <= asked:
            said = _("It has been under its floor of %(floor)s since %(when)s: %(damage)s.") % data
        elif line is None:
            if floor_at > (_at(frozen.get("starts_at")) or now) + dt.timedelta(
                hours=frozen["slot_h"] * frozen["slots"]
            ):
                continue
            said = (
                _("It falls under its floor of %(floor)s on %(when)s and is not charged: %(damage)s.") % data
            )
        elif line.starts_at > floor_at:
            hours = (line.starts_at - floor_at) / dt.timedelta(hours=1)
            data["late"] = _hours(hours)
            said = (
                _(
                    "It falls under its floor of %(floor)s on %(when)s and is charged %(late)s later: %(damage)s."
                )
                % data
            )
        else:
            continue
        yield Danger(serial, bank.get("unit", ""), said)


def _hours(hours: float) -> str:
    if hours >= 48:
        days = round(hours / 24)
        return ngettext("%(n)d day", "%(n)d days", days) % {"n": days}
    whole = max(1, round(hours))
    return ngettext("%(n)d hour", "%(n)d hours", whole) % {"n": whole}


def _undone(frozen: Mapping[str, Any], zone: dt.tzinfo) -> Iterable[Danger]:
    """Banks that want a charge and find no place in the days planned."""
    placed = frozen.get("charges", {})
    for serial, bank in frozen.get("banks", {}).items():
        if serial in placed:
            continue
        leaves = _at(bank.get("leaves_at"))
        said = (
            _("No place is left for it before its unit leaves on %(when)s.") % {"when": _moment(leaves, zone)}
            if leaves
            else _("No place is left for it in the days planned.")
        )
        yield Danger(serial, bank.get("unit", ""), said)


def _late(frozen: Mapping[str, Any], lines: Sequence[BayPlanLine], zone: dt.tzinfo) -> Iterable[Danger]:
    ends: dict[str, dt.datetime] = {}
    for line in lines:
        ends[line.bank.serial] = max(line.ends_at, ends.get(line.bank.serial, line.ends_at))
    for serial, bank in frozen.get("banks", {}).items():
        due = _at(bank.get("due_at"))
        if due is None or serial not in ends or ends[serial] <= due:
            continue
        said = _("Due %(due)s, full %(late)s later.") % {
            "due": _moment(due, zone),
            "late": _hours((ends[serial] - due) / dt.timedelta(hours=1)),
        }
        yield Danger(serial, bank.get("unit", ""), said)


def changes_between(
    before: Sequence[BayPlanLine], after: Sequence[BayPlanLine], zone: dt.tzinfo
) -> Iterable[Change]:
    """What is otherwise in `after` than in `before`, bank by bank; what has ended is no change."""
    was = {
        serial: line
        for serial, line in _starts(before).items()
        if line.charge is None or line.charge.ended_at is None
    }
    now = _starts(after)
    for serial in sorted(set(was) | set(now)):
        old, new = was.get(serial), now.get(serial)
        if old is None and new is not None:
            yield Change(serial, _("new: bay %(bay)s, %(when)s") % _place(new, zone))
        elif new is None and old is not None:
            yield Change(serial, _("not any more: was bay %(bay)s, %(when)s") % _place(old, zone))
        elif old is not None and new is not None and _moved(old, new):
            words = _("bay %(bay)s, %(when)s, instead of bay %(was_bay)s, %(was_when)s")
            was_at = {f"was_{key}": value for key, value in _place(old, zone).items()}
            yield Change(serial, words % (_place(new, zone) | was_at))


def _moved(old: BayPlanLine, new: BayPlanLine) -> bool:
    return old.charge is None and (old.bay_id, old.starts_at) != (new.bay_id, new.starts_at)


def _place(line: BayPlanLine, zone: dt.tzinfo) -> dict[str, str]:
    return {"bay": line.bay.name, "when": _moment(line.starts_at, zone)}


def now_view(view: PlanView | None, charges: Sequence[Charge]) -> NowView:
    """What is on the bays, what comes next, and what runs that the plan does not know."""
    lines = view.lines if view is not None else ()
    running = tuple(line for line in lines if line.state in ("running", "over"))
    known = {line.charge.pk for line in running if line.charge is not None}
    waiting = [line for line in lines if line.state in ("planned", "late")]
    return NowView(
        on_bays=tuple(sorted(running, key=lambda line: line.bay)),
        elsewhere=tuple(charge for charge in charges if charge.pk not in known),
        connect=tuple(waiting[:NEXT_LINES]),
        take_off=tuple(sorted(running, key=lambda line: line.off_at)[:NEXT_LINES]),
        waiting=len(waiting),
    )


EXPORT_COLUMNS = (
    "day",
    "bay",
    "bank",
    "unit",
    "connect",
    "charger_done",
    "take_off",
    "set_a",
    "most_kw",
    "wall_kwh",
    "why",
    "state",
)


def export_rows(view: PlanView) -> list[list[Any]]:
    """Local times of the depot as text, numbers as numbers."""
    zone = find_zone(view.zone)

    def spelt(at: dt.datetime) -> str:
        return at.astimezone(zone).strftime("%Y-%m-%d %H:%M")

    return [
        [
            line.day,
            line.bay,
            line.bank,
            line.unit,
            spelt(line.starts_at),
            spelt(line.ends_at),
            spelt(line.off_at),
            line.set_a,
            round(line.kw, 3),
            line.kwh,
            line.why,
            line.state_words,
        ]
        for line in view.lines
    ]
