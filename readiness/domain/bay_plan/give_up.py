"""What is the smallest thing to give up when no plan keeps every floor and charges every bank: asked by solving again."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from readiness.domain.bay_plan.plan import EPS, LEVELS, load_kw, worth
from readiness.domain.bay_plan.problem import IntArray, Problem
from readiness.domain.bay_plan.program import LARGEST_PROGRAM, Program
from readiness.domain.bay_plan.quick import quick_plan

STEP_KW = 0.1


@dataclass(frozen=True, slots=True)
class Way:
    """One change that lets every floor be kept and every bank be charged.

    what    'bay' (one more of `kind`), 'supply' (`kw` more in every slot), 'day' (the crew works on `kind`), 'attend'
            (`kind` of banks may charge unattended)
    least   it is proven that less of the same does not do; for one bay, day or permission that is so by itself
    """

    what: str
    kind: str
    kw: float | None = None
    least: bool = True


def without_the_lost(problem: Problem) -> Problem:
    """The same with every due date that not even a depot of its own would meet moved to where the bank is full at best."""
    jobs = []
    for job in problem.jobs:
        ends = [
            int(starts[0]) + need.slots
            for need in job.needs.values()
            if len(starts := problem.starts_of(job, need))
        ]
        soonest = min(ends, default=None)
        lost = job.due is not None and soonest is not None and soonest > job.due
        jobs.append(replace(job, due=soonest) if lost else job)
    return replace(problem, jobs=tuple(jobs))


def ways_out(
    problem: Problem,
    *,
    days: Mapping[str, IntArray] | None = None,
    attend: Mapping[str, frozenset[str]] | None = None,
    handling: float = math.inf,
    time_limit_s: float = 60.0,
    in_time: bool = False,
) -> tuple[Way, ...]:
    """Single changes that mend the plan, each tried by itself; empty when the plan needs none or none was found in time.

    days     slots by name of a closed day on which the crew could come, with `handling` banks a slot
    attend   keys of banks by name of what would have to be allowed
    in_time  mended means that every bank is also in time, not only that floors are kept and none is left out
    """
    end = time.monotonic() + time_limit_s
    goals = LEVELS[: 3 if in_time else 2]
    if _mended(problem, end, goals):
        return ()
    found: list[Way] = []
    for name, slots in (days or {}).items():
        if _mended(_with_day(problem, slots, handling), end, goals):
            found.append(Way("day", name))
    for kind, count in problem.bays.items():
        if _mended(replace(problem, bays={**problem.bays, kind: count + 1}), end, goals):
            found.append(Way("bay", kind))
    for name, keys in (attend or {}).items():
        jobs = tuple(replace(job, unattended=job.unattended or job.key in keys) for job in problem.jobs)
        if _mended(replace(problem, jobs=jobs), end, goals):
            found.append(Way("attend", name))
    if (more := _more_power(problem, end, goals)) is not None:
        found.append(more)
    return tuple(found)


def _with_day(problem: Problem, slots: IntArray, handling: float) -> Problem:
    present, hands = problem.open.copy(), problem.handling.copy()
    present[slots] = True
    hands[slots] = np.maximum(hands[slots], handling)
    return replace(problem, open=present, handling=hands)


def _mended(problem: Problem, end: float, goals: Sequence[str]) -> bool:
    """A plan that is at 0 at every level of `goals` exists, and was found."""
    charges = quick_plan(problem, time_limit_s=0.5)
    if not any(worth(problem, charges)[: len(goals)]):
        return True
    program = Program(problem)
    for level in goals:
        left = end - time.monotonic()
        if left <= 0 or program.size > LARGEST_PROGRAM:
            return False
        found = program.solve(level, dict.fromkeys(goals, 0.0), time_limit_s=left / 3, at_most=0.0)
        if found.charges is None:
            return False
        charges = found.charges
        if not any(worth(problem, charges)[: len(goals)]):
            return True
    return False


def _more_power(problem: Problem, end: float, goals: Sequence[str]) -> Way | None:
    """The least supply on top that mends the plan, rounded up to `STEP_KW`; None when no amount does or time ran out."""
    left = end - time.monotonic()
    program = Program(problem, extra=True)
    if left <= 0 or program.size > LARGEST_PROGRAM:
        return None
    found = program.solve("extra_kw", dict.fromkeys(goals, 0.0), time_limit_s=left)
    if found.charges is None:
        return None
    load = load_kw(problem, found.charges.values())
    more = float(np.max(load - problem.supply_kw + problem.base_kw, where=load > 0, initial=0.0))
    if more <= EPS:
        return None
    return Way("supply", "", math.ceil(more / STEP_KW - EPS) * STEP_KW, least=found.proven)
