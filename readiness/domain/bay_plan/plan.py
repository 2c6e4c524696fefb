"""A plan: which slots each bank has on which bay, and what the plan is worth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from readiness.domain.bay_plan.problem import FloatArray, IntArray, Job, Problem

EPS = 1e-6
# What a plan is judged by, in strict order: nothing later is bought with anything earlier.
LEVELS = ("floors", "undone", "late", "tardiness", "peak_kw", "finish", "changes")


@dataclass(frozen=True)
class Charge:
    """The slots in which one bank charges, ascending, on a kind of bay.

    `bays`: the number of the bay, from 0, of each stretch of `taken_until`; empty before `with_bays`.
    """

    key: str
    kind: str
    slots: tuple[int, ...]
    bays: tuple[int, ...] = ()

    @property
    def start(self) -> int:
        return self.slots[0]

    @property
    def end(self) -> int:
        return self.slots[-1] + 1

    def runs(self) -> list[tuple[int, int]]:
        """Stretches without pause, as (first slot, boundary after the last)."""
        found: list[tuple[int, int]] = []
        for slot in self.slots:
            if found and found[-1][1] == slot:
                found[-1] = (found[-1][0], slot + 1)
            else:
                found.append((slot, slot + 1))
        return found


Charges = Mapping[str, Charge]


def load_kw(problem: Problem, charges: Iterable[Charge]) -> FloatArray:
    """Power drawn by charging in each slot [kW], shape (slots,)."""
    jobs = {job.key: job for job in problem.jobs}
    load = np.zeros(problem.slots)
    for charge in charges:
        load[list(charge.slots)] += jobs[charge.key].needs[charge.kind].profile_kw
    return load


def taken_until(problem: Problem, charge: Charge) -> list[tuple[int, int]]:
    """Stretches in which a bay is taken: to the slot in which the crew takes the bank off again."""
    held: list[tuple[int, int]] = []
    for first, end in charge.runs():
        off = int(problem.next_open[end])
        if held and held[-1][1] >= first:
            held[-1] = (held[-1][0], max(off, held[-1][1]))
        else:
            held.append((first, off))
    return held


def handlings(problem: Problem, charge: Charge, held: bool) -> IntArray:
    """Connections and disconnections in each slot, shape (slots,). What is on its bay already is not connected again."""
    count = np.zeros(problem.slots, dtype=np.int64)
    for number, (first, end) in enumerate(charge.runs()):
        if not (held and number == 0):
            count[first] += 1
        off = int(problem.next_open[end])
        if off < problem.slots:
            count[off] += 1
    return count


def breaks_floor(problem: Problem, job: Job, charge: Charge | None) -> bool:
    """The charge begins after the last slot that keeps the bank above its floor."""
    if job.floor is None:
        return False
    if charge is None:
        return job.floor < problem.slots
    return charge.start > job.floor


def lateness(problem: Problem, job: Job, charge: Charge | None) -> int:
    """Slots by which it ends after its due slot; not charged at all counts to one past the horizon."""
    if job.due is None:
        return 0
    end = problem.slots + 1 if charge is None else charge.end
    return max(0, end - job.due)


def moved(job: Job, charge: Charge | None) -> bool:
    """It stands elsewhere, or begins at another time, than in the plan people know."""
    if job.published is None:
        return False
    return charge is None or charge.kind != job.published.kind or charge.start != max(0, job.published.start)


def worth(problem: Problem, charges: Charges) -> tuple[float, ...]:
    """The plan's value at each of `LEVELS`, smaller is better."""
    floors = undone = late = tardy = finish = changes = 0.0
    for job in problem.jobs:
        charge = charges.get(job.key)
        slots = lateness(problem, job, charge)
        floors += breaks_floor(problem, job, charge)
        undone += job.weight * (charge is None)
        late += job.weight * (slots > 0)
        tardy += job.weight * slots
        finish += charge.end if charge is not None else problem.slots + 1
        changes += moved(job, charge)
    peak = float((problem.base_kw + load_kw(problem, charges.values())).max())
    return floors, undone, late, tardy, peak, finish, changes


def better(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """`one` is before `other` in the strict order."""
    for left, right in zip(one, other, strict=True):
        if abs(left - right) > EPS:
            return left < right
    return False


def with_bays(problem: Problem, charges: Charges) -> dict[str, Charge]:
    """The same charges with a bay number for each stretch; a bank that comes back takes its bay again where that is free.

    Raises ValueError when more banks are on bays of a kind than there are.
    """
    jobs = {job.key: job for job in problem.jobs}
    given: dict[str, list[int]] = {key: [] for key in charges}
    for kind, count in problem.bays.items():
        stretches = [
            (first, jobs[charge.key].held_bay is None, off, charge.key)
            for charge in charges.values()
            if charge.kind == kind
            for first, off in taken_until(problem, charge)
        ]
        free = [0] * count
        for first, _not_held, off, key in sorted(stretches):
            wanted = given[key][-1] if given[key] else jobs[key].held_bay
            open_bays = [bay for bay in range(count) if free[bay] <= first]
            if not open_bays:
                raise ValueError(f"more banks than bays of the kind {kind}")
            bay = wanted if wanted in open_bays else open_bays[0]
            free[bay] = off
            given[key].append(bay)
    return {key: Charge(key, charge.kind, charge.slots, tuple(given[key])) for key, charge in charges.items()}
