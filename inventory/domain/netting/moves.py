"""What moving lots between places saves, and which need goes without when there is too little: solved, not guessed.

One item is a flow from lots to needs. The objective, one after the other: as little as possible short of rank 0, then
of rank 1 and so on; then as little as possible expires unused before the horizon; then as few piece-days on the road
as possible. Each step is a linear programme solved by HiGHS (scipy); the flow matrix is totally unimodular, so whole
quantities stay whole. What an earlier step reached is held exactly by the later ones. Theory: min-cost flow,
the reference facts on replenishment 4.1.

A frame of routes, a row a direction, tells what can be moved: from_place, to_place, travel_days (whole, 0 or more). A
lot that is still on its way can be sent on from the place it arrives at. Moving leaves the donor's own needs served:
they are in the same programme.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import LinearConstraint, milp
from scipy.sparse import csr_array, vstack

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats, Ints
from inventory.domain.netting.columns import Lots, Needs, as_dates
from inventory.domain.netting.plan import net

# A quantity closer than this to a whole number is that number: the solver works in floating point.
WHOLE = 1e-6


@dataclass(frozen=True, slots=True)
class Flow:
    """The best plan: `issue_*` rows into lots and needs with quantities; `short` (needs), `left` (lots), base units.

    `moves`: lot, from_place, to_place, qty, leave_by (latest day of leaving), need_day. Optimal by proof of the solver.
    """

    issue_lot: Ints
    issue_need: Ints
    issue_qty: Floats
    short: Floats
    left: Floats
    moves: pd.DataFrame

    def expires_unused(self, lots: Lots, horizon: int) -> Floats:
        """What each lot loses before the day number `horizon`."""
        return np.where(lots.known & (lots.last_day < horizon), self.left, 0.0)


def best_flow(
    lots: Lots, needs: Needs, *, horizon: int, today: int, routes: pd.DataFrame | None = None
) -> Flow:
    """The best plan for all items in `lots` and `needs`; days as day numbers. Without `routes` nothing is moved.

    Raises NotPlannable for a route whose travel time is negative or missing.
    """
    travel = _travel(routes)
    plan = net(lots, needs)
    lost = plan.expires_unused(horizon)
    # where nothing is short and nothing is lost, earliest expiry first is the best plan already
    solve = np.union1d(lots.item[lost > 0], needs.item[plan.short > 0])
    kept = ~np.isin(lots.item[plan.issue_lot], solve)
    issue_lot: list[Ints] = [plan.issue_lot[kept]]
    issue_need: list[Ints] = [plan.issue_need[kept]]
    issue_qty: list[Floats] = [plan.issue_qty[kept]]
    asked = np.flatnonzero(np.isin(needs.item, solve) & (needs.qty > 0))
    there = np.flatnonzero(np.isin(lots.item, solve) & lots.known & (lots.qty > 0))
    asked, there = asked[np.argsort(needs.item[asked])], there[np.argsort(lots.item[there])]
    for item in solve:
        mine = there[slice(*np.searchsorted(lots.item[there], [item, item + 1]))]
        theirs = asked[slice(*np.searchsorted(needs.item[asked], [item, item + 1]))]
        lot, need, days = _arcs(lots, needs, mine, theirs, travel, today)
        if len(lot):
            flow = _solve(lots, needs, lot, need, days, horizon)
            used = flow > 0
            issue_lot.append(lot[used])
            issue_need.append(need[used])
            issue_qty.append(flow[used])
    rows, asks, qty = np.concatenate(issue_lot), np.concatenate(issue_need), np.concatenate(issue_qty)
    short, left = needs.qty.copy(), lots.qty.copy()
    np.subtract.at(short, asks, qty)
    np.subtract.at(left, rows, qty)
    return Flow(rows, asks, qty, _tidy(short), _tidy(left), _moves(lots, needs, rows, asks, qty, travel))


def _travel(routes: pd.DataFrame | None) -> dict[tuple[int, int], int]:
    if routes is None:
        return {}
    days = routes["travel_days"].to_numpy(dtype=np.float64)
    wrong = ~np.isfinite(days) | (days < 0)
    if wrong.any():
        raise NotPlannable(
            "routes.travel_days",
            "Routes, row {row}: the travel time must be 0 days or more.",
            row=int(np.flatnonzero(wrong)[0]) + 1,
        )
    ends = zip(routes["from_place"].astype(int), routes["to_place"].astype(int), strict=True)
    return {pair: int(np.ceil(day)) for pair, day in zip(ends, days, strict=True)}


def _arcs(
    lots: Lots,
    needs: Needs,
    mine: Ints,
    theirs: Ints,
    travel: dict[tuple[int, int], int],
    today: int,
) -> tuple[Ints, Ints, Floats]:
    """Every (lot, need) that go together, with the days on the road."""
    from_names, from_code = np.unique(lots.place[mine], return_inverse=True)
    to_names, to_code = np.unique(needs.place[theirs], return_inverse=True)
    days = np.full((len(from_names), len(to_names)), np.inf)
    for a, start in enumerate(from_names.tolist()):
        for b, end in enumerate(to_names.tolist()):
            days[a, b] = 0 if start == end else travel.get((start, end), np.inf)
    road = days[from_code[:, None], to_code[None, :]]
    same = lots.place[mine][:, None] == needs.place[theirs][None, :]
    leaves = np.maximum(lots.first_day[mine], today)[:, None]
    arrives = np.where(same, lots.first_day[mine][:, None], leaves + road)
    fits = (arrives <= needs.day[theirs]) & (lots.last_day[mine][:, None] >= needs.lasts_to[theirs])
    k, j = np.nonzero(fits)
    return mine[k], theirs[j], road[k, j]


def _solve(lots: Lots, needs: Needs, lot: Ints, need: Ints, days: Floats, horizon: int) -> Floats:
    """Flow on each arc, (arcs,): the objectives of the module one after the other."""
    arcs = np.arange(len(lot))
    ones = np.ones(len(lot))
    rows, row_of = np.unique(lot, return_inverse=True)
    asks, ask_of = np.unique(need, return_inverse=True)
    limits = vstack(
        [
            csr_array((ones, (row_of, arcs)), shape=(len(rows), len(lot))),
            csr_array((ones, (ask_of, arcs)), shape=(len(asks), len(lot))),
        ],
        format="csr",
    )
    at_most = np.concatenate([lots.qty[rows], needs.qty[asks]])
    rank = needs.rank[need]
    goals = [-(rank == level).astype(np.float64) for level in np.unique(rank)]
    goals += [-(lots.last_day[lot] < horizon).astype(np.float64), days]
    flow = np.zeros(len(lot))
    rules = [LinearConstraint(limits, -np.inf, at_most)]
    for goal in goals:
        if not goal.any():
            continue
        found = milp(goal, constraints=rules)
        if found.status != 0:
            raise RuntimeError(f"The flow of item {lots.item[lot[0]]} was not solved: {found.message}")
        flow = _tidy(found.x)
        reached = float(goal @ flow)
        rules.append(LinearConstraint(csr_array(goal[None, :]), reached, reached))
    return flow


def _tidy(values: Floats) -> Floats:
    """Rounds off what the solver left: whole where nearly whole, never below zero."""
    whole = np.rint(values)
    return np.maximum(np.where(np.abs(values - whole) < WHOLE, whole, values), 0.0)


def _moves(
    lots: Lots, needs: Needs, rows: Ints, asks: Ints, qty: Floats, travel: dict[tuple[int, int], int]
) -> pd.DataFrame:
    away = np.flatnonzero(lots.place[rows] != needs.place[asks])
    table = pd.DataFrame(
        {
            "item": lots.item[rows[away]],
            "lot": lots.lot[rows[away]],
            "from_place": lots.place[rows[away]],
            "to_place": needs.place[asks[away]],
            "qty": qty[away],
            "need_day": needs.day[asks[away]],
        }
    )
    road = [travel[pair] for pair in zip(table["from_place"], table["to_place"], strict=True)]
    table["leave_by"] = table["need_day"] - np.array(road, dtype=np.int64)
    keys = ["item", "lot", "from_place", "to_place"]
    grouped = table.groupby(keys, as_index=False).agg({"qty": "sum", "need_day": "min", "leave_by": "min"})
    for name in ("need_day", "leave_by"):
        grouped[name] = as_dates(grouped[name].to_numpy(dtype=np.int64))
    return grouped


@dataclass(frozen=True, slots=True)
class Saving:
    """What moving saves against every place by itself, in base units, with the moves that do it."""

    short_apart: float
    short_moved: float
    lost_apart: float
    lost_moved: float
    moves: pd.DataFrame

    @property
    def short_saved(self) -> float:
        return self.short_apart - self.short_moved

    @property
    def lost_saved(self) -> float:
        return self.lost_apart - self.lost_moved


def saving_of_moves(lots: Lots, needs: Needs, *, horizon: int, today: int, routes: pd.DataFrame) -> Saving:
    """Compares the best plan with every place by itself and the best plan when lots may be moved along `routes`."""
    apart = best_flow(lots, needs, horizon=horizon, today=today)
    moved = best_flow(lots, needs, horizon=horizon, today=today, routes=routes)
    return Saving(
        float(apart.short.sum()),
        float(moved.short.sum()),
        float(apart.expires_unused(lots, horizon).sum()),
        float(moved.expires_unused(lots, horizon).sum()),
        moved.moves,
    )
