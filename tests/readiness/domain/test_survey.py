"""The order of a survey: most units decided per minute, every unit once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from readiness.domain.survey import Stop, walk


def order(stops, shared_minutes=None):
    return [step.unit or step.shared for step in walk(stops, shared_minutes or {})]


@pytest.mark.parametrize(
    ("stops", "shared", "expected"),
    [
        ([], {}, []),
        ([Stop(1, 30), Stop(2, 5), Stop(3, 5)], {}, [2, 3, 1]),
        # Five minutes on the terms free three quick units: 3 in 8 minutes beats 1 in 10.
        ([Stop(1, 1, frozenset("t")), Stop(2, 1, frozenset("t")), Stop(3, 1, frozenset("t")), Stop(4, 10)], {"t": 5},
         ["t", 1, 2, 3, 4]),
        # One unit behind the terms: 1 in 15 minutes is worse than 1 in 10.
        ([Stop(1, 10, frozenset("t")), Stop(4, 10)], {"t": 5}, [4, "t", 1]),
        # Two shared facts, each worth it only with the other.
        ([Stop(n, 1, frozenset("tc")) for n in (1, 2, 3, 4)] + [Stop(9, 6)], {"t": 5, "c": 5},
         ["c", "t", 1, 2, 3, 4, 9]),
    ],
)  # fmt: skip
def test_most_units_a_minute_come_first(stops, shared, expected):
    assert order(stops, shared) == expected


def test_the_totals_run_on():
    steps = walk([Stop(1, 20, frozenset({"terms"})), Stop(2, 5)], {"terms": 4})
    assert [(step.minutes_so_far, step.decided_so_far) for step in steps] == [(5, 1), (9, 1), (29, 2)]


def test_minutes_are_never_negative_and_shared_facts_have_theirs():
    with pytest.raises(ValueError, match="negative"):
        walk([Stop(1, -1)], {})
    with pytest.raises(KeyError):
        walk([Stop(1, 1, frozenset({"unheard of"}))], {})


STOPS = st.lists(
    st.tuples(st.integers(0, 60), st.frozensets(st.sampled_from(["terms", "climate", "rules"]))), max_size=25
)


@given(STOPS)
def test_every_unit_once_and_no_unit_before_its_shared_facts(drawn):
    stops = [Stop(number, minutes, shared) for number, (minutes, shared) in enumerate(drawn, start=1)]
    steps = walk(stops, {"terms": 7, "climate": 3, "rules": 11})
    needs = {stop.unit: stop.shared for stop in stops}
    assert sorted(step.unit for step in steps if step.unit) == sorted(needs)
    settled = set()
    for step in steps:
        if step.unit is None:
            assert step.shared not in settled
            settled.add(step.shared)
        else:
            assert needs[step.unit] <= settled
    assert len(steps) == len(stops) + len(settled)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=25))
def test_without_shared_facts_no_other_order_has_more_decided_at_any_minute(minutes):
    steps = walk([Stop(number, each) for number, each in enumerate(minutes, start=1)], {})
    assert [step.minutes for step in steps] == sorted(minutes)
