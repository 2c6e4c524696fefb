"""What a charge asks of the supply: current at the start, the breaker it needs, and whether a circuit carries all its bays.

A load whose maximum current is expected for three hours or more is continuous: breaker and conductor for 125 % of it, so a
standard breaker is loaded to 80 %. Chargers count as continuous unless it is known that they run for less.

References: NEC 2017-2023 art. 100, 210.19, 210.20 (seen in code forums); standard ratings NEC 240.6(A), those over 100 A
from memory. Elsewhere IEC 60364 and the local code decide. Bays that can run together count fully (diversity 1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from fleet.lib.tables import read_table
from readiness.domain.charge_checks import ChargeCheck, at_most, known
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import TABLES
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import FloatArray, as_array, as_given, require_not_negative, require_positive

CONTINUOUS_H = 3.0
CONTINUOUS_FACTOR = 1.25
SOURCE = (
    "Continuous load: NEC art. 100, 210.19 and 210.20 (seen in code forums); standard breakers NEC 240.6(A); elsewhere "
    "IEC 60364 and the local electrical code decide"
)


@cache
def breaker_ratings_a() -> FloatArray:
    """Standard breaker ratings [A], rising."""
    return as_array([float(row["rating_a"]) for row in read_table(TABLES, "breaker_ratings")])


def supply_current(ac_watts: Any, volts: Any, *, pf: Any = 1.0, phases: int = 1) -> Any:
    """Current [A] per conductor of a load of `ac_watts` [W] on `volts` [V]; three phases: `volts` between two of them."""
    watts = require_not_negative(ac_watts, "power_negative", "ac_watts")
    potential = require_positive(volts, "voltage_not_positive", "volts")
    factor = as_array(pf)
    if not bool(np.all((factor > 0.0) & (factor <= 1.0))):
        raise RejectedInput("power_factor_out_of_range", pf=pf)
    if phases not in (1, 3):
        raise RejectedInput("phases_unknown", phases=phases)
    return as_given(watts / (potential * factor * (math.sqrt(3.0) if phases == 3 else 1.0)))


def is_continuous(hours: float | None) -> bool:
    """Whether a load counts as continuous; one whose hours nobody knows does."""
    duration = known(hours)
    return (
        duration is None
        or float(require_not_negative(duration, "negative_duration", "hours")) >= CONTINUOUS_H
    )


def breaker_min(
    ac_watts: float,
    volts: float,
    *,
    pf: float = 1.0,
    hours: float | None = None,
    phases: int = 1,
    listed_for_full_load: bool = False,
) -> float:
    """Smallest standard breaker [A] for a load; `listed_for_full_load`: breaker and assembly are listed for 100 %.

    Example of the reference: 3310 W at 230 V and 0.95 for 8 h: 15.2 A x 1.25 = 18.9, so 20 A.
    """
    current = float(supply_current(ac_watts, volts, pf=pf, phases=phases))
    factor = CONTINUOUS_FACTOR if is_continuous(hours) and not listed_for_full_load else 1.0
    ratings = breaker_ratings_a()
    place = int(np.searchsorted(ratings, current * factor * (1.0 - 1e-9)))
    if place == len(ratings):
        raise RejectedInput("over_largest_breaker", ac_watts=ac_watts, largest_a=float(ratings[-1]))
    return float(ratings[place])


@dataclass(frozen=True, slots=True)
class CircuitLoad:
    """What the bays of one circuit draw together; None where it cannot be told.

    `start_kw` [kW] and `start_a` [A] when all start at once; `counted_a` the same with 125 % where continuous, against the
    breaker; `needed_breaker_a` the smallest standard one.
    """

    start_kw: float | None
    start_a: float | None
    counted_a: float | None
    continuous: bool
    needed_breaker_a: float | None
    checks: tuple[ChargeCheck, ...]
    missing: tuple[str, ...]
    source: str

    @property
    def outcome(self) -> CheckOutcome:
        return self.checks[0].outcome


def circuit_load(
    start_kw: Sequence[float | None],
    *,
    volts: float | None,
    pf: float | None,
    breaker_a: float | None,
    hours: float | None = None,
    phases: int = 1,
    other_kw: float = 0.0,
    listed_for_full_load: bool = False,
) -> CircuitLoad:
    """The chargers of one circuit, each with its power at the start [kW], beside `other_kw` of heaters, fans and lights.

    `hours` the longest charge of them [h]; `volts` [V], `pf` and `breaker_a` [A] of the circuit. One bay whose power is not
    known leaves the whole circuit undecided, unless what is known alone already overloads it.
    """
    others = float(require_not_negative(other_kw, "power_negative", "other_kw"))
    powers = [known(value) for value in start_kw]
    lacking = [
        name
        for name, absent in (
            ("start_kw", any(value is None for value in powers)),
            ("volts", known(volts) is None),
            ("pf", known(pf) is None),
            ("breaker_a", known(breaker_a) is None),
        )
        if absent
    ]
    floor_kw = others + sum(value for value in powers if value is not None)
    continuous = is_continuous(hours)
    factor = CONTINUOUS_FACTOR if continuous and not listed_for_full_load else 1.0
    start_a: float | None = None
    if volts is not None and known(volts) is not None:
        # Without a power factor the current is at least that of a load with 1: enough to see an overload.
        at_least_pf = 1.0 if pf is None or known(pf) is None else pf
        start_a = float(supply_current(1000.0 * floor_kw, volts, pf=at_least_pf, phases=phases))
    counted = None if start_a is None else start_a * factor
    if known(breaker_a) is not None:
        require_positive(breaker_a, "current_not_positive", "breaker_a")
    check = at_most("circuit_load", counted, breaker_a, "A", SOURCE, missing=lacking)
    complete = not [name for name in lacking if name != "breaker_a"]
    return CircuitLoad(
        start_kw=floor_kw if "start_kw" not in lacking else None,
        start_a=start_a if complete else None,
        counted_a=counted if complete else None,
        continuous=continuous,
        needed_breaker_a=_rating(counted) if complete else None,
        checks=(check,),
        missing=tuple(lacking),
        source=SOURCE,
    )


def _rating(counted_a: float | None) -> float | None:
    """The smallest standard breaker for a counted current; None beyond the largest."""
    if counted_a is None:
        return None
    ratings = breaker_ratings_a()
    place = int(np.searchsorted(ratings, counted_a * (1.0 - 1e-9)))
    return float(ratings[place]) if place < len(ratings) else None
