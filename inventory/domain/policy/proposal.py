"""What to order of one item for one place: the quantity, the supplier, the day, why, and the next best alternative.

The chain of the reference facts on replenishment 7: dated netting of what is there and on order against dated needs; the
chance of running short before an order placed today could arrive (no order helps: move, expedite or swap), and before
one placed at the next review could; the smallest quantity of each offer that brings the second chance to its target,
capped by what can be used before it expires and by the money. Chances come from the futures (`inventory.domain.risk`),
all quantities on the same futures. A target belongs to the criticality of the item; common practice, no source: vital
99 %, essential 95 %, desirable 90 % (`TARGETS`, a setting).

The model is that of `inventory.domain.risk.model` (shelves with their lots, orders, needs, calls; the rules of
replenishment in it are not used). Of suppliers it wants `Offer`s and of each shelf its `Settings`
(`inventory.domain.policy.order_futures`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from inventory.domain.errors import NotPlannable
from inventory.domain.policy.lead_time import LeadTime
from inventory.domain.policy.order_futures import DAYS_PER_YEAR, Alternative, Offer, Settings, ShelfFutures
from inventory.domain.risk.futures import ShelfKey, draw
from inventory.domain.risk.model import Model
from inventory.domain.risk.outcome import Chance

TARGETS = {"vital": 0.99, "essential": 0.95, "desirable": 0.90}
# Orders are planned for the lead time that is kept with this probability.
LEAD_LEVEL = 0.8
Progress = Callable[[int, int], None]


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


def propose(
    model: Model, settings: Settings, offers: Sequence[Offer], *, runs: int = 2_000, seed: int, row: int = 0
) -> Proposal:
    """The proposal for one shelf of a model, by itself. Raises NotPlannable as `propose_all` does."""
    shelf = model.shelves.iloc[row]
    key = (int(shelf["item"]), int(shelf["place"]))
    return next(propose_all(model, {key: (settings, offers)}, runs=runs, seed=seed))


def propose_all(
    model: Model,
    asked: Mapping[ShelfKey, tuple[Settings, Sequence[Offer]]],
    *,
    runs: int = 1_000,
    seed: int,
    progress: Progress | None = None,
) -> Iterator[Proposal]:
    """Proposals for all shelves named in `asked` {(item, place): (settings, offers)}, on the same futures, one after
    the other.

    The replenishment rules of the model are not used: what is proposed is one order on top of what is there and on order.
    Raises NotPlannable without an offer, for a target that is not between 0 and 1, or for a shelf that the model does
    not hold.
    """
    covered = {key: _covered(*ask) for key, ask in asked.items()}
    horizon = max((until for _, until in covered.values()), default=1) + int(2 * DAYS_PER_YEAR)
    quiet = model.with_(
        shelves=model.shelves.assign(reorder_point=-1.0, order_up_to=0.0).reset_index(drop=True)
    )
    drawn = draw(quiet, runs=runs, horizon_days=horizon, seed=seed, review_days=horizon)
    names = drawn.model.shelves[["item", "place"]].to_numpy(dtype=np.int64).tolist()
    row_of = {(item, place): row for row, (item, place) in enumerate(names)}
    for number, (key, (settings, offers)) in enumerate(asked.items()):
        if key not in row_of:
            raise NotPlannable(
                "proposal.no_shelf",
                "The plan holds no item {item} in place {place}.",
                item=key[0],
                place=key[1],
            )
        arrives, until = covered[key]
        yield _proposal(ShelfFutures(drawn, row_of[key], settings, until), offers, arrives)
        if progress is not None:
            progress(number + 1, len(asked))


def _covered(settings: Settings, offers: Sequence[Offer]) -> tuple[list[int], int]:
    """The day each offer can be used on if ordered today, and the day up to which an order of today must do."""
    if not 0 < settings.target < 1:
        raise NotPlannable("level.out_of_range", "A level of service lies between 0 and 1; never exactly 1.")
    if not offers or not all(offer.price_breaks for offer in offers):
        raise NotPlannable("breaks.none", "There is no price. Add an offer of a supplier.")
    leads = [LeadTime(offer.lead_mean_days, offer.lead_sd_days) for offer in offers]
    arrives = [math.ceil(lead.quantile(LEAD_LEVEL) + settings.safety_days - 1e-9) for lead in leads]
    return arrives, max(arrives) + settings.review_days


def _proposal(looked: ShelfFutures, offers: Sequence[Offer], arrives: list[int]) -> Proposal:
    settings, covered = looked.settings, looked.covered
    without = looked.none
    earliest = min(arrives)
    before = looked.p_short(looked.first_none, earliest)
    reach = _reachable(before, settings)
    tried: list[Alternative] = []
    for offer, arrival in zip(offers, arrives, strict=True):
        tried += looked.tried(offer, arrival, reach)
    reached = [one for one in tried if float(one.p_short.share) <= reach]
    ranked = sorted(reached, key=lambda one: (one.cost_per_used, one.cost)) or sorted(
        tried, key=lambda one: (float(one.p_short.share), one.cost_per_used)
    )
    day = looked.first_short_day()
    release = None if day is None else day - min(arrives)
    order_now = bool(ranked) and (
        float(without.p_short.share) > 1.0 - settings.target
        or (release is not None and release <= settings.review_days)
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
        settings.target,
        covered,
        tuple(tried),
    )
    return Proposal(
        looked.key[0],
        looked.key[1],
        order_now,
        best,
        (rest[0] if rest else without) if order_now else (ranked[0] if ranked else None),
        working,
        tuple(_reasons(settings, working, best, order_now, earliest, offers)),
    )


def _reachable(before: Chance, settings: Settings) -> float:
    """The risk an order can bring it down to: the target, or what is lost anyway before anything arrives and a little
    more."""
    return max(1.0 - settings.target, float(before.share) + 0.5 * (1.0 - settings.target))


def _reasons(
    settings: Settings,
    working: Working,
    best: Alternative,
    order_now: bool,
    earliest: int,
    offers: Sequence[Offer],
) -> list[tuple[str, str]]:
    told = []
    risk, target = 100 * float(working.p_short_without.share), 100 * (1 - settings.target)
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
    if order_now and best.wasted > settings.waste_limit * best.qty:
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
        if offer.price(offer.least) * offer.least + offer.order_cost <= settings.money
    ]
    if not pays:
        told.append(("money", "The money left pays for no offer. Find more, or ask for smaller packs."))
    return told or [("enough", f"Enough: it runs short {within}")]
