"""How many units that are ready alone could leave at the same time, and what they compete for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

TIME_LIMIT_S = 2.0

Need = Mapping[str, float]


@dataclass(frozen=True)
class Contest:
    """A thing of which there is less than all of them together need."""

    key: str
    needed: float
    available: float


@dataclass(frozen=True)
class Together:
    """``at_once`` of ``alone`` units; ``proven`` says that no choice of units does better."""

    alone: int
    at_once: int
    proven: bool
    contests: tuple[Contest, ...]


def ready_together(
    needs: Sequence[Need], available: Mapping[str, float], *, time_limit_s: float = TIME_LIMIT_S
) -> Together:
    """The largest number of units whose needs fit together into what is there.

    ``needs``: per unit that is ready alone, how much [in the thing's own unit] it needs of each thing; ``available``: how
    much of each there is. A thing needed and not listed counts as none. Raises ValueError for a negative amount.

    A choice of whole units under capacities is a multi-dimensional knapsack; units with equal needs are one integer
    variable, and HiGHS (scipy.optimize.milp) proves the optimum or says that it could not within `time_limit_s` [s].
    """
    if any(amount < 0 for need in needs for amount in need.values()) or any(
        a < 0 for a in available.values()
    ):
        raise ValueError("amounts cannot be negative")
    total: Counter[str] = Counter()
    for need in needs:
        total.update({key: amount for key, amount in need.items() if amount > 0})
    contests = tuple(
        Contest(key, float(total[key]), float(available.get(key, 0.0)))
        for key in sorted(total)
        if total[key] > available.get(key, 0.0) + 1e-9
    )
    if not contests:
        return Together(len(needs), len(needs), True, ())
    scarce = [contest.key for contest in contests]
    groups = Counter(tuple(float(need.get(key, 0.0)) for key in scarce) for need in needs)
    capacity = np.array([contest.available for contest in contests])
    at_once, proven = _most(groups, capacity, time_limit_s)
    return Together(len(needs), at_once, proven, contests)


def _most(
    groups: Mapping[tuple[float, ...], int], capacity: np.ndarray, time_limit_s: float
) -> tuple[int, bool]:
    # Imported here: it takes a second or two, and most depots have enough of everything.
    from scipy.optimize import Bounds, LinearConstraint, milp

    use = np.array(list(groups), dtype=np.float64).T
    count = np.array(list(groups.values()), dtype=np.float64)
    answer = milp(
        c=-np.ones(len(count)),
        integrality=np.ones(len(count), dtype=np.int64),
        bounds=Bounds(0, count),
        constraints=LinearConstraint(use, ub=capacity + 1e-9),
        options={"time_limit": time_limit_s},
    )
    if answer.x is None:
        return 0, False
    return int(np.round(answer.x).sum()), answer.status == 0
