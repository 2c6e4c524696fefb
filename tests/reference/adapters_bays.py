"""Cases of bays and their plan, through the functions that the depot's plan uses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from readiness.domain.bay_plan.problem import Job, Need, Problem
from readiness.domain.bay_plan.sizing import bays_min
from readiness.domain.bay_plan.solve import solve

Inputs = dict[str, Any]
KIND = "bay"
NO_LIMIT_KW = 1e6


def _problem(i: Inputs) -> Problem:
    slots = i.get("horizon") or sum(job["p"] for job in i["jobs"]) + len(i.get("closed_slots", ())) + 1
    present = np.ones(slots, dtype=bool)
    present[list(i.get("closed_slots", ()))] = False
    jobs = tuple(
        Job(
            job["id"],
            {KIND: Need(job["p"] - 1, job.get("kw", 0.0), (job.get("kw", 0.0),))},
            release=job.get("r", 0),
            due=job.get("d"),
            may_pause=bool(i.get("preempt", False)),
        )
        for job in i["jobs"]
    )
    return Problem(
        jobs,
        {KIND: i["bays"]},
        np.full(slots, float(i.get("power_cap_kw", NO_LIMIT_KW))),
        np.full(slots, float(i.get("base_load_kw", 0.0))),
        present,
        np.full(slots, np.inf),
    )


def _makespan(problem: Problem) -> int:
    """Fewest slots in which everything is done: the shortest horizon that leaves nothing undone."""
    for last in range(1, problem.slots + 1):
        shorter = Problem(
            problem.jobs,
            problem.bays,
            problem.supply_kw[:last],
            problem.base_kw[:last],
            problem.open[:last],
            problem.handling[:last],
        )
        if solve(shorter, levels=("undone",)).value("undone") == 0:
            return last
    raise AssertionError("the horizon is too short")


def schedule(i: Inputs) -> Any:
    problem = _problem(i)
    wanted = i["objective"]
    if wanted == "min_late":
        return solve(problem, levels=("late",)).value("late")
    if wanted == "min_makespan":
        return _makespan(problem)
    if wanted == "min_total_tardiness":
        return solve(problem, levels=("undone", "tardiness")).value("tardiness")
    if wanted == "min_peak_kw":
        return solve(problem, levels=("undone", "late", "peak_kw")).value("peak_kw")
    assert wanted == "feasible"
    found = solve(problem, levels=("undone", "late"))
    return 0 if found.value("undone") + found.value("late") == 0 else "infeasible"


def smallest_number_of_bays(i: Inputs) -> int:
    groups = i["groups"]
    return bays_min(
        [group["n"] for group in groups],
        [group["bay_h"] for group in groups],
        [group["interval_d"] for group in groups],
        open_h_per_week=i["open_h_per_week"],
        target_use=i["target_use"],
    )


BAYS: dict[str, Callable[[Inputs], Any]] = {"schedule": schedule, "bays_min": smallest_number_of_bays}
