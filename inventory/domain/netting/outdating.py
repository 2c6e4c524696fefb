"""What is expected to expire, and how likely all needs are met, for lots on hand against random whole demand.

Exact, by a short dynamic programme over the expiry dates (the reference facts on replenishment 4.3 and 4.4, own closed
forms; the quantity is that of Nahmias 1975 and his review 1982, Operations Research 30(4):680-708). Demand that is not
met is not carried over.
Lots on order that arrive later: use the futures of `inventory.domain.risk`.

Inputs: `qty` whole, `last_day` days from now (usable through that day), and `demand(days)`, which gives the
probabilities of 0, 1, 2 ...
pieces in so many days: `inventory.domain.demand.compound.poisson_demand` or `compound_demand`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats, Ints

Demand = Callable[[float], Floats]


@dataclass(frozen=True, slots=True)
class Outdating:
    """Pieces each lot is expected to lose, in the order of expiry; the same for every reading of `total`."""

    by_lot: tuple[float, ...]

    @property
    def total(self) -> float:
        return float(sum(self.by_lot))


def expected_outdating(qty: ArrayLike, last_day: ArrayLike, demand: Demand) -> Outdating:
    """Expected loss of each lot. With S the stock up to a lot and D the demand up to its last day, all lost by then is the
    largest of S - D over the lots so far (at least 0); a lot loses what that grows by."""
    pieces, days = _in_order(qty, last_day)
    cumulative = np.cumsum(pieces)
    most = int(cumulative[-1]) if len(cumulative) else 0
    gone = np.zeros(most + 1)
    gone[0] = 1.0
    losses = []
    before = 0.0
    for stock, day in zip(cumulative.tolist(), days.tolist(), strict=True):
        gone = _add(gone, demand(max(day - before, 0.0)))
        before = max(day, before)
        reach = stock - np.arange(stock + 1)
        losses.append(float(gone[: stock + 1] @ reach))
        gone[stock] += gone[:stock].sum()
        gone[:stock] = 0.0
    return Outdating(tuple(losses))


def no_shortage_probability(
    qty: ArrayLike, last_day: ArrayLike, demand: Demand, *, until_day: float
) -> float:
    """P(every need through `until_day` is met): the need in (a, until] is at most what expires after a, for a = 0 and every
    expiry before `until_day` (suffix form of Hall's condition)."""
    pieces, days = _in_order(qty, last_day)
    marks = np.unique(np.concatenate([[0.0], days[(days < until_day) & (days > 0)]]))[::-1]
    top = int(pieces.sum())
    need = np.zeros(top + 1)
    need[0] = 1.0
    end = until_day
    for mark in marks:
        need = _add(need, demand(end - mark), keep_excess=False)
        usable = int(pieces[days > mark].sum())
        need[usable + 1 :] = 0.0
        end = float(mark)
    return float(need.sum())


def _in_order(qty: ArrayLike, last_day: ArrayLike) -> tuple[Ints, Floats]:
    given = np.asarray(qty, dtype=np.float64)
    days = np.asarray(last_day, dtype=np.float64)
    pieces = np.rint(given).astype(np.int64)
    if (pieces != given).any() or (pieces < 0).any():
        raise NotPlannable(
            "outdating.whole_pieces",
            "The exact calculation counts whole pieces, 0 or more. Count the lots in their packs.",
        )
    order = np.argsort(days, kind="stable")
    return pieces[order], days[order]


def _add(have: Floats, step: Floats, *, keep_excess: bool = True) -> Floats:
    """Distribution of the sum, kept on the grid of `have`; what lies above is put into the last entry, or dropped."""
    total = np.convolve(have, step)
    size = len(have)
    kept = total[:size].copy()
    if keep_excess:
        kept[-1] += max(float(have.sum()) - float(kept.sum()), 0.0)
    return kept


def expected_waste_bounds(
    qty: Sequence[float], last_day: Sequence[float], demand: Demand
) -> tuple[float, float]:
    """Quick bounds of the total loss: the largest single E[(S - D)+], and the sum of all of them (pieces)."""
    pieces, days = _in_order(qty, last_day)
    terms = []
    for stock, day in zip(np.cumsum(pieces).tolist(), days.tolist(), strict=True):
        probability = demand(max(day, 0.0))[: stock + 1]
        terms.append(float(probability @ (stock - np.arange(len(probability)))))
    return (max(terms), sum(terms)) if terms else (0.0, 0.0)
