"""The bay plan of a full depot: 60 banks, 6 bays, 14 days in slots of two hours, five seeds; and 300 banks in 20 depots.

A plan within two seconds; what is proven of it within thirty. What was reached stands in DEVELOPERS.md, the misses too.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from readiness.domain.bay_plan.plan import LEVELS, better, taken_until, worth
from readiness.domain.bay_plan.solve import at_once, solve
from readiness.domain.bay_plan.verify import faults_of
from tests.benchmarks.bay_depots import SLOT_H, depot, earliest_deadline, first_difference, full_depot

pytestmark = pytest.mark.bench

SEEDS = (1, 2, 3, 4, 5)
FIRST_S = 2.0
PROOF_S = 30.0
# The bound is asked for again and again; one question may run over by what the solver needs to look at its clock.
OVER_S = 10.0
LEAST_TAKEN = 0.90
LEAST_WORSE = 0.10
FIGURES = Path(__file__).parents[2] / ".local"


def taken_share(problem: Any, charges: Any) -> float:
    """Of all bay hours those in which a bay is taken: charging, or waiting for the crew."""
    taken = sum(off - first for charge in charges.values() for first, off in taken_until(problem, charge))
    return taken / (problem.slots * sum(problem.bays.values()))


def told(name: str, figures: Any) -> None:
    """Figures of this run, for the one who writes them down."""
    FIGURES.mkdir(exist_ok=True)
    path = FIGURES / "bench-bay-plan.json"
    known = json.loads(path.read_text()) if path.exists() else {}
    path.write_text(json.dumps(known | {name: figures}, indent=1))
    print(name, json.dumps(figures))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_full_depot(seed: int) -> None:
    problem = full_depot(seed)
    assert (len(problem.jobs), sum(problem.bays.values()), problem.slots * SLOT_H) == (60, 6, 14 * 24)
    assert any(
        len(need.tail_kw) > 1 and not job.may_pause for job in problem.jobs for need in job.needs.values()
    )
    begun, cpu = time.monotonic(), time.process_time()
    first = at_once(problem)
    first_s, first_cpu_s = time.monotonic() - begun, time.process_time() - cpu
    assert faults_of(problem, first.charges) == []
    found = solve(problem, time_limit_s=PROOF_S, start=first)
    assert faults_of(problem, found.charges) == []
    assert not better(worth(problem, first.charges), worth(problem, found.charges))
    by_date = earliest_deadline(problem)
    level, ours, theirs = first_difference(problem, dict(found.charges), by_date)
    told(
        f"seed {seed}",
        {
            "first_s": round(first_s, 2),
            "first_cpu_s": round(first_cpu_s, 2),
            "proof_s": round(found.seconds, 1),
            "taken": round(taken_share(problem, found.charges), 3),
            "levels": [[row.name, round(row.value, 2), row.bound, row.proven] for row in found.levels],
            "by_date": [round(value, 2) for value in worth(problem, by_date)],
        },
    )
    assert first_cpu_s < FIRST_S
    assert found.seconds < PROOF_S + OVER_S
    assert taken_share(problem, found.charges) >= LEAST_TAKEN
    # By date alone the first level that differs is worse by a tenth at least; it is never better.
    assert theirs >= ours * (1 + LEAST_WORSE), LEVELS[level]


def test_three_hundred_banks_in_twenty_depots() -> None:
    """A depot after the other, as the command does it: fifteen banks, three bays, two weeks."""
    first_s = proof_s = 0.0
    proven = levels = 0
    for seed in range(20):
        problem = depot(100 + seed, banks=15, bays=3, load=0.8, supply_kw=12.0)
        first = at_once(problem, time_limit_s=0.3)
        first_s += first.seconds
        found = solve(problem, time_limit_s=6.0, start=first)
        proof_s += found.seconds
        assert faults_of(problem, found.charges) == []
        proven += sum(row.proven for row in found.levels)
        levels += len(found.levels)
    told(
        "20 depots",
        {
            "first_s": round(first_s, 1),
            "proof_s": round(proof_s, 1),
            "levels_proven": proven,
            "levels": levels,
        },
    )
    assert first_s < 20 * FIRST_S
    assert proven >= levels // 2
