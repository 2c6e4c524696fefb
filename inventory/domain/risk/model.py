"""What the futures want, as frames that a selector fills from the records. Days are whole numbers from today, today = 0.

Columns in square brackets may be left out.

`calls`: a `CallModel`: monthly rates of starts (January = 1), how uncertain the rate is, and three frames:

    kinds       kind, probability, [days]; a kind is best one past deployment, taken whole
    use         kind, item, qty, [after_days], [lasts_days], [random]
                what a deployment of the kind takes from stock, `after_days` from its start (0: leaves with the unit),
                of goods that must last `lasts_days` from then; `random`: qty is a mean, pieces fail at random (Poisson)
    places      place, share; which place serves a call

`shelves`: one row an item and place:

    item, place, price (money a base unit)
    reorder_point, order_up_to      at a review: order when the position is at the point or below, up to the level
    pack, moq, order_cost           base units, money
    lead_mean_days, lead_sd_days
    life_on_arrival_days            infinite: does not expire; empty is refused
    [must_last_days]                stock that lasts less counts neither as position nor as ready
    [money]                         most to be spent on it; empty: no limit
    [grounds]                       a call is not served without it (default True)
    [supplier]                      key, for what-if

and, where there are any:

    lots        item, place, qty, last_day, [first_day]
                last_day infinite: known not to expire; empty: not known, and serves nothing
    orders      open orders: item, place, qty, placed_day (0 or below), lead_mean_days, lead_sd_days,
                life_on_arrival_days, [supplier]
    needs       dated needs that come in every future: item, place, qty, day, [lasts_to]
    kits        kit, item, per_unit: what a unit must carry to leave
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from inventory.domain.errors import NotPlannable


@dataclass(frozen=True)
class CallModel:
    """See the head of the module. `rate_shape`: shape of the Gamma spread of the yearly rate; infinite for a rate that
    is certain.

    `extra`: (day, number, place or None) calls that come in every future besides. `running`: (place, days since the
    start, kind or None) of deployments that are away now; where the kind is not known it is drawn among those that
    last longer (`kinds.days`), and what the kind takes on later days is still to come.
    """

    starts_per_month: tuple[float, ...]
    kinds: pd.DataFrame
    use: pd.DataFrame
    places: pd.DataFrame
    first_month: int = 1
    rate_shape: float = np.inf
    extra: tuple[tuple[int, int, int | None], ...] = ()
    running: tuple[tuple[int, int, int | None], ...] = ()


@dataclass(frozen=True)
class Model:
    """All that a run of futures rests on; see the head of the module."""

    calls: CallModel
    shelves: pd.DataFrame
    lots: pd.DataFrame
    orders: pd.DataFrame = field(
        default_factory=lambda: _empty(
            "item", "place", "qty", "placed_day", "lead_mean_days", "lead_sd_days", "life_on_arrival_days"
        )
    )
    needs: pd.DataFrame = field(default_factory=lambda: _empty("item", "place", "qty", "day", "lasts_to"))
    kits: pd.DataFrame = field(default_factory=lambda: _empty("kit", "item", "per_unit"))

    def with_(self, **changes: object) -> Model:
        return replace(self, **changes)  # type: ignore[arg-type]


def _empty(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: np.zeros(0) for name in columns})


def checked(model: Model) -> Model:
    """The model with its optional columns filled in; raises NotPlannable naming frame, row and field of what cannot be."""
    shelves = model.shelves.reset_index(drop=True)
    shelves = shelves.assign(
        pack=_filled(shelves, "pack", 1.0),
        moq=_filled(shelves, "moq", 0.0),
        order_cost=_filled(shelves, "order_cost", 0.0),
        must_last_days=_filled(shelves, "must_last_days", 0.0),
        money=_filled(shelves, "money", np.inf),
        grounds=shelves.get("grounds", True),
        life_on_arrival_days=_filled(shelves, "life_on_arrival_days", np.nan),
        supplier=_filled(shelves, "supplier", -1.0),
    )
    positive = ("pack",)
    not_negative = (
        "price",
        "moq",
        "order_cost",
        "lead_mean_days",
        "lead_sd_days",
        "life_on_arrival_days",
        "money",
    )
    for name in (*positive, *not_negative):
        column = shelves[name].to_numpy(dtype=np.float64)
        _refuse(~(column > 0) if name in positive else ~(column >= 0), "shelves", name)
    _refuse((shelves["order_up_to"] < shelves["reorder_point"]).to_numpy(), "shelves", "order_up_to")
    _refuse(shelves.duplicated(["item", "place"]).to_numpy(), "shelves", "item")
    lots = model.lots.reset_index(drop=True)
    lots = lots.assign(first_day=_filled(lots, "first_day", 0.0), last_day=_filled(lots, "last_day", np.nan))
    orders = model.orders.reset_index(drop=True)
    orders = orders.assign(
        life_on_arrival_days=_filled(orders, "life_on_arrival_days", np.nan),
        supplier=_filled(orders, "supplier", -1.0),
    )
    needs = model.needs.reset_index(drop=True)
    needs = needs.assign(lasts_to=_filled(needs, "lasts_to", np.nan))
    needs = needs.assign(lasts_to=needs["lasts_to"].fillna(needs["day"]))
    for frame, name in ((lots, "lots"), (orders, "orders"), (needs, "needs")):
        _refuse(~(frame["qty"].to_numpy(dtype=np.float64) >= 0), name, "qty")
        known = pd.MultiIndex.from_frame(shelves[["item", "place"]].astype(np.int64))
        rows = pd.MultiIndex.from_frame(frame[["item", "place"]].astype(np.int64))
        _refuse(~rows.isin(known), name, "item")
    _refuse((orders["placed_day"] > 0).to_numpy(), "orders", "placed_day")
    for name in ("lead_mean_days", "lead_sd_days", "life_on_arrival_days"):
        _refuse(~(orders[name].to_numpy(dtype=np.float64) >= 0), "orders", name)
    # a lot whose expiry is not known serves nothing
    lots = lots[lots["last_day"].notna()].reset_index(drop=True)
    _refuse((needs["lasts_to"] < needs["day"]).to_numpy(), "needs", "lasts_to")
    _refuse(~(model.kits["per_unit"].to_numpy(dtype=np.float64) > 0), "kits", "per_unit")
    return Model(_checked_calls(model.calls), shelves, lots, orders, needs, model.kits.reset_index(drop=True))


def _checked_calls(calls: CallModel) -> CallModel:
    if (
        len(calls.starts_per_month) != 12
        or min(calls.starts_per_month) < 0
        or not 1 <= calls.first_month <= 12
    ):
        raise NotPlannable("season.months", "A season needs twelve rates, each 0 or more.")
    if not calls.rate_shape > 0:
        raise NotPlannable(
            "calls.rate_shape", "The shape of the rate must be above 0; infinite for a rate that is certain."
        )
    for frame, column, name in ((calls.kinds, "probability", "kinds"), (calls.places, "share", "places")):
        values = frame[column].to_numpy(dtype=np.float64)
        if not len(values) or (values < 0).any() or abs(values.sum() - 1.0) > 1e-6:
            raise NotPlannable(
                "calls.shares",
                "The column {column} of {name} must be 0 or more and sum to 1.",
                column=column,
                name=name,
            )
    for place, elapsed, kind in calls.running:
        unknown = kind is None and not (
            "days" in calls.kinds and (calls.kinds["probability"] * (calls.kinds["days"] > elapsed)).sum() > 0
        )
        lost = kind is not None and kind not in set(calls.kinds["kind"])
        if elapsed < 0 or unknown or lost or place not in set(calls.places["place"]):
            raise NotPlannable(
                "calls.running",
                "A deployment that is away since {elapsed} days fits no kind of deployment, or its place serves no calls. "
                "Give it a kind of its own with the day of return.",
                elapsed=elapsed,
            )
    use = calls.use.reset_index(drop=True)
    use = use.assign(
        after_days=_filled(use, "after_days", 0.0),
        lasts_days=_filled(use, "lasts_days", 0.0),
        random=use["random"].astype(bool) if "random" in use else False,
    )
    for name in ("qty", "after_days", "lasts_days"):
        _refuse(~(use[name].to_numpy(dtype=np.float64) >= 0), "use", name)
    _refuse(~use["kind"].isin(calls.kinds["kind"]).to_numpy(), "use", "kind")
    return replace(calls, use=use)


def _filled(frame: pd.DataFrame, name: str, value: float) -> pd.Series:
    if name not in frame:
        return pd.Series(np.full(len(frame), value), index=frame.index, dtype=np.float64)
    return frame[name].astype(np.float64).fillna(value)


def _refuse(wrong: np.ndarray, frame: str, name: str) -> None:
    if wrong.any():
        raise NotPlannable(
            "futures.input",
            "{frame}, row {row}: '{name}' is missing or cannot be. Correct it, or leave the row out.",
            frame=frame.capitalize(),
            row=int(np.flatnonzero(wrong)[0]) + 1,
            name=name,
        )
