"""The choice between lasting, being ready and flying for all banks of one chemistry in a depot, said side by side.

Each bank is worked out by `storage_policy`; together they share the bays, and the one that waits longest counts.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from readiness.domain.charge_checks import ChargeCheck, at_most, known
from readiness.domain.inputs import FloatArray
from readiness.domain.storage_policy import AIR, READY, SOURCE, STORE, PolicyCost, policy_costs

OWN = "own"
POLICIES = (STORE, READY, AIR)


@dataclass(frozen=True, slots=True)
class KeptBank:
    """A bank of the group: capacity [Ah], twelve means where it stands [degC], what it must have to leave [1], charger [A],
    current of its load bank [A], floor [1]. None: not known.
    """

    key: str
    capacity_ah: float
    month_mean_c: FloatArray
    depart_soc: float
    charger_a: float | None
    load_a: float | None
    floor_soc: float


@dataclass(frozen=True, slots=True)
class GroupCost:
    """One way to keep all banks of a chemistry in a depot.

    `one_h` hours until the slowest of them may leave when it is called alone; `last_h` until the last may when all are
    called at once and share the bays; `fly_h` until the slowest may fly by itself; None: not known. `loss_pct_year` of the
    one that stands warmest [%], `extra_pct_year` against the gentlest. `under_floor`: banks whose floor is above it;
    `at_floor`: banks that would stand at their floor with no day to spare. `check`: `last_h` within the notice.
    """

    policy: str
    soc: float
    one_h: float | None
    last_h: float | None
    fly_h: float | None
    short_soc: float
    loss_pct_year: float
    extra_pct_year: float
    check: ChargeCheck
    missing: tuple[str, ...]
    under_floor: tuple[str, ...]
    at_floor: tuple[str, ...]


def last_ready_h(hours: Sequence[float], bays: int) -> float:
    """When the last of these charges ends [h] if `bays` bays take the longest first. Raises ValueError without a bay."""
    if bays < 1:
        raise ValueError("no bay")
    free = [0.0] * bays
    for needed in sorted(hours, reverse=True):
        heapq.heappush(free, heapq.heappop(free) + needed)
    return max(free) if hours else 0.0


def group_costs(
    code: str,
    banks: Sequence[KeptBank],
    *,
    bays: int,
    lead_time_h: float | None,
    own_soc: float | None = None,
) -> tuple[GroupCost, ...]:
    """Store, ready and air for the banks of one lithium chemistry that share `bays` bays; with `own_soc` a fourth.

    `lead_time_h` the depot's notice [h]. Raises RejectedInput as `policy_costs` does.
    """
    each: dict[str, list[PolicyCost]] = {policy: [] for policy in (*POLICIES, OWN)}
    for bank in banks:
        shared: dict[str, Any] = {
            "month_mean_c": bank.month_mean_c,
            "depart_soc": bank.depart_soc,
            "charger_a": bank.charger_a,
            "lead_time_h": lead_time_h,
            "bay_queue_h": 0.0,
            "load_a": bank.load_a,
        }
        for cost in policy_costs(code, bank.capacity_ah, **shared):
            each[cost.policy].append(cost)
        if own_soc is not None:
            each[OWN].append(policy_costs(code, bank.capacity_ah, **shared, store_soc=own_soc)[0])
    asked = [policy for policy in (*POLICIES, OWN) if each[policy]]
    losses = {policy: max(cost.loss_pct_year for cost in each[policy]) for policy in asked}
    gentlest = min(losses.values(), default=0.0)
    return tuple(
        _group(policy, each[policy], banks, bays, lead_time_h, losses[policy], gentlest) for policy in asked
    )


def _group(
    policy: str,
    costs: Sequence[PolicyCost],
    banks: Sequence[KeptBank],
    bays: int,
    lead_time_h: float | None,
    loss: float,
    gentlest: float,
) -> GroupCost:
    soc = costs[0].soc
    hours = [cost.ready_h for cost in costs]
    waiting = [hour for hour in hours if hour]
    missing = tuple(sorted({name for cost in costs for name in cost.missing}))
    if waiting and bays < 1:
        missing = (*missing, "bay")
    told = (
        None if any(hour is None for hour in hours) or "bay" in missing else [hour or 0.0 for hour in hours]
    )
    last = None if told is None else last_ready_h([hour for hour in told if hour > 0.0], max(bays, 1))
    fly = [cost.fly_h for cost in costs]
    return GroupCost(
        policy=policy,
        soc=soc,
        one_h=None if any(hour is None for hour in hours) else max(hour or 0.0 for hour in hours),
        last_h=last,
        fly_h=None if any(hour is None for hour in fly) else max(hour or 0.0 for hour in fly),
        short_soc=max(cost.arrives_short_soc for cost in costs),
        loss_pct_year=loss,
        extra_pct_year=loss - gentlest,
        check=at_most("ready_in_time", last, known(lead_time_h), "h", SOURCE, missing=missing),
        missing=missing,
        under_floor=tuple(bank.key for bank in banks if soc < bank.floor_soc - 1e-9),
        at_floor=tuple(bank.key for bank in banks if abs(soc - bank.floor_soc) <= 0.01),
    )
