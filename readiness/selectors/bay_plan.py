"""What a depot's bay plan is made from: its bays, hours, supply and banks, read in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from django.db.models import Q

from fleet.lib.dates import find_zone
from fleet.models import DepotTerms, Place
from readiness.domain.bay_plan.hours import (
    CrewRow,
    DayRow,
    Grid,
    SpanRow,
    SupplyRow,
    base_slots,
    closed_days,
    grid_of,
    open_slots,
    slot_hours,
    supply_slots,
)
from readiness.domain.bay_plan.problem import Booked, IntArray, Job, Problem
from readiness.domain.bay_plan.wishes import BayKind
from readiness.domain.chemistry import chemistry_index
from readiness.models import (
    BayPlan,
    BayTerms,
    ChargerBay,
    CrewDay,
    CrewHours,
    PlanLine,
    StoragePolicy,
    SupplyHours,
)
from readiness.selectors.bay_banks import Reserved, banks_here
from readiness.selectors.bay_wishes import BankWish, Wishes, wishes_of

# What a charger is, as a plan rests on it.
BAY_DATA = ("max_a", "max_v", "max_kw", "profiles")
# What is said beside a plan: a key of `bay_sentences`, and what fills its sentence.
Said = dict[str, Any]


def said(key: str, **data: Any) -> Said:
    return {"key": key, **data}


@dataclass(frozen=True)
class BayRows:
    """What a depot wrote down about its charging, as plain rows. `kinds`: bays that are alike, by key."""

    terms: BayTerms | None
    kinds: Mapping[str, tuple[ChargerBay, ...]]
    shapes: Mapping[str, BayKind]
    weekly: tuple[CrewRow, ...]
    crew_days: Mapping[dt.date, DayRow]
    supply_hours: tuple[SupplyRow, ...]
    limits: tuple[SpanRow, ...]
    base: tuple[SpanRow, ...]
    policies: Mapping[str, float]
    reserved: Mapping[int, Reserved]
    faults: tuple[Said, ...]
    facts: Mapping[str, Any]


@dataclass(frozen=True)
class BayFacts:
    """A depot's question, ready to be solved; `problem` is None where `stops` says what has to be written down first.

    `left_out`: banks that cannot be planned, each with its reason. `wishes`: what is known of every bank in the problem.
    `closed`: slots by ISO day on which the crew could come; `attend`: banks by chemistry that may not run unattended.
    `facts`: what all of it rests on, by subject, to see later what has changed.
    """

    place: Place
    now: dt.datetime
    grid: Grid
    problem: Problem | None
    rows: BayRows
    wishes: Mapping[str, BankWish] = field(default_factory=dict)
    stops: tuple[Said, ...] = ()
    left_out: tuple[Said, ...] = ()
    notes: tuple[Said, ...] = ()
    closed: Mapping[str, IntArray] = field(default_factory=dict)
    attend: Mapping[str, frozenset[str]] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)

    def bay(self, kind: str, number: int) -> ChargerBay:
        return self.rows.kinds[kind][number]


def bay_facts(
    place: Place,
    *,
    now: dt.datetime,
    starts_at: dt.datetime | None = None,
    slot_h: int | None = None,
    slots: int | None = None,
) -> BayFacts:
    """Everything recorded that counts, as of `now`. `starts_at`, `slot_h`, `slots`: the grid of a plan made before."""
    zone = find_zone(place.time_zone)
    today = now.astimezone(zone).date()
    rows = bay_rows(place, today=today)
    days = rows.terms.horizon_days if rows.terms is not None else 14
    banks = banks_here(place, now=now, today=today, horizon_days=days, reserved=rows.reserved)
    if starts_at is not None and slot_h is not None and slots is not None:
        grid = Grid(starts_at.astimezone(dt.UTC), slots, slot_h, zone)
    else:
        grid = grid_of(
            now,
            zone,
            days=days,
            slot_h=slot_hours(banks.wanting, days),
            weekly=rows.weekly,
            crew_days=rows.crew_days,
        )
    stops = list(_stops(place, rows))
    present = open_slots(grid, rows.weekly, rows.crew_days)
    if not stops and not present.any():
        stops.append(said("no_hours_ahead", place=place.name))
    supply = supply_slots(grid, rows.limits, rows.supply_hours)
    if not stops and np.isnan(supply).all():
        stops.append(said("no_supply", place=place.name))
    if stops:
        return BayFacts(
            place, now, grid, None, rows, stops=tuple(stops), notes=rows.faults, facts=dict(rows.facts)
        )
    notes = list(rows.faults)
    if np.isnan(supply).any():
        first = grid.local(int(np.flatnonzero(np.isnan(supply))[0]))
        notes.append(said("supply_ends", day=first.date().isoformat()))
    supply = np.nan_to_num(supply, nan=0.0)
    base = base_slots(grid, rows.base)
    base = np.where(np.isnan(base), np.nanmax(base) if np.isfinite(base).any() else 0.0, base)
    assert rows.terms is not None
    wished: Wishes = wishes_of(
        banks,
        grid=grid,
        now=now,
        present=present,
        kinds=tuple(rows.shapes.values()),
        bays={
            bay.name: (kind, number) for kind, bays in rows.kinds.items() for number, bay in enumerate(bays)
        },
        unattended=frozenset(rows.terms.unattended),
        policies=rows.policies,
        published=_published(place, grid, rows),
    )
    notes += wished.notes
    base = base + wished.other_kw
    supply, more = _at_least_running(supply, base, wished.jobs)
    if more > 0:
        notes.append(said("running_over_supply", kw=round(more, 2)))
    problem = Problem(
        jobs=wished.jobs,
        bays={kind: len(bays) for kind, bays in rows.kinds.items()},
        supply_kw=np.round(supply, 4),
        base_kw=np.round(base, 4),
        open=present,
        handling=_handling(rows.terms, grid, present, wished.jobs),
        slot_h=float(grid.slot_h),
        least_slots=max(1, math.ceil(rows.terms.least_h / grid.slot_h - 1e-9)),
    )
    closed = closed_days(grid, rows.weekly, rows.crew_days)
    return BayFacts(
        place,
        now,
        grid,
        problem,
        rows,
        wishes=wished.banks,
        left_out=wished.left_out,
        notes=tuple(notes),
        closed={day.isoformat(): open_on for day, open_on in closed.items()},
        attend=_attend(wished),
        facts={**rows.facts, "banks": dict(wished.facts)},
    )


def _stops(place: Place, rows: BayRows) -> list[Said]:
    """What has to be on file before anything can be planned at all."""
    found = []
    if not rows.kinds:
        found.append(said("no_bays", place=place.name))
    if rows.terms is None:
        found.append(said("no_terms", place=place.name))
    if not rows.weekly and not any(day.opens for day in rows.crew_days.values()):
        found.append(said("no_hours", place=place.name))
    return found


def _handling(terms: BayTerms, grid: Grid, present: Any, jobs: Sequence[Job]) -> Any:
    """Banks handled in a slot, whole ones; where fewer than one an hour are handled, one a slot."""
    if terms.handlings_per_hour is None:
        return np.full(grid.slots, np.inf)
    each = max(1.0, math.floor(terms.handlings_per_hour * grid.slot_h + 1e-9))
    return np.where(present, each, 0.0)


def _at_least_running(supply: Any, base: Any, jobs: Sequence[Job]) -> tuple[Any, float]:
    """The supply bears what is running on the bays now, whatever its limit says: that is a fact and no plan."""
    drawn = np.zeros(len(supply))
    for job in jobs:
        if job.held is not None:
            profile = job.needs[job.held].profile_kw[: len(supply)]
            drawn[: len(profile)] += profile
    over = np.where(drawn > 0, base + drawn - supply, 0.0)
    return np.maximum(supply, np.where(drawn > 0, base + drawn, 0.0)), float(over.max(initial=0.0))


def _attend(wished: Wishes) -> dict[str, frozenset[str]]:
    """Banks by the chemistry that the depot would have to allow to charge while nobody is there."""
    found: dict[str, set[str]] = {}
    for job in wished.jobs:
        if not job.unattended:
            found.setdefault(wished.banks[job.key].chemistry, set()).add(job.key)
    return {chemistry: frozenset(keys) for chemistry, keys in sorted(found.items())}


def bay_rows(place: Place, *, today: dt.date) -> BayRows:
    """What is written down about a depot's charging from today on. Nine queries."""
    ahead = Q(valid_to__isnull=True) | Q(valid_to__gte=today)
    terms_rows = list(BayTerms.objects.filter(ahead, place=place).order_by("valid_from"))
    terms = next((row for row in reversed(terms_rows) if row.valid_from <= today), None)
    last = today + dt.timedelta(days=(terms.horizon_days if terms else 14) + 1)
    bays = list(ChargerBay.objects.valid_on(today).filter(place=place).order_by("name"))
    crew = list(CrewHours.objects.filter(ahead, place=place))
    days = list(CrewDay.objects.filter(place=place, day__gte=today - dt.timedelta(days=1), day__lte=last))
    supply = list(SupplyHours.objects.filter(ahead, place=place))
    limits = list(DepotTerms.objects.filter(ahead, place=place))
    policies = list(StoragePolicy.objects.valid_on(today).filter(place=place))
    reserved = {
        line.unit_id: Reserved(line.plan.code, line.call.code, line.call.wanted_from)
        for line in PlanLine.objects.filter(
            reserved=True, unit__home=place, deployment__isnull=True
        ).select_related("plan", "call")
    }
    kinds, shapes, faults = _kinds(bays, last)
    return BayRows(
        terms=terms,
        kinds=kinds,
        shapes=shapes,
        weekly=tuple(CrewRow(r.valid_from, r.valid_to, r.weekday, r.opens, r.closes) for r in crew),
        crew_days={row.day: DayRow(row.opens, row.closes) for row in days},
        supply_hours=tuple(
            SupplyRow(r.valid_from, r.valid_to, r.weekday, r.starts, r.ends, r.limit_kw) for r in supply
        ),
        limits=tuple(SpanRow(r.valid_from, r.valid_to, r.supply_limit_kw) for r in limits),
        base=tuple(SpanRow(r.valid_from, r.valid_to, r.base_kw) for r in terms_rows),
        policies={row.chemistry: row.store_soc for row in policies},
        reserved=reserved,
        faults=tuple(faults),
        facts={
            "bays": {bay.name: _row_facts(bay, *BAY_DATA, "valid_to") for bay in bays},
            "terms": [
                _row_facts(
                    row,
                    "base_kw",
                    "handlings_per_hour",
                    "least_h",
                    "unattended",
                    "valid_from",
                    "valid_to",
                )
                for row in terms_rows
            ],
            "hours": sorted(
                _row_facts(row, "weekday", "opens", "closes", "valid_from", "valid_to") for row in crew
            ),
            "days": sorted(_row_facts(row, "day", "opens", "closes") for row in days if row.day >= today),
            "supply": sorted(
                [
                    *(
                        _row_facts(row, "weekday", "starts", "ends", "limit_kw", "valid_from", "valid_to")
                        for row in supply
                    ),
                    *(_row_facts(row, "supply_limit_kw", "valid_from", "valid_to") for row in limits),
                ]
            ),
            "policies": sorted(_row_facts(row, "chemistry", "store_soc") for row in policies),
        },
    )


def _row_facts(row: Any, *names: str) -> str:
    return "; ".join(str(getattr(row, name)) for name in names)


def bay_still_so(facts: Mapping[str, Any], bay: ChargerBay, today: dt.date) -> bool:
    """Whether a bay is in use on a day and its charger is what a plan with these `facts` was made for."""
    was = facts.get("bays", {}).get(bay.name, "")
    same: bool = was.rpartition("; ")[0] == _row_facts(bay, *BAY_DATA)
    return same and (bay.valid_to is None or bay.valid_to >= today)


def _kinds(
    bays: Sequence[ChargerBay], last: dt.date
) -> tuple[dict[str, tuple[ChargerBay, ...]], dict[str, BayKind], list[Said]]:
    """Bays that are alike, by the name of the first of them; and those that cannot be planned with, each with why."""
    index = chemistry_index()
    alike: dict[tuple[Any, ...], list[ChargerBay]] = {}
    faults: list[Said] = []
    for bay in bays:
        known = frozenset(index[code] for code in bay.profiles if code in index)
        if not bay.max_a > 0 or not bay.max_v > 0:
            faults.append(said("bay_no_current", bay=bay.name))
        elif bay.max_kw is not None and not bay.max_kw > 0:
            faults.append(said("bay_no_power", bay=bay.name))
        elif not known:
            faults.append(said("bay_no_programme", bay=bay.name))
        elif bay.valid_to is not None and bay.valid_to < last:
            faults.append(said("bay_ends", bay=bay.name, day=bay.valid_to.isoformat()))
        else:
            alike.setdefault((bay.max_a, bay.max_v, bay.max_kw, known), []).append(bay)
    kinds = {rows[0].name: tuple(rows) for rows in alike.values()}
    shapes = {
        rows[0].name: BayKind(rows[0].name, max_a, max_v, max_kw, known)
        for (max_a, max_v, max_kw, known), rows in alike.items()
    }
    return kinds, shapes, faults


def _published(place: Place, grid: Grid, rows: BayRows) -> dict[int, Booked]:
    """By bank: where the plan that people know has it, if that charge has not begun. Two queries."""
    kind_of = {bay.pk: kind for kind, bays in rows.kinds.items() for bay in bays}
    plan = BayPlan.objects.filter(place=place, state=BayPlan.State.PUBLISHED).first()
    if plan is None:
        return {}
    booked: dict[int, Booked] = {}
    lines = plan.lines.filter(charge__isnull=True).order_by("stretch")
    for line in lines:
        if line.bank_id not in booked and line.bay_id in kind_of:
            booked[line.bank_id] = Booked(kind_of[line.bay_id], grid.boundary_before(line.starts_at))
    return booked


def changed_facts(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[Said]:
    """What a plan rests on and what is otherwise now, one line each; empty while everything is as it was."""
    found: list[Said] = []
    for subject in ("terms", "hours", "days", "supply", "policies"):
        if list(before.get(subject, [])) != list(now.get(subject, [])):
            found.append(said(f"changed_{subject}"))
    bays_before, bays_now = before.get("bays", {}), now.get("bays", {})
    for name in sorted(set(bays_before) | set(bays_now)):
        if bays_before.get(name) != bays_now.get(name):
            found.append(said("changed_bay", bay=name))
    banks_before, banks_now = before.get("banks", {}), now.get("banks", {})
    for serial in sorted(set(banks_before) | set(banks_now)):
        was, is_now = banks_before.get(serial), banks_now.get(serial)
        if was is None:
            found.append(said("bank_new", bank=serial))
        elif is_now is None:
            found.append(said("bank_gone", bank=serial))
        elif was != is_now:
            found.append(said("bank_changed", bank=serial, what=_what_changed(was, is_now)))
    return found


def _what_changed(was: Mapping[str, Any], is_now: Mapping[str, Any]) -> str:
    for name in ("charge", "unit", "away", "reserved", "evidence", "due", "floor", "known"):
        if was.get(name) != is_now.get(name):
            return name
    return "data"
