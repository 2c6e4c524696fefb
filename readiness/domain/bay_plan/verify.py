"""Checks a plan against the problem by its rules alone; it knows nothing of how the plan was made."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from readiness.domain.bay_plan.plan import Charge, Charges, taken_until
from readiness.domain.bay_plan.problem import Job, Problem

ROUNDING_KW = 1e-6


def faults_of(problem: Problem, charges: Charges) -> list[str]:
    """What a plan breaks, in words for the log and the tests; empty when it keeps every rule."""
    faults: list[str] = []
    jobs = {job.key: job for job in problem.jobs}
    power = np.zeros(problem.slots)
    hands = np.zeros(problem.slots)
    for key, charge in charges.items():
        if key not in jobs:
            faults.append(f"{key}: not asked for")
            continue
        faults.extend(f"{key}: {fault}" for fault in _of_one(problem, jobs[key], charge))
        if charge.kind in jobs[key].needs and len(charge.slots) == jobs[key].needs[charge.kind].slots:
            for slot, kw in zip(charge.slots, jobs[key].needs[charge.kind].profile_kw, strict=True):
                power[slot] += kw
        for number, (first, end) in enumerate(charge.runs()):
            hands[first] += not (jobs[key].held and number == 0)
            off = _crew_from(problem, end)
            if off is not None:
                hands[off] += 1
    for slot in range(problem.slots):
        if power[slot] > problem.free_kw[slot] + ROUNDING_KW:
            faults.append(f"slot {slot}: {power[slot]:.3f} kW where {problem.free_kw[slot]:.3f} are free")
        if hands[slot] > problem.handling[slot] + ROUNDING_KW:
            faults.append(f"slot {slot}: the crew handles {hands[slot]:.0f} banks")
    faults.extend(_bays(problem, charges))
    for job in problem.jobs:
        if job.held is not None and job.key in charges and charges[job.key].start != 0:
            faults.append(f"{job.key}: is on its bay and was taken off")
    return faults


def _crew_from(problem: Problem, boundary: int) -> int | None:
    return next((slot for slot in range(boundary, problem.slots) if problem.open[slot]), None)


def _of_one(problem: Problem, job: Job, charge: Charge) -> list[str]:
    need = job.needs.get(charge.kind)
    if need is None:
        return [f"a bay of the kind {charge.kind} cannot charge it"]
    faults: list[str] = []
    slots = list(charge.slots)
    if job.held is not None and charge.kind != job.held:
        faults.append("moved to another kind of bay while it charges")
    if len(slots) != need.slots or sorted(set(slots)) != slots:
        return [*faults, f"has {len(slots)} slots and needs {need.slots}"]
    if slots[0] < max(0, job.release) or slots[-1] >= problem.slots:
        return [*faults, "outside its window"]
    if not job.may_pause and slots != list(range(slots[0], slots[0] + need.slots)):
        faults.append("paused")
    tail = slots[need.bulk_slots :]
    if tail != list(range(tail[0], tail[0] + len(tail))) if tail else False:
        faults.append("paused in the tail")
    if not job.unattended and not all(problem.open[slot] for slot in slots):
        faults.append("charges while nobody is there")
    runs = charge.runs()
    for number, (first, end) in enumerate(runs):
        on_bay = job.held is not None and number == 0 and first == 0
        if not problem.open[first] and not on_bay:
            faults.append(f"connected in slot {first} with nobody there")
        if len(runs) > 1 and end - first < problem.least_slots and not on_bay:
            faults.append(f"only {end - first} slots on a bay")
        off = _crew_from(problem, end)
        if job.leaves is not None and (problem.slots if off is None else off) > job.leaves:
            faults.append("still on its bay when the unit leaves")
    return faults


def _bays(problem: Problem, charges: Charges) -> list[str]:
    faults: list[str] = []
    by_bay: dict[tuple[str, int], list[tuple[int, int, str]]] = {}
    for kind, count in problem.bays.items():
        used = np.zeros(problem.slots + 1)
        for charge in charges.values():
            if charge.kind != kind:
                continue
            stretches = taken_until(problem, charge)
            for first, off in stretches:
                used[first:off] += 1
            if charge.bays:
                if len(charge.bays) != len(stretches) or not all(0 <= bay < count for bay in charge.bays):
                    faults.append(f"{charge.key}: no such bay")
                    continue
                for (first, off), bay in zip(stretches, charge.bays, strict=True):
                    by_bay.setdefault((kind, bay), []).append((first, off, charge.key))
        for slot in np.flatnonzero(used > count):
            faults.append(f"slot {slot}: {used[slot]:.0f} banks on {count} bays of the kind {kind}")
    for (kind, bay), rows in by_bay.items():
        rows.sort()
        for (_first, off, one), (first, _off, other) in pairwise(rows):
            if first < off:
                faults.append(f"bay {kind} {bay}: {one} and {other} together")
    return faults
