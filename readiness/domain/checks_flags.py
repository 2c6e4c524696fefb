"""Checks of what the records of a bank give away before it fails. None of them holds a unit back: somebody is to look.

A bank about which nobody measured a thing has no row of it that could pass.
"""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_flags import BankFacts, BankFlags, Flag, Unknown, bank_flags, fleet_life_used
from readiness.domain.bank_forecast import Forecast
from readiness.domain.bank_records import Note
from readiness.domain.check_rows import CheckRows
from readiness.domain.checks_charge import CAPACITY_TEST_H, finite_day, local_day, outcome_of
from readiness.domain.inputs import BoolArray, FloatArray
from readiness.domain.learning import Learned
from readiness.domain.snapshot import FleetSnapshot

LOOK_H = 0.5


def flags_of(snapshot: FleetSnapshot, believed: Forecast) -> BankFlags:
    """The flags of every bank of the snapshot, beside the peers that the fleet knows."""
    banks, found = snapshot.banks, believed.estimates
    facts = BankFacts(
        ohmic_ratio=banks["ohmic_ratio"],
        capacity_pct=banks["capacity_pct"],
        prev_pct=banks["prev_pct"],
        tested_at=banks["tested"],
        life_used=fleet_life_used(snapshot.bank_arrays, snapshot.sites, float(snapshot.as_of_day)),
        weak_block=(found.notes & int(Note.WEAK_BLOCK)) > 0,
        supply=found.supply,
    )
    return bank_flags(
        snapshot.bank_arrays,
        snapshot.events,
        snapshot.sites,
        snapshot.units["as_of"][banks["unit"]],
        believed.learned,
        facts,
        peers=snapshot.habits.peers,
        noise=snapshot.habits.noise,
    )


def flag_checks(snapshot: FleetSnapshot, learned: Learned, flags: BankFlags) -> list[CheckRows]:
    """What stands out, as rows that feed Today and the page of the unit. Numbers are rounded: a quiet bank stays quiet."""
    banks = snapshot.banks
    offset = snapshot.units["offset_days"][banks["unit"]]

    def rows(key: str, told: BoolArray, bits: Flag, mend_h: float, a: FloatArray, b: FloatArray) -> CheckRows:
        at = np.flatnonzero(told)
        clean = (flags.flags[at] & int(bits)) == 0
        return CheckRows.of(
            key,
            banks["unit"][at],
            subject=banks["id"][at],
            gates=False,
            outcome=outcome_of(clean, np.zeros_like(clean)),
            mend_h=mend_h,
            a=np.where(clean, np.nan, a[at]),
            b=np.where(clean, np.nan, b[at]),
        )

    none = np.full(len(banks), np.nan)
    said = (flags.unknown[:, None] & np.array([int(bit) for bit in Unknown])) == 0
    rate, ohmic, capacity, life = said.T
    returned_day = finite_day(local_day(learned.returned_at, offset))
    return [
        rows(
            "bank_rate",
            rate,
            Flag.RATE_HIGH,
            LOOK_H,
            np.round(flags.ratio, 1),
            flags.likelier.astype(np.float64),
        ),
        rows(
            "bank_ohmic",
            ohmic,
            Flag.OHMIC_INVESTIGATE | Flag.OHMIC_TEST_OR_REPLACE,
            CAPACITY_TEST_H,
            np.round(banks["ohmic_ratio"], 2),
            none,
        ),
        rows(
            "bank_capacity",
            capacity,
            Flag.CAPACITY_LOW,
            CAPACITY_TEST_H,
            np.round(banks["capacity_pct"], 0),
            none,
        ),
        rows(
            "bank_returned",
            np.isfinite(learned.returned_share),
            Flag.RETURNED_MORE | Flag.RETURNED_LESS,
            LOOK_H,
            np.round(learned.returned_share, 1),
            returned_day,
        ),
        rows("bank_age", life, Flag.LIFE_OVER, CAPACITY_TEST_H, none, none),
    ]
