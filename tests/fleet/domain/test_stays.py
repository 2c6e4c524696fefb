"""How a stretch away that is told later fits into the stays on file."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from fleet.domain.stays import Cut, Span, beside_others, cut, unmoved
from fleet.lib.errors import DomainError


def at(day: int, hour: int = 0) -> dt.datetime:
    return dt.datetime(2025, 6, day, hour, tzinfo=dt.UTC)


HOME = Span(at(1), None, False, "Nordheim depot")


@pytest.mark.parametrize(
    ("stays", "start", "end", "expected"),
    [
        ([HOME], at(5), at(9), Cut(split=0)),
        ([HOME], at(1), at(9), Cut(split=0)),
        ([Span(at(1), at(5), False), Span(at(5), None, False)], at(2), at(5), Cut(split=0)),
        ([Span(at(1), at(5), False), Span(at(5), None, False)], at(5), at(6), Cut(split=1)),
        # The first stay on file began when somebody wrote the unit down, not when the unit came.
        ([Span(at(20), None, False)], at(5), at(9), Cut(later=0)),
        ([Span(at(7), None, False)], at(5), at(9), Cut(later=0)),
        (
            [Span(at(10), at(12), True), Span(at(12), None, False)],
            at(5),
            at(9),
            Cut(fill=True, fill_until=at(10)),
        ),
        ([Span(at(9), at(12), True), Span(at(12), None, False)], at(5), at(9), Cut(fill_until=at(9))),
        ([], at(5), at(9), Cut(fill=True)),
    ],
)
def test_room_is_made(stays, start, end, expected):
    assert cut(stays, start, end) == expected


@pytest.mark.parametrize(
    ("stays", "key"),
    [
        ([Span(at(1), at(8), False), Span(at(8), at(12), True), Span(at(12), None, False)], "stay.away_then"),
        ([Span(at(1), at(6), False), Span(at(6), None, True)], "stay.away_then"),
        ([Span(at(1), at(6), False), Span(at(6), None, False, "Quay")], "stay.moved_then"),
        ([Span(at(1), at(2), False), Span(at(7), None, False, "Quay")], "stay.moved_then"),
    ],
)
def test_a_contradiction_is_refused_with_its_mend(stays, key):
    with pytest.raises(DomainError) as caught:
        cut(stays, at(5), at(9))
    assert caught.value.key == key
    assert caught.value.data["mend"]


def test_two_missions_that_meet_on_one_day_share_it():
    zone = ZoneInfo("Europe/Oslo")
    first = Span(dt.datetime(2025, 6, 2, 8, tzinfo=zone), dt.datetime(2025, 6, 9, 18, tzinfo=zone), True)
    start, end = dt.datetime(2025, 6, 9, 8, tzinfo=zone), dt.datetime(2025, 6, 12, 18, tzinfo=zone)
    assert beside_others([first], start, end) == (first.end, end)
    early = dt.datetime(2025, 5, 28, 8, tzinfo=zone)
    assert beside_others([first], early, dt.datetime(2025, 6, 2, 18, tzinfo=zone)) == (early, first.start)
    assert beside_others([first], dt.datetime(2025, 6, 8, 8, tzinfo=zone), end)[0].day == 8


@pytest.mark.parametrize(
    ("number", "expected"), [(0, [0, 1]), (1, [0, 1]), (2, [2]), (3, [3]), (4, [4]), (5, [5])]
)
def test_a_thing_did_not_move_through_touching_stays_of_one_place(number, expected):
    stays = [
        Span(at(1), at(3), False, where=1),
        Span(at(3), at(5), False, where=1),
        Span(at(5), at(7), False, where=2),
        Span(at(8), at(9), False, where=2),  # a gap before it
        Span(at(9), at(11), True),
        Span(at(11), None, True),
    ]
    assert list(unmoved(stays, number)) == expected
