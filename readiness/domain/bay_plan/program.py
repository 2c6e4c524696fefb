"""The bay plan as an integer program, solved by HiGHS level after level.

An uninterrupted charge is a choice of its first slot (time-indexed formulation, whose relaxation is tight); one that may
pause is made of stretches of bulk and one last stretch that ends with the whole tail.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix, vstack

from readiness.domain.bay_plan.plan import LEVELS, Charge
from readiness.domain.bay_plan.problem import FloatArray, Job, Need, Problem

LARGEST_PROGRAM = 1_500_000
ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class Found:
    """Outcome of one level. `bound`: nothing smaller exists; `impossible`: proven that no plan keeps the constraints."""

    charges: dict[str, Charge] | None
    value: float | None
    bound: float
    proven: bool
    impossible: bool = False
    extra_kw: float | None = None


@dataclass
class _Rows:
    """Constraint rows `low <= A x <= high`, collected entry by entry."""

    row: list[int] = field(default_factory=list)
    column: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)

    def add(self, entries: Mapping[int, float], low: float, high: float) -> None:
        number = len(self.low)
        self.row.extend([number] * len(entries))
        self.column.extend(entries)
        self.value.extend(entries.values())
        self.low.append(low)
        self.high.append(high)

    def matrix(self, columns: int) -> csr_matrix:
        return coo_matrix(
            (np.array(self.value), (np.array(self.row), np.array(self.column))),
            shape=(len(self.low), columns),
        ).tocsr()


class Program:
    """Columns and rows of one problem. `extra`: a free column of kW on top of the supply, the question of `give_up`."""

    def __init__(self, problem: Problem, *, extra: bool = False) -> None:
        self.problem = problem
        self.cost: dict[str, dict[int, float]] = {level: {} for level in LEVELS}
        self.constant = dict.fromkeys(LEVELS, 0.0)
        self.rows = _Rows()
        # Only asked for where the peak counts: for the levels before it they would be weight without use.
        self.peak_rows = _Rows()
        self.whole: list[tuple[int, Job, str, int]] = []
        self.paused: list[tuple[Job, str, list[tuple[int, int, int, bool]]]] = []
        self.upper: list[float] = []
        self.integral: list[int] = []
        self.lower: list[float] = []
        slots = problem.slots
        self._bay: dict[str, list[dict[int, float]]] = {
            kind: [{} for _ in range(slots)] for kind in problem.bays
        }
        self._power: list[dict[int, float]] = [{} for _ in range(slots)]
        self._hands: list[dict[int, float]] = [{} for _ in range(slots)]
        self.peak = self._column(upper=np.inf, integral=False, lower=float(problem.base_kw.max()))
        self.cost["peak_kw"][self.peak] = 1.0
        self.extra = self._column(upper=np.inf, integral=False) if extra else None
        # The plan that is known already, as one column: where it is chosen nothing else is. It costs what that plan costs,
        # so that the solver soon has an answer, and its bound with it. Without such a plan it is never chosen.
        self.known = self._column(upper=0.0)
        for job in problem.jobs:
            self._job(job)
        self._limits()

    @property
    def size(self) -> int:
        return len(self.rows.value)

    @cached_property
    def _matrix(self) -> csr_matrix:
        return self.rows.matrix(len(self.upper))

    @cached_property
    def _peak_matrix(self) -> csr_matrix:
        return self.peak_rows.matrix(len(self.upper))

    def _column(self, *, upper: float = 1.0, integral: bool = True, lower: float = 0.0) -> int:
        self.upper.append(upper)
        self.lower.append(lower)
        self.integral.append(int(integral))
        return len(self.upper) - 1

    def _charge(self, level: str, column: int, value: float) -> None:
        if value:
            self.cost[level][column] = self.cost[level].get(column, 0.0) + value

    def _job(self, job: Job) -> None:
        problem = self.problem
        undone = self._column()
        one: dict[int, float] = {undone: 1.0, self.known: 1.0}
        early: dict[int, float] = {}
        kept: dict[int, float] = {}
        self._charge("undone", undone, job.weight)
        self._charge("finish", undone, problem.slots + 1)
        if job.due is not None:
            over = max(0, problem.slots + 1 - job.due)
            self._charge("late", undone, job.weight * (over > 0))
            self._charge("tardiness", undone, job.weight * over)
        for kind, need in job.needs.items():
            if job.held is not None and kind != job.held:
                continue
            if job.may_pause:
                self._pausing(job, kind, need, one, early, kept)
            else:
                self._uninterrupted(job, kind, need, one, early, kept)
        self.rows.add(one, 1, 1)
        if job.floor is not None and job.floor < problem.slots:
            broken = self._column()
            self._charge("floors", broken, 1.0)
            self.rows.add(early | {broken: 1.0, self.known: 1.0}, 1, np.inf)
        if job.published is not None:
            self.constant["changes"] += 1.0
            for column in kept:
                self._charge("changes", column, -1.0)

    def _end(self, job: Job, column: int, end: int) -> None:
        self._charge("finish", column, end)
        if job.due is not None and end > job.due:
            self._charge("late", column, job.weight)
            self._charge("tardiness", column, job.weight * (end - job.due))

    def _uninterrupted(
        self,
        job: Job,
        kind: str,
        need: Need,
        one: dict[int, float],
        early: dict[int, float],
        kept: dict[int, float],
    ) -> None:
        problem = self.problem
        profile = need.profile_kw
        for start in map(int, problem.starts_of(job, need)):
            column = self._column()
            end = start + need.slots
            self.whole.append((column, job, kind, start))
            one[column] = 1.0
            if job.floor is not None and start <= job.floor:
                early[column] = 1.0
            if job.published is not None and (kind, start) == (
                job.published.kind,
                max(0, job.published.start),
            ):
                kept[column] = 1.0
            self._end(job, column, end)
            for offset, kw in enumerate(profile):
                self._power[start + offset][column] = kw
                if problem.open[start + offset] or start + offset == start:
                    self._bay[kind][start + offset][column] = 1.0
            if job.held is None:
                self._hands[start][column] = 1.0
            off = int(problem.next_open[end])
            if off < problem.slots:
                self._hands[off][column] = self._hands[off].get(column, 0.0) + 1.0

    def _pausing(
        self,
        job: Job,
        kind: str,
        need: Need,
        one: dict[int, float],
        early: dict[int, float],
        kept: dict[int, float],
    ) -> None:
        """Pieces: any number of stretches of bulk, and one last stretch that ends with the whole tail."""
        problem = self.problem
        active: list[dict[int, float]] = [{} for _ in range(problem.slots)]
        begun: list[list[int]] = [[] for _ in range(problem.slots)]
        bulk: dict[int, float] = {}
        at_zero: dict[int, float] = {}
        columns: list[tuple[int, int, int, bool]] = []
        for start, length, last in self._pieces(job, need):
            column = self._column()
            columns.append((column, start, length, last))
            end = start + length
            of_bulk = length - len(need.tail_kw) if last else length
            bulk[column] = float(of_bulk - need.bulk_slots if last else of_bulk)
            if last:
                one[column] = 1.0
                begun[start].append(column)
                self._end(job, column, end)
                power = (need.bulk_kw,) * of_bulk + need.tail_kw
            else:
                power = (need.bulk_kw,) * length
            for offset, kw in enumerate(power):
                slot = start + offset
                self._power[slot][column] = kw
                if not last:
                    active[slot][column] = 1.0
                if problem.open[slot] or offset == 0:
                    self._bay[kind][slot][column] = 1.0
            if job.held is not None and start == 0:
                at_zero[column] = 1.0
            else:
                self._hands[start][column] = 1.0
            off = int(problem.next_open[end])
            if off < problem.slots:
                self._hands[off][column] = self._hands[off].get(column, 0.0) + 1.0
            if job.floor is not None and start <= job.floor:
                early[column] = 1.0
        self.rows.add(bulk, 0, 0)
        if job.held is not None:
            self.rows.add(
                at_zero | {column: at_zero.get(column, 0.0) - 1.0 for column, _, _, last in columns if last},
                0,
                np.inf,
            )
        alone: list[dict[int, float]] = []
        ended: dict[int, float] = {}
        for slot in range(problem.slots):
            ended |= dict.fromkeys(begun[slot], 1.0)
            alone.append(active[slot] | ended)
            if active[slot]:
                self.rows.add(alone[slot], -np.inf, 1)
        if job.published is not None and job.published.kind == kind:
            self._kept(job.published.start, columns, alone, kept)
        self.paused.append((job, kind, columns))

    def _pieces(self, job: Job, need: Need) -> list[tuple[int, int, bool]]:
        """(first slot, length, is the last) of every stretch that keeps the rules of attendance and the least time."""
        problem = self.problem
        free = problem.slots if job.leaves is None else min(problem.slots, job.leaves)
        tail = len(need.tail_kw)
        found: list[tuple[int, int, bool]] = []
        for start in range(max(0, job.release), problem.slots):
            held = job.held is not None and start == 0
            if not (problem.open[start] or (held and job.unattended)):
                continue
            end_of_window = problem.slots if job.unattended else int(problem.last_in_window[start])
            for length in range(1, min(need.slots, end_of_window - start) + 1):
                end = start + length
                if job.leaves is not None and int(problem.next_open[end]) > free:
                    break
                if length < min(problem.least_slots, need.slots) and not held:
                    continue
                if length <= need.bulk_slots:
                    found.append((start, length, False))
                if length >= tail:
                    found.append((start, length, True))
        return found

    def _kept(
        self,
        published: int,
        columns: Sequence[tuple[int, int, int, bool]],
        alone: Sequence[dict[int, float]],
        kept: dict[int, float],
    ) -> None:
        start = max(0, published)
        there = {column: -1.0 for column, first, _length, _last in columns if first == start}
        if not there:
            return
        same = self._column()
        kept[same] = 1.0
        self.rows.add(there | {same: 1.0}, -np.inf, 0)
        for slot in range(min(start, len(alone))):
            if alone[slot]:
                self.rows.add(alone[slot] | {same: 1.0}, -np.inf, 1)

    def _limits(self) -> None:
        problem = self.problem
        for kind, count in problem.bays.items():
            for entries in self._bay[kind]:
                if entries:
                    self.rows.add(entries, -np.inf, count)
        for t, entries in enumerate(self._power):
            drawn = {column: kw for column, kw in entries.items() if kw}
            if not drawn:
                continue
            self.rows.add(
                drawn | ({self.extra: -1.0} if self.extra is not None else {}),
                -np.inf,
                float(problem.free_kw[t]),
            )
            self.peak_rows.add(drawn | {self.peak: -1.0}, -np.inf, -float(problem.base_kw[t]))
        for t, entries in enumerate(self._hands):
            if entries and np.isfinite(problem.handling[t]):
                self.rows.add(entries, -np.inf, float(problem.handling[t]))

    def solve(
        self,
        level: str,
        kept: Mapping[str, float],
        *,
        time_limit_s: float,
        at_most: float | None = None,
        fixed: Mapping[str, Charge] | None = None,
        weights: Mapping[str, float] | None = None,
    ) -> Found:
        """Smallest value of `level` while each of `kept` stays at or under its value.

        `at_most`: the value of a plan that is known and keeps them, too; `charges` is None where that one is answered.
        `fixed`: charges that stay as they are, so that only the rest is asked about (the bound then holds for that only).
        `weights`: instead of the level alone, a sum of levels; the value told is that sum.
        """
        goal, constant = self._goal(level, weights)
        upper, lower = np.array(self.upper), np.array(self.lower)
        if at_most is not None and level != "extra_kw":
            upper[self.known] = 1.0
            goal[self.known] = at_most - constant - (goal[self.peak] * lower[self.peak])
        if fixed is not None:
            self._fix(fixed, lower, upper)
        rows, low, high = self._asked(level, kept, weights)
        matrix, least, most = vstack(rows).tocsc(), np.concatenate(low), np.concatenate(high)
        # What cannot be otherwise is left out of the question: much that is fixed makes a small one of it.
        free = np.flatnonzero(lower < upper)
        stays = np.flatnonzero((lower >= upper) & (lower != 0.0))
        if len(stays):
            shift = matrix[:, stays] @ lower[stays]
            least, most = least - shift, most - shift
        result = milp(
            goal[free],
            constraints=LinearConstraint(matrix[:, free], least, most),
            bounds=Bounds(lower[free], upper[free]),
            integrality=np.array(self.integral)[free],
            options={"time_limit": max(0.1, time_limit_s), "mip_rel_gap": 0.0},
        )
        constant += float(goal[stays] @ lower[stays])
        if result.status == 2:
            return Found(None, None, np.inf, proven=True, impossible=True)
        bound = getattr(result, "mip_dual_bound", None)
        bound = -np.inf if bound is None else float(bound) + constant
        if result.x is None:
            return Found(None, None, bound, proven=False)
        value = float(goal[free] @ result.x) + constant
        proven = result.status == 0
        x = lower.copy()
        x[free] = result.x
        return Found(
            None if x[self.known] > 0.5 else self._charges(x),
            value,
            value if proven else bound,
            proven=proven,
            extra_kw=float(x[self.extra]) if self.extra is not None else None,
        )

    def bound(self, level: str, kept: Mapping[str, float], *, time_limit_s: float) -> float:
        """What no plan that keeps `kept` can be under at this level: charges may be split there, so it is soon known.

        Rounded up to the steps in which the level counts; -inf where time runs out.
        """
        goal, constant = self._goal(level, None)
        rows, low, high = self._asked(level, kept, None)
        result = milp(
            goal,
            constraints=LinearConstraint(vstack(rows), np.concatenate(low), np.concatenate(high)),
            bounds=Bounds(np.array(self.lower), np.array(self.upper)),
            integrality=np.zeros(len(goal), dtype=np.int64),
            options={"time_limit": max(0.1, time_limit_s)},
        )
        if result.status != 0 or result.x is None:
            return -np.inf
        value = float(result.fun) + constant
        return math.ceil(value - ROUNDING * max(1.0, abs(value))) if self._in_whole_numbers(level) else value

    def _in_whole_numbers(self, level: str) -> bool:
        costs = np.array(list(self.cost[level].values()))
        return level != "peak_kw" and bool(np.all(costs == np.round(costs)))

    def _goal(self, level: str, weights: Mapping[str, float] | None) -> tuple[FloatArray, float]:
        goal = np.zeros(len(self.upper))
        if level == "extra_kw":
            assert self.extra is not None
            goal[self.extra] = 1.0
            return goal, 0.0
        constant = 0.0
        for name, weight in (weights or {level: 1.0}).items():
            goal[list(self.cost[name])] += weight * np.array(list(self.cost[name].values()))
            constant += weight * self.constant[name]
        return goal, constant

    def _asked(
        self, level: str, kept: Mapping[str, float], weights: Mapping[str, float] | None
    ) -> tuple[list[csr_matrix], list[Sequence[float]], list[Sequence[float]]]:
        """The rows of one question: the rules, the peak where it counts, and what must not get worse."""
        rows = [self._matrix]
        low: list[Sequence[float]] = [self.rows.low]
        high: list[Sequence[float]] = [self.rows.high]
        if "peak_kw" in {level, *kept, *(weights or ())} and self.peak_rows.low:
            rows.append(self._peak_matrix)
            low.append(self.peak_rows.low)
            high.append(self.peak_rows.high)
        for name, value in kept.items():
            if self.cost[name]:
                most = value - self.constant[name] + 1e-6 * max(1.0, abs(value))
                # The plan that is known keeps this, whatever its column says of it.
                rows.append(self._vector(name, known=min(0.0, most)))
                low.append([-np.inf])
                high.append([most])
        return rows, low, high

    def _fix(self, fixed: Mapping[str, Charge], lower: FloatArray, upper: FloatArray) -> None:
        """Charges that do not pause stay where they are, the rest is free."""
        upper[self.known] = 0.0
        for column, job, kind, start in self.whole:
            charge = fixed.get(job.key)
            if charge is not None:
                here = charge.kind == kind and charge.start == start
                lower[column] = upper[column] = float(here)

    def _vector(self, level: str, known: float = 0.0) -> csr_matrix:
        columns = [*self.cost[level], self.known]
        values = [*self.cost[level].values(), known]
        return coo_matrix(
            (np.array(values), (np.zeros(len(columns), int), np.array(columns))),
            shape=(1, len(self.upper)),
        ).tocsr()

    def _charges(self, x: FloatArray) -> dict[str, Charge]:
        found: dict[str, Charge] = {}
        for column, job, kind, start in self.whole:
            if x[column] > 0.5:
                end = start + job.needs[kind].slots
                found[job.key] = Charge(job.key, kind, tuple(range(start, end)))
        for job, kind, columns in self.paused:
            chosen = [(start, length) for column, start, length, _last in columns if x[column] > 0.5]
            if chosen:
                slots = sorted(slot for start, length in chosen for slot in range(start, start + length))
                found[job.key] = Charge(job.key, kind, tuple(slots))
        return found
