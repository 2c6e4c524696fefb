"""One shelf in one future, event by event, with objects: what the arrays are held against, path for path."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field

import numpy as np

from inventory.domain.fefo import NEVER
from inventory.domain.policy.lead_time import STEPS, LeadTime
from inventory.domain.risk.calls import LEAD, ORDER, stream
from inventory.domain.risk.futures import Drawn, ShelfNeeds

REVIEW, NEED, END = 0, 1, 2


@dataclass(slots=True)
class Lot:
    qty: float
    first: int
    last: int


@dataclass(slots=True)
class Path:
    """What happened to the shelf."""

    short: float = 0.0
    first_short: int = NEVER
    wasted: float = 0.0
    ordered: float = 0.0
    spent: list[float] = field(default_factory=list)
    usable: list[float] = field(default_factory=list)
    left: float = 0.0
    rest: list[float] = field(default_factory=list)


def paths_of_shelf(drawn: Drawn, row: int, needs: ShelfNeeds) -> list[Path]:
    """Every future of one shelf; the random numbers are those of the arrays, looked up once."""
    shelf = drawn.model.shelves.iloc[row]
    key = (int(shelf["item"]), int(shelf["place"]))
    leads = LeadTime(float(shelf["lead_mean_days"]), float(shelf["lead_sd_days"])).table()
    drawn_leads = leads[
        stream(drawn.seed, LEAD, *key).integers(0, STEPS, (len(drawn.reviews), drawn.runs), dtype=np.uint16)
    ]
    arrivals = []
    for number, order in enumerate(drawn.orders[key].itertuples(index=False) if key in drawn.orders else ()):
        table = LeadTime(order.lead_mean_days, order.lead_sd_days).table(elapsed_days=-order.placed_day)
        arrivals.append(
            (order, table[stream(drawn.seed, ORDER, *key, number).integers(0, STEPS, drawn.runs)])
        )
    lots = list(drawn.lots[key].itertuples(index=False)) if key in drawn.lots else []
    told = []
    for run in range(drawn.runs):
        stock = [Lot(float(lot.qty), int(lot.first_day), _whole(lot.last_day)) for lot in lots]
        for order, days in arrivals:
            begin = int(days[run])
            stock.append(Lot(float(order.qty), begin, min(begin + _whole(order.life_on_arrival_days), NEVER)))
        events = [(int(day), REVIEW, n) for n, day in enumerate(drawn.reviews)]
        for n in range(int(needs.start[run]), int(needs.start[run + 1])):
            events.append((int(needs.day[n]), NEED, n))
        events.append((drawn.horizon_days, REVIEW, END * len(drawn.reviews)))
        told.append(_one_path(events, stock, needs, shelf, drawn_leads[:, run], drawn.horizon_days))
    return told


def _one_path(events, stock, needs, shelf, leads, horizon) -> Path:  # type: ignore[no-untyped-def]
    path = Path()
    money = float(shelf["money"])
    pack, moq, price = float(shelf["pack"]), float(shelf["moq"]), float(shelf["price"])
    point, level, cost = (
        float(shelf["reorder_point"]),
        float(shelf["order_up_to"]),
        float(shelf["order_cost"]),
    )
    must_last, life = int(shelf["must_last_days"]), _whole(shelf["life_on_arrival_days"])
    heapq.heapify(events)
    while events:
        day, kind, n = heapq.heappop(events)
        if kind == NEED:
            want = float(needs.qty[n])
            for lot in sorted(stock, key=lambda lot: (lot.last, lot.first)):
                if lot.first <= day and lot.last >= needs.lasts_to[n] and want > 0:
                    got = min(lot.qty, want)
                    lot.qty -= got
                    want -= got
            path.rest.append(want)
            if want > 0:
                path.short += want
                path.first_short = min(path.first_short, day)
            continue
        path.wasted += sum(lot.qty for lot in stock if lot.last < day)
        stock = [lot for lot in stock if lot.last >= day and lot.qty > 0]
        if day == horizon:
            path.left = sum(lot.qty for lot in stock)
            break
        position = sum(lot.qty for lot in stock if lot.last >= day + must_last)
        path.usable.append(sum(lot.qty for lot in stock if lot.first <= day and lot.last >= day + must_last))
        path.spent.append(0.0)
        if position <= point and level > position:
            packs = math.ceil(max(level - position, moq) / pack - 1e-9)
            if math.isfinite(money):
                packs = min(packs, math.floor((money - cost) / (price * pack) + 1e-9) if price else packs)
            if packs > 0 and packs * pack >= moq - 1e-9 and money - cost >= 0:
                begin = day + int(leads[n])
                stock.append(Lot(packs * pack, begin, min(begin + life, NEVER)))
                path.ordered += packs * pack
                path.spent[-1] = packs * pack * price + cost
                money -= path.spent[-1]
    return path


def _whole(days: float) -> int:
    return NEVER if not math.isfinite(days) or days >= NEVER else int(days)
