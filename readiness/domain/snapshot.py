"""The records of many units as plain columns: what the checks read. Loaded by `readiness.selectors.snapshot`.

Every table names its unit by row number in `units` (column `unit`), its bank by row number in `banks`. Days are days since
1970-01-01 as floats, NaN where not known, infinite where a thing has no end; instants the same in UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from readiness.domain.bank_forecast import FleetHabits
from readiness.domain.bank_records import BankArrays, EventArrays
from readiness.domain.thermal import Sites


class Frame:
    """Named columns of one length."""

    __slots__ = ("_columns", "_length")

    def __init__(self, columns: Mapping[str, Any], length: int | None = None) -> None:
        self._columns: dict[str, NDArray[Any]] = {
            name: np.asarray(column) for name, column in columns.items()
        }
        lengths = {len(column) for column in self._columns.values()}
        if len(lengths) > 1:
            raise ValueError(
                f"columns of different length: { {n: len(c) for n, c in self._columns.items()} }"
            )
        self._length = lengths.pop() if lengths else int(length or 0)

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._columns[name]

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def __len__(self) -> int:
        return self._length

    @property
    def names(self) -> list[str]:
        return list(self._columns)

    def take(self, rows: Any) -> Frame:
        return Frame({name: column[rows] for name, column in self._columns.items()})

    def with_columns(self, **columns: Any) -> Frame:
        return Frame({**self._columns, **columns})


@dataclass(frozen=True)
class FleetSnapshot:
    """Some thousand units with everything recorded about them that a verdict rests on, as of the end of `as_of_day`.

    units: id, home, design, offset_days (local time less UTC), as_of (instant of the end of the day there),
        seen_at (the instant the records were read, no later than as_of: for what is judged by the clock), known_place,
        away (0 at its place, 1 call, 2 exercise, 3 loan, 4 workshop), recall_h, due_back, away_at (when it
        last came back, or went on the absence it is on), notice_h, mission_days,
        lookahead_days, survey_min, train_hours_day, train_m3_day, had_bank
    banks: id, unit, chem, charge_started, planned_end (NaN: no charge open), tested (last capacity test), capacity_pct and
        prev_pct (of rated, the last two tests), ohmic_ratio (last test, worst block over its own baseline), logger (state of
        its logger, LoggerState; -1 none) and logger_since (instant)
    bank_arrays, events, sites: for `bank_forecast.forecast`; rows of bank_arrays are rows of banks
    habits: what the whole fleet teaches
    low_c: (units, 12) record low of each month at the place where the unit is, NaN not known
    wet: unit, kind (0 dry, 1 wet, 2 preserved, 3 disinfected), at, good_until (latest per unit only)
    certificate_needs: unit, kind, gates_all, renew_h, lead_days; certificates: unit, kind, id, issued, expires,
        recorded (instant)
    changes: unit, at, touches (bits of EVIDENCE); weighed: unit, at
    inspection_needs: unit, type, interval_days, grounds, work_h, crew; inspections: unit, type, at, day, passed
    faults: unit, id, severity (2 blocks, 1 degrades, 0 minor), mend_h, mend_here, crew, item, qty, since
    debts: unit, id, since
    kit: unit, item, qty, per_days (NaN: a mission), grounds, load_h
    aboard: unit, item, lot, qty, expires, usable
    stock: home, item, lot, qty, expires, usable (what lies in the units' depots)
    positions: unit, need, item, slot, grounds, fit_h
    fitted: unit, slot, part, item, train (0 none, 1 A, 2 B), limit_h, limit_m3, outcome, left_h, left_m3, last_day,
        expires, usable
    """

    as_of_day: int
    units: Frame
    banks: Frame
    bank_arrays: BankArrays
    events: EventArrays
    sites: Sites
    habits: FleetHabits
    low_c: NDArray[np.float64]
    wet: Frame
    certificate_needs: Frame
    certificates: Frame
    changes: Frame
    weighed: Frame
    inspection_needs: Frame
    inspections: Frame
    faults: Frame
    debts: Frame
    kit: Frame
    aboard: Frame
    stock: Frame
    positions: Frame
    fitted: Frame
