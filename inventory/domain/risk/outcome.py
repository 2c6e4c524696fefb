"""What became of the futures: chances with their interval, waste, money, units that can be fielded; and two plans side
by side.

Chances carry the Wilson interval of the number of futures (95 %): no hit in n futures is 'below 3.8 / n', never
'none'. The doubt of the inputs is larger than that where the history is short; the rate of calls carries its own
(`CallModel.rate_shape`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats, Ints
from inventory.domain.netting.columns import Bools
from inventory.domain.risk.calls import Calls
from inventory.domain.risk.kits import wilson_interval
from inventory.domain.risk.model import Model
from inventory.domain.risk.walk import Walked

if TYPE_CHECKING:
    from inventory.domain.risk.futures import ShelfNeeds

VERSION = 1
NEVER_SHORT = np.iinfo(np.int16).max


@dataclass(frozen=True, slots=True)
class Chance:
    """A share of futures with its 95 % interval; arrays of one shape."""

    share: Floats
    low: Floats
    high: Floats
    runs: int

    @classmethod
    def of(cls, hits: ArrayLike, runs: int) -> Chance:
        counts = np.asarray(hits, dtype=np.float64)
        return cls(counts / runs, *wilson_interval(counts, runs), runs)


@dataclass(slots=True)
class Outcome:
    """Results of one run; `seed`, `VERSION` and the model are stored with it, and give it again.

    `first_short` (shelves, runs): day on which it first goes short, NEVER_SHORT where it does not. Means a shelf over
    the futures: `needed`, `short`, `wasted`, `ordered`, `left` in base units. `spent` (reviews, runs), `wasted_value`
    (runs,) in money. `call_short` (calls,): whether a call lacked something that grounds. `fieldable` {(kit, place):
    (reviews, runs)}: full kits there on each review day.
    """

    model: Model
    calls: Calls
    runs: int
    horizon_days: int
    reviews: Ints
    seed: int
    first_short: NDArray[np.int16]
    needed: Floats
    short: Floats
    wasted: Floats
    ordered: Floats
    left: Floats
    spent: Floats
    wasted_value: Floats
    call_short: Bools
    fieldable: dict[tuple[int, int], NDArray[np.int16]] = field(default_factory=dict)

    @classmethod
    def empty(
        cls, model: Model, calls: Calls, runs: int, horizon_days: int, reviews: Ints, seed: int
    ) -> Outcome:
        def zeros() -> Floats:
            return np.zeros(len(model.shelves))

        return cls(
            model,
            calls,
            runs,
            horizon_days,
            reviews,
            seed,
            first_short=np.full((len(model.shelves), runs), NEVER_SHORT, dtype=np.int16),
            needed=zeros(),
            short=zeros(),
            wasted=zeros(),
            ordered=zeros(),
            left=zeros(),
            spent=np.zeros((len(reviews), runs)),
            wasted_value=np.zeros(runs),
            call_short=np.zeros(len(calls), dtype=bool),
        )

    def add(self, rows: Sequence[int], walked: Walked, needs: Sequence[ShelfNeeds]) -> None:
        """Adds up the cells of some shelves, in order of `rows`, then of futures."""
        shape = (len(rows), self.runs)
        where = list(rows)
        self.first_short[where] = np.minimum(walked.first_short, NEVER_SHORT).reshape(shape)
        for name in ("short", "wasted", "ordered", "left"):
            getattr(self, name)[where] = getattr(walked, name).reshape(shape).mean(axis=1)
        self.needed[where] = [float(need.qty.sum()) / self.runs for need in needs]
        shelves = self.model.shelves.iloc[where]
        self.spent += walked.spent.reshape(len(self.reviews), *shape).sum(axis=1)
        self.wasted_value += shelves["price"].to_numpy(dtype=np.float64) @ walked.wasted.reshape(shape)
        begin = 0
        for need, grounds in zip(needs, shelves["grounds"], strict=True):
            rest = walked.rest[begin : begin + len(need.day)]
            begin += len(need.day)
            if grounds:
                self.call_short[need.call[(rest > 0) & (need.call >= 0)]] = True
        usable = walked.usable.reshape(len(self.reviews), *shape)
        for number, (item, place) in enumerate(zip(shelves["item"], shelves["place"], strict=True)):
            kits = self.model.kits[self.model.kits["item"] == item]
            for kit, per_unit in zip(kits["kit"], kits["per_unit"], strict=True):
                units = np.minimum(np.floor(usable[:, number] / per_unit + 1e-6), NEVER_SHORT).astype(
                    np.int16
                )
                key = (int(kit), int(place))
                known = self.fieldable.get(key)
                self.fieldable[key] = units if known is None else np.minimum(known, units)

    def item_short_by(self, days: ArrayLike) -> Chance:
        """P(a shelf was short on or before a day), (shelves, days)."""
        marks = np.atleast_1d(np.asarray(days))
        hits = np.stack([(self.first_short <= day).sum(axis=1) for day in marks], axis=1)
        return Chance.of(hits, self.runs)

    def kit_missing(self, kit: int, place: int, units: int = 1) -> Chance:
        """P(fewer than `units` full kits are there) on each review day, (reviews,)."""
        return Chance.of((self._fieldable(kit, place) < units).sum(axis=1), self.runs)

    def kit_ever_missing(self, kit: int, place: int, units: int = 1) -> Chance:
        """P(fewer than `units` full kits on some review day up to each), (reviews,)."""
        missing = np.logical_or.accumulate(self._fieldable(kit, place) < units, axis=0)
        return Chance.of(missing.sum(axis=1), self.runs)

    def _fieldable(self, kit: int, place: int) -> NDArray[np.int16]:
        """Full kits (reviews, runs); an item of the kit that the place holds no shelf of means none at all."""
        kits, shelves = self.model.kits, self.model.shelves
        items = set(kits.loc[kits["kit"] == kit, "item"].astype(int))
        if not items:
            raise NotPlannable("kits.unknown", "There is no kit {kit} in the model.", kit=kit)
        if items - set(shelves.loc[shelves["place"] == place, "item"].astype(int)):
            return np.zeros((len(self.reviews), self.runs), dtype=np.int16)
        return self.fieldable[kit, place]

    def calls_not_served(self) -> Chance:
        """P(a future has a call that lacks something that grounds)."""
        return Chance.of(len(np.unique(self.calls.run[self.call_short])), self.runs)

    def money(self) -> pd.DataFrame:
        """Spent by review period: day, mean, low, high (10th and 90th of the futures)."""
        low, high = np.quantile(self.spent, [0.1, 0.9], axis=1)
        return pd.DataFrame({"day": self.reviews, "mean": self.spent.mean(axis=1), "low": low, "high": high})

    def table(self) -> pd.DataFrame:
        """One row a shelf: item, place, chance of being short within the horizon with its interval, and the means."""
        chance = self.item_short_by(self.horizon_days)
        return pd.DataFrame(
            {
                "item": self.model.shelves["item"],
                "place": self.model.shelves["place"],
                "p_short": chance.share[:, 0],
                "p_low": chance.low[:, 0],
                "p_high": chance.high[:, 0],
                "needed": self.needed,
                "short": self.short,
                "wasted": self.wasted,
                "ordered": self.ordered,
                "left": self.left,
            }
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """Change from one plan to another on the same futures, with its 95 % interval."""

    change: float
    low: float
    high: float


def difference(before: Floats, after: Floats) -> Difference:
    """Mean of after - before, one value a future each; paired, so that far fewer futures are needed."""
    change = np.asarray(after, dtype=np.float64) - np.asarray(before, dtype=np.float64)
    half = 1.959963984540054 * float(change.std(ddof=1)) / np.sqrt(len(change)) if len(change) > 1 else np.inf
    mean = float(change.mean())
    return Difference(mean, mean - half, mean + half)


def side_by_side(before: Outcome, after: Outcome) -> dict[str, Difference]:
    """Today's plan and another: futures with a call not served, items short, money spent, value thrown away (a future
    each)."""
    if (before.runs, before.seed, before.horizon_days) != (after.runs, after.seed, after.horizon_days):
        raise NotPlannable(
            "futures.other_seed",
            "Two plans are compared on the same futures: run both with one seed and number.",
        )

    def not_served(outcome: Outcome) -> Floats:
        flags = np.zeros(outcome.runs)
        flags[outcome.calls.run[outcome.call_short]] = 1.0
        return flags

    def items_short(outcome: Outcome) -> Floats:
        return np.asarray((outcome.first_short < NEVER_SHORT).sum(axis=0), dtype=np.float64)

    return {
        "call_not_served": difference(not_served(before), not_served(after)),
        "items_short": difference(items_short(before), items_short(after)),
        "spent": difference(before.spent.sum(axis=0), after.spent.sum(axis=0)),
        "wasted_value": difference(before.wasted_value, after.wasted_value),
    }
