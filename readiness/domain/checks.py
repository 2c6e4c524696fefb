"""Everything that is judged of many units at once: the charge states, the checks, the verdicts.

The page of one unit and the nightly sweep call `assess` alike, with one unit or with thousands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from readiness.domain.bank_flags import BankFlags
from readiness.domain.bank_forecast import forecast
from readiness.domain.bank_records import BankEstimates
from readiness.domain.check_rows import CheckRows, digests
from readiness.domain.checks_charge import bank_checks
from readiness.domain.checks_flags import flag_checks, flags_of
from readiness.domain.checks_loggers import logger_checks
from readiness.domain.checks_papers import (
    certificate_checks,
    inspection_checks,
    standing_checks,
    unit_checks,
)
from readiness.domain.checks_parts import kit_checks, part_checks
from readiness.domain.checks_weather import weather_checks
from readiness.domain.inputs import FloatArray, IntArray
from readiness.domain.learning import Learned
from readiness.domain.snapshot import FleetSnapshot
from readiness.domain.time_to_ready import judge

RULES_EDITION = "2026-11"


@dataclass(frozen=True)
class Assessment:
    """What a sweep found: `rows` of checks (sorted by unit), per unit `verdict` (VerdictCode), `hours` to ready, `turns_on`
    (day on which dates alone turn it, NaN none) and `digest` (units, 2); `estimates`, `learned` and `flags` per bank."""

    rows: CheckRows
    verdict: IntArray
    hours: FloatArray
    turns_on: FloatArray
    digest: NDArray[np.uint64]
    estimates: BankEstimates
    learned: Learned
    flags: BankFlags


def assess(snapshot: FleetSnapshot) -> Assessment:
    """Judge every unit of the snapshot as of the end of its day."""
    asked = snapshot.units["as_of"][snapshot.banks["unit"]]
    believed = forecast(
        snapshot.bank_arrays, snapshot.events, snapshot.sites, asked, noise=snapshot.habits.noise
    )
    estimates = believed.estimates
    flags = flags_of(snapshot, believed)
    rows = CheckRows.joined(
        [
            *unit_checks(snapshot),
            *bank_checks(snapshot, estimates),
            *flag_checks(snapshot, believed.learned, flags),
            *logger_checks(snapshot),
            *weather_checks(snapshot, estimates),
            *kit_checks(snapshot),
            *part_checks(snapshot),
            *certificate_checks(snapshot),
            *inspection_checks(snapshot),
            *standing_checks(snapshot),
        ]
    )
    units = snapshot.units
    verdict, hours, turns_on = judge(rows, units["notice_h"], units["away"])
    stated = (verdict, hours, turns_on, units["notice_h"], units["mission_days"])
    return Assessment(
        rows, verdict, hours, turns_on, digests(rows, stated, len(units)), estimates, believed.learned, flags
    )
