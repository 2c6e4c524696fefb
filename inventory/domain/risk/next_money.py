"""Where the next unit of money buys most readiness: one more lot of something, tried on the same futures as today's plan.

What counts is the calls of the futures that would be served whole: a call lacks nothing that grounds a unit. A
purchase is worth the calls it turns from not served to served, a future, and, since a call may lack several things at
once, a small share for each lack it takes away. The list is made greedily (Sherbrooke 2004, marginal allocation;
memory): buy the best per money, look again. The sum of greedy steps is near the best plan, not proven best, because
items complete each other.

`purchases`: item, place, qty (a whole order: pack and least quantity are the caller's), cost (money), arrives_day,
last_day (infinite: does not expire).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats, Ints
from inventory.domain.netting.columns import Bools
from inventory.domain.risk.futures import (
    Drawn,
    MoreLot,
    ShelfNeeds,
    draw,
    needs_of_shelf,
    walk_rows,
    whole_day,
)
from inventory.domain.risk.model import Model

# What taking away one of several lacks of a call is worth against serving it whole.
LACK_SHARE = 0.05
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Step:
    """One purchase of the list, in order: what it costs and does, all a future; `row` of `purchases`.

    `calls_served` more calls served whole, `lacks_met` lacks taken away, `wasted` more pieces thrown away, `per_money`
    what it is ranked by, `money_so_far` with all before it, `calls_not_served` what is left of them.
    """

    row: int
    item: int
    place: int
    qty: float
    cost: float
    calls_served: float
    lacks_met: float
    wasted: float
    per_money: float
    money_so_far: float
    calls_not_served: float


@dataclass(slots=True)
class _Shelf:
    row: int
    needs: ShelfNeeds
    grounds: bool
    short: Bools
    wasted: float
    bought: list[int] = field(default_factory=list)


def next_purchases(
    model: Model,
    purchases: pd.DataFrame,
    *,
    budget: float,
    runs: int = 2_000,
    horizon_days: int = 365,
    seed: int,
    review_days: int = 30,
    progress: Progress | None = None,
) -> list[Step]:
    """The ranked list of purchases within `budget`, the best first; each may be bought more than once. Empty: nothing helps.

    Raises NotPlannable for a purchase without a shelf, or with a cost or quantity that is not above 0.
    """
    bought = _checked(model, purchases)
    drawn = draw(model, runs=runs, horizon_days=horizon_days, seed=seed, review_days=review_days)
    keys = list(
        zip(drawn.model.shelves["item"].astype(int), drawn.model.shelves["place"].astype(int), strict=True)
    )
    row_of = {key: number for number, key in enumerate(keys)}
    shelves: dict[int, _Shelf] = {}
    lacks = np.zeros(len(drawn.calls), dtype=np.int64)
    for row in range(len(keys)):
        needs = needs_of_shelf(drawn, row)
        short, wasted = _walk(drawn, row, needs, None)
        grounds = bool(drawn.model.shelves["grounds"].iloc[row])
        shelves[row] = _Shelf(row, needs, grounds, short, wasted)
        if grounds:
            lacks[_calls(needs, short)] += 1
        if progress is not None:
            progress(row + 1, len(keys))
    offers = [
        row_of[key] for key in zip(bought["item"].astype(int), bought["place"].astype(int), strict=True)
    ]
    cost = bought["cost"].to_numpy(dtype=np.float64)
    tried: dict[int, tuple[Bools, float]] = {}
    steps: list[Step] = []
    spent = 0.0
    while True:
        best: tuple[float, int, float, float] | None = None
        for number, row in enumerate(offers):
            if spent + cost[number] > budget or not shelves[row].grounds or not shelves[row].short.any():
                continue
            if number not in tried:
                lots = bought.iloc[[*shelves[row].bought, number]]
                tried[number] = _walk(drawn, row, shelves[row].needs, lots)
            served, met = _gain(shelves[row], tried[number][0], lacks, runs)
            worth = (served + LACK_SHARE * met) / cost[number]
            if worth > 1e-15 and (best is None or worth > best[0]):
                best = (worth, number, served, met)
        if best is None:
            return steps
        worth, number, served, met = best
        shelf = shelves[offers[number]]
        short, wasted = tried[number]
        lacks[_calls(shelf.needs, shelf.short)] -= 1
        lacks[_calls(shelf.needs, short)] += 1
        spent += cost[number]
        steps.append(
            Step(
                number,
                *keys[shelf.row],
                float(bought["qty"].iloc[number]),
                float(cost[number]),
                served,
                met,
                wasted - shelf.wasted,
                worth,
                spent,
                float((lacks > 0).sum()) / runs,
            )
        )
        shelf.short, shelf.wasted = short, wasted
        shelf.bought.append(number)
        tried = {other: told for other, told in tried.items() if offers[other] != offers[number]}


def _walk(drawn: Drawn, row: int, needs: ShelfNeeds, lots: pd.DataFrame | None) -> tuple[Bools, float]:
    more: list[MoreLot] = []
    if lots is not None:
        numbers = lots[["qty", "arrives_day", "last_day"]].to_numpy(dtype=np.float64).tolist()
        more = [(qty, int(arrives), whole_day(last)) for qty, arrives, last in numbers]
    walked = walk_rows(drawn, [row], [needs], more=[more])
    return walked.rest > 0, float(walked.wasted.mean())


def _calls(needs: ShelfNeeds, short: Bools) -> Ints:
    """Calls that lack this item, each once."""
    return np.unique(needs.call[short & (needs.call >= 0)])


def _gain(shelf: _Shelf, short: Bools, lacks: Ints, runs: int) -> tuple[float, float]:
    """Calls served whole and lacks taken away, a future, if the shelf went as `short` says."""
    before, after = _calls(shelf.needs, shelf.short), _calls(shelf.needs, short)
    met = np.setdiff1d(before, after, assume_unique=True)
    worse = np.setdiff1d(after, before, assume_unique=True)
    served = int((lacks[met] == 1).sum()) - int((lacks[worse] == 0).sum())
    return served / runs, (len(met) - len(worse)) / runs


def _checked(model: Model, purchases: pd.DataFrame) -> pd.DataFrame:
    bought = purchases.reset_index(drop=True)
    if "last_day" not in bought:
        bought = bought.assign(last_day=np.nan)
    numbers: Floats = bought[["qty", "cost"]].to_numpy(dtype=np.float64)
    shelves = pd.MultiIndex.from_frame(model.shelves[["item", "place"]].astype(np.int64))
    rows = pd.MultiIndex.from_frame(bought[["item", "place"]].astype(np.int64))
    wrong = ~(numbers > 0).all(axis=1) | ~rows.isin(shelves) | ~(bought["arrives_day"] >= 0).to_numpy()
    wrong |= bought["last_day"].isna().to_numpy()
    if wrong.any():
        raise NotPlannable(
            "purchases.row",
            "Purchases, row {row}: it needs an item and place of the plan, a quantity and a cost above 0, "
            "the day it arrives and the day through which it lasts.",
            row=int(np.flatnonzero(wrong)[0]) + 1,
        )
    return bought
