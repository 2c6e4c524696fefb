"""A problem and a plan as plain values, so that what was planned can be checked again years later."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from readiness.domain.bay_plan.plan import Charge
from readiness.domain.bay_plan.problem import Booked, Job, Need, Problem
from readiness.domain.bay_plan.solve import Level

# A handling limit that is not kept; JSON knows no infinity.
NO_LIMIT = None
PLACES = 4


def problem_kept(problem: Problem) -> dict[str, Any]:
    return {
        "jobs": [_job_kept(job) for job in problem.jobs],
        "bays": dict(problem.bays),
        "supply_kw": _numbers(problem.supply_kw),
        "base_kw": _numbers(problem.base_kw),
        "open": [int(there) for there in problem.open],
        "handling": [None if not np.isfinite(count) else float(count) for count in problem.handling],
        "slot_h": problem.slot_h,
        "least_slots": problem.least_slots,
    }


def problem_read(kept: Mapping[str, Any]) -> Problem:
    return Problem(
        jobs=tuple(_job_read(job) for job in kept["jobs"]),
        bays=dict(kept["bays"]),
        supply_kw=np.array(kept["supply_kw"], dtype=np.float64),
        base_kw=np.array(kept["base_kw"], dtype=np.float64),
        open=np.array(kept["open"], dtype=bool),
        handling=np.array([np.inf if count is None else count for count in kept["handling"]]),
        slot_h=kept["slot_h"],
        least_slots=kept["least_slots"],
    )


def _numbers(values: Any) -> list[float]:
    return [round(float(value), PLACES) for value in values]


def _job_kept(job: Job) -> dict[str, Any]:
    needs = {
        kind: [need.bulk_slots, round(need.bulk_kw, PLACES), _numbers(need.tail_kw)]
        for kind, need in job.needs.items()
    }
    row = {name: getattr(job, name) for name in Job.__slots__ if name not in ("needs", "published")}
    booked = job.published
    return row | {"needs": needs, "published": [booked.kind, booked.start] if booked else None}


def _job_read(kept: Mapping[str, Any]) -> Job:
    needs = {kind: Need(bulk, kw, tuple(tail)) for kind, (bulk, kw, tail) in kept["needs"].items()}
    booked = kept["published"]
    rest = {name: value for name, value in kept.items() if name not in ("needs", "published")}
    return Job(needs=needs, published=Booked(*booked) if booked else None, **rest)


def charges_kept(charges: Mapping[str, Charge]) -> dict[str, Any]:
    return {
        key: {"kind": charge.kind, "slots": list(charge.slots), "bays": list(charge.bays)}
        for key, charge in charges.items()
    }


def charges_read(kept: Mapping[str, Any]) -> dict[str, Charge]:
    return {
        key: Charge(key, row["kind"], tuple(row["slots"]), tuple(row["bays"])) for key, row in kept.items()
    }


def levels_kept(levels: tuple[Level, ...]) -> list[dict[str, Any]]:
    return [
        {"name": row.name, "value": row.value, "bound": row.bound, "proven": row.proven} for row in levels
    ]


def levels_read(kept: list[dict[str, Any]]) -> tuple[Level, ...]:
    return tuple(Level(row["name"], row["value"], row["bound"], row["proven"]) for row in kept)
