"""What if: changes of a model that are then run on the same futures (`inventory.domain.risk.outcome.side_by_side`)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from inventory.domain.errors import NotPlannable
from inventory.domain.risk.model import Model


def more_calls(model: Model, *, day: int, number: int, place: int | None = None) -> Model:
    """`number` calls more on one day, of the usual kinds; at one place, or where calls usually go."""
    if number < 1 or day < 0:
        raise NotPlannable("what_if.calls", "State at least one call, from today on.")
    if place is not None and place not in set(model.calls.places["place"]):
        raise NotPlannable("what_if.place", "No call is served from that place. Choose another.")
    return model.with_(calls=replace(model.calls, extra=(*model.calls.extra, (day, number, place))))


def supplier_late(model: Model, *, days: float, supplier: int | None = None) -> Model:
    """Everything of a supplier (None: of all) takes so many days longer, what is on order too."""
    if days < 0:
        raise NotPlannable("what_if.late", "State how many days later, 0 or more.")

    def later(frame: pd.DataFrame) -> pd.DataFrame:
        if not len(frame):
            return frame
        mine = (
            np.ones(len(frame), dtype=bool)
            if supplier is None
            else (frame["supplier"] == supplier).to_numpy()
        )
        return frame.assign(lead_mean_days=frame["lead_mean_days"] + np.where(mine, days, 0.0))

    return model.with_(shelves=later(model.shelves), orders=later(model.orders))


def depot_lost(model: Model, *, place: int, others: dict[int, float]) -> Model:
    """A place and all in it is lost: its stock, orders and dated needs fall away, its calls go to `others` {place: share}.

    What is bought for it is bought no more. Shares must sum to 1 and name other places.
    """
    if place in others or abs(sum(others.values()) - 1.0) > 1e-6 or min(others.values()) < 0:
        raise NotPlannable("what_if.others", "Say which other places take over, with shares that sum to 1.")
    places = model.calls.places
    if not set(others) <= set(places["place"]):
        raise NotPlannable("what_if.place", "No call is served from that place. Choose another.")
    lost = float(places.loc[places["place"] == place, "share"].sum())
    share = places["share"] + places["place"].map(others).fillna(0.0) * lost
    shelves = model.shelves
    gone = (shelves["place"] == place).to_numpy()
    shelves = shelves.assign(
        reorder_point=np.where(gone, -1.0, shelves["reorder_point"]),
        order_up_to=np.where(gone, 0.0, shelves["order_up_to"]),
    )
    return model.with_(
        calls=replace(
            model.calls, places=places.assign(share=np.where(places["place"] == place, 0.0, share))
        ),
        shelves=shelves,
        lots=model.lots[model.lots["place"] != place],
        orders=model.orders[model.orders["place"] != place],
        needs=model.needs[model.needs["place"] != place],
    )


def money_cut(model: Model, *, share_left: float, budget: float | None = None) -> Model:
    """Only a share of the money is left. `budget` in all is parted by what each shelf would spend up to its level;
    else each limit is cut."""
    if not 0 <= share_left <= 1 or (budget is not None and budget < 0):
        raise NotPlannable("what_if.money", "The share of the money that is left lies between 0 and 1.")
    shelves = model.shelves
    if budget is None:
        if "money" not in shelves or not np.isfinite(shelves["money"]).any():
            raise NotPlannable("what_if.no_budget", "No item has a limit of money. State the budget in all.")
        return model.with_(shelves=shelves.assign(money=shelves["money"] * share_left))
    weight = (shelves["order_up_to"] * shelves["price"]).to_numpy(dtype=np.float64)
    parts = weight / weight.sum() if weight.sum() > 0 else np.full(len(shelves), 1.0 / max(len(shelves), 1))
    return model.with_(shelves=shelves.assign(money=parts * budget * share_left))
