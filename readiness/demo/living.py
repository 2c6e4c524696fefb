"""Every bank through the two years, all of them at once, one day after the other."""

from __future__ import annotations

import numpy as np

from readiness.demo.banks import (
    AFTER_USE,
    DEPART,
    FULL,
    PARTIAL,
    TRIGGER,
    TRIPPED,
    BankPlan,
    ChargeEvent,
    Truth,
)
from readiness.demo.habits import Habits
from readiness.demo.source import Source
from readiness.demo.timeline import Timeline
from readiness.demo.weather import Floats


def live(
    banks: list[BankPlan],
    source: Source,
    air_c: dict[str, Floats],
    timeline: Timeline,
    rng: np.random.Generator,
) -> Truth:
    """Runs every bank through the history, all of them at once, one day after the other."""
    days, count = timeline.days, len(banks)
    heat = {row["code"]: float(row["enclosure_heat_c"]) for row in source["designs"]}
    temp = np.empty((count, days), dtype=np.float32)
    for position, bank in enumerate(banks):
        temp[position] = air_c[bank.unit.home] + heat[bank.unit.design]
    habits = Habits(banks, timeline, rng)
    truth = Truth(np.empty((count, days), dtype=np.float32), temp)
    soc = np.array([0.62 if bank.chemistry == "lfp" else 0.97 for bank in banks])
    wear = np.zeros(count)
    trigger = np.array([rng.uniform(*TRIGGER[bank.chemistry]) for bank in banks])
    for day in range(days):
        warm = temp[:, day].astype(float)
        soc = lose(soc, warm, habits, day)
        allowed = np.minimum(habits.longest, habits.base * 2.0 ** ((20.0 - warm) / habits.halving))
        wear = wear + 1.0 / allowed
        away = habits.away[:, day]
        soc = np.where(away, 0.72 + 0.2 * np.sin(day * 1.7 + habits.phase), soc)
        for position, kind in habits.charges_of(day, soc, wear, trigger):
            before = float(soc[position])
            after = target_of(banks[position], kind, before, rng)
            truth.charges.append(ChargeEvent(position, day, kind, before, after))
            soc[position] = after
            if kind in (FULL, DEPART, AFTER_USE):
                wear[position] = 0.0
                trigger[position] = rng.uniform(*TRIGGER[banks[position].chemistry])
        for position, at_day, value in habits.set_soc:
            if at_day == day:
                soc[position] = value
        truth.soc[:, day] = soc
    return truth


def lose(soc: Floats, warm: Floats, habits: Habits, day: int) -> Floats:
    rate = habits.rate * 2.0 ** ((warm - 20.0) / habits.halving)
    own = rate * np.where(habits.nickel, soc, 1.0)
    lost = np.where(habits.supplied[:, day], 0.0, own + habits.standby)
    return np.maximum(soc - lost, 0.02)


def target_of(bank: BankPlan, kind: str, before: float, rng: np.random.Generator) -> float:
    if kind == TRIPPED:
        return min(1.0, before + 0.07)
    if kind == PARTIAL:
        return before + (1.0 - before) * float(rng.uniform(0.3, 0.6))
    if bank.chemistry == "lfp" and kind != DEPART:
        return max(before, float(bank.row["store_soc"]))
    return 1.0
