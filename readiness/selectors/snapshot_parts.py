"""What is aboard, in the positions and in the depots' stores, and how far the fitted parts are used."""

from __future__ import annotations

import datetime as dt

import numpy as np

from inventory.domain.part_life import TRAIN_CODES, Away, DayUse, Fittings, life_left, use_of_fittings
from readiness.domain.checks_parts import LOAD_LINE_H
from readiness.domain.snapshot import Frame
from readiness.selectors.columns import RowOf, day, fetch, flag, id_list, instant, mapped, number, standing
from readiness.selectors.snapshot_papers import per_unit

COUNTS = "struck_at IS NULL AND superseded_by_id IS NULL"
# A lot without a date counts as expired, unless it is known to have none or its item is not dated at all.
_EXPIRES = (
    f"CASE WHEN l.expires_on IS NOT NULL THEN {{day}} WHEN {flag('l.no_expiry')} = 1 OR {flag('i.dated')} = 0"
    " THEN 9e15 ELSE NULL END"
)


def load_parts(
    units: Frame, rows: RowOf, ids: str, until: str, as_of: dt.date, today: int
) -> dict[str, Frame]:
    """The tables of stock and parts of a snapshot by name; stock is as it is now. Six queries."""
    stated = f"'{as_of.isoformat()}'"
    bill = _bill(units, stated)
    slots: dict[str, int] = {}
    fitted = bill.take(np.flatnonzero(bill["fitted"]))
    positions = fitted.with_columns(slot=_slots(fitted["position"], slots))
    kit = per_unit(units, bill.take(np.flatnonzero(~bill["fitted"])))
    return {
        "kit": kit.with_columns(load_h=np.full(len(kit), LOAD_LINE_H)),
        "positions": per_unit(units, positions),
        "aboard": _aboard(rows, ids),
        "stock": _stock(units),
        "fitted": _fitted(rows, ids, slots, until, today),
    }


def _slots(positions: np.ndarray, slots: dict[str, int]) -> np.ndarray:
    """A number for each name of a position, the same for all units."""
    return np.array([slots.setdefault(name, len(slots)) for name in positions.tolist()], dtype=np.int64)


def _bill(units: Frame, stated: str) -> Frame:
    """The bills of the designs concerned: kit lines and positions."""
    return fetch(
        {
            "need": ("b.id", "i"),
            "design": ("b.design_id", "i"),
            "item": ("b.item_id", "i"),
            "fitted": (flag("b.purpose = 'fitted'"), "b"),
            "position": ("b.position", "s"),
            "qty": (number("b.qty"), "f"),
            "per_days": ("b.per_days", "f"),
            "grounds": (flag("i.grounds_unit"), "b"),
            "fit_h": ("i.fit_h", "f"),
        },
        "FROM inventory_designitem b JOIN inventory_item i ON i.id = b.item_id"
        f" WHERE b.design_id IN {id_list(np.unique(units['design']).tolist())}"
        f" AND b.valid_from <= {stated} AND (b.valid_to IS NULL OR b.valid_to >= {stated})",
    )


def _lot_columns() -> dict[str, tuple[str, str]]:
    return {
        "lot": ("l.id", "i"),
        "item": ("l.item_id", "i"),
        "expires": (_EXPIRES.format(day=day("l.expires_on")), "f"),
        "usable": (flag("l.status = 'good'"), "b"),
    }


def _held(frame: Frame) -> Frame:
    """Expiry as the harmful end: never where there is none, long ago where it is not known."""
    expires = np.where(np.isnan(frame["expires"]), -1.0, frame["expires"])
    return frame.with_columns(expires=np.where(expires > 9e14, np.inf, expires))


def _aboard(rows: RowOf, ids: str) -> Frame:
    frame = fetch(
        {"unit_id": ("b.unit_id", "i"), "qty": (number("b.qty"), "f"), **_lot_columns()},
        "FROM inventory_balance b JOIN inventory_lot l ON l.id = b.lot_id JOIN inventory_item i ON i.id = l.item_id"
        f" WHERE b.unit_id IN {ids}",  # an emptied line is kept: it shows that the kit was counted
    )
    return mapped(_held(frame), "unit_id", rows, into="unit")


def _stock(units: Frame) -> Frame:
    homes = id_list(np.unique(units["home"]).tolist())
    frame = fetch(
        {"home": ("b.place_id", "i"), "qty": (number("b.qty"), "f"), **_lot_columns()},
        "FROM inventory_balance b JOIN inventory_lot l ON l.id = b.lot_id JOIN inventory_item i ON i.id = l.item_id"
        f" WHERE b.place_id IN {homes} AND b.qty > 0",
    )
    return _held(frame)


def _fitted(rows: RowOf, ids: str, slots: dict[str, int], until: str, today: int) -> Frame:
    """Parts in their positions with what is left of their life, by the one rule for parts."""
    frame = fetch(
        {
            "part": ("f.id", "i"),
            "unit_id": ("f.unit_id", "i"),
            "position": ("f.position", "s"),
            "train": ("f.train", "s"),
            "fitted_at": (instant("f.fitted_at"), "f"),
            "first_at": (instant("f.first_fitted_at"), "f"),
            "carried_h": ("f.carried_h", "f"),
            "carried_m3": ("f.carried_m3", "f"),
            "carried_starts": ("f.carried_starts", "i"),
            "use_known": (flag("f.use_known"), "b"),
            "limit_h": ("i.service_life_h", "f"),
            "limit_m3": ("i.service_life_m3", "f"),
            "limit_months": ("i.service_life_months", "f"),
            "hours_per_start": ("COALESCE(i.hours_per_start_h, 0)", "f"),
            **_lot_columns(),
        },
        "FROM inventory_fittedpart f JOIN inventory_lot l ON l.id = f.lot_id JOIN inventory_item i ON i.id = l.item_id"
        f" WHERE f.unit_id IN {ids} AND {flag('f.void')} = 0 AND {standing(until, 'f.fitted_at', 'f.removed_at')}",
    )
    frame = mapped(frame, "unit_id", rows, into="unit")
    now = np.full(len(frame), _seconds(np.array([today + 1.0]))[0])
    train = np.array([TRAIN_CODES.get(word, 0) for word in frame["train"].tolist()], dtype=np.int64)
    fittings = Fittings(
        unit=frame["unit_id"],
        train=train,
        fitted_at=_seconds(frame["fitted_at"]),
        until=now,
        carried_h=frame["carried_h"],
        carried_m3=frame["carried_m3"],
        carried_starts=frame["carried_starts"],
        use_known=frame["use_known"],
        hours_per_start_h=frame["hours_per_start"],
    )
    use = use_of_fittings(fittings, _day_use(ids), _away(ids, today))
    life = life_left(
        use,
        limit_h=frame["limit_h"],
        limit_m3=frame["limit_m3"],
        limit_months=frame["limit_months"],
        first_fitted_on=_days(frame["first_at"]),
        as_of=np.datetime64(today, "D"),
    )
    last_day = np.where(np.isnat(life.last_day), np.nan, life.last_day.astype(np.int64).astype(np.float64))
    return frame.with_columns(
        slot=_slots(frame["position"], slots),
        train=train,
        outcome=life.outcome.astype(np.int64),
        left_h=life.left_h,
        left_m3=life.left_m3,
        last_day=last_day,
    )


def _seconds(days: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(days), 0, np.round(days * 86400.0)).astype(np.int64).astype("datetime64[s]")


def _days(days: np.ndarray) -> np.ndarray:
    whole = np.where(np.isnan(days), 0, np.floor(days)).astype(np.int64).astype("datetime64[D]")
    result: np.ndarray = np.where(np.isnan(days), np.datetime64("NaT", "D"), whole)
    return result


def _day_use(ids: str) -> DayUse:
    frame = fetch(
        {
            "unit": ("p.unit_id", "i"),
            "deployment": ("g.deployment_id", "i"),
            "day": (day("g.day"), "f"),
            "end_at": (instant("g.happened_at"), "f"),
            "hours_a_h": ("g.hours_a_h", "f"),
            "hours_b_h": ("g.hours_b_h", "f"),
            "volume_a_m3": ("g.volume_a_m3", "f"),
            "volume_b_m3": ("g.volume_b_m3", "f"),
            "starts_a": ("g.starts_a", "f"),
            "starts_b": ("g.starts_b", "f"),
        },
        "FROM fleet_daylog g JOIN fleet_deployment p ON p.id = g.deployment_id"
        f" WHERE p.unit_id IN {ids} AND g.struck_at IS NULL AND g.superseded_by_id IS NULL",
    )
    columns = {name: frame[name] for name in frame.names}
    columns["day"], columns["end_at"] = _days(frame["day"]), _seconds(frame["end_at"])
    return DayUse(**columns)


def _away(ids: str, today: int) -> Away:
    frame = fetch(
        {
            "unit": ("unit_id", "i"),
            "deployment": ("id", "i"),
            "first_day": (day("started_on"), "f"),
            "last_day": (day("ended_on"), "f"),
        },
        f"FROM fleet_deployment WHERE unit_id IN {ids}",
    )
    frame = frame.take(np.flatnonzero(frame["first_day"] <= today))
    last = np.where(np.isnan(frame["last_day"]), float(today), np.minimum(frame["last_day"], today))
    return Away(
        unit=frame["unit"],
        deployment=frame["deployment"],
        first_day=_days(frame["first_day"]),
        last_day=_days(last),
    )
