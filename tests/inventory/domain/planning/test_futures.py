"""Futures: equal path for path to a plain event loop, to closed forms within their interval, and what must hold of any
plan."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from inventory.domain.demand.compound import compound_demand, poisson_demand, size_pmf
from inventory.domain.demand.deployments import Duration, window_moments
from inventory.domain.errors import NotPlannable
from inventory.domain.netting.outdating import expected_outdating, no_shortage_probability
from inventory.domain.policy.lead_time import LeadTime, learn_lead_time
from inventory.domain.policy.one_chance import newsvendor_pmf
from inventory.domain.policy.reorder import rq_poisson
from inventory.domain.risk.calls import draw_calls
from inventory.domain.risk.futures import draw, needs_of_shelf, simulate, walk_rows
from inventory.domain.risk.kits import kit_availability
from inventory.domain.risk.model import CallModel, Model
from inventory.domain.risk.outcome import NEVER_SHORT, side_by_side
from inventory.domain.risk.what_if import depot_lost, money_cut, more_calls, supplier_late
from tests.benchmarks.plain_loop import paths_of_shelf
from tests.benchmarks.risk_of_size import pool

DAYS_PER_MONTH = 365.25 / 12
NAN = float("nan")
SIZES = {14: 0.21, 28: 0.37, 56: 0.12, 60: 0.14, 120: 0.13, 240: 0.03}


def one_item(
    lots: list[tuple[float, float]], *, per_day: float, sizes: dict[int, float] | None = None, **shelf: Any
) -> Model:
    """One item in one place with lots (qty, last day); calls at `per_day`, each of a size with its probability."""
    table = sizes or {1: 1.0}
    row = {
        "item": 1,
        "place": 1,
        "price": 1.0,
        "reorder_point": -1.0,
        "order_up_to": 0.0,
        "lead_mean_days": 0.0,
        "lead_sd_days": 0.0,
        "life_on_arrival_days": np.inf,
        **shelf,
    }
    calls = CallModel(
        starts_per_month=(per_day * DAYS_PER_MONTH,) * 12,
        kinds=pd.DataFrame({"kind": range(len(table)), "probability": list(table.values())}),
        use=pd.DataFrame({"kind": range(len(table)), "item": 1, "qty": list(table)}),
        places=pd.DataFrame({"place": [1], "share": [1.0]}),
    )
    stock = pd.DataFrame(lots, columns=["qty", "last_day"]).assign(item=1, place=1)
    return Model(calls, pd.DataFrame([row]), stock)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_equal_path_for_path_to_a_plain_event_loop(seed: int) -> None:
    model = pool(6, 2, seed=seed)
    shelves = model.shelves
    use = model.calls.use.assign(
        random=model.calls.use["item"] % 5 == 2, after_days=model.calls.use["kind"] % 3 * 9
    )
    model = model.with_(
        shelves=shelves.assign(money=np.where(shelves["item"] % 2 == 0, 900.0, np.nan)),
        calls=CallModel(**{**vars(model.calls), "use": use, "extra": ((20, 3, None),)}),
    )
    drawn = draw(model, runs=100, horizon_days=365, seed=seed, review_days=30)
    rows = list(range(len(drawn.model.shelves)))
    needs = [needs_of_shelf(drawn, row) for row in rows]
    walked = walk_rows(drawn, rows, needs)
    begin = short = wasted = 0
    for row in rows:
        paths = paths_of_shelf(drawn, row, needs[row])
        cells = slice(row * 100, (row + 1) * 100)
        for name in ("short", "first_short", "wasted", "ordered", "left"):
            np.testing.assert_allclose(
                getattr(walked, name)[cells], [getattr(path, name) for path in paths], err_msg=name
            )
        np.testing.assert_allclose(walked.usable[:, cells].T, [path.usable for path in paths], rtol=1e-6)
        np.testing.assert_allclose(walked.spent[:, cells].T, [path.spent for path in paths], rtol=1e-6)
        rest = [value for path in paths for value in path.rest]
        np.testing.assert_allclose(walked.rest[begin : begin + len(rest)], rest)
        begin += len(rest)
        short += sum(path.short > 0 for path in paths)
        wasted += sum(path.wasted > 0 for path in paths)
    assert short > 50
    assert wasted > 50


def test_the_block_changes_nothing_and_the_seed_repeats() -> None:
    model = pool(5, 3)
    one = simulate(model, runs=200, seed=4, block_cells=200)
    two = simulate(model, runs=200, seed=4, block_cells=10_000)
    other = simulate(model, runs=200, seed=5)
    for name in ("first_short", "wasted", "spent", "call_short", "wasted_value"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name))
    assert (one.first_short != other.first_short).any()
    assert one.fieldable.keys() == two.fieldable.keys()


def test_used_short_left_and_wasted_add_up() -> None:
    outcome = simulate(pool(8, 2), runs=300, seed=6)
    sound = outcome.model
    held = (
        sound.lots.groupby(["item", "place"])["qty"]
        .sum()
        .add(sound.orders.groupby(["item", "place"])["qty"].sum(), fill_value=0.0)
    )
    told = outcome.table().set_index(["item", "place"])
    np.testing.assert_allclose(
        held.reindex(told.index) + told["ordered"],
        told["needed"] - told["short"] + told["wasted"] + told["left"],
    )


def within(share: float, hits: float, runs: int) -> None:
    """The closed form lies in the 99.9 % interval of the runs."""
    half = 3.3 * math.sqrt(share * (1 - share) / runs) + 1e-9
    assert abs(hits / runs - share) <= half, f"{hits / runs} against {share} ± {half}"


def test_compound_demand_against_its_distribution() -> None:
    """Stock 334 over 90 days of the running example: 95.04 % (Panjer; case RP02)."""
    model = one_item([(334, np.inf)], per_day=2.4 / 90, sizes=SIZES)
    outcome = simulate(model, runs=20_000, horizon_days=90, seed=1, review_days=30)
    within(1 - 0.9503721903, float((outcome.first_short < NEVER_SHORT).sum()), 20_000)
    mean = float(
        compound_demand(2.4, size_pmf(SIZES)) @ np.arange(len(compound_demand(2.4, size_pmf(SIZES))))
    )
    assert outcome.needed[0] == pytest.approx(mean, rel=0.02)


def test_an_uncertain_rate_against_the_negative_binomial_count() -> None:
    """Year effect of 0.5: the 95 % stock is 370 (reference/replenishment.md 1.3)."""
    model = one_item([(370, np.inf)], per_day=2.4 / 90, sizes=SIZES)
    model = model.with_(calls=CallModel(**{**vars(model.calls), "rate_shape": 4.0}))
    outcome = simulate(model, runs=20_000, horizon_days=90, seed=2)
    use = compound_demand(2.4, size_pmf(SIZES), rate_cv=0.5)
    within(float(use[371:].sum()), float((outcome.first_short < NEVER_SHORT).sum()), 20_000)


def test_dated_lots_against_the_exact_sums() -> None:
    """Lots 5 to day 60, 8 to 120, 10 to 300 at 0.08 a day: no shortage through day 150 0.9984, loss 3.85 (cases RP65, RP67).

    Day k of the exact sum is day k - 1 here: both look at whole days, the first of which is over when the first lot
    has 59 more.
    """
    lots = [(5.0, 59.0), (8.0, 119.0), (10.0, 299.0)]
    runs = 40_000
    year = simulate(one_item(lots, per_day=0.08), runs=runs, horizon_days=300, seed=3)
    loss = expected_outdating([5, 8, 10], [60, 120, 300], poisson_demand(0.08)).total
    assert year.wasted[0] == pytest.approx(loss, abs=4 * 3.0 / math.sqrt(runs))
    half = simulate(one_item(lots, per_day=0.08), runs=runs, horizon_days=150, seed=3)
    exact = no_shortage_probability([5, 8, 10], [60, 120, 300], poisson_demand(0.08), until_day=150)
    within(1 - exact, float((half.first_short < NEVER_SHORT).sum()), runs)


def test_the_newsvendor_cost_is_that_of_the_futures() -> None:
    """Poisson 50, h 0.18, b 0.70: 56 pieces cost 1.797 (Snyder & Shen 2nd ed.; case RP45)."""
    runs = 40_000
    outcome = simulate(one_item([(56, np.inf)], per_day=0.5), runs=runs, horizon_days=100, seed=4)
    told = newsvendor_pmf(holding_cost=0.18, stockout_cost=0.7, pmf=poisson_demand(50.0)(1.0))
    assert told.quantity == 56
    cost = 0.18 * outcome.left[0] + 0.7 * outcome.short[0]
    assert cost == pytest.approx(told.cost, abs=4 * 2.0 / math.sqrt(runs))


def test_reordering_against_the_position_of_an_rq_policy() -> None:
    """(r, Q) of Poisson demand with a fixed lead time: r = 3, Q = 5 of Snyder & Shen Example 5.8 at a hundredth of the pace.

    Position uniform on r + 1 .. r + Q; stock before the demand of the lead time is that position, so P(no stock) is
    the mean of P(D(L) >= position). Demand that is not met is lost here and waits there: a small difference, taken
    into the tolerance.
    """
    told = rq_poisson(holding_cost=20, stockout_cost=150, fixed_cost=100, demand_rate=1.5, lead_time=2)
    assert (told.reorder_point, told.quantity) == (3, 5)
    per_day, lead = 0.015, 200.0
    model = one_item(
        [(8, np.inf)],
        per_day=per_day,
        reorder_point=3.0,
        order_up_to=8.0,
        pack=5.0,
        lead_mean_days=lead,
        life_on_arrival_days=np.inf,
    )
    # order up to 8 in packs of 5 from a position of 3: exactly one pack of 5 each time
    outcome = simulate(model, runs=1_000, horizon_days=4_000, seed=5, review_days=2)
    positions = np.arange(4, 9)
    no_stock = float(np.mean(stats.poisson.sf(positions - 1, per_day * lead)))
    share_short = outcome.short[0] / outcome.needed[0]
    assert share_short == pytest.approx(no_stock, abs=0.04)
    assert outcome.ordered[0] == pytest.approx((outcome.needed[0] - outcome.short[0]), rel=0.1)


def test_running_use_of_deployments_against_m_g_infinity() -> None:
    """Each day of a deployment taken from stock on its day: mean and spread of M/G/infinity with starts in the window
    only."""
    table = {7: 0.3, 14: 0.4, 30: 0.2, 60: 0.1}
    use = [(kind, 1, 2.0, day) for kind, days in enumerate(table) for day in range(days)]
    model = one_item([(0, np.inf)], per_day=0.05)
    model = model.with_(
        calls=CallModel(
            **{
                **vars(model.calls),
                "kinds": pd.DataFrame({"kind": range(4), "probability": list(table.values())}),
                "use": pd.DataFrame(use, columns=["kind", "item", "qty", "after_days"]),
            }
        )
    )
    runs = 4_000
    drawn = draw(model, runs=runs, horizon_days=90, seed=6)
    needs = needs_of_shelf(drawn, 0)
    run = np.repeat(np.arange(runs), np.diff(needs.start))
    total = np.bincount(run, needs.qty, minlength=runs)
    told = window_moments(
        starts_per_day=0.05,
        use_per_day={2: 1.0},
        duration=Duration.of_table(table),
        window_days=90.0,
        running=False,
    )
    # a call in the morning of a whole day uses half a day more of the window than one in the middle of it
    assert total.mean() == pytest.approx(told.mean, rel=0.04)
    assert total.var() == pytest.approx(told.variance, rel=0.1)


def test_deployments_that_are_away_use_on() -> None:
    """Day 10 of lengths 7, 14, 30, 60: 15.14 days more on average (reference/replenishment.md 1.5; case RP12)."""
    table = {7: 0.3, 14: 0.4, 30: 0.2, 60: 0.1}
    use = [(kind, 1, 1.0, day) for kind, days in enumerate(table) for day in range(days)]
    model = one_item([(0, np.inf)], per_day=0.0)
    kinds = pd.DataFrame({"kind": range(4), "probability": list(table.values()), "days": list(table)})
    calls = CallModel(
        **{
            **vars(model.calls),
            "kinds": kinds,
            "use": pd.DataFrame(use, columns=["kind", "item", "qty", "after_days"]),
            "running": ((1, 10, None), (1, 10, 2)),
        }
    )
    outcome = simulate(model.with_(calls=calls), runs=20_000, horizon_days=90, seed=6)
    assert outcome.needed[0] == pytest.approx(15.14 + 20, abs=0.5)
    today = CallModel(**{**vars(calls), "running": ((1, 0, 0),)})
    assert simulate(model.with_(calls=today), runs=5, horizon_days=90, seed=6).needed[0] == 7
    for wrong in ((1, 60, None), (2, 10, None), (1, 10, 9), (1, -1, None)):
        with pytest.raises(NotPlannable, match="day of return"):
            simulate(model.with_(calls=CallModel(**{**vars(calls), "running": (wrong,)})), runs=5, seed=1)


def test_kits_go_short_together_as_the_exact_sum_says() -> None:
    """Running example: joint 93.3 % (case RP70)."""
    kinds = [
        (0.21, 14, 0, 1), (0.09, 28, 0, 1), (0.28, 28, 0, 2), (0.12, 56, 0, 2),
        (0.14, 60, 1, 3), (0.06, 120, 1, 3), (0.07, 120, 2, 6), (0.03, 240, 2, 6),
    ]  # fmt: skip
    stock = {1: 334, 2: 4, 3: 13}
    exact = kit_availability(
        events_mean=2.4,
        probability=[row[0] for row in kinds],
        use={str(item): [row[item] for row in kinds] for item in stock},
        stock={str(item): qty for item, qty in stock.items()},
    )
    model = one_item([], per_day=2.4 / 90)
    shelves = pd.concat([model.shelves.assign(item=item) for item in stock], ignore_index=True)
    calls = CallModel(
        **{
            **vars(model.calls),
            "kinds": pd.DataFrame({"kind": range(8), "probability": [row[0] for row in kinds]}),
            "use": pd.DataFrame(
                [(kind, item, row[item]) for kind, row in enumerate(kinds) for item in stock],
                columns=["kind", "item", "qty"],
            ),
        }
    )
    lots = pd.DataFrame({"item": list(stock), "place": 1, "qty": list(stock.values()), "last_day": np.inf})
    outcome = simulate(
        model.with_(shelves=shelves, calls=calls, lots=lots), runs=20_000, horizon_days=90, seed=7
    )
    chance = outcome.calls_not_served()
    within(1 - exact.joint, float(chance.share) * 20_000, 20_000)
    assert float(chance.low) < float(chance.share) < float(chance.high)


def test_more_stock_never_raises_the_risk_and_longer_lead_never_lowers_it() -> None:
    """Invariants of reference/replenishment.md 7, future by future, since all share the same calls."""
    model = pool(4, 2)
    base = simulate(model, runs=400, seed=8)
    plain = model.with_(shelves=model.shelves.assign(reorder_point=-1.0))
    once = simulate(plain, runs=400, seed=8)
    fuller = simulate(plain.with_(lots=plain.lots.assign(qty=plain.lots["qty"] + 3.0)), runs=400, seed=8)
    assert (fuller.first_short >= once.first_short).all()
    assert fuller.first_short.sum() > once.first_short.sum()
    late = simulate(supplier_late(model, days=60.0), runs=400, seed=8)
    assert (late.first_short < NEVER_SHORT).sum() > (base.first_short < NEVER_SHORT).sum()


def test_what_if_is_compared_on_the_same_futures() -> None:
    model = pool(4, 3)
    base = simulate(model, runs=400, seed=9)
    same = side_by_side(base, simulate(model, runs=400, seed=9))
    assert all((told.change, told.low, told.high) == (0, 0, 0) for told in same.values())
    surge = side_by_side(base, simulate(more_calls(model, day=10, number=4), runs=400, seed=9))
    assert surge["items_short"].low > 0
    lost = simulate(depot_lost(model, place=1, others={0: 0.5, 2: 0.5}), runs=400, seed=9)
    assert side_by_side(base, lost)["spent"].high < 0
    assert (lost.calls.place != 1).all(), "no call is served from there"
    np.testing.assert_array_equal(np.sort(lost.calls.run), np.sort(base.calls.run))
    less = side_by_side(base, simulate(money_cut(model, share_left=0.3, budget=30_000.0), runs=400, seed=9))
    assert less["spent"].high < 0
    assert less["items_short"].low > 0
    with pytest.raises(NotPlannable, match="one seed"):
        side_by_side(base, simulate(model, runs=400, seed=10))


def test_common_numbers_need_fewer_futures() -> None:
    """Stock 300 against 334: the difference is 1.99 %, paired variance far below that of two separate runs (5.2: 5.7
    times)."""
    paired = []
    for stock in (300, 334):
        model = one_item([(stock, np.inf)], per_day=2.4 / 90, sizes=SIZES)
        paired.append(
            (simulate(model, runs=20_000, horizon_days=90, seed=11).first_short[0] < NEVER_SHORT).astype(
                float
            )
        )
    change = paired[0] - paired[1]
    assert change.mean() == pytest.approx(0.0199, abs=0.004)
    assert (paired[0].var() + paired[1].var()) / change.var() == pytest.approx(5.7, abs=1.2)


def test_one_source_of_chance_does_not_shift_another() -> None:
    model = one_item([(5, np.inf)], per_day=0.05)
    sized = {"runs": 50, "horizon_days": 200, "seed": 12}
    base = draw_calls(model.calls, **sized)
    extra = draw_calls(more_calls(model, day=3, number=2).calls, **sized)
    assert len(extra) == len(base) + 100
    kept = extra.day != 3
    np.testing.assert_array_equal(extra.day[kept], base.day[base.day != 3])
    faster = CallModel(**{**vars(model.calls), "starts_per_month": (3.0,) * 12})
    assert len(draw_calls(faster, **sized)) > len(base)


def test_calls_follow_the_season() -> None:
    model = one_item([(5, np.inf)], per_day=0.05)
    rates = tuple(float(month == 8) for month in range(1, 13))
    calls = draw_calls(
        CallModel(**{**vars(model.calls), "starts_per_month": rates, "first_month": 7}),
        runs=4000,
        horizon_days=366,
        seed=13,
    )
    assert len(calls) == pytest.approx(4000, rel=0.06)
    assert calls.day.min() >= 30
    assert calls.day.max() <= 61


def test_units_that_can_be_fielded() -> None:
    """Two items of a kit, 2 and 4 a unit: 9 and 13 pieces make 3 kits, after one call of one kit 2."""
    model = one_item([], per_day=0.0)
    shelves = pd.concat([model.shelves.assign(item=item) for item in (1, 2)], ignore_index=True)
    lots = pd.DataFrame({"item": [1, 2], "place": 1, "qty": [9.0, 13.0], "last_day": [np.inf, 40.0]})
    needs = pd.DataFrame({"item": [1, 2], "place": 1, "qty": [2.0, 4.0], "day": [10, 10]})
    kits = pd.DataFrame({"kit": 5, "item": [1, 2], "per_unit": [2.0, 4.0]})
    outcome = simulate(
        model.with_(shelves=shelves, lots=lots, needs=needs, kits=kits),
        runs=20,
        horizon_days=90,
        seed=1,
        review_days=30,
    )
    assert outcome.fieldable[5, 1][:, 0].tolist() == [3, 2, 0]
    assert outcome.kit_missing(5, 1, units=3).share.tolist() == [0, 1, 1]
    assert outcome.kit_ever_missing(5, 1, units=3).share.tolist() == [0, 1, 1]
    assert outcome.kit_missing(5, 1).share.tolist() == [0, 0, 1]
    unknown = outcome.kit_missing(5, 2)
    assert unknown.share.tolist() == [1, 1, 1], "a place without shelves has no kit"
    with pytest.raises(NotPlannable):
        outcome.kit_missing(9, 1)


def test_progress_is_told_and_can_stop() -> None:
    told: list[tuple[int, int]] = []

    class Stopped(Exception):
        pass

    def stop(done: int, total: int) -> None:
        told.append((done, total))
        if done >= 4:
            raise Stopped

    with pytest.raises(Stopped):
        simulate(pool(4, 2), runs=50, seed=1, block_cells=100, progress=stop)
    assert told == [(2, 8), (4, 8)]


def changed(model: Model, frame: str, **columns: Any) -> Model:
    return model.with_(**{frame: getattr(model, frame).assign(**columns)})


@pytest.mark.parametrize(
    ("frame", "columns", "words"),
    [
        ("shelves", {"pack": 0.0}, "'pack'"),
        ("shelves", {"price": -1.0}, "'price'"),
        ("shelves", {"order_up_to": -5.0}, "'order_up_to'"),
        ("shelves", {"life_on_arrival_days": NAN}, "'life_on_arrival_days'"),
        ("orders", {"life_on_arrival_days": NAN}, "'life_on_arrival_days'"),
        ("lots", {"qty": -1.0}, "Lots, row 1"),
        ("lots", {"place": 99}, "Lots, row 1"),
        ("needs", {"lasts_to": -3}, "'lasts_to'"),
        ("orders", {"placed_day": 3}, "'placed_day'"),
        ("kits", {"per_unit": 0.0}, "'per_unit'"),
    ],
)
def test_inputs_that_cannot_be_are_named(frame: str, columns: dict[str, Any], words: str) -> None:
    with pytest.raises(NotPlannable, match=words):
        simulate(changed(pool(3, 2), frame, **columns), runs=5, seed=1)


def test_zero_demand_and_everything_expired_are_answers() -> None:
    quiet = simulate(one_item([(5, -1), (3, 400)], per_day=0.0), runs=10, horizon_days=100, seed=1)
    assert (quiet.needed[0], quiet.short[0], quiet.wasted[0], quiet.left[0]) == (0, 0, 5, 3)
    empty = simulate(one_item([(5, -1)], per_day=0.1), runs=200, horizon_days=100, seed=1)
    assert empty.short[0] == empty.needed[0] > 0


def test_a_lot_whose_expiry_is_not_known_serves_nothing() -> None:
    model = one_item([(50, np.inf), (50, NAN)], per_day=0.0)
    outcome = simulate(model, runs=5, horizon_days=50, seed=1)
    assert outcome.left[0] == 50


def test_a_late_order_is_not_due_today_for_ever() -> None:
    lead = LeadTime(60.0, 18.0)
    fresh, late = lead.table(), lead.table(elapsed_days=75.0)
    assert fresh.mean() == pytest.approx(60.5, abs=0.2)
    assert 5 < late.mean() < 20
    assert lead.table(elapsed_days=4000.0).min() >= 0
    assert LeadTime(30.0, 0.0).table(elapsed_days=45.0).tolist()[:2] == [1, 1]


def test_receipts_move_the_stated_lead_time() -> None:
    stated = learn_lead_time([], stated_days=60)
    assert (stated.mean_days, stated.receipts) == (60.0, 0)
    slow = learn_lead_time([90.0] * 12, stated_days=60)
    assert 80 < slow.mean_days < 90
    assert slow.sd_days < 25
    assert learn_lead_time([90.0], stated_days=60).sd_days > stated.sd_days * 0.9
    with pytest.raises(NotPlannable):
        learn_lead_time([-1.0], stated_days=60)
