"""How many units a call needs: enough for the demand, and so many spare that it holds when some fail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from readiness.domain.site.demand import units_needed
from readiness.domain.site.inputs import Answer, cannot_decide, missing_of, share
from readiness.domain.site.redundancy import k_of_n, spares_for


@dataclass(frozen=True, slots=True)
class UnitsNeeded:
    """`need` units make the demand, `spare` more stand by; `chance` that at least `need` of all run on a day.

    All None where something is `missing`, or where no number is enough (`reason`).
    """

    need: int | None
    spare: int | None
    chance: float | None
    missing: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    reason: str = ""

    @property
    def sentence(self) -> str:
        if self.missing:
            return cannot_decide(self.missing)
        if self.need is None or self.spare is None or self.chance is None:
            return self.reason
        return (
            f"{self.need} and {self.spare} spare; {_down_pct(self.chance)} % that at least {self.need} run."
        )


def units_for_call(
    demand: Answer,
    unit_m3_day: float | None,
    runs: float | None,
    *,
    least_spare: int = 1,
    wanted: float = 0.95,
) -> UnitsNeeded:
    """Units of one output [m3/day], each running with chance `runs` on a day, so that the demand holds with chance `wanted`.

    `least_spare` 1: the demand holds with any one out. A unit that makes nothing here is an answer: no number is enough.
    """
    share("wanted chance", wanted)
    missing = (
        *demand.missing,
        *missing_of({"output of a unit": unit_m3_day, "chance that a unit runs": runs}),
    )
    if missing or demand.value is None or unit_m3_day is None or runs is None:
        return UnitsNeeded(None, None, None, missing, demand.assumed)
    if unit_m3_day <= 0.0:
        return UnitsNeeded(
            None, None, None, (), demand.assumed, "A unit makes no water here: no number is enough."
        )
    need = int(units_needed(demand.value, unit_m3_day))
    spare = spares_for(need, runs, wanted)
    if spare is None:
        return UnitsNeeded(None, None, None, (), demand.assumed, "Units run too seldom: no number is enough.")
    spare = max(spare, least_spare)
    return UnitsNeeded(need, spare, k_of_n(need + spare, need, runs), (), demand.assumed)


def _down_pct(chance: float) -> float:
    """Never rounded up: 0.9999 is 99.9 %."""
    return float(np.floor(chance * 1000.0 + 1e-9) / 10.0)
