"""The published range of life of each kind of part, as the prior of what the fleet's own records teach."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from fleet.lib.tables import read_table
from inventory.domain.errors import NotPlannable


@dataclass(frozen=True, slots=True)
class LifeRange:
    """Low, typical and high life in `unit`, what the figure rests on, and where it is from.

    The range is read as the middle 80 % of a lognormal spread: `log_sd` is half its width over 1.2816.
    """

    item: str
    basis: str
    low: float
    typical: float
    high: float
    unit: str
    replace_trigger: str
    source: str
    confidence: str

    @property
    def log_sd(self) -> float:
        return math.log(self.high / self.low) / (2 * 1.2815515655446004) if self.low < self.high else 0.0

    @property
    def relative_sd(self) -> float:
        """Coefficient of variation of that spread."""
        return math.sqrt(math.expm1(self.log_sd**2))


@cache
def life_ranges() -> dict[str, LifeRange]:
    """All rows of `consumable_life.csv` by the name of the item."""
    ranges = {}
    for row in read_table("inventory.domain.tables", "consumable_life.csv"):
        ranges[row["item"]] = LifeRange(
            row["item"],
            row["life_basis"],
            row.number("low"),
            row.number("typical"),
            row.number("high"),
            row["unit"],
            row["replace_trigger"],
            row["source"],
            row["confidence"],
        )
    return ranges


def life_range(item: str) -> LifeRange:
    """The row of an item; raises NotPlannable that names what is known."""
    known = life_ranges()
    if item not in known:
        raise NotPlannable(
            "life.unknown_kind",
            "There is no published life for '{item}'. Known are: {known}.",
            item=item,
            known="; ".join(sorted(known)),
        )
    return known[item]
