"""Earliest expiry first, for many shelves at once: the one rule by which netting and the futures take from lots.

A lot serves a need when it is there on the day and lasts through the day to which the need must last. Of the lots that do,
the one that expires first is taken first. Why that is right: the reference facts on replenishment 4.1 (exchange argument;
Glover 1967, Naval Research Logistics Quarterly 14(3), convex bipartite matching).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
AnyInts = NDArray[Any]

# Days are whole numbers; these two lie outside every calendar.
ALWAYS = -(2**30)
NEVER = 2**30


def take(
    qty: Floats,
    first_day: AnyInts,
    last_day: AnyInts,
    day: AnyInts,
    lasts_to: AnyInts,
    need: Floats,
    *,
    shelves: AnyInts | None = None,
    taken: Floats | None = None,
) -> Floats:
    """Takes `need` (n,) from shelves of up to K lots (K, N), lots in order of expiry; changes `qty` in place.

    `first_day`, `last_day` (K, N): there from, usable through. `day`, `lasts_to` (n,): when it is needed, through which day
    it must be usable. `shelves` (n,) numbers, each once, of those that are asked; None: all N in order. Returns what
    is short (n,), in the unit of `qty`, and writes what was taken from each lot into `taken` (K, n) where it is given.
    """
    rest = need.astype(np.float64, copy=True)
    for k in range(len(qty)):
        if shelves is None:
            held, begins, ends = qty[k], first_day[k], last_day[k]
        else:
            held, begins, ends = (a[k].take(shelves) for a in (qty, first_day, last_day))
        got = np.minimum(held, rest)
        got *= (begins <= day) & (ends >= lasts_to)
        rest -= got
        held -= got
        if shelves is not None:
            qty[k][shelves] = held
        if taken is not None:
            taken[k] = got
    return rest
