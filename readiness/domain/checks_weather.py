"""Frost ahead, judged by record lows (never by means), and water left standing."""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_records import BankEstimates
from readiness.domain.check_rows import CheckRows
from readiness.domain.checks_charge import (
    charge_hours,
    hours_unstated,
    later_turn,
    local_day,
    outcome_of,
)
from readiness.domain.gravity import SG_EMPTY, SG_FULL, freeze_point_at_soc
from readiness.domain.inputs import BoolArray, FloatArray
from readiness.domain.rest_voltage import is_lead
from readiness.domain.snapshot import FleetSnapshot

FROST_AHEAD_DAYS = 14
WET_IDLE_DAYS = 7
WATER_FREEZES_C = 0.0
DRAIN_H = 1.0
DRY, WET, PRESERVED, DISINFECTED = 0, 1, 2, 3


def _months_ahead(first_day: int, days: int) -> list[tuple[int, tuple[int, ...]]]:
    """Stretches of days with the same months in their coming fourteen days: (first day, months 0..11)."""
    calendar = np.datetime64("1970-01-01") + np.arange(first_day, first_day + days + FROST_AHEAD_DAYS + 1)
    month = calendar.astype("datetime64[M]").astype(np.int64) % 12
    stretches: list[tuple[int, tuple[int, ...]]] = []
    for offset in range(days):
        ahead = tuple(sorted(set(month[offset : offset + FROST_AHEAD_DAYS + 1].tolist())))
        if not stretches or stretches[-1][1] != ahead:
            stretches.append((first_day + offset, ahead))
    return stretches


def frost_outlook(
    low_c: FloatArray, freezes_c: FloatArray, first_day: int
) -> tuple[BoolArray, BoolArray, FloatArray, FloatArray]:
    """Whether frost is ahead, whether that can be told, the record low [degC], and the day on which the answer turns."""
    stretches = _months_ahead(first_day, 366)
    lows = low_c[:, list(stretches[0][1])].min(axis=1)
    ahead, known = lows <= freezes_c, np.isfinite(lows)
    turns = np.full(len(low_c), np.nan)
    for day, months in stretches[1:]:
        later = low_c[:, list(months)].min(axis=1)
        changes = np.isnan(turns) & (((later <= freezes_c) != ahead) | (np.isfinite(later) != known))
        turns[changes] = day
    return ahead, known, lows, turns


def weather_checks(snapshot: FleetSnapshot, estimates: BankEstimates) -> list[CheckRows]:
    """Frost for water and acid, and trains left wet: warnings with their mend; none of them holds a unit back by itself."""
    count = len(snapshot.units)
    everyone = np.arange(count)
    state = np.full(count, -1, dtype=np.int64)
    since, good_until = np.full(count, np.nan), np.full(count, np.nan)
    wet = snapshot.wet
    state[wet["unit"]] = wet["kind"]
    # What was seen before an absence ended says nothing of the unit that came back.
    stale = np.zeros(count, dtype=bool)
    stale[wet["unit"]] = wet["at"] < snapshot.units["away_at"][wet["unit"]]
    state[stale] = -1
    since[wet["unit"]] = local_day(wet["at"], snapshot.units["offset_days"][wet["unit"]])
    good_until[wet["unit"]] = wet["good_until"]
    today = float(snapshot.as_of_day)
    unknown = state < 0
    guarded = state == PRESERVED
    lapsed = guarded & ~(good_until >= today)  # no last day on file: nobody says that it still holds
    may_freeze = unknown | lapsed | (state == WET) | (state == DISINFECTED)
    ahead, known, lows, turns = frost_outlook(
        snapshot.low_c, np.full(count, WATER_FREEZES_C), snapshot.as_of_day
    )
    safe = ~may_freeze | (known & ~ahead)
    # Of a unit that is away nobody here can tell it now; the fact is missing when it is back.
    asked = np.flatnonzero(~(stale & (snapshot.units["away"] > 0)))
    rows = [
        CheckRows.of(
            "wet_known",
            asked,
            gates=False,
            outcome=outcome_of(~unknown[asked], unknown[asked]),
            missing=unknown[asked],
            a=np.where(stale[asked], 1.0, np.nan),
        ),
        CheckRows.of(
            "water_frost",
            everyone,
            gates=False,
            outcome=outcome_of(safe, may_freeze & ~known),
            missing=may_freeze & ~known,
            turns=np.where(may_freeze, turns, np.where(guarded, good_until + 1, np.nan)),
            due=np.where(may_freeze & ahead, today, np.nan),
            late=np.where(may_freeze & ahead, today, np.nan),
            mend_h=DRAIN_H,
            a=np.where(safe, np.nan, lows),  # a pass stays the same from month to month
            b=state,
        ),
    ]
    ends = np.where(
        state == WET,
        since + WET_IDLE_DAYS,
        np.where(np.isin(state, (PRESERVED, DISINFECTED)), good_until, np.nan),
    )
    at = np.flatnonzero(np.isfinite(ends) & (snapshot.units["away"] == 0))
    fine = ends[at] >= today
    rows.append(
        CheckRows.of(
            "wet_idle",
            at,
            gates=False,
            outcome=outcome_of(fine, np.zeros_like(fine)),
            turns=later_turn(fine, ends[at] + 1),
            due=ends[at],
            mend_h=DRAIN_H,
            a=state[at],
            b=since[at],
        )
    )
    rows.append(_acid_frost(snapshot, estimates))
    return rows


def _acid_frost(snapshot: FleetSnapshot, estimates: BankEstimates) -> CheckRows:
    """Discharged lead-acid freezes and bursts: the freezing point of its acid at the low end against the record low."""
    banks, arrays = snapshot.banks, snapshot.bank_arrays
    lead = np.flatnonzero(is_lead(arrays.chem))
    full = np.where(np.isnan(arrays.sg_full), SG_FULL, arrays.sg_full)[lead]
    empty = np.where(np.isnan(arrays.sg_empty), SG_EMPTY, arrays.sg_empty)[lead]
    freezes = np.asarray(
        freeze_point_at_soc(np.clip(estimates.low[lead], 0.0, 1.0), sg_full=full, sg_empty=empty)
    )
    unit = banks["unit"][lead]
    ahead, known, lows, turns = frost_outlook(snapshot.low_c[unit], freezes, snapshot.as_of_day)
    today = float(snapshot.as_of_day)
    return CheckRows.of(
        "acid_frost",
        unit,
        subject=banks["id"][lead],
        gates=False,
        outcome=outcome_of(known & ~ahead, ~known),
        missing=~known,
        turns=turns,
        due=np.where(ahead, today, np.nan),
        late=np.where(ahead, today, np.nan),
        mend_h=charge_hours(snapshot, estimates)[lead],
        a=np.where(known & ~ahead, np.nan, lows),
        c=hours_unstated(snapshot, estimates)[lead],
    )
