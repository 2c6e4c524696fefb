"""When the crew charges: by the maker's interval, before leaving, after use, and as the troubles want it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from readiness.demo.banks import (
    AFTER_USE,
    CHARGE_BELOW,
    DEPART,
    FULL,
    HABIT,
    NICKEL,
    PARTIAL,
    TRIPPED,
    BankPlan,
)
from readiness.demo.timeline import Timeline
from readiness.demo.weather import Floats

PARTIAL_SHARE = 0.04
FROST_SOC = 0.42  # somebody left the lights on


class Habits:
    """The banks' fixed numbers as columns, and the choice of each day's charges."""

    def __init__(self, banks: list[BankPlan], timeline: Timeline, rng: np.random.Generator) -> None:
        self.rng = rng
        count, days = len(banks), timeline.days
        self.timeline = timeline
        self.base = np.array([HABIT[bank.chemistry][0] for bank in banks])
        self.longest = np.array([HABIT[bank.chemistry][1] for bank in banks])
        self.halving = np.array([HABIT[bank.chemistry][2] for bank in banks])
        self.nickel = np.array([bank.chemistry in NICKEL for bank in banks], dtype=bool)
        self.below = np.array([CHARGE_BELOW.get(bank.chemistry, 0.83) for bank in banks])
        self.rate = np.array([bank.rate_pct_month / 3000.0 for bank in banks])
        self.phase = rng.uniform(0.0, 6.28, count)
        self.standby = np.zeros(count)
        self.supplied = np.zeros((count, days), dtype=bool)
        self.away = np.zeros((count, days), dtype=bool)
        self.no_charge_from = np.full(count, days)
        self.set_soc: list[tuple[int, int, float]] = []
        self.fixed: dict[int, list[tuple[int, str]]] = {}
        for position, bank in enumerate(banks):
            self.settle(position, bank, days)

    def settle(self, position: int, bank: BankPlan, days: int) -> None:
        if bank.supply == "standby":
            self.standby[position] = (
                float(bank.row["standby_ma"] or 0) * 0.024 / float(bank.row["capacity_ah"])
            )
        if bank.supply in ("float", "own_array"):
            # On paper only: a float nobody checks may have been unplugged for a year.
            ends = bank.supply_start if bank.unit.has("float_unchecked") else days
            self.supplied[position, max(bank.supply_start, 0) : ends] = True
        self.away[position] = bank.unit.away_days(days)
        for trip in bank.unit.trips:
            self.fix(trip.start - 1, position, DEPART)
            if trip.end is not None and trip.end + 2 < days:
                self.fix(trip.end + 2, position, AFTER_USE)
        if bank.never_charged:
            self.no_charge_from[position] = 0
        if bank.last_charge is not None:
            self.no_charge_from[position] = bank.last_charge - 25
            self.fix(bank.last_charge, position, FULL)
        if bank.main and bank.unit.has("tripped_charger"):
            self.fix(days - 3, position, TRIPPED)
        if bank.main and bank.unit.has("frost_low_charge"):
            self.set_soc.append((position, days - 30, FROST_SOC))

    def fix(self, day: int, position: int, kind: str) -> None:
        self.fixed.setdefault(day, []).append((position, kind))

    def charges_of(self, day: int, soc: Floats, wear: Floats, trigger: Floats) -> Iterator[tuple[int, str]]:
        """The banks charged on this day and how it went."""
        yield from self.fixed.get(day, ())
        if day == 0:
            due = self.no_charge_from > 0
        elif self.timeline.day(day).weekday() >= 5 or day >= self.timeline.days - 1:
            return
        else:
            worn = (wear >= trigger) | (soc < self.below)
            due = worn & ~self.supplied[:, day] & ~self.away[:, day] & (self.no_charge_from > day)
        for position in np.flatnonzero(due):
            partial = day > 0 and self.rng.random() < PARTIAL_SHARE
            yield int(position), PARTIAL if partial else FULL
