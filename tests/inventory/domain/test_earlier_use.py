"""Whether the use of a part before its fitting is known."""

import pytest

from inventory.domain.earlier_use import Limits, Told, use_is_told

LAMP = Limits(hours=True, starts=True, months=True)


@pytest.mark.parametrize(
    ("limits", "told", "known"),
    [
        (LAMP, Told(), False),
        (LAMP, Told(hours_h=1200.0), False),
        (LAMP, Told(hours_h=1200.0, starts=40), False),
        (LAMP, Told(hours_h=1200.0, starts=40, first_fitted=True), True),
        (LAMP, Told(hours_h=1200.0, first_fitted=True), False),
        (LAMP, Told(hours_h=0.0, starts=0), True),
        (LAMP, Told(hours_h=0.0, starts=1), False),
        (LAMP, Told(first_fitted=True), False),
        (Limits(months=True), Told(first_fitted=True), True),
        (Limits(months=True), Told(hours_h=5.0), False),
        (Limits(volume=True), Told(hours_h=5.0), False),
        (Limits(volume=True), Told(volume_m3=5.0), True),
        # Nothing limits it today; a limit may come, and then what nobody said must not read as new.
        (Limits(), Told(), False),
        (Limits(), Told(hours_h=5.0), True),
    ],
)
def test_nothing_that_the_life_asks_for_may_be_missing(limits, told, known):
    assert use_is_told(limits, told) is known
