"""What one order of an item does in the futures: risk, waste and money of every quantity worth a thought.

All quantities of an offer are walked at once through the same futures, each with its own lot that arrives by the
supplier's lead time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import NEVER, AnyInts, Floats
from inventory.domain.netting.columns import Lots, Needs
from inventory.domain.netting.dates import lead_longer_than_life
from inventory.domain.netting.plan import net
from inventory.domain.policy.lead_time import LeadTime
from inventory.domain.policy.lot_size import PriceBreak, order_quantities
from inventory.domain.risk.futures import Drawn, needs_of_shelf, order_lot, walk_rows
from inventory.domain.risk.outcome import Chance

DAYS_PER_YEAR = 365.25
# Quantities between one that is too little and one that is enough are looked at so many at a time.
AT_ONCE = 7
MOST_ROUNDS = 4


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
class Settings:
    """What a shelf is asked for: `target` P(not short), `review_days` to the next look, `safety_days`, `money` at most.

    `waste_limit`: largest share of an order that may be expected to expire before it is cut down. `holding_rate` share
    of the price a year.
    """

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


class ShelfFutures:
    """The futures of one shelf, walked once without an order and once for every quantity tried."""

    def __init__(self, drawn: Drawn, row: int, settings: Settings, covered: int) -> None:
        self.drawn, self.row, self.settings, self.covered = drawn, row, settings, covered
        self.runs, self.horizon = drawn.runs, drawn.horizon_days
        runs = self.runs
        shelf = drawn.model.shelves.iloc[row]
        self.key = (int(shelf["item"]), int(shelf["place"]))
        self.needs = needs_of_shelf(drawn, row)
        self.on_hand, self.on_order = (
            float(held[self.key]["qty"].sum()) if self.key in held else 0.0
            for held in (drawn.lots, drawn.orders)
        )
        run = np.repeat(np.arange(runs), np.diff(self.needs.start))
        soon = self.needs.day < covered
        self.use_soon = np.bincount(run[soon], self.needs.qty[soon], minlength=runs)
        self.needed = float(self.use_soon.mean())
        self.use_per_day = float(self.needs.qty.sum()) / runs / self.horizon
        walked = walk_rows(drawn, [row], [self.needs])
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

    def p_short(self, first_short: AnyInts, day: int) -> Chance:
        return Chance.of(int((first_short < day).sum()), self.runs)

    def first_short_day(self) -> int | None:
        """First day on which dated needs alone run short, with what is on order on its expected day; calls count in
        the chances."""
        model, key = self.drawn.model, self.key
        lots = self.drawn.lots.get(key, model.lots.iloc[:0])
        orders = self.drawn.orders.get(key, model.orders.iloc[:0])
        needs = self.drawn.needs.get(key, model.needs.iloc[:0])
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

    def order(self, offer: Offer, quantities: list[float], arrives: int) -> list[Alternative]:
        """What an order of each quantity does; it arrives in each future by its own lead time, the same for all of them."""
        lead = LeadTime(offer.lead_mean_days, offer.lead_sd_days)
        life = np.inf if offer.life_on_arrival_days is None else offer.life_on_arrival_days
        # numbered after the orders on file, so that those keep their random numbers
        number = len(self.drawn.orders[self.key]) if self.key in self.drawn.orders else 0
        more = [[order_lot(self.drawn, self.key, number, qty, lead, life)] for qty in quantities]
        count = len(quantities)
        walked = walk_rows(self.drawn, [self.row] * count, [self.needs] * count, more=more)
        rest = walked.rest.reshape(count, -1)
        first_short, wasted = (a.reshape(count, self.runs) for a in (walked.first_short, walked.wasted))
        return [
            self._alternative(offer, qty, arrives, first_short[k], rest[k], float(wasted[k].mean()))
            for k, qty in enumerate(quantities)
        ]

    def _alternative(
        self, offer: Offer, qty: float, arrives: int, first_short: AnyInts, rest: Floats, wasted: float
    ) -> Alternative:
        life = offer.life_on_arrival_days
        price = offer.price(qty)
        cost = qty * price + offer.order_cost
        # stock that outlives the days looked at counts as used: nothing says that it will be thrown away
        more_wasted = max(wasted - self.wasted_none, 0.0)
        years = min(qty / max(self.use_per_day, 1e-9) / DAYS_PER_YEAR, 10.0)
        holding = self.settings.holding_rate * price * qty * years / 2.0
        notes = []
        if life is not None and life < offer.lead_mean_days:
            told = lead_longer_than_life(
                lead_days=round(offer.lead_mean_days),
                usable_days=life,
                demand_per_day=round(self.use_per_day, 3),
            )
            notes.append(told.sentence)
        return Alternative(
            offer.supplier,
            qty,
            price,
            cost,
            arrives,
            None if life is None else arrives + int(life),
            self.p_short(first_short, self.covered),
            float(self._short_by(rest).mean()),
            more_wasted,
            (cost + holding) / max(qty - more_wasted, 1e-9),
            tuple(notes),
        )

    def tried(self, offer: Offer, arrives: int, reach: float) -> list[Alternative]:
        """Quantities of one offer within the money: the least, price breaks, the economic lot, and the smallest that brings
        the risk down to `reach`."""
        settings = self.settings
        told: dict[float, Alternative] = {}

        def look(wanted: set[float]) -> None:
            payable = [q for q in wanted if q * offer.price(q) + offer.order_cost <= settings.money]
            fresh = sorted(q for q in payable if q not in told)
            if fresh:
                told.update(zip(fresh, self.order(offer, fresh, arrives), strict=True))

        levels = (0.5, 0.9, settings.target)
        lacks = [offer.packs(float(np.quantile(self.short_by_none, level))) for level in levels]
        most = 2 * max(*lacks, offer.packs(self.needed))
        look({offer.least, *lacks, *_worth_a_look(self, offer, most)})
        for _ in range(MOST_ROUNDS):
            # more never raises the risk: the smallest number of packs that is enough lies between these two
            high = min((q for q, one in told.items() if float(one.p_short.share) <= reach), default=None)
            if high is None:
                break
            low = max((q for q, one in told.items() if q < high), default=offer.least)
            steps = np.linspace(low, high, AT_ONCE + 2)[1:-1] / offer.pack
            between = {float(packs) * offer.pack for packs in np.rint(steps)} - told.keys()
            if not between:
                break
            look({q for q in between if low < q < high})
        kept = [one for one in told.values() if one.wasted <= settings.waste_limit * one.qty + 1e-9]
        # where even the least is too much, it is shown with its waste, and nothing larger
        return sorted(kept or list(told.values()), key=lambda one: one.qty)[: None if kept else 1]


def _worth_a_look(looked: ShelfFutures, offer: Offer, most: float) -> list[float]:
    """Price breaks, and the economic quantity by price breaks, packs, least quantity and life together, up to `most`."""
    breaks = [offer.packs(b.min_qty) for b in offer.price_breaks if b.min_qty <= most]
    per_year = looked.use_per_day * DAYS_PER_YEAR
    life = None if offer.life_on_arrival_days is None else offer.life_on_arrival_days / DAYS_PER_YEAR
    if per_year <= 0 or (life is not None and life <= 0):
        return breaks
    economic = order_quantities(
        demand_per_year=per_year,
        order_cost=offer.order_cost,
        holding_rate_per_year=looked.settings.holding_rate,
        price_breaks=offer.price_breaks,
        moq=offer.least,
        pack=offer.pack,
        usable_life_years=life,
    )
    return [*breaks, *(one.quantity for one in economic[:1] if one.quantity <= max(most, offer.least))]
