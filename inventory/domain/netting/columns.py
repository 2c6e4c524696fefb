"""What netting wants: dated lots and dated needs as columns. A selector fills two frames and calls `Lots.read`,
`Needs.read`.

Frame of lots, a row a lot in a place (also what is on order, with the day it is expected):

    item, place     integer keys; what is aboard a unit is a place of its own that nothing is moved from
    lot             integer key, unique in the frame together with place
    qty             in the item's base unit, not negative
    first_day       date from which it is there; empty: now
    last_day        effective expiry: the earliest of label, opened, fitted and retest date; usable through that day
    no_expiry       True: it is known not to expire. An empty `last_day` without it is 'cannot decide' and serves nothing
    usable          optional: False for what is quarantined, recalled or reserved for another

Frame of needs:

    item, place     as above
    need            integer key, unique
    qty             not negative
    day             date on which it is taken
    lasts_to        date through which it must be usable (departure + mission + margin); empty: `day`
    rank            optional: 0 the most vital (grounds a unit), then 1, 2 ...
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import ALWAYS, NEVER, Floats, Ints

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Lots:
    """Lots as arrays of one length. Days count from 1970-01-01; `known` is False where the expiry is missing."""

    item: Ints
    place: Ints
    lot: Ints
    qty: Floats
    first_day: Ints
    last_day: Ints
    known: Bools

    def __len__(self) -> int:
        return len(self.item)

    @classmethod
    def read(cls, frame: pd.DataFrame) -> Lots:
        """Raises NotPlannable naming row and field for a negative or missing quantity, or a life that ends before it
        begins."""
        first = day_numbers(frame["first_day"]) if "first_day" in frame else np.full(len(frame), ALWAYS)
        last = day_numbers(frame["last_day"], missing=NEVER)
        no_expiry = _flags(frame, "no_expiry", default=False)
        known = (last != NEVER) | no_expiry
        qty = quantities(frame, "lots")
        ends_early = (last < first) & (first != ALWAYS) & (qty > 0)
        if ends_early.any():
            row = int(np.flatnonzero(ends_early)[0])
            raise NotPlannable(
                "lots.expired_on_arrival",
                "Lots, row {row}: expires on {last}, before it arrives on {first}. "
                "Correct one of the dates, or take it off the plan.",
                row=row + 1,
                last=as_dates(last[row : row + 1])[0],
                first=as_dates(first[row : row + 1])[0],
            )
        usable = _flags(frame, "usable", default=True)
        return cls(
            _keys(frame, "item"),
            _keys(frame, "place"),
            _keys(frame, "lot"),
            qty,
            first,
            last,
            known & usable,
        )


@dataclass(frozen=True, slots=True)
class Needs:
    """Needs as arrays of one length; days count from 1970-01-01."""

    item: Ints
    place: Ints
    need: Ints
    qty: Floats
    day: Ints
    lasts_to: Ints
    rank: Ints

    def __len__(self) -> int:
        return len(self.item)

    @classmethod
    def read(cls, frame: pd.DataFrame) -> Needs:
        """Raises NotPlannable naming row and field for a negative quantity, a need without day, or one that ends
        before it."""
        day = day_numbers(frame["day"], missing=ALWAYS)
        if (day == ALWAYS).any():
            raise NotPlannable(
                "needs.no_day",
                "Needs, row {row}: the day is missing. Give the day on which it is taken.",
                row=int(np.flatnonzero(day == ALWAYS)[0]) + 1,
            )
        lasts = day_numbers(frame["lasts_to"], missing=ALWAYS) if "lasts_to" in frame else day
        lasts = np.where(lasts == ALWAYS, day, lasts)
        if (lasts < day).any():
            raise NotPlannable(
                "needs.lasts_before_day",
                "Needs, row {row}: must last to a day before it is taken. Give the last day of the mission.",
                row=int(np.flatnonzero(lasts < day)[0]) + 1,
            )
        rank = _keys(frame, "rank") if "rank" in frame else np.zeros(len(frame), dtype=np.int64)
        item, place, need = (_keys(frame, name) for name in ("item", "place", "need"))
        return cls(item, place, need, quantities(frame, "needs"), day, lasts, rank)


def day_numbers(days: pd.Series, *, missing: int = ALWAYS) -> Ints:
    """Dates as days since 1970-01-01, `missing` where there is none."""
    read = pd.to_datetime(days).to_numpy().astype("datetime64[D]")
    numbers: Ints = np.where(np.isnat(read), missing, read.astype(np.int64))
    return numbers


def as_dates(days: Ints) -> NDArray[np.datetime64]:
    """Day numbers as datetime64[D]; NaT for those outside every calendar."""
    outside = (days <= ALWAYS) | (days >= NEVER)
    dates: NDArray[np.datetime64] = np.where(
        outside, np.datetime64("NaT", "D"), np.where(outside, 0, days).astype("datetime64[D]")
    )
    return dates


def quantities(frame: pd.DataFrame, what: str) -> Floats:
    """The column `qty`. Raises NotPlannable for one that is negative, missing or not finite."""
    qty = frame["qty"].to_numpy(dtype=np.float64)
    wrong = ~np.isfinite(qty) | (qty < 0)
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise NotPlannable(
            f"{what}.quantity",
            "{what}, row {row}: the quantity {qty} cannot be. Give a number that is 0 or more.",
            what=what.capitalize(),
            row=row + 1,
            qty=float(qty[row]),
        )
    return qty


def _keys(frame: pd.DataFrame, name: str) -> Ints:
    return frame[name].to_numpy(dtype=np.int64)


def _flags(frame: pd.DataFrame, name: str, *, default: bool) -> Bools:
    if name not in frame:
        return np.full(len(frame), default)
    return frame[name].to_numpy(dtype=np.bool_)
