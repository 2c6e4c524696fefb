"""Stores: a million lots netted, ten thousand futures of 200 items in 4 depots for a year, against a plain event loop."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from inventory.domain.netting.columns import Lots, Needs
from inventory.domain.netting.plan import net
from inventory.domain.policy.lot_size import PriceBreak
from inventory.domain.policy.order_futures import Offer, Settings
from inventory.domain.policy.proposal import propose_all
from inventory.domain.risk.futures import draw, needs_of_shelf, simulate, walk_rows
from tests.benchmarks.plain_loop import paths_of_shelf
from tests.benchmarks.risk_of_size import pool

pytestmark = pytest.mark.bench

ROOT = Path(__file__).parents[2]
RUNS, ITEMS, PLACES, DAYS = 10_000, 200, 4, 365
MOST_FUTURES_S, MOST_FUTURES_MB = 120.0, 2_000.0
MOST_NETTING_S, MOST_NETTING_MB = 20.0, 2_000.0
# Processor seconds; what it is on a quiet machine stands in DEVELOPERS.md.
LEAST_RATIO = 12.0
MOST_GROWTH = 1.4


def lots_and_needs(lots: int, *, per_shelf: int = 10, seed: int = 3) -> tuple[Lots, Needs]:
    """So many lots on shelves of about `per_shelf`, and as many needs; a tenth arrives later, a third must last."""
    rng = np.random.default_rng(seed)
    shelves = max(lots // per_shelf, 1)
    shelf, asks = rng.integers(0, shelves, (2, lots))
    first = np.where(rng.random(lots) < 0.1, rng.integers(0, 300, lots), 0)
    day = rng.integers(0, 365, lots)
    return (
        Lots(
            shelf // 20,
            shelf % 20,
            np.arange(lots),
            rng.integers(1, 40, lots).astype(float),
            first,
            first + rng.integers(1, 900, lots),
            np.ones(lots, dtype=bool),
        ),
        Needs(
            asks // 20,
            asks % 20,
            np.arange(lots),
            rng.integers(1, 40, lots).astype(float),
            day,
            day + np.where(rng.random(lots) < 0.3, 60, 0),
            np.zeros(lots, dtype=np.int64),
        ),
    )


def measured(code: str) -> dict[str, float]:
    """Runs a few lines in a process of their own, so that the peak of memory is theirs; they print one JSON object."""
    script = f"""
import json, resource, time
{code}
told["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps(told))
"""
    told = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    result: dict[str, float] = json.loads(told.stdout.splitlines()[-1])
    return result


def futures_of(items: int, runs: int) -> dict[str, float]:
    return measured(f"""
from inventory.domain.risk.futures import simulate
from tests.benchmarks.risk_of_size import pool
model = pool({items}, {PLACES})
begin, clock = time.process_time(), time.monotonic()
outcome = simulate(model, runs={runs}, horizon_days={DAYS}, seed=1)
told = {{"s": time.process_time() - begin, "wall_s": time.monotonic() - clock}}
told["short"] = float((outcome.first_short < 400).mean())
told["wasted"] = float(outcome.wasted.sum())
""")


def test_ten_thousand_futures_of_a_year() -> None:
    quarter, whole = futures_of(ITEMS // 4, RUNS), futures_of(ITEMS, RUNS)
    growth = np.log(whole["s"] / quarter["s"]) / np.log(4)
    print(f"\nfutures: {RUNS} x {ITEMS} items x {PLACES} depots x {DAYS} days: {whole}")
    print(f"a quarter of the items: {quarter}; growth {growth:.2f}")
    assert whole["short"] > 0.05
    assert whole["wasted"] > 0
    assert whole["s"] < MOST_FUTURES_S
    assert whole["mb"] < MOST_FUTURES_MB
    assert growth < MOST_GROWTH


def test_as_fast_against_a_plain_event_loop() -> None:
    """The loop on 100 futures of 12 shelves; the arrays on 10,000 of the same, per future and shelf."""
    model = pool(3, PLACES)
    few = draw(model, runs=100, horizon_days=DAYS, seed=1)
    needs = [needs_of_shelf(few, row) for row in range(12)]
    begin = time.process_time()
    paths = [paths_of_shelf(few, row, needs[row]) for row in range(12)]
    loop_s = (time.process_time() - begin) / (100 * 12)
    walked = walk_rows(few, list(range(12)), needs)
    np.testing.assert_allclose(walked.short, [path.short for shelf in paths for path in shelf])
    np.testing.assert_allclose(walked.wasted, [path.wasted for shelf in paths for path in shelf])
    np.testing.assert_allclose(walked.left, [path.left for shelf in paths for path in shelf])
    begin = time.process_time()
    simulate(model, runs=RUNS, horizon_days=DAYS, seed=1)
    array_s = (time.process_time() - begin) / (RUNS * 12)
    many = draw(model, runs=RUNS, horizon_days=DAYS, seed=1)
    drawn = [needs_of_shelf(many, row) for row in range(12)]
    begin = time.process_time()
    for row in range(0, 12, 4):
        walk_rows(many, list(range(row, row + 4)), drawn[row : row + 4])
    walk_s = (time.process_time() - begin) / (RUNS * 12)
    print(
        f"\nloop {1e6 * loop_s:.0f} us a future and shelf, arrays {1e6 * walk_s:.1f} us: {loop_s / walk_s:.0f} times; "
        f"with drawing and adding up, which the loop is spared, {1e6 * array_s:.1f} us: {loop_s / array_s:.0f} times"
    )
    assert loop_s / array_s > LEAST_RATIO


def test_a_million_lots() -> None:
    told = {}
    for lots in (250_000, 1_000_000):
        told[lots] = measured(f"""
from tests.benchmarks.test_bench_planning import lots_and_needs
from inventory.domain.netting.plan import net
lots, needs = lots_and_needs({lots})
begin = time.process_time()
plan = net(lots, needs)
told = {{"s": time.process_time() - begin}}
begin = time.process_time()
told["short"] = float(plan.shelves(365)["short"].sum())
told["table_s"] = time.process_time() - begin
""")
    growth = np.log(told[1_000_000]["s"] / told[250_000]["s"]) / np.log(4)
    print(f"\nnetting: {told}; growth {growth:.2f}")
    assert told[1_000_000]["s"] + told[1_000_000]["table_s"] < MOST_NETTING_S
    assert told[1_000_000]["mb"] < MOST_NETTING_MB
    assert growth < MOST_GROWTH


def test_one_long_shelf_does_not_take_its_square() -> None:
    seconds = {}
    for lots in (20_000, 80_000):
        stock, needs = lots_and_needs(lots, per_shelf=lots)
        begin = time.process_time()
        net(stock, needs)
        seconds[lots] = time.process_time() - begin
    print(f"\none shelf: {seconds}")
    assert seconds[80_000] < 8 * seconds[20_000] + 1.0


def test_proposals_of_a_pool() -> None:
    """Forty shelves with two suppliers each, 1,000 futures: what the nightly list of a depot costs."""
    model = pool(10, PLACES)
    offers = [
        Offer(
            supplier, (PriceBreak(1, price), PriceBreak(96, 0.9 * price)), 12, 24, 40.0, lead, 0.3 * lead, 600
        )
        for supplier, price, lead in ((1, 20.0, 60.0), (2, 24.0, 30.0))
    ]
    keys = model.shelves[["item", "place"]].to_numpy(dtype=int).tolist()
    asked = {(item, place): (Settings(target=0.95), offers) for item, place in keys}
    begin = time.process_time()
    ordered = sum(one.order_now for one in propose_all(model, asked, runs=1_000, seed=1))
    each = (time.process_time() - begin) / len(keys)
    print(f"\nproposals: {1000 * each:.0f} ms each, {ordered} of {len(keys)} order now")
    assert ordered > 0
    assert each < 1.0
