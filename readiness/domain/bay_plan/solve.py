"""Level after level: each is brought to its smallest value before the next may choose among what is left."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from readiness.domain.bay_plan.neighbours import improved
from readiness.domain.bay_plan.plan import EPS, LEVELS, Charge, better, with_bays, worth
from readiness.domain.bay_plan.problem import Problem
from readiness.domain.bay_plan.program import LARGEST_PROGRAM, Found, Program
from readiness.domain.bay_plan.quick import quick_plan

# Of the time that is left, what one level may use before the next one gets its turn.
SHARE = 0.4
# Of that, what is spent on better plans before the proof is asked for.
SEARCH = 0.5
BOUND = 0.25
# A question of so few entries is answered sooner than it is prepared for.
SMALL_PROGRAM = 20_000

Progress = Callable[["Planned"], bool]


@dataclass(frozen=True, slots=True)
class Level:
    """How good the plan is at one level. `bound`: no plan that is as good before it can be below; None: not known."""

    name: str
    value: float
    bound: float | None
    proven: bool

    @property
    def gap(self) -> float | None:
        """Distance to what is proven, in the level's own unit: absolute, because the best is often 0."""
        return None if self.bound is None else max(0.0, self.value - self.bound)


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what is proven of it. `levels` in strict order; those not reached are not proven."""

    charges: dict[str, Charge]
    levels: tuple[Level, ...]
    seconds: float

    @property
    def proven(self) -> bool:
        return all(level.proven for level in self.levels)

    def value(self, name: str) -> float:
        return next(level.value for level in self.levels if level.name == name)


def at_once(problem: Problem, *, time_limit_s: float = 1.0) -> Planned:
    """A plan to work by while the proof runs. What is 0 cannot be less and counts as proven."""
    begun = time.monotonic()
    charges = with_bays(problem, quick_plan(problem, time_limit_s=time_limit_s))
    return Planned(charges, _levels(problem, charges, {}), time.monotonic() - begun)


def solve(
    problem: Problem,
    *,
    levels: Sequence[str] = LEVELS,
    time_limit_s: float = 120.0,
    start: Planned | None = None,
    progress: Progress | None = None,
) -> Planned:
    """The best plan in the order of `levels`, or the best found in the time with the gap of each level.

    `progress` is told after each level and ends the search by returning False.
    """
    begun = time.monotonic()
    known = start if start is not None else at_once(problem)
    charges = dict(known.charges)
    value = dict(zip(LEVELS, worth(problem, charges), strict=True))
    program: Program | None = None
    kept: dict[str, float] = {}
    bounds: dict[str, float] = {}
    for number, level in enumerate(levels):
        least = _least(problem, level)
        if value[level] <= least + EPS:
            bounds[level] = least
        else:
            if program is None:
                program = Program(problem)
            left = time_limit_s - (time.monotonic() - begun)
            if left <= 0 or program.size > LARGEST_PROGRAM:
                break
            mine = left if number + 1 == len(levels) else left * SHARE
            low = least
            if program.size > SMALL_PROGRAM:
                low = max(low, program.bound(level, kept, time_limit_s=mine * BOUND))
                charges = improved(
                    problem,
                    program,
                    charges,
                    levels,
                    level,
                    until=begun + (time_limit_s - left) + mine * (BOUND + SEARCH),
                    bound=low,
                )
                value = dict(zip(LEVELS, worth(problem, charges), strict=True))
            if value[level] <= low + EPS:
                found = Found(None, value[level], value[level], proven=True)
            else:
                left = min(mine, time_limit_s - (time.monotonic() - begun))
                found = program.solve(level, kept, time_limit_s=left, at_most=value[level])
                found = replace(found, bound=max(found.bound, low))
            if found.charges is not None:
                tried = with_bays(problem, found.charges)
                worths = dict(zip(LEVELS, worth(problem, tried), strict=True))
                if _before(
                    [worths[n] for n in levels[: number + 1]], [value[n] for n in levels[: number + 1]]
                ):
                    charges, value = tried, worths
            if found.bound > -float("inf"):
                # It holds for plans that are as good at every level before, proven best there or not.
                bounds[level] = min(found.bound, value[level])
        kept[level] = value[level]
        state = Planned(charges, _levels(problem, charges, bounds, levels), time.monotonic() - begun)
        if progress is not None and not progress(state):
            return state
    return Planned(charges, _levels(problem, charges, bounds, levels), time.monotonic() - begun)


def _before(one: Sequence[float], other: Sequence[float]) -> bool:
    return better(tuple(one), tuple(other)) or all(abs(a - b) <= EPS for a, b in zip(one, other, strict=True))


def _least(problem: Problem, level: str) -> float:
    """What no plan can go under at this level, known without search."""
    return float(problem.base_kw.max()) if level == "peak_kw" else 0.0


def _levels(
    problem: Problem,
    charges: dict[str, Charge],
    bounds: dict[str, float],
    names: Sequence[str] = LEVELS,
) -> tuple[Level, ...]:
    value = dict(zip(LEVELS, worth(problem, charges), strict=True))
    found: list[Level] = []
    before = True
    for name in names:
        bound = bounds.get(name)
        if bound is None and value[name] <= _least(problem, name) + EPS and before:
            bound = value[name]
        proven = before and bound is not None and value[name] - bound <= 1e-4 * max(1.0, abs(value[name]))
        found.append(Level(name, value[name], bound, proven))
        before = before and proven
    return tuple(found)
