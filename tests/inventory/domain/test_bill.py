"""Which line of the bill an item fits into on a day."""

import datetime as dt

import pytest

from inventory.domain.bill import BillLine, Misfit, fitting_line

OLD_ENDS, NEW_BEGINS = dt.date(2025, 6, 30), dt.date(2025, 7, 1)
LINES = [
    BillLine(1, "OLD", dt.date(2024, 1, 1), OLD_ENDS),
    BillLine(2, "NEW", NEW_BEGINS),
]


@pytest.mark.parametrize(
    ("day", "item", "expected"),
    [
        (OLD_ENDS, 1, 0),
        (OLD_ENDS, 2, Misfit("OLD")),
        (NEW_BEGINS, 1, Misfit("NEW")),
        (NEW_BEGINS, 2, 1),
        # Before the first line nothing holds, so that any line of the position may.
        (dt.date(2023, 12, 31), 1, 0),
        (dt.date(2023, 12, 31), 2, 1),
        (dt.date(2023, 12, 31), 3, Misfit("OLD")),
    ],
)
def test_the_lines_of_the_day_decide(day, item, expected):
    assert fitting_line(LINES, day, item) == expected


def test_a_position_without_lines_takes_nothing():
    assert fitting_line([], NEW_BEGINS, 1) == Misfit(None)
