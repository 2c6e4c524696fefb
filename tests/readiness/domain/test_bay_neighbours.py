"""The search among neighbours is never worse and never unsound; the bound of the relaxation is one."""

import time

import pytest

from readiness.domain.bay_plan.neighbours import improved
from readiness.domain.bay_plan.plan import LEVELS, better, worth
from readiness.domain.bay_plan.program import Program
from readiness.domain.bay_plan.solve import at_once
from readiness.domain.bay_plan.verify import faults_of
from tests.benchmarks.bay_depots import depot


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("level", ["undone", "late", "peak_kw"])
def test_never_worse_never_unsound_and_never_under_the_bound(seed, level):
    problem = depot(seed, banks=16, bays=2, days=6, supply_kw=9.0)
    first = at_once(problem, time_limit_s=0.05)
    program = Program(problem)
    value = dict(zip(LEVELS, worth(problem, first.charges), strict=True))
    kept = {name: value[name] for name in LEVELS[: LEVELS.index(level)]}
    bound = program.bound(level, kept, time_limit_s=20)
    found = improved(
        problem, program, first.charges, LEVELS, level, until=time.monotonic() + 1.5, bound=bound, seed=seed
    )
    assert faults_of(problem, found) == []
    assert not better(worth(problem, first.charges), worth(problem, found))
    assert worth(problem, found)[LEVELS.index(level)] >= bound - 1e-6 or better(
        worth(problem, found)[: LEVELS.index(level)], worth(problem, first.charges)[: LEVELS.index(level)]
    )
