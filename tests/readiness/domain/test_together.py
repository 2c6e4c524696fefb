"""Ready together: counted by hand, against every choice of units, and with nothing on file."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from readiness.domain.together import Contest, Together, ready_together


@pytest.mark.parametrize(
    ("needs", "available", "expected"),
    [
        ([], {}, Together(0, 0, True, ())),
        ([{}, {}], {}, Together(2, 2, True, ())),
        # Enough for all, to the last piece.
        ([{"sling": 1}, {"sling": 2}], {"sling": 3}, Together(2, 2, True, ())),
        # Three want one sling of two.
        ([{"sling": 1}] * 3, {"sling": 2}, Together(3, 2, True, (Contest("sling", 3, 2),))),
        # Two small ones go rather than the big one.
        (
            [{"tablets": 200}, {"tablets": 100}, {"tablets": 80}],
            {"tablets": 200},
            Together(3, 2, True, (Contest("tablets", 380, 200),)),
        ),
        # Needed and not on file: none of it is there.
        ([{"sling": 1}, {}], {}, Together(2, 1, True, (Contest("sling", 1, 0),))),
        # Two things at once: a takes the sling, b the tow vehicle, c needs both.
        (
            [{"sling": 1}, {"tow": 1}, {"sling": 1, "tow": 1}],
            {"sling": 1, "tow": 1},
            Together(3, 2, True, (Contest("sling", 2, 1), Contest("tow", 2, 1))),
        ),
    ],
)
def test_by_hand(needs, available, expected) -> None:
    assert ready_together(needs, available) == expected


amounts = st.dictionaries(st.sampled_from("abc"), st.integers(0, 4), max_size=3)


@settings(max_examples=60, deadline=None)
@given(needs=st.lists(amounts, max_size=7), available=amounts)
def test_no_choice_of_units_does_better(needs, available) -> None:
    def fits(chosen) -> bool:
        return all(sum(need.get(key, 0) for need in chosen) <= available.get(key, 0) for key in "abc")

    best = max(size for size in range(len(needs) + 1) if any(map(fits, itertools.combinations(needs, size))))
    answer = ready_together(needs, available)
    assert (answer.at_once, answer.proven) == (best, True)


def test_a_negative_amount_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        ready_together([{"a": -1}], {})
