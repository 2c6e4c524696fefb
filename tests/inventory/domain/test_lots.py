"""What keeps a lot from going aboard: a table of cases, edges in pairs."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory.domain.lots import lot_hindrance

DAY = dt.date(2026, 11, 25)


@pytest.mark.parametrize(
    ("status", "expires_on", "no_expiry", "dated", "expected"),
    [
        ("good", DAY, False, True, ""),  # valid through its last day
        ("good", DAY - dt.timedelta(days=1), False, True, "expired"),
        ("good", DAY - dt.timedelta(days=1), False, False, "expired"),  # a date that stands counts
        ("good", None, False, True, "expiry_unknown"),  # missing is never good
        ("good", None, True, True, ""),
        ("good", None, False, False, ""),
        ("quarantine", DAY, False, True, "quarantine"),
        ("recalled", DAY - dt.timedelta(days=1), False, True, "recalled"),
    ],
)
def test_hindrance(
    status: str, expires_on: dt.date | None, no_expiry: bool, dated: bool, expected: str
) -> None:
    found = lot_hindrance(status=status, expires_on=expires_on, no_expiry=no_expiry, dated=dated, day=DAY)
    assert found == expected
