"""The shortest walk that gets most units decided: which unit to survey next, and which shared fact to settle first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Stop:
    """One unit to survey: minutes of work on its own facts, and the shared facts (of its depot) it also waits for."""

    unit: int
    minutes: float
    shared: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Step:
    """One thing to do: survey `unit`, or settle the `shared` fact; with the totals once it is done."""

    unit: int | None
    shared: str
    minutes: float
    minutes_so_far: float
    decided_so_far: int


@dataclass(frozen=True)
class _Bundle:
    shared: frozenset[str]
    stops: tuple[Stop, ...]
    rate: float


def walk(stops: Iterable[Stop], shared_minutes: Mapping[str, float]) -> list[Step]:
    """Order of work by most units decided per minute [1/min]; every stop comes exactly once.

    A unit is decided once its own facts and the shared facts it waits for are known. Among units alike in their shared
    facts the quicker goes first; a set of shared facts comes when, with the quickest units it frees, it decides more units
    a minute than any unit that is free already. Ties go by unit number. Raises ValueError for negative minutes and KeyError
    for a shared fact without minutes.
    """
    waiting = sorted(stops, key=lambda stop: (stop.minutes, stop.unit))
    if any(stop.minutes < 0 for stop in waiting) or any(minutes < 0 for minutes in shared_minutes.values()):
        raise ValueError("minutes of work cannot be negative")
    known: frozenset[str] = frozenset()
    steps: list[Step] = []
    while waiting:
        free = [stop for stop in waiting if stop.shared <= known]
        bundle = _best_bundle([stop for stop in waiting if not stop.shared <= known], known, shared_minutes)
        least = bundle.rate if bundle else -1.0
        chosen = [stop for stop in free if _rate(1, stop.minutes) >= least]
        if not chosen and bundle:
            for fact in sorted(bundle.shared):
                steps.append(_next(steps, None, fact, shared_minutes[fact]))
            known |= bundle.shared
            chosen = list(bundle.stops)
        for stop in chosen:
            steps.append(_next(steps, stop.unit, "", stop.minutes))
        taken = {stop.unit for stop in chosen}
        waiting = [stop for stop in waiting if stop.unit not in taken]
    return steps


def _best_bundle(
    stops: Sequence[Stop], known: frozenset[str], shared_minutes: Mapping[str, float]
) -> _Bundle | None:
    """The set of shared facts, with the quickest units that wait for some of it, that decides most units a minute."""
    best: _Bundle | None = None
    for facts in sorted({stop.shared - known for stop in stops}, key=sorted):
        cost = math.fsum(shared_minutes[fact] for fact in facts)
        freed: list[Stop] = []
        for stop in stops:
            if stop.shared - known <= facts:
                freed.append(stop)
                cost += stop.minutes
                rate = _rate(len(freed), cost)
                if best is None or rate > best.rate:
                    best = _Bundle(facts, tuple(freed), rate)
    return best


def _rate(units: int, minutes: float) -> float:
    return math.inf if minutes == 0 else units / minutes


def _next(steps: Sequence[Step], unit: int | None, shared: str, minutes: float) -> Step:
    before = steps[-1] if steps else Step(None, "", 0.0, 0.0, 0)
    return Step(
        unit,
        shared,
        minutes,
        before.minutes_so_far + minutes,
        before.decided_so_far + (1 if unit is not None else 0),
    )
