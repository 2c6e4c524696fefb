"""Hours added up, the verdict that follows, and the print that tells whether a result changed."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.check_rows import CheckOutcome, CheckRows, digests
from readiness.domain.time_to_ready import VerdictCode, judge, time_to_ready

FAIL, PASS, CANNOT = CheckOutcome.FAIL, CheckOutcome.PASS, CheckOutcome.CANNOT_DECIDE
HOURS = st.floats(0, 100)


@pytest.mark.parametrize(
    ("hours", "expected"),
    [([], 0.0), ([2.0, 0.5], 2.5), ([2.0, np.nan], np.nan), ([np.nan, np.inf], np.inf), ([0.0], 0.0)],
)
def test_one_crew_does_the_mends_one_after_the_other(hours: list[float], expected: float) -> None:
    np.testing.assert_array_equal(time_to_ready([0] * len(hours), hours), [expected])


def test_negative_hours_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        time_to_ready([0], [-1.0])


@given(st.lists(st.tuples(st.integers(0, 3), HOURS), max_size=12))
def test_every_unit_gets_its_own_sum_in_any_order(mends: list[tuple[int, float]]) -> None:
    unit, hours = [m[0] for m in mends], [m[1] for m in mends]
    together = time_to_ready(unit, hours, 4)
    for number in range(4):
        alone = time_to_ready([0] * unit.count(number), [h for u, h in mends if u == number])
        assert together[number] == pytest.approx(alone[0], abs=0.011)
    np.testing.assert_allclose(together, time_to_ready(unit[::-1], hours[::-1], 4), atol=0.011)


def verdict_of(
    *checks: dict[str, Any], notice_h: float = 4.0, away: int = 0
) -> tuple[VerdictCode, float, float]:
    parts = [CheckRows.of("fault", [0], **check) for check in checks]
    rows = CheckRows.joined([*parts, CheckRows.of("kit", [0])])
    code, hours, turns = judge(rows, np.array([notice_h]), np.array([away]))
    return VerdictCode(code[0]), float(hours[0]), float(turns[0])


@pytest.mark.parametrize(
    ("checks", "code"),
    [
        ([], VerdictCode.READY),
        ([{"outcome": FAIL, "mend_h": 4.0}], VerdictCode.READY),
        ([{"outcome": FAIL, "mend_h": 4.01}], VerdictCode.AFTER_WORK),
        ([{"outcome": FAIL, "mend_h": 9.0, "gates": False}], VerdictCode.READY),
        ([{"outcome": FAIL, "mend_h": np.nan}], VerdictCode.CANNOT_DECIDE),
        ([{"outcome": CANNOT}], VerdictCode.CANNOT_DECIDE),
        ([{"outcome": CANNOT, "gates": False}], VerdictCode.READY),
        ([{"outcome": FAIL, "mend_h": np.inf}, {"outcome": CANNOT}], VerdictCode.BLOCKED),
        ([{"outcome": PASS, "mend_h": 99.0}], VerdictCode.READY),
    ],
)
def test_the_verdict_follows_from_checks_and_notice(checks: list[dict[str, Any]], code: VerdictCode) -> None:
    assert verdict_of(*checks)[0] == code


def test_without_a_stated_notice_nothing_is_ready() -> None:
    assert verdict_of(notice_h=np.nan)[0] == VerdictCode.CANNOT_DECIDE


def test_away_is_never_ready() -> None:
    assert verdict_of(away=2)[0] == VerdictCode.AFTER_WORK


def test_it_turns_on_the_first_day_of_a_check_it_rests_on() -> None:
    _, _, turns = verdict_of({"turns": 50.0, "gates": False}, {"turns": 90.0}, {"turns": 70.0})
    assert turns == 70.0


def rows_with(**changed: Any) -> CheckRows:
    given_columns: dict[str, Any] = {
        "subject": [7, 8],
        "outcome": FAIL,
        "mend_h": [1.0, 2.0],
        "turns": [np.nan, 9.0],
    }
    given_columns.update(changed)
    return CheckRows.of("fault", [0, 0], **given_columns)


def test_the_print_of_a_result_changes_with_any_stored_field_and_with_nothing_else() -> None:
    base = digests(rows_with(), [np.array([1.0])], 1)
    assert (digests(rows_with().take([1, 0]), [np.array([1.0])], 1) == base).all(), "order says nothing"
    assert (digests(rows_with(), [np.array([2.0])], 1) != base).any()
    for part in fields(CheckRows):
        if part.name == "unit":
            continue
        column = getattr(rows_with(), part.name).copy()
        column[0] = (
            not column[0] if column.dtype == bool else (3 if np.isnan(float(column[0])) else column[0] + 1)
        )
        other = replace(rows_with(), **{part.name: column})
        stored = part.name != "takes_h"  # a matter says how long its work takes, a verdict does not
        assert (digests(other, [np.array([1.0])], 1) != base).any() == stored, part.name
