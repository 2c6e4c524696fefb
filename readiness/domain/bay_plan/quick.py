"""A good plan at once: banks in order of urgency, each at its earliest place, in many orders; then a lower peak.

List scheduling over orders with a seeded search by moving single banks forward; deterministic for a given problem.
"""

from __future__ import annotations

import random
import time
from collections.abc import Mapping, Sequence

import numpy as np

from readiness.domain.bay_plan.plan import Charge, better, breaks_floor, lateness, worth
from readiness.domain.bay_plan.problem import FloatArray, IntArray, Job, Need, Problem

ROUNDING_KW = 1e-6
PASSES = 400
# Beyond the time given, so that the peak of the plan found last is looked at, too.
PEAK_S = 0.5


class _Board:
    """What is still free while banks are put down one by one."""

    def __init__(self, problem: Problem, free_kw: FloatArray) -> None:
        self.problem = problem
        self.kw = free_kw.copy()
        self.bays = {kind: np.full(problem.slots, count) for kind, count in problem.bays.items()}
        self.hands = problem.handling.astype(np.float64).copy()

    def fits(self, job: Job, kind: str, slots: Sequence[int], power: Sequence[float]) -> bool:
        charge = Charge(job.key, kind, tuple(slots))
        if np.any(self.kw[list(slots)] + ROUNDING_KW < power):
            return False
        if np.any(self.bays[kind][list(slots)] < 1):
            return False
        hands: dict[int, int] = {}
        for number, (first, end) in enumerate(charge.runs()):
            off = int(self.problem.next_open[end])
            if not (job.held and number == 0):
                hands[first] = hands.get(first, 0) + 1
            if off < self.problem.slots:
                hands[off] = hands.get(off, 0) + 1
            if np.any(self.bays[kind][first:off] < 1):
                return False
        return all(self.hands[slot] >= count for slot, count in hands.items())

    def put(self, job: Job, charge: Charge) -> None:
        self.kw[list(charge.slots)] -= job.needs[charge.kind].profile_kw
        for number, (first, end) in enumerate(charge.runs()):
            off = int(self.problem.next_open[end])
            self.bays[charge.kind][first:off] -= 1
            if not (job.held and number == 0):
                self.hands[first] -= 1
            if off < self.problem.slots:
                self.hands[off] -= 1


def earliest(board: _Board, job: Job, rank: Mapping[str, int] | None = None) -> Charge | None:
    """The charge of this job that ends first on what is free, or None.

    `rank` by kind of bay, the most wanted last: a bank that is in time on a less wanted kind leaves the other free.
    """
    found: list[tuple[bool, int, int, int, Charge]] = []
    for kind, need in job.needs.items():
        if job.held is not None and kind != job.held:
            continue
        charge = _whole(board, job, kind, need)
        if charge is None and job.may_pause:
            charge = _paused(board, job, kind, need)
        if charge is not None:
            late = breaks_floor(board.problem, job, charge) or lateness(board.problem, job, charge) > 0
            spared = rank[kind] if rank is not None and not late else 0
            found.append((late, spared, charge.end, charge.start, charge))
    return min(found, key=lambda row: row[:4])[4] if found else None


def _whole(board: _Board, job: Job, kind: str, need: Need) -> Charge | None:
    starts: IntArray = board.problem.starts_of(job, need)
    if not len(starts):
        return None
    slots = starts[:, None] + np.arange(need.slots)[None, :]
    able = np.all(board.kw[slots] + ROUNDING_KW >= np.asarray(need.profile_kw), axis=1)
    able &= np.all(board.bays[kind][slots] >= 1, axis=1)
    for start in starts[able]:
        row = range(int(start), int(start) + need.slots)
        if board.fits(job, kind, row, need.profile_kw):
            return Charge(job.key, kind, tuple(row))
    return None


def _paused(board: _Board, job: Job, kind: str, need: Need) -> Charge | None:
    """Fills each open stretch from its first free slot on, as long as it is free; the tail in one piece."""
    problem = board.problem
    last = problem.slots if job.leaves is None else min(job.leaves, problem.slots)
    slots: list[int] = []
    tail = len(need.tail_kw)
    slot = max(0, job.release)
    while slot < last:
        left = need.bulk_slots - len(slots)
        run: list[int] = []
        at = slot
        while at < last and len(run) < left + tail and (problem.open[at] or job.unattended):
            kw = need.bulk_kw if len(run) < left else need.tail_kw[len(run) - left]
            if board.bays[kind][at] < 1 or board.kw[at] + ROUNDING_KW < kw:
                break
            run.append(at)
            at += 1
        if len(run) == left + tail and (not slots or len(run) >= problem.least_slots):
            charge = Charge(job.key, kind, tuple(slots + run))
            held = job.held is not None and charge.start == 0
            if job.held is not None and not held:
                return None
            if (problem.open[run[0]] or held) and board.fits(job, kind, charge.slots, need.profile_kw):
                off = int(problem.next_open[charge.end])
                if job.leaves is None or off <= job.leaves:
                    return charge
            run = []
        useful = run[: max(0, left)]
        # A stretch that the crew could not end, or that is too short, is not begun.
        while useful and not _can_stop(problem, useful[-1] + 1):
            useful.pop()
        long_enough = len(useful) >= problem.least_slots
        on_bay = job.held is not None and not slots
        if on_bay and useful and useful[0] > 0:
            return None
        able = bool(useful) and (long_enough or on_bay) and (on_bay or bool(problem.open[useful[0]]))
        if able and board.fits(job, kind, useful, [need.bulk_kw] * len(useful)):
            slots += useful
            slot = useful[-1] + 2
            continue
        slot += 1
    return None


def _can_stop(problem: Problem, boundary: int) -> bool:
    return boundary >= problem.slots or bool(problem.open[boundary]) or bool(problem.open[boundary - 1])


def in_order(
    problem: Problem, order: Sequence[Job], free_kw: FloatArray, rank: Mapping[str, int] | None = None
) -> dict[str, Charge]:
    """Each bank at its earliest place, in the order given; those on their bays first."""
    board = _Board(problem, free_kw)
    charges: dict[str, Charge] = {}
    for job in sorted(order, key=lambda job: job.held is None):
        charge = earliest(board, job, rank)
        if charge is not None:
            board.put(job, charge)
            charges[job.key] = charge
    return charges


def _wanted(problem: Problem) -> dict[str, int]:
    """Kinds of bays ordered by how much is asked of each that no other kind can do."""
    only = dict.fromkeys(problem.bays, 0.0)
    for job in problem.jobs:
        for kind, need in job.needs.items():
            only[kind] += need.slots / len(job.needs) / max(1, problem.bays[kind])
    return {kind: place for place, kind in enumerate(sorted(only, key=lambda kind: (only[kind], kind)))}


def quick_plan(problem: Problem, *, time_limit_s: float = 1.0, seed: int = 0) -> dict[str, Charge]:
    """A sound plan within the time; never worse than the order of urgency alone.

    After each pass the banks that came out badly move forward in the order (squeaky wheel search, Joslin and Clements 1999).
    """
    end = time.monotonic() + time_limit_s
    chance = random.Random(seed)
    far = problem.slots + 1
    jobs = list(problem.jobs)
    wanted = _wanted(problem)
    orders: list[list[Job]] = [
        sorted(jobs, key=lambda j: (min(_by(j.floor, far), _by(j.due, far)), -j.weight)),
        sorted(
            jobs,
            key=lambda j: (_by(j.due, far) - min((n.slots for n in j.needs.values()), default=0), -j.weight),
        ),
        sorted(jobs, key=lambda j: min((n.slots for n in j.needs.values()), default=0)),
        sorted(jobs, key=lambda j: j.published.start if j.published is not None else far),
    ]
    best: dict[str, Charge] | None = None
    best_worth: tuple[float, ...] = ()
    best_pass: tuple[list[Job], Mapping[str, int] | None] = (orders[0], None)
    number, order = 0, orders[0]
    while True:
        rank = wanted if number % 2 else None
        charges = in_order(problem, order, problem.free_kw, rank)
        value = worth(problem, charges)
        if best is None or better(value, best_worth):
            best, best_worth, best_pass = charges, value, (order, rank)
        number += 1
        if len(jobs) < 2 or number >= PASSES or time.monotonic() > end:
            break
        if number < 2 * len(orders):
            order = orders[number // 2]
        elif not any(best_worth[:4]):
            break
        else:
            base = order if number % 8 else best_pass[0]
            order = _squeaked(problem, base, charges if base is order else best, chance)
    return _lower_peak(problem, *best_pass, best, best_worth, end)


def _by(slot: int | None, far: int) -> int:
    return far if slot is None else slot


def _squeaked(
    problem: Problem, order: Sequence[Job], charges: Mapping[str, Charge], chance: random.Random
) -> list[Job]:
    """The order with those that broke a floor, were left out or came late moved forward, by chance further or less far."""
    place = {job.key: float(number) for number, job in enumerate(order)}
    for job in order:
        charge = charges.get(job.key)
        blame = (
            (2.0 if charge is None else 0.0)
            + (2.0 if breaks_floor(problem, job, charge) else 0.0)
            + (1.0 if lateness(problem, job, charge) else 0.0)
        )
        if blame:
            place[job.key] -= chance.random() * blame * 0.3 * len(order)
        elif chance.random() < 0.1:
            place[job.key] += chance.gauss(0.0, 2.0)
    return sorted(order, key=lambda job: place[job.key])


def _lower_peak(
    problem: Problem,
    order: Sequence[Job],
    rank: Mapping[str, int] | None,
    best: dict[str, Charge],
    value: tuple[float, ...],
    end: float,
) -> dict[str, Charge]:
    """The same order under an ever lower ceiling, as long as nothing that counts more gets worse."""
    low, high = float(problem.base_kw.max()), value[4]
    for _ in range(12):
        if high - low < 0.05 or time.monotonic() > end + PEAK_S:
            break
        middle = (low + high) / 2
        ceiling = np.minimum(problem.free_kw, np.maximum(0.0, middle - problem.base_kw))
        charges = in_order(problem, order, ceiling, rank)
        tried = worth(problem, charges)
        if better(tried, value):
            best, value, high = charges, tried, tried[4]
        else:
            low = middle
    return best
