"""What units ask of the stores: kits through a mission that begins on any day, parts before their life ends.

Own examples, worked out by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.snapshot import Frame
from readiness.domain.store_demand import kit_demand, part_demand

TODAY = 20_800
NAN, INF = np.nan, np.inf


def units(mission: float = 60, *, hours: float = NAN, volume: float = NAN) -> Frame:
    return Frame({"mission_days": [mission], "train_hours_day": [hours], "train_m3_day": [volume]})


def kit(qty: float = 4, per_days: float = NAN) -> Frame:
    return Frame({"unit": [0], "item": [7], "qty": [qty], "per_days": [per_days], "grounds": [True]})


def aboard(*lots: tuple[float, float], usable: bool = True) -> Frame:
    """(quantity, days from today through which it is usable)."""
    return Frame(
        {
            "unit": np.zeros(len(lots), dtype=int),
            "item": np.full(len(lots), 7),
            "qty": np.array([qty for qty, _ends in lots], dtype=float),
            "expires": np.array([TODAY + ends for _qty, ends in lots], dtype=float),
            "usable": np.full(len(lots), usable),
        }
    )


def asked(demand: Frame) -> list[tuple[float, int, int]]:
    """(quantity, day from today, how many days it must last), by day."""
    rows = zip(demand["qty"], demand["day"] - TODAY, demand["lasts_to"] - demand["day"], strict=True)
    return sorted(((float(q), int(d), int(n)) for q, d, n in rows), key=lambda row: row[1])


@pytest.mark.parametrize(
    ("lots", "wanted"),
    [
        ([(4, INF)], []),
        ([(3, INF)], [(1, 0, 60)]),
        ([(4, 60)], [(4, 1, 60)]),  # lasts a mission that begins today, not one of tomorrow
        ([(4, 59)], [(4, 0, 60)]),  # would end on the way
        ([(4, 100), (4, 200)], [(4, 141, 60)]),  # the longer-lived ones count; the others are spare
        ([(2, 100), (3, 200)], [(1, 41, 60), (3, 141, 60)]),
        ([], [(4, 0, 60)]),
    ],
)
def test_a_kit_is_kept_complete(lots, wanted) -> None:
    assert asked(kit_demand(units(), kit(), aboard(*lots), today=TODAY)) == wanted


@given(
    lots=st.lists(st.tuples(st.integers(1, 5), st.integers(-20, 200)), max_size=8),
    mission=st.integers(0, 60),
    qty=st.integers(1, 12),
)
def test_with_what_is_asked_the_kit_is_complete_on_every_day_and_never_more_than_that(
    lots, mission, qty
) -> None:
    """Day by day, without the cumulative sums: what lasts a mission from that day on, and what came by then."""
    wanted = asked(kit_demand(units(mission), kit(qty), aboard(*lots), today=TODAY))
    for day in range(210):
        lasting = sum(held for held, ends in lots if ends >= day + mission)
        came = sum(amount for amount, on, _lasts in wanted if on <= day)
        assert lasting + came >= qty
        if any(on == day for _amount, on, _lasts in wanted):
            assert lasting + came == qty


def test_what_is_not_usable_aboard_is_asked_for() -> None:
    assert asked(kit_demand(units(), kit(), aboard((4, INF), usable=False), today=TODAY)) == [(4, 0, 60)]


def test_a_quantity_for_so_many_days_is_taken_as_often_as_begun_and_once_without_a_mission() -> None:
    assert asked(kit_demand(units(61), kit(4, 30), aboard((1, INF)), today=TODAY)) == [(11, 0, 61)]
    assert asked(kit_demand(units(NAN), kit(4, 30), aboard((1, INF)), today=TODAY)) == [(3, 0, 0)]


def test_a_kit_nobody_counted_is_asked_for_and_said() -> None:
    assert kit_demand(units(), kit(), aboard(), today=TODAY)["unknown"].tolist() == [True]
    assert kit_demand(units(), kit(), aboard((1, INF)), today=TODAY)["unknown"].tolist() == [False]


POSITION = Frame({"unit": [0], "item": [7], "slot": [0], "grounds": [False]})


def part(**told) -> Frame:
    usual = {
        "unit": 0, "item": 7, "slot": 0, "train": 1, "usable": True, "outcome": 0, "left_h": NAN, "limit_h": NAN,
        "left_m3": NAN, "limit_m3": NAN, "limit_months": NAN, "last_day": NAN,
    }  # fmt: skip
    return Frame({name: [value] for name, value in {**usual, **told}.items()})


def changes(fitted: Frame, *, away: bool = False, **plan: float) -> list[tuple[int, bool]]:
    """(day from today, not known) of each change within 800 days."""
    demand = part_demand(
        units(**plan), POSITION, fitted, today=TODAY, horizon=TODAY + 800, away=np.array([away])
    )
    assert (demand["qty"] == 1).all()
    assert (demand["rank"] == 1).all()
    return sorted((int(d) - TODAY, bool(u)) for d, u in zip(demand["day"], demand["unknown"], strict=True))


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        ({}, []),
        ({"item": 8}, [(0, False)]),
        ({"usable": False}, [(0, False)]),
        ({"outcome": 1}, [(0, False)]),
        ({"outcome": 2}, [(0, True)]),
        ({"last_day": TODAY + 100.0}, [(41, False)]),
        ({"last_day": TODAY + 59.0}, [(0, False)]),
    ],
)
def test_a_part_is_changed_before_a_mission_would_outlive_it(told, wanted) -> None:
    assert changes(part(**told)) == wanted


def test_a_part_is_changed_again_when_the_new_one_ends() -> None:
    found = changes(part(last_day=TODAY + 100.0, limit_months=12.0))
    # fitted on day 41, good for a year (365 or 366 days), changed 59 days before that ends, and once more
    assert found[0][0] == 41
    assert len(found) == 3
    steps = np.diff([day for day, _unknown in found])
    assert set(steps.tolist()) <= {306, 307}


def test_hours_that_a_mission_would_use_up_are_asked_for_today() -> None:
    assert changes(part(left_h=599.0, limit_h=8000.0), hours=10) == [(0, False)]
    assert changes(part(left_h=600.0, limit_h=8000.0), hours=10) == []


def test_a_unit_that_works_uses_up_its_parts_by_the_plan() -> None:
    spare = part(left_h=725.0, limit_h=8000.0, left_m3=9000.0, limit_m3=9000.0)
    assert changes(spare, away=True, hours=10, volume=100) == [(72, False)]
    assert changes(spare, away=True, hours=10) == [(0, True)], "no plan of the volume is stated"
    assert changes(spare, hours=10) == []


def test_an_empty_position_is_asked_for() -> None:
    assert changes(part(slot=1)) == [(0, False)]
    nothing = part().take([])
    assert changes(nothing) == [(0, True)]
