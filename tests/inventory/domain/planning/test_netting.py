"""Dated netting against an optimum by linear programme and max-flow, worked examples, and what must hold whatever
comes in."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

from inventory.domain.errors import NotPlannable
from inventory.domain.netting import plan as netting_plan
from inventory.domain.netting.columns import Lots, Needs
from inventory.domain.netting.moves import best_flow, saving_of_moves
from inventory.domain.netting.plan import Netting, net

DAY0 = pd.Timestamp("2026-01-01")
BASE = (DAY0 - pd.Timestamp("1970-01-01")).days
HORIZON = BASE + 30


def lots_of(*rows: tuple[Any, ...]) -> Lots:
    """Rows (qty, first day or None, last day, place=1, item=1): days from day 0."""
    full = [(*row, 1, 1)[:5] if len(row) == 3 else (*row, 1)[:5] for row in rows]
    frame = pd.DataFrame(full, columns=["qty", "first", "last", "place", "item"])
    frame["first_day"] = DAY0 + pd.to_timedelta(frame["first"].astype(float), unit="D")
    frame["last_day"] = DAY0 + pd.to_timedelta(frame["last"].astype(float), unit="D")
    frame["lot"] = range(len(frame))
    return Lots.read(frame)


def needs_of(*rows: tuple[Any, ...]) -> Needs:
    """Rows (qty, day, lasts to, place=1, rank=0, item=1)."""
    full = [(*row, *(1, 0, 1)[len(row) - 3 :]) for row in rows]
    frame = pd.DataFrame(full, columns=["qty", "day", "lasts", "place", "rank", "item"])
    frame["lasts_to"] = DAY0 + pd.to_timedelta(frame["lasts"], unit="D")
    frame["day"] = DAY0 + pd.to_timedelta(frame["day"], unit="D")
    frame["need"] = range(len(frame))
    return Needs.read(frame)


def random_shelf(rng: np.random.Generator, items: int = 1, places: int = 1) -> tuple[Lots, Needs]:
    """Lots some of which arrive later, needs some of which must last beyond their day."""
    held, asked = (int(n) for n in rng.integers(1, 9, 2))
    first = np.where(rng.random(held) < 0.4, rng.integers(0, 20, held), 0)
    day = rng.integers(0, 30, asked)
    more = np.where(rng.random(asked) < 0.4, rng.integers(0, 12, asked), 0)
    lots = Lots(
        item=rng.integers(1, items + 1, held),
        place=rng.integers(1, places + 1, held),
        lot=np.arange(held),
        qty=rng.integers(0, 8, held).astype(float),
        first_day=BASE + first,
        last_day=BASE + first + rng.integers(0, 25, held),
        known=np.ones(held, dtype=bool),
    )
    needs = Needs(
        item=rng.integers(1, items + 1, asked),
        place=rng.integers(1, places + 1, asked),
        need=np.arange(asked),
        qty=rng.integers(0, 8, asked).astype(float),
        day=BASE + day,
        lasts_to=BASE + day + more,
        rank=rng.integers(0, 3, asked),
    )
    return lots, needs


def eligible(lots: Lots, needs: Needs) -> np.ndarray:
    return (
        (lots.item[:, None] == needs.item)
        & (lots.place[:, None] == needs.place)
        & (lots.first_day[:, None] <= needs.day)
        & (lots.last_day[:, None] >= needs.lasts_to)
    )


def best_served_and_lost(lots: Lots, needs: Needs) -> tuple[float, float]:
    """By scipy's max-flow the most that can be served; by a dense linear programme the least that is lost at that."""
    arc = eligible(lots, needs)
    size = len(lots) + len(needs) + 2
    source, sink = size - 2, size - 1
    capacity = np.zeros((size, size), dtype=np.int32)
    capacity[source, : len(lots)] = lots.qty
    capacity[len(lots) : source, sink] = needs.qty
    capacity[: len(lots), len(lots) : source] = np.where(arc, 1000, 0)
    served = maximum_flow(csr_array(capacity), source, sink).flow_value
    k, j = np.nonzero(arc)
    goes = lots.last_day < HORIZON
    if not len(k):
        return float(served), float(lots.qty[goes].sum())
    limits = np.zeros((len(lots) + len(needs), len(k)))
    limits[k, np.arange(len(k))] = 1
    limits[len(lots) + j, np.arange(len(k))] = 1
    found = linprog(
        -goes[k].astype(float),
        A_ub=limits,
        b_ub=np.concatenate([lots.qty, needs.qty]),
        A_eq=np.ones((1, len(k))),
        b_eq=[served],
    )
    assert found.status == 0
    return float(served), float(lots.qty[goes].sum() + found.fun)


def check_books(plan: Netting) -> None:
    """Nothing is made or lost: what is issued, short and left adds up, and each issue is allowed."""
    lots, needs = plan.lots, plan.needs
    issued = np.bincount(plan.issue_lot, plan.issue_qty, minlength=len(lots))
    got = np.bincount(plan.issue_need, plan.issue_qty, minlength=len(needs))
    np.testing.assert_allclose(issued + plan.left, lots.qty)
    np.testing.assert_allclose(got + plan.short, needs.qty)
    assert (plan.issue_qty > 0).all()
    assert eligible(lots, needs)[plan.issue_lot, plan.issue_need].all()


def test_equal_to_max_flow_and_least_waste_on_500_random_shelves() -> None:
    rng = np.random.default_rng(11)
    short = 0
    for _ in range(500):
        lots, needs = random_shelf(rng)
        plan = net(lots, needs)
        check_books(plan)
        served, lost = best_served_and_lost(lots, needs)
        assert (needs.qty - plan.short).sum() == served
        assert plan.expires_unused(HORIZON).sum() == pytest.approx(lost, abs=1e-6)
        short += plan.short.sum() > 0
    assert short > 100, "the instances are too easy to tell anything"


def test_the_walk_of_a_long_shelf_gives_the_same_issues(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(12)
    shelves = [random_shelf(rng, items=3, places=2) for _ in range(200)]
    at_once = [net(*shelf) for shelf in shelves]
    monkeypatch.setattr(netting_plan, "MANY_LOTS", 1)
    for (lots, needs), plan in zip(shelves, at_once, strict=True):
        walked = net(lots, needs)
        np.testing.assert_array_equal(walked.short, plan.short)
        np.testing.assert_array_equal(walked.left, plan.left)
        assert sorted(zip(walked.issue_need, walked.issue_lot, walked.issue_qty, strict=True)) == sorted(
            zip(plan.issue_need, plan.issue_lot, plan.issue_qty, strict=True)
        )


def test_the_order_of_rows_and_empty_lots_change_nothing() -> None:
    rng = np.random.default_rng(13)
    for _ in range(50):
        lots, needs = random_shelf(rng, items=2, places=2)
        plan = net(lots, needs)
        mixed, asked = rng.permutation(len(lots)), rng.permutation(len(needs))
        turned = net(
            Lots(*(getattr(lots, name)[mixed] for name in lots.__slots__)),
            Needs(*(getattr(needs, name)[asked] for name in needs.__slots__)),
        )
        np.testing.assert_array_equal(turned.left, plan.left[mixed])
        np.testing.assert_array_equal(turned.short, plan.short[asked])


small = st.integers(0, 6)


@given(
    st.lists(st.tuples(small, small, small), min_size=1, max_size=5),
    st.lists(st.tuples(small, st.integers(0, 10), small), min_size=1, max_size=5),
    st.integers(0, 4),
    st.integers(0, 5),
)
def test_more_stock_and_longer_life_never_harm(
    lot_rows: list[tuple[int, int, int]], need_rows: list[tuple[int, int, int]], which: int, more: int
) -> None:
    """Invariants of reference/replenishment.md 7."""
    rows = [(qty, first, first + life) for qty, first, life in lot_rows]
    needs = needs_of(*((qty, day, day + span) for qty, day, span in need_rows))
    plan = net(lots_of(*rows), needs)
    at = which % len(rows)
    qty, first, last = rows[at]
    fuller = net(lots_of(*([*rows[:at], (qty + more, first, last), *rows[at + 1 :]])), needs)
    longer = net(lots_of(*([*rows[:at], (qty, first, last + more), *rows[at + 1 :]])), needs)
    assert fuller.short.sum() <= plan.short.sum()
    assert longer.short.sum() <= plan.short.sum()
    assert longer.expires_unused(HORIZON).sum() <= plan.expires_unused(HORIZON).sum()


def brute_ranks(lots: Lots, needs: Needs) -> tuple[float, ...]:
    """Served by rank, the most vital first: for each set of needs in full is too slow, so rank by rank by max-flow."""
    served: list[float] = []
    for rank in range(3):
        top = needs.rank <= rank
        kept = Needs(*(getattr(needs, name)[top] for name in needs.__slots__))
        served.append(best_served_and_lost(lots, kept)[0] - sum(served))
    return tuple(served)


def test_the_most_vital_need_is_served_first_and_the_total_stays_best() -> None:
    """Needs of different worth: a set that can be served stays so when less vital ones are added (matroid; Glover 1967)."""
    rng = np.random.default_rng(14)
    differs = 0
    for _ in range(120):
        lots, needs = random_shelf(rng)
        flow = best_flow(lots, needs, horizon=HORIZON, today=BASE)
        by_rank = tuple(float((needs.qty - flow.short)[needs.rank == rank].sum()) for rank in range(3))
        assert by_rank == pytest.approx(brute_ranks(lots, needs), abs=1e-6)
        plan = net(lots, needs)
        assert flow.short.sum() == pytest.approx(plan.short.sum(), abs=1e-6)
        assert flow.expires_unused(lots, HORIZON).sum() >= plan.expires_unused(HORIZON).sum() - 1e-6
        differs += any(
            (needs.qty - plan.short)[needs.rank == rank].sum() != by_rank[rank] for rank in range(3)
        )
        assert (flow.short == np.rint(flow.short)).all(), "pieces are whole"
    assert differs > 5, "earliest expiry first alone would have done"


ROUTES = pd.DataFrame([(1, 2, 3), (2, 1, 3), (1, 3, 1)], columns=["from_place", "to_place", "travel_days"])


def test_moving_a_lot_saves_a_shortage_and_a_loss() -> None:
    """Place 1 has 8 that expire on day 10 and needs 2; place 2 needs 5 on day 6 and has nothing."""
    lots = lots_of((8, 0, 10, 1))
    needs = needs_of((2, 4, 4, 1), (5, 6, 6, 2))
    saving = saving_of_moves(lots, needs, horizon=HORIZON, today=BASE, routes=ROUTES)
    assert (saving.short_apart, saving.short_moved) == (5, 0)
    assert (saving.lost_apart, saving.lost_moved) == (6, 1)
    (move,) = saving.moves.to_dict("records")
    assert (move["from_place"], move["to_place"], move["qty"]) == (1, 2, 5)
    assert move["leave_by"] == DAY0 + pd.Timedelta(3, unit="D")


def test_a_lot_that_cannot_arrive_in_time_is_not_moved() -> None:
    needs = needs_of((5, 2, 2, 2))
    saving = saving_of_moves(lots_of((8, 0, 10, 1)), needs, horizon=HORIZON, today=BASE, routes=ROUTES)
    assert saving.short_saved == 0
    assert saving.moves.empty
    late = saving_of_moves(
        lots_of((8, 2, 10, 1)), needs_of((5, 4, 4, 2)), horizon=HORIZON, today=BASE, routes=ROUTES
    )
    assert late.short_saved == 0, "it arrives at place 1 on day 2 and needs 3 days more"
    just = saving_of_moves(
        lots_of((8, 1, 10, 1)), needs_of((5, 4, 4, 2)), horizon=HORIZON, today=BASE, routes=ROUTES
    )
    assert just.short_saved == 5


def test_moving_is_the_best_of_all_splits() -> None:
    """Two lots, three places, every way of splitting whole pieces tried."""
    rng = np.random.default_rng(15)
    for _ in range(25):
        a, b, n1, n2, n3 = (int(x) for x in rng.integers(0, 5, 5))
        lots = lots_of((a, 0, 12, 1), (b, 0, 25, 2))
        needs = needs_of((n1, 5, 5, 1), (n2, 8, 8, 2), (n3, 11, 11, 3))
        flow = best_flow(lots, needs, horizon=HORIZON, today=BASE, routes=ROUTES)
        best = 0
        for x1, x2, x3, y1, y2 in itertools.product(range(5), repeat=5):
            if x1 + x2 + x3 <= a and y1 + y2 <= b and x1 + y1 <= n1 and x2 + y2 <= n2 and x3 <= n3:
                best = max(best, x1 + x2 + x3 + y1 + y2)
        assert (needs.qty - flow.short).sum() == best


def test_a_lot_without_expiry_serves_nothing_unless_it_is_known_not_to_expire() -> None:
    frame = pd.DataFrame({"item": 1, "place": 1, "lot": [0], "qty": [5], "last_day": pd.to_datetime([None])})
    needs = needs_of((3, 5, 5))
    plan = net(Lots.read(frame), needs)
    assert plan.short.sum() == 3
    shelf = plan.shelves(HORIZON).iloc[0]
    assert (shelf["on_hand"], shelf["not_usable"], shelf["left"]) == (5, 5, 0)
    known = net(Lots.read(frame.assign(no_expiry=True)), needs)
    assert known.short.sum() == 0
    kept = net(Lots.read(frame.assign(no_expiry=True, usable=False)), needs)
    assert kept.short.sum() == 3


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"qty": [-1.0]}, "lots.quantity"),
        ({"qty": [float("nan")]}, "lots.quantity"),
        ({"first_day": [DAY0], "last_day": [DAY0 - pd.Timedelta(1, unit="D")]}, "lots.expired_on_arrival"),
    ],
)
def test_bad_lots_are_refused_by_row(change: dict[str, Any], key: str) -> None:
    frame = pd.DataFrame(
        {"item": 1, "place": 1, "lot": [0], "qty": [5.0], "first_day": [DAY0], "last_day": [DAY0]}
    ).assign(**change)
    with pytest.raises(NotPlannable) as refused:
        Lots.read(frame)
    assert refused.value.key == key
    assert "row 1" in refused.value.sentence


def test_nothing_at_all_is_an_answer() -> None:
    empty = pd.DataFrame({name: [] for name in ("item", "place", "lot", "qty", "last_day")})
    plan = net(Lots.read(empty), needs_of((4, 5, 5)))
    assert plan.short.sum() == 4
    assert plan.shelves(HORIZON)["short"].sum() == 4
