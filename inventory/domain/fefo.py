"""Earliest expiry first, for many shelves at once: the one rule by which netting and the futures take from lots.

A lot serves a need when it is there on the day and lasts through the day to which the need must last. Of the lots that do,
the one that expires first is taken first. Why that is right: `reference/replenishment.md` 4.1 (exchange argument;
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
    qty: Floats, first_day: AnyInts, last_day: AnyInts, day: AnyInts, lasts_to: AnyInts, need: Floats
) -> tuple[Floats, Floats]:
    """Takes `need` (n,) from shelves of up to K lots (K, n), lots in order of expiry; changes `qty` in place.

    `first_day`, `last_day` (K, n): there from, usable through. `day`, `lasts_to` (n,): when it is needed, through which day
    it must be usable. Returns what was taken from each lot (K, n) and what is short (n,), in the unit of `qty`.
    """
    taken = np.zeros_like(qty)
    rest = need.astype(np.float64, copy=True)
    for k in range(len(qty)):
        got = np.minimum(qty[k], rest)
        got *= (first_day[k] <= day) & (last_day[k] >= lasts_to)
        qty[k] -= got
        rest -= got
        taken[k] = got
    return taken, rest
