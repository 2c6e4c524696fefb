"""What to order of one item for one place: the quantity, the supplier, the day, why, and the next best alternative.

The chain of `reference/replenishment.md` 7: dated netting of what is there and on order against dated needs; the
chance of running short before an order placed today could arrive (no order helps: move, expedite or swap), and before
one placed at the next review could; the smallest quantity of each offer that brings the second chance to its target,
capped by what can be used before it expires and by the money. Chances come from the futures (`inventory.domain.risk`),
all quantities on the same futures. A target belongs to the criticality of the item; common practice, no source: vital
99 %, essential 95 %, desirable 90 % (`TARGETS`, a setting).

A `Situation` is one row of each frame of `inventory.domain.risk.model` (one shelf with its lots, orders, needs,
calls); offers are columns:

    supplier, price_breaks, pack, moq, order_cost, lead_mean_days, lead_sd_days, life_on_arrival_days
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import NEVER, Floats
from inventory.domain.netting.columns import Lots, Needs
from inventory.domain.netting.dates import lead_longer_than_life
from inventory.domain.netting.plan import net
from inventory.domain.policy.lead_time import LeadTime
from inventory.domain.policy.lot_size import PriceBreak, order_quantities
from inventory.domain.risk.futures import draw, needs_of_shelf, walk_rows
from inventory.domain.risk.model import Model
from inventory.domain.risk.outcome import Chance

TARGETS = {"vital": 0.99, "essential": 0.95, "desirable": 0.90}
DAYS_PER_YEAR = 365.25
# Orders are planned for the lead time that is kept with this probability.
LEAD_LEVEL = 0.8
MOST_TRIED = 24


@dataclass(frozen=True, slots=True)
class Offer:
    """What a supplier asks. Quantities in base units; `life_on_arrival_days` None: does not expire; money in one
    currency."""

    supplier: int
    price_breaks: tuple[PriceBreak, ...]
    pack: float
    moq: float
    order_cost: float
    lead_mean_days: float
    lead_sd_days: float
    life_on_arrival_days: float | None

    def price(self, qty: float) -> float:
        fitting = [b.price for b in self.price_breaks if b.min_qty <= qty + 1e-9]
        if not fitting:
            raise NotPlannable(
                "breaks.too_few",
                "The offer sells no fewer than {least:g}.",
                least=self.price_breaks[0].min_qty,
            )
        return fitting[-1]

    @property
    def least(self) -> float:
        """The smallest whole number of packs the supplier sells."""
        floor = max(self.moq, self.price_breaks[0].min_qty if self.price_breaks else 0.0, self.pack)
        return math.ceil(floor / self.pack - 1e-9) * self.pack

    def packs(self, qty: float) -> float:
        return max(math.ceil(qty / self.pack - 1e-9) * self.pack, self.least)


@dataclass(frozen=True, slots=True)
class Situation:
    """One shelf and what it is asked for: `target` P(not short), `review_days` to the next look, `safety_days`,
    `money` at most.

    `model` holds one row of shelves; its own replenishment rule is not used. `waste_limit`: largest share of an order
    that may be expected to expire before it is cut down. `holding_rate` share of the price a year.
    """

    model: Model
    target: float
    review_days: int = 30
    safety_days: int = 0
    holding_rate: float = 0.2
    money: float = math.inf
    waste_limit: float = 0.1


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to order (`qty` 0: not to), with what it does to the risk, the money and the waste.

    `p_short` before an order placed at the next review would be usable (`covered_until`, days from today); `wasted`
    pieces more than without it; `cost_per_used` of those not expected to expire.
    """

    supplier: int | None
    qty: float
    unit_price: float
    cost: float
    arrives_day: int
    last_day: int | None
    p_short: Chance
    short: float
    wasted: float
    cost_per_used: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Working:
    """How the proposal came about, for the page: days from today, base units, chances."""

    on_hand: float
    on_order: float
    needed: float
    first_short_day: int | None
    release_day: int | None
    late_days: int
    p_short_before_arrival: Chance
    p_short_without: Chance
    target: float
    covered_until: int
    tried: tuple[Alternative, ...]


@dataclass(frozen=True, slots=True)
class Proposal:
    """`order_now` with `best` and `next_best`, its `working`, and reasons as (key, sentence). Nothing to order: `best`
    is not ordering."""

    item: int
    place: int
    order_now: bool
    best: Alternative
    next_best: Alternative | None
    working: Working
    reasons: tuple[tuple[str, str], ...]


def propose(situation: Situation, offers: Sequence[Offer], *, runs: int = 2_000, seed: int) -> Proposal:
    """The proposal for one shelf. Raises NotPlannable without an offer, or for a target that is not between 0 and 1."""
    if not 0 < situation.target < 1:
        raise NotPlannable("level.out_of_range", "A level of service lies between 0 and 1; never exactly 1.")
    if not offers or not all(offer.price_breaks for offer in offers):
        raise NotPlannable("breaks.none", "There is no price. Add an offer of a supplier.")
    leads = [LeadTime(offer.lead_mean_days, offer.lead_sd_days) for offer in offers]
    arrives = [math.ceil(lead.quantile(LEAD_LEVEL) + situation.safety_days - 1e-9) for lead in leads]
    covered = max(arrives) + situation.review_days
    looked = _Shelf(situation, covered, runs, seed)
    without = looked.none
    earliest = min(arrives)
    before = looked.p_short(looked.first_none, earliest)
    reach = _reachable(before, situation)
    tried: list[Alternative] = []
    for offer, arrival in zip(offers, arrives, strict=True):
        tried += _tried(looked, offer, arrival, reach)
    reached = [one for one in tried if float(one.p_short.share) <= reach]
    ranked = sorted(reached, key=lambda one: (one.cost_per_used, one.cost)) or sorted(
        tried, key=lambda one: (float(one.p_short.share), one.cost_per_used)
    )
    day = looked.first_short_day()
    release = None if day is None else day - min(arrives)
    order_now = bool(ranked) and (
        float(without.p_short.share) > 1.0 - situation.target
        or (release is not None and release <= situation.review_days)
    )
    best = ranked[0] if order_now else without
    others = [
        one for one in ranked if one is not best and (one.supplier, one.qty) != (best.supplier, best.qty)
    ]
    rest = [one for one in others if one.supplier != best.supplier] or others
    working = Working(
        looked.on_hand,
        looked.on_order,
        looked.needed,
        day,
        release,
        max(-release, 0) if release is not None else 0,
        before,
        without.p_short,
        situation.target,
        covered,
        tuple(tried),
    )
    return Proposal(
        int(looked.row["item"]),
        int(looked.row["place"]),
        order_now,
        best,
        (rest[0] if rest else without) if order_now else (ranked[0] if ranked else None),
        working,
        tuple(_reasons(situation, working, best, order_now, earliest, offers)),
    )


class _Shelf:
    """The futures of one shelf, walked once without an order and once for every quantity tried."""

    def __init__(self, situation: Situation, covered: int, runs: int, seed: int) -> None:
        row = situation.model.shelves.iloc[[0]].assign(reorder_point=-1.0, order_up_to=0.0)
        model = replace(situation.model, shelves=row)
        if len(situation.model.shelves) != 1:
            raise NotPlannable(
                "proposal.one_shelf", "A proposal is made for one item in one place at a time."
            )
        # what an order wastes shows only after its life: two years are looked at
        self.covered = covered
        self.horizon = covered + int(2 * DAYS_PER_YEAR)
        self.situation, self.runs, self.row = situation, runs, row.iloc[0]
        self.drawn = draw(model, runs=runs, horizon_days=self.horizon, seed=seed, review_days=self.horizon)
        self.needs = needs_of_shelf(self.drawn, 0)
        self.on_hand = float(self.drawn.model.lots["qty"].sum())
        self.on_order = float(self.drawn.model.orders["qty"].sum())
        run = np.repeat(np.arange(runs), np.diff(self.needs.start))
        soon = self.needs.day < covered
        self.use_soon = np.bincount(run[soon], self.needs.qty[soon], minlength=runs)
        self.needed = float(self.use_soon.mean())
        self.use_per_day = float(self.needs.qty.sum()) / runs / self.horizon
        walked = walk_rows(self.drawn, [0], [self.needs])
        self.first_none, self.wasted_none = walked.first_short, float(walked.wasted.mean())
        self.short_by_none = self._short_by(walked.rest)
        self.none = Alternative(
            None,
            0.0,
            0.0,
            0.0,
            0,
            None,
            self.p_short(self.first_none, covered),
            float(self.short_by_none.mean()),
            0.0,
            0.0,
        )

    def _short_by(self, rest: Floats) -> Floats:
        """Short of each future before the end of the covered days."""
        run = np.repeat(np.arange(self.runs), np.diff(self.needs.start))
        soon = self.needs.day < self.covered
        return np.bincount(run[soon], rest[soon], minlength=self.runs).astype(np.float64)

    def p_short(self, first_short: np.ndarray, day: int) -> Chance:
        return Chance.of(int((first_short < day).sum()), self.runs)

    def first_short_day(self) -> int | None:
        """First day on which dated needs alone run short, with what is on order on its expected day; calls count in
        the chances."""
        model = self.drawn.model
        lots, orders, needs = model.lots, model.orders, model.needs
        if not len(needs):
            return None
        expected = np.maximum(
            (orders["placed_day"] + orders["lead_mean_days"]).to_numpy(dtype=np.float64), 0.0
        )
        ends = np.concatenate([lots["last_day"], expected + orders["life_on_arrival_days"]])
        count, asked = len(lots) + len(orders), len(needs)
        day = np.maximum(needs["day"].to_numpy(dtype=np.int64), 0)
        plan = net(
            Lots(
                np.zeros(count, dtype=np.int64),
                np.zeros(count, dtype=np.int64),
                np.arange(count),
                np.concatenate([lots["qty"], orders["qty"]]).astype(np.float64),
                np.ceil(np.concatenate([lots["first_day"], expected])).astype(np.int64),
                np.minimum(ends, NEVER).astype(np.int64),
                np.ones(count, dtype=bool),
            ),
            Needs(
                np.zeros(asked, dtype=np.int64),
                np.zeros(asked, dtype=np.int64),
                np.arange(asked),
                needs["qty"].to_numpy(dtype=np.float64),
                day,
                np.maximum(needs["lasts_to"].to_numpy(dtype=np.int64), day),
                np.zeros(asked, dtype=np.int64),
            ),
        )
        lacking = day[plan.short > 0]
        return int(lacking.min()) if len(lacking) else None

    def order(self, offer: Offer, qty: float, arrives: int) -> Alternative:
        """What an order of `qty` does; it arrives in each future by its own lead time."""
        lead = LeadTime(offer.lead_mean_days, offer.lead_sd_days)
        life = offer.life_on_arrival_days
        order = pd.DataFrame(
            {
                "item": [self.row["item"]],
                "place": [self.row["place"]],
                "qty": [qty],
                "placed_day": [0],
                "lead_mean_days": [lead.mean_days],
                "lead_sd_days": [lead.sd_days],
                "life_on_arrival_days": [np.inf if life is None else life],
                "supplier": [float(offer.supplier)],
            }
        )
        # last of the orders, so that those on file keep their random numbers
        with_it = replace(self.drawn, orders=_with(self.drawn.orders, order))
        walked = walk_rows(with_it, [0], [self.needs])
        price = offer.price(qty)
        cost = qty * price + offer.order_cost
        # stock that outlives the days looked at counts as used: nothing says that it will be thrown away
        wasted = max(float(walked.wasted.mean()) - self.wasted_none, 0.0)
        hold = (
            self.situation.holding_rate
            * price
            * min(qty / max(self.use_per_day, 1e-9) / DAYS_PER_YEAR, 10.0)
            / 2.0
        )
        used = max(qty - wasted, 1e-9)
        notes = []
        if life is not None and life < lead.mean_days:
            notes.append(
                lead_longer_than_life(
                    lead_days=round(lead.mean_days), usable_days=life, demand_per_day=self.use_per_day
                ).sentence
            )
        return Alternative(
            offer.supplier,
            qty,
            price,
            cost,
            arrives,
            None if life is None else arrives + int(life),
            self.p_short(walked.first_short, self.covered),
            float(self._short_by(walked.rest).mean()),
            wasted,
            (cost + hold * qty) / used,
            tuple(notes),
        )


def _with(
    orders: dict[tuple[int, int], pd.DataFrame], more: pd.DataFrame
) -> dict[tuple[int, int], pd.DataFrame]:
    key = (int(more["item"].iloc[0]), int(more["place"].iloc[0]))
    known = orders.get(key)
    return {
        **orders,
        key: more if known is None else pd.concat([known[more.columns], more], ignore_index=True),
    }


def _reachable(before: Chance, situation: Situation) -> float:
    """The risk an order can bring it down to: the target, or what is lost anyway before anything arrives and a little
    more."""
    return max(1.0 - situation.target, float(before.share) + 0.5 * (1.0 - situation.target))


def _tried(looked: _Shelf, offer: Offer, arrives: int, reach: float) -> list[Alternative]:
    """Quantities of one offer within the money: the least, price breaks, the economic lot, and the smallest that
    reaches the target."""
    situation = looked.situation
    told: dict[float, Alternative] = {}

    def look(qty: float) -> Alternative | None:
        if qty not in told and qty * offer.price(qty) + offer.order_cost <= situation.money:
            told[qty] = looked.order(offer, qty, arrives)
        return told.get(qty)

    lacks = [
        offer.packs(float(np.quantile(looked.short_by_none, level))) for level in (0.5, 0.9, situation.target)
    ]
    most = 2 * max(*lacks, offer.packs(looked.needed))
    for qty in {offer.least, *lacks, *_worth_a_look(looked, offer, most)}:
        look(qty)
    reached = [qty for qty, one in told.items() if float(one.p_short.share) <= reach]
    missed = [qty for qty, one in told.items() if float(one.p_short.share) > reach]
    if reached:
        # more never raises the risk: the smallest number of packs that is enough lies between the two
        low, high = max([qty for qty in missed if qty < min(reached)], default=0.0), min(reached)
        while high - low > offer.pack * 1.5 and len(told) < MOST_TRIED:
            middle = offer.packs(low + math.floor((high - low) / offer.pack / 2.0) * offer.pack)
            one = look(middle) if low < middle < high else None
            if one is None:
                break
            low, high = (low, middle) if float(one.p_short.share) <= reach else (middle, high)
    kept = [one for one in told.values() if one.wasted <= situation.waste_limit * one.qty + 1e-9]
    # where even the least is too much, it is shown with its waste, and nothing larger
    return sorted(kept or list(told.values()), key=lambda one: one.qty)[: None if kept else 1]


def _worth_a_look(looked: _Shelf, offer: Offer, most: float) -> list[float]:
    """Price breaks, and the economic quantity by price breaks, packs, least quantity and life together, up to `most`."""
    breaks = [offer.packs(b.min_qty) for b in offer.price_breaks if b.min_qty <= most]
    per_year = looked.use_per_day * DAYS_PER_YEAR
    life = None if offer.life_on_arrival_days is None else offer.life_on_arrival_days / DAYS_PER_YEAR
    if per_year <= 0 or (life is not None and life <= 0):
        return breaks
    economic = order_quantities(
        demand_per_year=per_year,
        order_cost=offer.order_cost,
        holding_rate_per_year=looked.situation.holding_rate,
        price_breaks=offer.price_breaks,
        moq=offer.least,
        pack=offer.pack,
        usable_life_years=life,
    )
    return [*breaks, *(one.quantity for one in economic[:1] if one.quantity <= max(most, offer.least))]


def _reasons(
    situation: Situation,
    working: Working,
    best: Alternative,
    order_now: bool,
    earliest: int,
    offers: Sequence[Offer],
) -> list[tuple[str, str]]:
    told = []
    risk, target = 100 * float(working.p_short_without.share), 100 * (1 - situation.target)
    within = (
        f"within {working.covered_until} days in {risk:.1f} % of the futures; allowed are {target:.1f} %."
    )
    if risk > target:
        told.append(("risk", f"Without an order it runs short {within}"))
    if working.first_short_day is not None:
        told.append(("first_short", f"Dated needs alone run short in {working.first_short_day} days."))
    if working.late_days:
        late = f"An order should have left {working.late_days} days ago"
        told.append(("late", f"{late}: move stock, expedite or swap lots; an order alone comes too late."))
    gone = 100 * float(working.p_short_before_arrival.share)
    if gone > target:
        early = (
            f"In {gone:.1f} % it runs short before anything ordered today can be used (in {earliest} days)"
        )
        told.append(("before_arrival", f"{early}: only moving or expediting helps there."))
    if order_now and best.wasted > situation.waste_limit * best.qty:
        waste = f"About {best.wasted:.0f} of {best.qty:g} will expire"
        told.append(
            ("waste", f"{waste}: ask for a split delivery, a shared order or a smaller least quantity.")
        )
    left = 100 * float(best.p_short.share)
    if order_now and left > target >= gone:
        told.append(
            (
                "target",
                f"No offer within the money and the life brings it to {target:.1f} %; this one leaves {left:.1f} %.",
            )
        )
    pays = [
        offer
        for offer in offers
        if offer.price(offer.least) * offer.least + offer.order_cost <= situation.money
    ]
    if not pays:
        told.append(("money", "The money left pays for no offer. Find more, or ask for smaller packs."))
    return told or [("enough", f"Enough: it runs short {within}")]
