"""An invented pool for the futures: so many items in so many depots, with lots, open orders, dated needs and kits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from inventory.domain.risk.model import CallModel, Model


def pool(items: int, places: int, *, seed: int = 7) -> Model:
    """Every fourth item lives so short that it expires within the year; two thirds are used by calls, all by dated needs."""
    rng = np.random.default_rng(seed)
    grid = pd.MultiIndex.from_product([range(items), range(places)], names=["item", "place"]).to_frame(
        index=False
    )
    count = len(grid)
    short_lived = grid["item"] % 4 == 0
    grid["price"] = np.round(rng.lognormal(3.0, 1.0, count), 2)
    grid["reorder_point"] = rng.integers(10, 40, count)
    grid["order_up_to"] = grid["reorder_point"] + rng.integers(20, 80, count)
    grid["pack"] = rng.choice([1, 6, 12], count)
    grid["moq"] = rng.choice([0, 24], count)
    grid["order_cost"] = 40.0
    grid["lead_mean_days"] = rng.uniform(20, 90, count)
    grid["lead_sd_days"] = 0.3 * grid["lead_mean_days"]
    grid["life_on_arrival_days"] = np.where(short_lived, 150.0, rng.uniform(500, 1500, count))
    grid["must_last_days"] = 20.0
    grid["supplier"] = grid["item"] % 7
    grid["grounds"] = grid["item"] % 3 != 2
    lots = grid[["item", "place"]].loc[grid.index.repeat(3)].reset_index(drop=True)
    lots["qty"] = rng.integers(0, 20, len(lots)).astype(float)
    lots["last_day"] = np.where(
        lots["item"] % 4 == 0, rng.integers(5, 200, len(lots)), rng.integers(60, 1200, len(lots))
    )
    orders = grid.sample(frac=0.3, random_state=seed)[
        ["item", "place", "lead_mean_days", "lead_sd_days", "supplier"]
    ]
    orders["qty"] = 24.0
    orders["placed_day"] = -rng.integers(0, 60, len(orders))
    orders["life_on_arrival_days"] = np.where(orders["item"] % 4 == 0, 150.0, 900.0)
    needs = grid[["item", "place"]].loc[grid.index.repeat(3)].reset_index(drop=True)
    needs["qty"] = rng.integers(1, 6, len(needs)).astype(float)
    needs["day"] = rng.integers(0, 365, len(needs))
    kinds = pd.DataFrame({"kind": range(8), "probability": [0.21, 0.09, 0.28, 0.12, 0.14, 0.06, 0.07, 0.03]})
    days = np.array([7, 7, 14, 14, 30, 30, 60, 60])
    used = [item for item in range(items) if item % 3 != 1]
    use = pd.MultiIndex.from_product([used, range(8)], names=["item", "kind"]).to_frame(index=False)
    use["qty"] = np.ceil(rng.uniform(0.0, 0.4, len(use)) * days[use["kind"]])
    use["lasts_days"] = days[use["kind"]] + 10
    calls = CallModel(
        starts_per_month=(0.9, 0.9, 0.9, 1.2, 1.5, 2.4, 2.5, 2.6, 2.6, 2.0, 1.6, 0.9),
        kinds=kinds,
        use=use,
        places=pd.DataFrame({"place": range(places), "share": np.full(places, 1.0 / places)}),
        rate_shape=36.5,
    )
    kits = pd.DataFrame({"kit": np.repeat(range(5), 6), "item": np.arange(30) % items, "per_unit": 4.0})
    return Model(calls, grid, lots, orders, needs, kits.drop_duplicates(["kit", "item"]))
