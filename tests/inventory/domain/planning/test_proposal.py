"""Proposals and the ranked list of purchases: worked decisions, what must not be proposed, and greedy against every plan."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from inventory.domain.errors import NotPlannable
from inventory.domain.policy.lot_size import PriceBreak
from inventory.domain.policy.order_futures import Offer, Settings
from inventory.domain.policy.proposal import TARGETS, Proposal, propose_all
from inventory.domain.policy.proposal import propose as propose_one
from inventory.domain.risk.futures import simulate
from inventory.domain.risk.model import CallModel, Model
from inventory.domain.risk.next_money import next_purchases
from tests.benchmarks.risk_of_size import pool
from tests.inventory.domain.planning.test_futures import SIZES, one_item

OFFER = Offer(
    supplier=1,
    price_breaks=(PriceBreak(1, 18.0), PriceBreak(250, 14.5)),
    pack=12,
    moq=24,
    order_cost=60.0,
    lead_mean_days=60.0,
    lead_sd_days=0.0,
    life_on_arrival_days=720,
)


@dataclass(frozen=True)
class Situation:
    """A model of one shelf and what it is asked for."""

    model: Model
    settings: Settings

    @classmethod
    def of(cls, model: Model, **settings: Any) -> Situation:
        return cls(model, Settings(**settings))


def propose(situation: Situation, offers: list[Offer], *, runs: int = 2_000, seed: int) -> Proposal:
    return propose_one(situation.model, situation.settings, offers, runs=runs, seed=seed)


def running(stock: float, **more: Any) -> Situation:
    """The running example of reference/replenishment.md: 0.8 starts a month, lead 60 + review 30 days."""
    model = one_item([(stock, np.inf)], per_day=0.8 / 30, sizes=SIZES)
    return Situation.of(model, **{"target": TARGETS["essential"], "review_days": 30, **more})


def test_enough_is_not_ordered_and_says_why() -> None:
    """400 cover 90 days with 97.4 %: more than the 95 % asked for (1.4: 334 cover 95.04 %)."""
    told = propose(running(400), [OFFER], seed=1)
    assert not told.order_now
    assert told.best.qty == 0
    assert float(told.working.p_short_without.share) == pytest.approx(0.026, abs=0.01)
    assert [key for key, _ in told.reasons] == ["enough"]


def test_the_smallest_quantity_that_reaches_the_target() -> None:
    """200 on hand are short in 18 % of 90 days; the order acts on days 60 to 90 only, so the risk before it is what it
    is."""
    told = propose(running(270, target=0.93), [OFFER], seed=1)
    assert told.order_now
    working = told.working
    without, before = float(working.p_short_without.share), float(working.p_short_before_arrival.share)
    assert before < float(told.best.p_short.share) < without
    reached = [one for one in working.tried if float(one.p_short.share) <= 0.07]
    assert told.best.cost_per_used == min(one.cost_per_used for one in reached)
    assert told.best.qty % 12 == 0
    assert told.best.qty >= 24
    ordered = sorted(working.tried, key=lambda one: one.qty)
    risks = [float(one.p_short.share) for one in ordered]
    assert risks == sorted(risks, reverse=True), (
        "more never raises the risk: all are tried on the same futures"
    )
    assert told.next_best is not None
    assert told.next_best.qty != told.best.qty


@pytest.mark.parametrize(
    ("order", "before_105", "short"),
    [(0, 8.6, 6.9), (60, 6.2, 4.7), (120, 5.3, 3.8), (180, 5.0, 3.5), (240, 4.9, 3.3)],
)
def test_one_decision_shown_whole(order: float, before_105: float, short: float) -> None:
    """The table of reference/replenishment.md 5.5 (own, 40,000 runs): the order acts on the days after 75 only."""
    model = one_item([(60, 40), (220, 400), (100, 800), (order, 800)], per_day=0.8 / 30, sizes=SIZES)
    model = model.with_(
        lots=model.lots.assign(first_day=[0, 0, 50, 75]),
        needs=pd.DataFrame({"item": 1, "place": 1, "qty": [15.0, 15.0], "day": [20, 80]}),
    )
    told = simulate(model, runs=20_000, horizon_days=105, seed=5)
    assert 100 * (told.first_short[0] < 75).mean() == pytest.approx(4.8, abs=0.6)
    assert 100 * (told.first_short[0] < 105).mean() == pytest.approx(before_105, abs=0.7)
    assert told.short[0] == pytest.approx(short, abs=0.8)


def test_what_is_lost_before_anything_arrives_is_said() -> None:
    told = propose(running(100), [OFFER], seed=1)
    keys = [key for key, _ in told.reasons]
    assert "before_arrival" in keys
    assert told.order_now
    assert float(told.working.p_short_before_arrival.share) > 0.05


def test_the_order_on_file_nets_off() -> None:
    situation = running(150)
    open_order = pd.DataFrame(
        {
            "item": [1],
            "place": [1],
            "qty": [300.0],
            "placed_day": [-55],
            "lead_mean_days": [60.0],
            "lead_sd_days": [0.0],
            "life_on_arrival_days": [720.0],
        }
    )
    without = propose(situation, [OFFER], seed=1)
    with_it = propose(replace(situation, model=situation.model.with_(orders=open_order)), [OFFER], seed=1)
    assert without.order_now
    assert not with_it.order_now
    assert with_it.working.on_order == 300


def test_a_dated_need_alone_makes_an_order_due() -> None:
    """10 on hand, 15 wanted on day 100, lead 60 days: must leave on day 40; at a review of 60 days that is now."""
    model = one_item([(10, np.inf)], per_day=0.0)
    model = model.with_(needs=pd.DataFrame({"item": [1], "place": [1], "qty": [15.0], "day": [100]}))
    now = propose(Situation.of(model, target=0.95, review_days=60), [OFFER], runs=200, seed=1)
    assert (now.working.first_short_day, now.working.release_day) == (100, 40)
    assert now.order_now
    later = propose(Situation.of(model, target=0.95, review_days=30), [OFFER], runs=200, seed=1)
    assert not later.order_now
    late = propose(
        Situation.of(model, target=0.95, review_days=60),
        [replace(OFFER, lead_mean_days=130.0)],
        runs=200,
        seed=1,
    )
    assert late.working.late_days == 30
    assert "late" in [key for key, _ in late.reasons]


def test_a_lot_that_expires_before_the_need_does_not_cover_it() -> None:
    model = one_item([(20, 90)], per_day=0.0)
    model = model.with_(
        needs=pd.DataFrame({"item": [1], "place": [1], "qty": [15.0], "day": [80], "lasts_to": [100]})
    )
    told = propose(Situation.of(model, target=0.95, review_days=30), [OFFER], runs=200, seed=1)
    assert told.working.first_short_day == 80
    assert told.order_now


def test_the_cheaper_of_two_suppliers_wins_and_the_other_is_the_alternative() -> None:
    dear = replace(OFFER, supplier=2, price_breaks=(PriceBreak(1, 25.0),))
    told = propose(running(270, target=0.93), [dear, OFFER], seed=1)
    assert told.best.supplier == 1
    assert told.next_best is not None
    assert told.next_best.supplier == 2


def test_a_least_quantity_larger_than_the_use_in_its_life_shows_its_waste() -> None:
    """One piece each 25 days, life 100 days, least 100: most expires, and that is said."""
    model = one_item([(0, np.inf)], per_day=0.04)
    bulky = replace(OFFER, moq=100, price_breaks=(PriceBreak(1, 18.0),), life_on_arrival_days=100)
    told = propose(Situation.of(model, target=0.9), [bulky], seed=1)
    assert told.order_now
    assert told.best.qty == 108
    assert told.best.wasted == pytest.approx(104, abs=1.0)
    assert told.best.cost_per_used > 18 * 20
    assert "waste" in [key for key, _ in told.reasons]
    small = replace(bulky, supplier=2, moq=1, pack=1, price_breaks=(PriceBreak(1, 60.0),), order_cost=5.0)
    better = propose(Situation.of(model, target=0.9), [bulky, small], seed=1)
    assert better.best.supplier == 2, "a dearer supplier with a small least quantity"


def test_a_life_shorter_than_the_lead_time_is_said() -> None:
    model = one_item([(5, np.inf)], per_day=0.4)
    told = propose(
        Situation.of(model, target=0.9),
        [replace(OFFER, lead_mean_days=150.0, life_on_arrival_days=100)],
        runs=500,
        seed=1,
    )
    assert any("orders open" in note for one in told.working.tried for note in one.notes)


def test_no_money_is_said_and_nothing_is_proposed() -> None:
    told = propose(running(100, money=100.0), [OFFER], seed=1)
    assert not told.order_now
    assert told.best.qty == 0
    assert "money" in [key for key, _ in told.reasons]


def test_no_demand_orders_nothing() -> None:
    told = propose(Situation.of(one_item([(0, np.inf)], per_day=0.0), target=0.99), [OFFER], runs=50, seed=1)
    assert not told.order_now
    assert told.working.needed == 0


def test_a_whole_depot_agrees_with_one_shelf_at_a_time() -> None:
    """Same futures, whatever else is asked: shelves of one lead time, so that the days looked at are the same."""
    model = pool(3, 2)
    asked = {
        (int(item), int(place)): (Settings(target=0.95), [OFFER])
        for item, place in model.shelves[["item", "place"]].itertuples(index=False)
    }
    told: list[tuple[int, int]] = []
    together = list(
        propose_all(model, asked, runs=200, seed=4, progress=lambda done, of: told.append((done, of)))
    )
    assert told[-1] == (6, 6)
    assert any(one.order_now for one in together)
    for row, proposal in enumerate(together):
        assert proposal == propose_one(model, Settings(target=0.95), [OFFER], runs=200, seed=4, row=row)
    with pytest.raises(NotPlannable, match="item 9"):
        next(propose_all(model, {(9, 0): (Settings(target=0.9), [OFFER])}, seed=1))


def test_proposals_repeat_with_their_seed() -> None:
    assert propose(running(200), [OFFER], runs=300, seed=3) == propose(
        running(200), [OFFER], runs=300, seed=3
    )


@pytest.mark.parametrize(
    ("change", "offers"),
    [({"target": 1.0}, [OFFER]), ({}, []), ({}, [replace(OFFER, price_breaks=())])],
)
def test_what_cannot_be_proposed_is_refused(change: dict[str, Any], offers: list[Offer]) -> None:
    with pytest.raises(NotPlannable):
        propose(running(100, **change), offers, seed=1)


def two_items() -> Model:
    """Calls take 2 of item 1 and 1 of item 2; item 3 does not ground anything."""
    model = one_item([], per_day=0.03)
    shelves = pd.concat(
        [model.shelves.assign(item=item, grounds=item != 3) for item in (1, 2, 3)], ignore_index=True
    )
    use = pd.DataFrame({"kind": 0, "item": [1, 2, 3], "qty": [2.0, 1.0, 1.0]})
    lots = pd.DataFrame({"item": [1, 2], "place": 1, "qty": [4.0, 3.0], "last_day": np.inf})
    return model.with_(shelves=shelves, calls=CallModel(**{**vars(model.calls), "use": use}), lots=lots)


PURCHASES = pd.DataFrame(
    {
        "item": [1, 2, 3],
        "place": 1,
        "qty": [2.0, 1.0, 5.0],
        "cost": [40.0, 100.0, 1.0],
        "arrives_day": 20,
        "last_day": np.inf,
    }
)


def test_the_first_money_goes_to_what_stands_in_the_way() -> None:
    """Item 1 serves two calls, item 2 three: first item 1 once, then both in turn; what grounds nothing is not bought."""
    steps = next_purchases(two_items(), PURCHASES, budget=500.0, runs=500, seed=1)
    assert [step.item for step in steps[:3]] == [1, 1, 2] or [step.item for step in steps[:3]] == [1, 2, 1]
    assert all(step.item != 3 for step in steps)
    assert steps[-1].money_so_far <= 500
    left = [step.calls_not_served for step in steps]
    assert left == sorted(left, reverse=True)


def test_the_steps_add_up_to_what_a_run_with_all_of_them_says() -> None:
    model = two_items()
    steps = next_purchases(model, PURCHASES, budget=300.0, runs=500, seed=1)
    bought = PURCHASES.iloc[[step.row for step in steps]]
    lots = pd.concat([model.lots, bought.assign(first_day=20.0, last_day=np.inf)], ignore_index=True)
    before = simulate(model, runs=500, seed=1)
    after = simulate(model.with_(lots=lots), runs=500, seed=1)
    served = (before.call_short.sum() - after.call_short.sum()) / 500
    assert sum(step.calls_served for step in steps) == pytest.approx(served)
    assert steps[-1].calls_not_served == pytest.approx(after.call_short.sum() / 500)


def test_greedy_is_near_the_best_of_all_plans() -> None:
    model = two_items()
    budget = 320.0
    steps = next_purchases(model, PURCHASES, budget=budget, runs=300, seed=2)
    best = np.inf
    for one, two in itertools.product(range(9), range(4)):
        if 40 * one + 100 * two <= budget:
            lots = pd.DataFrame(
                {
                    "item": [1, 2],
                    "place": 1,
                    "qty": [2.0 * one, 1.0 * two],
                    "last_day": np.inf,
                    "first_day": 20.0,
                }
            )
            told = simulate(model.with_(lots=pd.concat([model.lots, lots])), runs=300, seed=2)
            best = min(best, told.call_short.sum() / 300)
    assert steps[-1].calls_not_served <= best + 0.1


def test_nothing_to_gain_gives_an_empty_list() -> None:
    model = two_items()
    full = model.with_(lots=model.lots.assign(qty=500.0))
    assert next_purchases(full, PURCHASES, budget=500.0, runs=100, seed=1) == []
    assert next_purchases(model, PURCHASES, budget=10.0, runs=100, seed=1) == []


@pytest.mark.parametrize(
    "change", [{"cost": 0.0}, {"qty": -1.0}, {"item": 9}, {"arrives_day": -1}, {"last_day": np.nan}]
)
def test_purchases_that_cannot_be_are_refused(change: dict[str, Any]) -> None:
    with pytest.raises(NotPlannable, match="row 1"):
        next_purchases(two_items(), PURCHASES.assign(**change), budget=500.0, runs=10, seed=1)
