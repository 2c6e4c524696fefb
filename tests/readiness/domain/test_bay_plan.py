"""Bay plans: published instances, every small instance against enumeration, and a checker that knows only the rules."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from fleet.lib.errors import DomainError
from readiness.domain.bay_plan.give_up import Way, ways_out
from readiness.domain.bay_plan.plan import EPS, LEVELS, Charge, better, with_bays, worth
from readiness.domain.bay_plan.problem import Booked, Job, Need, Problem
from readiness.domain.bay_plan.quick import quick_plan
from readiness.domain.bay_plan.sizing import bay_hours_per_week, bays_min
from readiness.domain.bay_plan.solve import at_once, solve
from readiness.domain.bay_plan.verify import faults_of


def problem_of(jobs, *, slots, bays=1, cap_kw=1000.0, base_kw=0.0, closed=(), handling=np.inf, least=1):
    """One kind of bay, crew present except in `closed`."""
    present = np.ones(slots, dtype=bool)
    present[list(closed)] = False
    return Problem(
        tuple(jobs),
        {"bay": bays},
        np.full(slots, cap_kw),
        np.full(slots, base_kw),
        present,
        np.full(slots, float(handling)),
        least_slots=least,
    )


def job_of(key, slots, kw=0.0, *, tail=1, **given):
    return Job(key, {"bay": Need(slots - tail, kw, (kw,) * tail)}, **given)


def solved(problem, levels=LEVELS):
    found = solve(problem, levels=levels, time_limit_s=30)
    assert faults_of(problem, found.charges) == []
    return found


class TestPublishedInstances:
    """Instances whose optimum is known by a published method, named at each."""

    def test_fewest_late_on_one_bay(self):
        # Moore-Hodgson: by deadline, dropping the longest when one is late: A is dropped.
        jobs = [
            job_of("A", 4, due=5),
            job_of("B", 3, due=7),
            job_of("C", 2, due=8),
            job_of("D", 5, due=11),
            job_of("E", 2, due=12),
        ]
        found = solved(problem_of(jobs, slots=18), ("late",))
        assert found.value("late") == 1
        assert found.proven

    def test_total_tardiness_with_a_closed_time(self):
        jobs = [
            job_of("A", 3, due=4),
            job_of("B", 3, due=5),
            job_of("C", 2, due=4),
            job_of("D", 4, due=10),
            job_of("E", 2, due=5),
        ]
        closed = problem_of(jobs, slots=13, bays=2, closed=(5, 6))
        assert solved(closed, ("undone", "tardiness")).value("tardiness") == 1
        always = problem_of(jobs, slots=13, bays=2)
        assert solved(always, ("undone", "tardiness")).value("tardiness") == 0

    def test_only_pauses_make_it_feasible(self):
        # Horn 1974: with release and due dates and pauses, a question of maximum flow.
        jobs = [job_of("A", 4, due=8), job_of("B", 2, release=1, due=4), job_of("C", 2, release=4, due=6)]
        whole = solved(problem_of(jobs, slots=10), ("undone", "late"))
        assert whole.value("late") == 1
        assert whole.proven
        paused = [replace(job, may_pause=True) for job in jobs]
        assert solved(problem_of(paused, slots=10), ("undone", "late")).value("late") == 0

    def test_lowest_peak(self):
        jobs = [
            job_of("A", 3, 3, due=8),
            job_of("B", 4, 2, due=8),
            job_of("C", 2, 4, due=6),
            job_of("D", 3, 2.5, due=8),
        ]
        found = solved(problem_of(jobs, slots=8, bays=3, base_kw=1.5))
        assert found.value("peak_kw") == pytest.approx(6.5)
        assert found.proven


def random_problem(seed):
    """Small enough to enumerate, with every kind of rule in it."""
    chance = np.random.default_rng(seed)
    slots = 6
    kinds = ["one", "two"][: int(chance.integers(1, 3))]
    jobs = []
    for number in range(3):
        needs = {}
        for kind in kinds:
            if chance.random() < 0.8 or not needs:
                tail = int(chance.integers(1, 3))
                needs[kind] = Need(
                    int(chance.integers(0, 3)),
                    float(chance.integers(1, 4)),
                    tuple(float(kw) for kw in chance.integers(1, 3, tail)),
                )
        pick = chance.random
        jobs.append(
            Job(
                f"B{number}",
                needs,
                weight=float(chance.integers(1, 4)),
                release=int(chance.integers(0, 2)),
                due=int(chance.integers(2, 8)) if pick() < 0.8 else None,
                floor=int(chance.integers(0, 6)) if pick() < 0.5 else None,
                leaves=int(chance.integers(4, 7)) if pick() < 0.2 else None,
                may_pause=pick() < 0.5,
                unattended=pick() < 0.4,
                published=Booked(str(chance.choice(kinds)), int(chance.integers(0, 5)))
                if pick() < 0.5
                else None,
            )
        )
    if chance.random() < 0.3:
        kind = next(iter(jobs[0].needs))
        jobs[0] = replace(jobs[0], held=kind, held_bay=0, release=0)
    present = chance.random(slots) < 0.8
    return Problem(
        tuple(jobs),
        {kind: int(chance.integers(1, 3)) for kind in kinds},
        chance.integers(3, 8, slots).astype(float),
        chance.integers(0, 2, slots).astype(float),
        present,
        np.where(present, chance.integers(1, 4, slots), 0).astype(float),
        least_slots=int(chance.integers(1, 3)),
    )


def enumerated(problem):
    """The best value of all plans without a fault."""
    options = []
    for job in problem.jobs:
        own = [None]
        for kind, need in job.needs.items():
            for slots in combinations(range(problem.slots), need.slots):
                charge = Charge(job.key, kind, slots)
                if not faults_of(problem, {job.key: charge}):
                    own.append(charge)
        options.append(own)
    best = None
    for chosen in product(*options):
        charges = {charge.key: charge for charge in chosen if charge is not None}
        if faults_of(problem, charges):
            continue
        value = worth(problem, charges)
        if best is None or better(value, best):
            best = value
    return best


@pytest.mark.parametrize("seed", range(14))
def test_small_instances_are_solved_to_the_best_of_all_plans(seed):
    problem = random_problem(seed)
    found = solved(problem)
    assert found.proven
    assert worth(problem, found.charges) == pytest.approx(enumerated(problem), abs=1e-4)


@pytest.mark.parametrize("seed", range(40, 66))
def test_the_plan_at_once_keeps_every_rule_and_claims_no_bound_it_lacks(seed):
    problem = random_problem(seed)
    plan = at_once(problem, time_limit_s=0.1)
    assert faults_of(problem, plan.charges) == []
    best = solved(problem)
    for level, proven in zip(plan.levels, best.levels, strict=True):
        if level.proven:
            assert level.value == pytest.approx(proven.value, abs=1e-4)
        else:
            break
    assert not better(worth(problem, plan.charges), worth(problem, best.charges))


def test_the_checker_finds_each_fault():
    jobs = [
        job_of("A", 3, 2.0, due=3),
        job_of("B", 2, 2.0, may_pause=True, tail=2, leaves=5),
        job_of("C", 1, 2.0, held="bay", held_bay=0),
    ]
    problem = problem_of(jobs, slots=8, bays=1, cap_kw=3.0, closed=(5,), handling=1, least=2)

    def faults(**slots):
        return " ".join(faults_of(problem, {key: Charge(key, "bay", at) for key, at in slots.items()}))

    assert "not asked for" in " ".join(faults_of(problem, {"Z": Charge("Z", "bay", (0,))}))
    assert "cannot charge it" in " ".join(faults_of(problem, {"A": Charge("A", "other", (0, 1, 2))}))
    assert "needs 3" in faults(A=(0, 1))
    assert "paused" in faults(A=(0, 1, 3))
    assert "nobody is there" in faults(A=(3, 4, 5))
    assert "paused in the tail" in faults(B=(0, 2))
    assert "when the unit leaves" in faults(B=(4, 5))
    assert "kW where" in faults(A=(0, 1, 2), B=(1, 2))
    assert "2 banks on 1 bays" in faults(A=(0, 1, 2), B=(1, 2))
    assert "the crew handles" in faults(A=(0, 1, 2), B=(3, 4))
    assert "was taken off" in faults(C=(3,))
    assert "outside its window" in " ".join(
        faults_of(problem_of([job_of("A", 1, release=2)], slots=4), {"A": Charge("A", "bay", (1,))})
    )
    doubled = {
        "A": Charge("A", "bay", (0, 1, 2), (0,)),
        "B": Charge("B", "bay", (2, 3), (0,)),
    }
    assert "together" in " ".join(faults_of(problem, doubled))


def test_a_bank_on_its_bay_keeps_the_bay_and_nobody_else_gets_it():
    jobs = [job_of("H", 3, 1.0, held="bay", held_bay=1), job_of("A", 2, 1.0), job_of("B", 2, 1.0)]
    problem = problem_of(jobs, slots=6, bays=2)
    plan = at_once(problem)
    assert plan.charges["H"].bays == (1,)
    assert faults_of(problem, plan.charges) == []


def test_a_floor_is_kept_before_anything_else_is_bought():
    # Whatever it weighs, the heavy late job waits for the light one that would fall under its floor.
    jobs = [job_of("heavy", 3, due=3, weight=1000.0), job_of("light", 3, floor=0, weight=0.001)]
    found = solved(problem_of(jobs, slots=8))
    assert found.value("floors") == 0
    assert found.charges["light"].start == 0
    assert found.value("late") == 1000


def test_more_bays_or_power_never_make_a_plan_worse():
    for seed in range(8):
        problem = random_problem(seed)
        least = worth(problem, solved(problem).charges)
        more = replace(
            problem,
            bays={kind: count + 1 for kind, count in problem.bays.items()},
            supply_kw=problem.supply_kw + 2,
        )
        assert not better(least, worth(more, solved(more).charges))


def test_what_cannot_be_read_is_refused_in_words():
    with pytest.raises(DomainError, match="no bay of the kind"):
        problem_of([Job("A", {"other": Need(1, 1.0, (1.0,))})], slots=3)
    with pytest.raises(DomainError, match="weight"):
        problem_of([job_of("A", 2, weight=0.0)], slots=3)
    with pytest.raises(DomainError, match="power"):
        problem_of([job_of("A", 2, float("nan"))], slots=3)
    with pytest.raises(DomainError, match="twice"):
        problem_of([job_of("A", 2), job_of("A", 2)], slots=3)
    with pytest.raises(DomainError, match="no slot"):
        problem_of([], slots=0)
    with pytest.raises(DomainError, match="supply"):
        problem_of([], slots=2, cap_kw=float("nan"))


def test_the_search_ends_when_told_and_says_what_is_not_proven():
    problem = random_problem(3)
    told = []

    def stop(state):
        told.append(state)
        return False

    found = solve(problem, progress=stop)
    assert len(told) == 1
    assert [level.name for level in found.levels] == list(LEVELS)
    assert faults_of(problem, found.charges) == []
    for level in found.levels:
        assert level.gap is None or level.gap >= -EPS


def test_with_bays_refuses_more_banks_than_bays():
    problem = problem_of([job_of("A", 2), job_of("B", 2)], slots=4)
    with pytest.raises(ValueError, match="more banks than bays"):
        with_bays(problem, {"A": Charge("A", "bay", (0, 1)), "B": Charge("B", "bay", (1, 2))})


def test_the_quick_plan_is_the_same_every_time():
    problem = random_problem(7)
    assert quick_plan(problem, time_limit_s=5) == quick_plan(problem, time_limit_s=5)


def test_bays_in_the_steady_state():
    # Arithmetic: 7 * (120 * 10 / 90 + 40 * 16 / 45) = 192.9 h a week, 50 h open at 80 % = 40 h a bay.
    groups = ([120, 40], [10, 16], [90, 45])
    assert bay_hours_per_week(*groups) == pytest.approx(192.9, abs=0.05)
    assert bays_min(*groups, open_h_per_week=50) == 5
    assert bays_min([1], [40], [7], open_h_per_week=50) == 1
    assert bays_min([1], [40.1], [7], open_h_per_week=50) == 2
    assert bays_min([], [], [], open_h_per_week=50) == 0
    with pytest.raises(DomainError, match="open hours"):
        bays_min(*groups, open_h_per_week=0)
    with pytest.raises(DomainError, match="days of more than 0"):
        bays_min([1], [1], [0], open_h_per_week=50)


class TestWhatToGiveUp:
    def test_a_plan_that_needs_nothing_is_told_nothing(self):
        assert ways_out(problem_of([job_of("A", 2, floor=1)], slots=4)) == ()

    def test_one_more_bay_or_a_day(self):
        jobs = [job_of("A", 3, 1.0, floor=0), job_of("B", 3, 1.0, floor=0)]
        assert ways_out(problem_of(jobs, slots=8)) == (Way("bay", "bay"),)
        jobs = [job_of("A", 2, 1.0, floor=1), job_of("B", 2, 1.0, floor=1)]
        problem = problem_of(jobs, slots=8, closed=(0, 6, 7))
        found = ways_out(problem, days={"Saturday": np.array([0]), "Sunday": np.array([6, 7])})
        assert found == (Way("bay", "bay"),)
        jobs = [job_of("A", 2, 1.0, floor=0)]
        found = ways_out(
            problem_of(jobs, slots=6, closed=(0, 1, 5)),
            days={"Saturday": np.array([0, 1]), "Sunday": np.array([5])},
        )
        assert found == (Way("day", "Saturday"),)

    def test_the_least_power_and_no_less(self):
        jobs = [job_of("A", 3, 2.0, floor=0), job_of("B", 3, 1.75, floor=0)]
        problem = problem_of(jobs, slots=6, bays=2, cap_kw=3.0)
        (way,) = ways_out(problem)
        assert way == Way("supply", "", pytest.approx(0.8), least=True)
        assert ways_out(replace(problem, supply_kw=problem.supply_kw + way.kw)) == ()
        assert ways_out(replace(problem, supply_kw=problem.supply_kw + 0.7)) != ()

    def test_leave_to_charge_unattended(self):
        jobs = [job_of("A", 4, 1.0, floor=2)]
        problem = problem_of(jobs, slots=8, closed=(2, 5, 6))
        found = ways_out(problem, attend={"lead-acid": frozenset({"A"})})
        assert found == (Way("attend", "lead-acid"),)
