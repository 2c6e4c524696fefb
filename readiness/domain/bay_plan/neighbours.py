"""A better plan out of a good one: a few banks are set free, the rest stays, and the solver asks where those few go best.

Large neighbourhood search (Shaw 1998): most of a plan is right, and a question about a dozen banks is answered in a moment.
It proves nothing; it finds the plans that the proof then shows to be best.
"""

from __future__ import annotations

import random
import time
from collections.abc import Mapping, Sequence

import numpy as np

from readiness.domain.bay_plan.plan import (
    EPS,
    LEVELS,
    Charge,
    better,
    breaks_floor,
    lateness,
    load_kw,
    moved,
    with_bays,
    worth,
)
from readiness.domain.bay_plan.problem import Problem
from readiness.domain.bay_plan.program import Program

# Banks set free at a time, and what one question may take.
FREE_LEAST, FREE_MOST = 8, 20
QUESTION_S = 2.0
# How much the level after the one that is asked about counts beside it.
NEXT = 1e-3


def improved(
    problem: Problem,
    program: Program,
    charges: Mapping[str, Charge],
    levels: Sequence[str],
    level: str,
    *,
    until: float,
    bound: float,
    seed: int = 0,
) -> dict[str, Charge]:
    """The best plan found by `until` (of `time.monotonic`), never worse at any of `levels` up to `level`, in their order.

    Ends as soon as the level is at `bound`, which nothing can go under.
    """
    chance = random.Random(seed)
    best = dict(charges)
    number = LEVELS.index(level)
    asked = levels.index(level)
    value = dict(zip(LEVELS, worth(problem, best), strict=True))
    free_count = FREE_LEAST
    idle = 0
    while time.monotonic() < until and value[level] > bound + EPS and idle < 60:
        free = _set_free(problem, best, level, free_count, chance)
        if not free:
            break
        kept = {name: value[name] for name in levels[:asked]}
        weights = {level: 1.0}
        if number + 1 < len(LEVELS):
            weights[LEVELS[number + 1]] = NEXT
        found = program.solve(
            level,
            kept,
            time_limit_s=min(QUESTION_S, max(0.1, until - time.monotonic())),
            fixed={key: charge for key, charge in best.items() if key not in free},
            weights=weights,
        )
        idle += 1
        if found.charges is None:
            free_count = max(FREE_LEAST, free_count - 2)
            continue
        tried = worth(problem, found.charges)
        told = dict(zip(LEVELS, tried, strict=True))
        if better(_of(told, levels), _of(value, levels)):
            best, value, idle = found.charges, told, 0
        elif found.proven:
            free_count = min(FREE_MOST, free_count + 1)
    return with_bays(problem, best)


def _of(value: Mapping[str, float], levels: Sequence[str]) -> tuple[float, ...]:
    return tuple(value[name] for name in levels)


def _set_free(
    problem: Problem, charges: Mapping[str, Charge], level: str, count: int, chance: random.Random
) -> set[str]:
    """One bank that stands badly, and those that stand where it would stand better."""
    badly = _badly(problem, charges, level)
    if not badly:
        return set()
    one = chance.choice(badly)
    job = next(job for job in problem.jobs if job.key == one)
    charge = charges.get(one)
    length = min(need.slots for need in job.needs.values())
    last = charge.end if charge is not None else problem.slots
    first = max(0, min(job.release, last), (job.due if job.due is not None else last) - 2 * length)
    if level in ("peak_kw", "finish", "changes") and charge is not None:
        first, last = max(0, charge.start - length), charge.end + length
    near = [
        (
            min(last, other.end) - max(first, other.start) + chance.random() * problem.slots / 4,
            key,
        )
        for key, other in charges.items()
        if key != one
    ]
    near.sort(reverse=True)
    return {one, *(key for _overlap, key in near[: count - 1])}


def _badly(problem: Problem, charges: Mapping[str, Charge], level: str) -> list[str]:
    """Keys of the banks to which a level owes its value."""
    if level == "floors":
        return [job.key for job in problem.jobs if breaks_floor(problem, job, charges.get(job.key))]
    if level == "undone":
        return [job.key for job in problem.jobs if job.key not in charges]
    if level in ("late", "tardiness"):
        return [job.key for job in problem.jobs if lateness(problem, job, charges.get(job.key)) > 0]
    if level == "changes":
        return [job.key for job in problem.jobs if moved(job, charges.get(job.key))]
    if level == "peak_kw":
        load = problem.base_kw + load_kw(problem, charges.values())
        high = set(np.flatnonzero(load >= load.max() - EPS).tolist())
        return [key for key, charge in charges.items() if high & set(charge.slots)]
    return [key for key, charge in charges.items() if charge.start > 0]
