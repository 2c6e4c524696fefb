"""Bay plans: one at once, kept as a draft; its proof by the workers, level by level; each checked before it is kept.

A draft is solved from what it keeps itself (`BayPlan.frozen`), so a job that was killed begins again from what was saved
last, and a plan can be checked again for ever. What has changed meanwhile is looked at when it is published.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from uuid import UUID

import numpy as np
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.lib.jobs import JobContext
from fleet.models import Place, User
from fleet.services.audit import audit_record
from fleet.services.jobs import job_cancel, job_enqueue
from fleet.services.records import locked
from readiness.domain.bay_plan.give_up import ways_out, without_the_lost
from readiness.domain.bay_plan.kept import (
    charges_kept,
    charges_read,
    levels_kept,
    levels_read,
    problem_kept,
    problem_read,
)
from readiness.domain.bay_plan.plan import Charge, breaks_floor, lateness, taken_until
from readiness.domain.bay_plan.problem import Problem
from readiness.domain.bay_plan.solve import Planned, at_once, solve
from readiness.domain.bay_plan.verify import faults_of
from readiness.models import BayPlan, BayPlanLine
from readiness.selectors.bay_plan import BayFacts, Said, bay_facts

JOB = "bay_plan"
SCHEMA = 1
AT_ONCE_S = 0.9
# What the proof, and then the question what to give up, may take of a worker's time.
PROOF_S = 60.0
WAYS_S = 30.0
# Without a token the same question within this time is the same tap.
ONE_TAP = dt.timedelta(seconds=5)


class NothingToPlan(DomainError):
    """What has to be written down before a plan can be made: `stops`, by key."""

    def __init__(self, stops: tuple[Said, ...]) -> None:
        super().__init__(
            "bay_plan.stops",
            _("No plan can be made yet: {missing}."),
            missing=", ".join(stop["key"] for stop in stops),
        )
        self.stops = stops

    def __reduce__(self) -> tuple[Any, ...]:
        return (NothingToPlan, (self.stops,))


def bay_plan_compute(
    *, place: Place, actor: User | None, token: UUID | None = None, now: dt.datetime | None = None
) -> BayPlan:
    """A sound plan within two seconds, kept as the depot's draft; the job that proves it is on its way.

    The draft before it, if there is one, is replaced and its job stopped. Raises NothingToPlan when bays, hours, terms or
    the supply are not on file.
    """
    now = now or timezone.now()
    there = _written(token)
    if there is not None:
        return there
    facts = bay_facts(place, now=now)
    if facts.problem is None:
        raise NothingToPlan(facts.stops)
    planned = at_once(facts.problem, time_limit_s=AT_ONCE_S)
    require_sound(facts.problem, planned.charges)
    frozen = frozen_of(facts, planned)
    with transaction.atomic():
        locked(place)
        there = _written(token) or _same_tap(place, actor, now, frozen)
        if there is not None:
            return there
        for old in BayPlan.objects.filter(place=place, state=BayPlan.State.DRAFT).select_related("job"):
            plan_end(old, BayPlan.State.REPLACED, now, "a newer draft")
            if old.job is not None:
                job_cancel(job=old.job, actor=actor)
        plan = BayPlan(
            place=place,
            created_at=now,
            created_by=actor,
            starts_at=facts.grid.starts_at,
            ends_at=facts.grid.ends_at,
            token=token,
            frozen=frozen,
        )
        _take(plan, facts.problem, planned)
        plan.save(force_insert=True)
        lines_write(plan, facts.problem, planned.charges)
        if not planned.proven or _wants_ways(facts.problem, planned.charges):
            plan.job = job_enqueue(
                kind=JOB,
                params={"plan": plan.pk},
                unique_key=f"plan:{plan.pk}",
                place=place,
                requested_by=actor,
            )
            plan.save(update_fields=["job"])
        audit_record(
            actor=actor,
            action="bayplan.compute",
            subject=plan,
            after={"starts_at": plan.starts_at, "banks": len(planned.charges), "proven": plan.proven},
            place=place,
        )
    return plan


def _written(token: UUID | None) -> BayPlan | None:
    return BayPlan.objects.filter(token=token).first() if token is not None else None


def _same_tap(
    place: Place, actor: User | None, now: dt.datetime, frozen: Mapping[str, Any]
) -> BayPlan | None:
    last = BayPlan.objects.filter(place=place, state=BayPlan.State.DRAFT).order_by("-pk").first()
    if last is None or last.created_by_id != (actor.pk if actor else None) or now - last.created_at > ONE_TAP:
        return None
    return last if last.frozen.get("facts") == _as_json(frozen["facts"]) else None


def _as_json(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _as_json(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_as_json(inner) for inner in value]
    return value


def require_sound(problem: Problem, charges: Mapping[str, Charge]) -> None:
    """Nothing that breaks a rule is ever kept, whoever found it."""
    faults = faults_of(problem, charges)
    if faults:
        raise DomainError(
            "bay_plan.unsound",
            _("The plan that was found breaks a rule and is not kept: {faults}."),
            faults="; ".join(faults[:5]),
        )


def frozen_of(facts: BayFacts, planned: Planned) -> dict[str, Any]:
    """What a plan keeps of its question, and its answer so far."""
    assert facts.problem is not None
    grid = facts.grid
    return {
        "schema": SCHEMA,
        "asked_at": facts.now.isoformat(),
        "zone": facts.place.time_zone,
        "starts_at": grid.starts_at.isoformat(),
        "slot_h": grid.slot_h,
        "slots": grid.slots,
        "bays": {kind: [[bay.pk, bay.name] for bay in bays] for kind, bays in facts.rows.kinds.items()},
        "problem": problem_kept(facts.problem),
        "banks": {key: _bank_kept(wish) for key, wish in facts.wishes.items()},
        "notes": list(facts.notes),
        "left_out": list(facts.left_out),
        "closed": {day: [int(slot) for slot in slots] for day, slots in facts.closed.items()},
        "attend": {chemistry: sorted(keys) for chemistry, keys in facts.attend.items()},
        "facts": _as_json(facts.facts),
        "ways": [],
        "ways_asked": False,
        **_answer(planned),
    }


def _bank_kept(wish: Any) -> dict[str, Any]:
    def said(value: Any) -> Any:
        return value.isoformat() if isinstance(value, dt.datetime) else _as_json(value)

    return {name: said(getattr(wish, name)) for name in wish.__dataclass_fields__}


def _answer(planned: Planned) -> dict[str, Any]:
    return {
        "charges": charges_kept(planned.charges),
        "levels": levels_kept(planned.levels),
        "seconds": round(planned.seconds, 2),
    }


def _take(plan: BayPlan, problem: Problem, planned: Planned) -> None:
    """Puts an answer into a plan's own columns."""
    plan.frozen = plan.frozen | _answer(planned)
    plan.proven = planned.proven
    plan.floors_broken = sum(breaks_floor(problem, job, planned.charges.get(job.key)) for job in problem.jobs)


def lines_write(plan: BayPlan, problem: Problem, charges: Mapping[str, Charge]) -> None:
    """The lines of a draft, anew. A charge that runs already is tied to its line, which begins when the charge began."""
    frozen = plan.frozen
    start = dt.datetime.fromisoformat(frozen["starts_at"])
    jobs = {job.key: job for job in problem.jobs}

    def at(boundary: int) -> dt.datetime:
        return start + dt.timedelta(hours=boundary * frozen["slot_h"])

    lines = []
    for key, charge in charges.items():
        bank = frozen["banks"][key]
        job = jobs[key]
        profile = dict(zip(charge.slots, job.needs[charge.kind].profile_kw, strict=True))
        taken = taken_until(problem, charge)
        for stretch, (first, end) in enumerate(charge.runs()):
            number = next(n for n, (begin, off) in enumerate(taken) if begin <= first < max(off, begin + 1))
            runs_already = job.held is not None and stretch == 0
            off_at = max(at(end), at(taken[number][1])) if end == _last_of(charge, taken[number]) else at(end)
            lines.append(
                BayPlanLine(
                    plan=plan,
                    bank_id=bank["pk"],
                    bay_id=frozen["bays"][charge.kind][charge.bays[number]][0],
                    stretch=stretch,
                    starts_at=dt.datetime.fromisoformat(bank["started_at"]) if runs_already else at(first),
                    ends_at=at(end),
                    off_at=off_at,
                    kw=max(profile[slot] for slot in range(first, end)),
                    charge_id=bank["charge"] if runs_already else None,
                )
            )
    BayPlanLine.objects.filter(plan=plan).delete()
    BayPlanLine.objects.bulk_create(lines)


def _last_of(charge: Charge, taken: tuple[int, int]) -> int:
    """Where the charger stops for the last time while the bay is taken."""
    return max(end for first, end in charge.runs() if taken[0] <= first < max(taken[1], taken[0] + 1))


def kept_problem(plan: BayPlan) -> Problem:
    return problem_read(plan.frozen["problem"])


def kept_plan(plan: BayPlan) -> Planned:
    frozen = plan.frozen
    return Planned(charges_read(frozen["charges"]), levels_read(frozen["levels"]), frozen["seconds"])


def _wants_ways(problem: Problem, charges: Mapping[str, Charge]) -> bool:
    """Whether something has to be given up that could have been had: a floor, a bank, or a day."""
    problem = without_the_lost(problem)
    return any(
        charges.get(job.key) is None
        or breaks_floor(problem, job, charges.get(job.key))
        or lateness(problem, job, charges.get(job.key)) > 0
        for job in problem.jobs
    )


# --- The proof, by a worker ---------------------------------------------------------------------------------


def run_bay_plan(ctx: JobContext) -> dict[str, Any]:
    """The work of a job of kind `bay_plan`: improve and prove one draft from what is saved of it. A second run goes on."""
    plan = BayPlan.objects.filter(pk=ctx.params["plan"]).first()
    if plan is None or plan.state != BayPlan.State.DRAFT:
        return {"ended": True}
    problem, known = kept_problem(plan), kept_plan(plan)
    ctx.fault_point("bay_plan:loaded")
    total = len(known.levels) + 1

    def told(state: Planned) -> bool:
        ctx.check_cancelled()
        if not _save(ctx, plan, problem, state):
            return False
        done = sum(level.proven for level in state.levels)
        ctx.progress(done, total, "")
        return True

    found = solve(problem, time_limit_s=PROOF_S, start=known, progress=told) if not known.proven else known
    if not _save(ctx, plan, problem, found):
        return {"ended": True}
    ctx.fault_point("bay_plan:proved")
    ctx.check_cancelled()
    _ways(ctx, plan, problem, found)
    ctx.progress(total, total, "")
    return {"proven": found.proven, "levels": levels_kept(found.levels), "seconds": round(found.seconds, 1)}


def _save(ctx: JobContext, plan: BayPlan, problem: Problem, state: Planned) -> bool:
    """Keeps an answer that is as good as the one there; False when the draft has ended meanwhile."""
    require_sound(problem, state.charges)
    with transaction.atomic():
        ctx.fence()
        row: BayPlan = locked(plan)
        if row.state != BayPlan.State.DRAFT:
            return False
        kept = _as_json(_answer(state))
        if kept["charges"] != row.frozen["charges"] or kept["levels"] != row.frozen["levels"]:
            others = kept["charges"] != row.frozen["charges"]
            _take(row, problem, state)
            row.version += 1
            row.save()
            if others:
                lines_write(row, problem, state.charges)
        ctx.fault_point("bay_plan:saving")
    ctx.fault_point("bay_plan:saved")
    return True


def _ways(ctx: JobContext, plan: BayPlan, problem: Problem, found: Planned) -> None:
    """What would be the smallest thing to give up, where something is."""
    ways: list[dict[str, Any]] = []
    asked = _wants_ways(problem, found.charges)
    if asked:
        frozen = plan.frozen
        ways = [
            {"what": way.what, "kind": way.kind, "kw": way.kw, "least": way.least}
            for way in ways_out(
                without_the_lost(problem),
                days={day: np.array(slots, dtype=np.int64) for day, slots in frozen["closed"].items()},
                attend={name: frozenset(keys) for name, keys in frozen["attend"].items()},
                handling=max((float(hands) for hands in problem.handling), default=float("inf")),
                time_limit_s=WAYS_S,
                in_time=True,
            )
        ]
    with transaction.atomic():
        ctx.fence()
        row: BayPlan = locked(plan)
        if row.state == BayPlan.State.DRAFT:
            row.frozen = row.frozen | {"ways": ways, "ways_asked": asked}
            row.version += 1
            row.save()


def plan_end(plan: BayPlan, state: str, now: dt.datetime, reason: str) -> None:
    """Call with the row locked."""
    plan.state, plan.ended_at, plan.ended_reason = state, now, reason[:400]
    plan.version += 1
    plan.save()
