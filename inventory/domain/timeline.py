"""The balance of one lot in one place through time, and what new lines do to it.

A count sets the balance to what was found; so a line that becomes known later and lies before a count does not change
what was found, it changes the difference that the count explained. Every other line shifts all later balances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Entry:
    """One line as this place sees it: `effect` in base units (negative: out), or `counted` for a count that stands.

    `ref` names a line already in the ledger; `line` is the index of a new one.
    """

    at: datetime
    effect: Decimal = Decimal(0)
    counted: Decimal | None = None
    ref: int | None = None
    line: int | None = None


@dataclass(slots=True)
class Walk:
    """`end` is the balance now; `effects` of the new lines by index (counts worked out); `recounts` the later counts
    whose difference changes: (ref, new effect)."""

    end: Decimal
    effects: dict[int, Decimal] = field(default_factory=dict)
    recounts: list[tuple[int, Decimal]] = field(default_factory=list)


class Shortfall(Exception):
    """At `at` the balance would be `balance` < 0, because of new line `line`, before which `there` was there."""

    def __init__(self, line: int | None, at: datetime, balance: Decimal, there: Decimal) -> None:
        super().__init__(line, at, balance, there)
        self.line, self.at, self.balance, self.there = line, at, balance, there


def walk(base: Decimal, existing: Sequence[Entry], new: Sequence[Entry]) -> Walk:
    """Goes through time from a balance `base` that holds before all `existing` and `new` entries.

    `existing` must be in the order of the ledger. At one instant what is in the ledger comes before what is new, and
    only the balance at the end of the instant must not be negative. Raises Shortfall.
    """
    merged = sorted([*existing, *new], key=lambda entry: (entry.at, entry.line is not None))
    result = Walk(end=base)
    running = base
    culprit: tuple[int, Decimal] | None = None
    for number, entry in enumerate(merged):
        effect = entry.effect if entry.counted is None else entry.counted - running
        if entry.line is not None:
            result.effects[entry.line] = effect
            if effect < 0:
                culprit = (entry.line, running)
        elif entry.ref is not None and effect != entry.effect:
            result.recounts.append((entry.ref, effect))
        running += effect
        last_of_instant = number + 1 == len(merged) or merged[number + 1].at != entry.at
        if running < 0 and last_of_instant:
            line, there = culprit or (None, running)
            raise Shortfall(line, entry.at, running, there)
    result.end = running
    return result
