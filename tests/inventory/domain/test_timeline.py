"""One lot in one place through time: worked by hand."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory.domain.timeline import Entry, Shortfall, walk

D = Decimal


def at(day: int) -> dt.datetime:
    return dt.datetime(2026, 3, day, 12, tzinfo=dt.UTC)


def test_new_lines_shift_what_comes_after_them() -> None:
    result = walk(D(10), [Entry(at(5), D(-4), ref=1)], [Entry(at(3), D(-6), line=0)])
    assert (result.end, result.effects, result.recounts) == (D(0), {0: D(-6)}, [])


def test_a_shortfall_names_the_line_and_the_day() -> None:
    with pytest.raises(Shortfall) as caught:
        walk(D(10), [Entry(at(5), D(-4), ref=1), Entry(at(6), D(9), ref=2)], [Entry(at(3), D(-7), line=0)])
    short = caught.value
    assert (short.line, short.at, short.balance, short.there) == (0, at(5), D(-1), D(10))


def test_a_later_count_takes_the_difference_up() -> None:
    existing = [Entry(at(5), D(-3), counted=D(7), ref=1), Entry(at(6), D(-2), ref=2)]
    result = walk(D(10), existing, [Entry(at(3), D(-3), line=0)])
    assert (result.end, result.recounts) == (D(5), [(1, D(0))])


def test_more_can_leave_before_a_count_than_the_count_left() -> None:
    result = walk(D(10), [Entry(at(5), D(-8), counted=D(2), ref=1)], [Entry(at(3), D(-10), line=0)])
    assert (result.end, result.recounts) == (D(2), [(1, D(2))])


def test_new_counts_work_out_their_own_difference() -> None:
    new = [Entry(at(4), D(0), counted=D(4), line=0), Entry(at(6), D(0), counted=D(9), line=1)]
    result = walk(D(10), [Entry(at(5), D(1), ref=1)], new)
    assert (result.end, result.effects) == (D(9), {0: D(-6), 1: D(4)})


def test_at_one_instant_only_the_end_counts() -> None:
    both = [Entry(at(3), D(-5), line=0), Entry(at(3), D(5), line=1)]
    assert walk(D(0), [], both).end == D(0)
    with pytest.raises(Shortfall):
        walk(D(0), [], both[:1])
