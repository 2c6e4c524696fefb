"""Banks as they really are in this scenario: what each truly loses, how it is connected, when it is charged last.

A plain model of its own (straight lines, one step a day), not the product's: what the product concludes from the records
can then be held against what 'really' happened here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from readiness.demo.plan import UnitPlan
from readiness.demo.source import Row, Source
from readiness.demo.timeline import Timeline

# Days between charges at 20 degC that makers ask for, the longest they allow, and kelvin per halving.
HABIT = {
    "vrla_gel": (180.0, 365.0, 10.0),
    "vrla_agm": (180.0, 365.0, 10.0),
    "flooded_low_sb": (60.0, 120.0, 10.0),
    "lfp": (254.0, 365.0, 10.0),
    "nimh": (30.0, 90.0, 12.6),
    "nimh_lsd": (180.0, 365.0, 12.6),
}
# The share of that interval after which this crew charges: well before, where the floor would be met first.
TRIGGER = {
    "vrla_gel": (0.42, 0.6),
    "vrla_agm": (0.32, 0.46),
    "flooded_low_sb": (0.36, 0.52),
    "lfp": (0.5, 0.75),
    "nimh": (0.35, 0.55),
    "nimh_lsd": (0.4, 0.6),
}
CHARGE_BELOW = {"lfp": 0.40, "nimh": 0.66, "nimh_lsd": 0.75}
NICKEL = {"nimh", "nimh_lsd"}
FULL, PARTIAL, TRIPPED, DEPART, AFTER_USE = "full", "partial", "tripped", "depart", "after_use"
# Days before today of the last charge where a trouble wants one, and none after it.
LAST_CHARGE = {
    "fading_bank": 32,
    "tripped_charger": 110,
    "stale_reading": 118,
    "charge_left_open": 44,
    "float_unchecked": 413,
    "frost_low_charge": 120,
}


@dataclass
class BankPlan:
    number: int
    unit: UnitPlan
    row: Row
    rate_pct_month: float  # what it really loses at 20 degC per 30 days, % of capacity
    age_years: float
    serial: str
    supply: str = "isolated"
    supply_start: int = 0
    supply_check_days: int | None = None
    last_charge: int | None = None
    never_charged: bool = False

    @property
    def chemistry(self) -> str:
        return str(self.row["chemistry"])

    @property
    def main(self) -> bool:
        return bool(self.row["position"] == "main")


@dataclass(frozen=True)
class ChargeEvent:
    bank: int  # position in the list of banks
    day: int
    kind: str
    from_soc: float
    to_soc: float


@dataclass
class Truth:
    """What 'really' happened: charge state [0..1] and bank temperature [degC] at noon of each day, and the charges."""

    soc: NDArray[np.float32]
    temp_c: NDArray[np.float32]
    charges: list[ChargeEvent] = field(default_factory=list)


def plan_banks(
    source: Source, units: list[UnitPlan], timeline: Timeline, rng: np.random.Generator
) -> list[BankPlan]:
    rows = {
        design["code"]: [r for r in source["banks"] if r["design"] == design["code"]]
        for design in source["designs"]
    }
    supplies = {(row["unit"], row["position"]): row for row in source["supply_states"]}
    banks: list[BankPlan] = []
    for unit in units:
        if not unit.surveyed:
            continue
        for row in rows[unit.design]:
            number = len(banks) + 1
            bank = BankPlan(
                number=number,
                unit=unit,
                row=row,
                rate_pct_month=float(row["rate_pct_month"] * rng.lognormal(0.0, 0.12)),
                age_years=max(1.2, min(unit.age_years, float(rng.uniform(2.1, 4.5)))),
                serial=f"{row['maker']}{row['capacity_ah']}-{48000 + 17 * number}",
            )
            if supply := supplies.get((unit.tag, row["position"])):
                bank.supply = supply["kind"]
                bank.supply_start = timeline.days + int(supply["start"])
                bank.supply_check_days = supply["check_interval_days"]
            if bank.main:
                apply_troubles(bank, timeline)
            banks.append(bank)
    return banks


def apply_troubles(bank: BankPlan, timeline: Timeline) -> None:
    if bank.unit.has("fading_bank"):
        bank.rate_pct_month *= 4.5
    for trouble, days_ago in LAST_CHARGE.items():
        if bank.unit.has(trouble):
            bank.last_charge = timeline.days - days_ago
    bank.never_charged = bank.unit.has("plateau_only")
