"""Checks of the machines that watch the banks: none of them holds a unit back, for the climate stands in at once."""

from __future__ import annotations

import numpy as np

from readiness.domain.check_rows import CheckRows
from readiness.domain.checks_charge import finite_day, local_day, outcome_of
from readiness.domain.loggers import LoggerState
from readiness.domain.snapshot import FleetSnapshot

LOOK_H = 0.5
# A bank without a logger, one whose logger was taken off, and one that never had a sensor have no row.
_ASKED = (
    LoggerState.LIVE,
    LoggerState.SILENT,
    LoggerState.STUCK,
    LoggerState.IMPLAUSIBLE,
    LoggerState.SPARSE,
)


def logger_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """Whether the logger of each bank is believed; where not, since which day and why (a LoggerState)."""
    banks = snapshot.banks
    at = np.flatnonzero(np.isin(banks["logger"], [int(state) for state in _ASKED]))
    live = banks["logger"][at] == int(LoggerState.LIVE)
    offset = snapshot.units["offset_days"][banks["unit"][at]]
    since = finite_day(local_day(banks["logger_since"][at], offset))
    return [
        CheckRows.of(
            "logger_heard",
            banks["unit"][at],
            subject=banks["id"][at],
            gates=False,
            outcome=outcome_of(live, np.zeros_like(live)),
            due=np.where(live, np.nan, since),
            mend_h=LOOK_H,
            a=np.where(live, np.nan, banks["logger"][at]),
            b=np.where(live, np.nan, since),
        )
    ]
