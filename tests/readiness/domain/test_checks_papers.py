"""Papers by plain columns: what the records of one database cannot hold, but two joined ones could."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from readiness.domain.check_rows import CheckOutcome
from readiness.domain.checks_papers import inspection_checks
from readiness.domain.snapshot import Frame

TODAY = 20_000


def snapshot(inspections: list[tuple[float, bool]]) -> Any:
    """One unit, one inspection every 100 days, and what was done (instant, passed)."""
    at = np.array([each[0] for each in inspections])
    return SimpleNamespace(
        as_of_day=TODAY,
        units=Frame({"mission_days": [10.0]}),
        inspection_needs=Frame(
            {
                "unit": np.array([0]),
                "type": np.array([7]),
                "interval_days": np.array([100.0]),
                "grounds": np.array([True]),
                "work_h": np.array([1.0]),
                "crew": np.array([1.0]),
            }
        ),
        inspections=Frame(
            {
                "unit": np.zeros(len(at), dtype=np.int64),
                "type": np.full(len(at), 7),
                "at": at,
                "day": np.floor(at),
                "passed": np.array([each[1] for each in inspections]),
            }
        ),
    )


@pytest.mark.parametrize(
    ("inspections", "outcome"),
    [
        ([(TODAY - 1.2, True), (TODAY - 1.1, False)], CheckOutcome.FAIL),
        ([(TODAY - 1.1, False), (TODAY - 1.2, True)], CheckOutcome.FAIL),
        ([(TODAY - 1.2, False), (TODAY - 1.1, True)], CheckOutcome.PASS),
        ([(TODAY - 1.1, False), (TODAY - 1.1, True)], CheckOutcome.FAIL),
        ([(TODAY - 1.1, True), (TODAY - 1.1, False)], CheckOutcome.FAIL),
    ],
)
def test_the_latest_inspection_counts_and_of_two_at_once_the_failed_one(
    inspections: list[tuple[float, bool]], outcome: CheckOutcome
) -> None:
    assert inspection_checks(snapshot(inspections))[0].outcome.tolist() == [outcome]
