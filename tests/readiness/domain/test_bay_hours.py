"""Slots of a depot: hours of its zone on days of 23, 24 and 25 hours, and the harmful minute of a slot."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from readiness.domain.bay_plan.hours import (
    CrewRow,
    DayRow,
    Grid,
    SpanRow,
    SupplyRow,
    base_slots,
    closed_days,
    grid_of,
    hours_of_day,
    open_slots,
    slot_hours,
    supply_slots,
)

OSLO = ZoneInfo("Europe/Oslo")
KATHMANDU = ZoneInfo("Asia/Kathmandu")  # 5 h 45 min ahead of UTC
LONG_AGO = dt.date(2020, 1, 1)
EVERY_DAY = [CrewRow(LONG_AGO, None, day, dt.time(7), dt.time(15)) for day in range(7)]


def utc(*when):
    return dt.datetime(*when, tzinfo=dt.UTC)


class TestGrid:
    def test_begins_at_the_full_hour_that_began_just_now_or_at_the_next(self):
        assert grid_of(utc(2026, 11, 25, 12, 10), OSLO, days=1, slot_h=1).starts_at == utc(2026, 11, 25, 12)
        assert grid_of(utc(2026, 11, 25, 12, 16), OSLO, days=1, slot_h=1).starts_at == utc(2026, 11, 25, 13)

    def test_full_hours_are_those_of_the_zone(self):
        grid = grid_of(utc(2026, 11, 25, 12, 20), KATHMANDU, days=1, slot_h=1)
        assert grid.starts_at == utc(2026, 11, 25, 12, 15)  # 18:00 there
        assert grid.local(0).minute == 0

    def test_slots_of_two_hours_lie_where_the_crew_has_most_of_them(self):
        # 07 to 15 h is four slots from 07 and three from 08.
        grid = grid_of(utc(2026, 11, 25, 11), OSLO, days=7, slot_h=2, weekly=EVERY_DAY)
        assert grid.local(0).hour % 2 == 1
        assert open_slots(grid, EVERY_DAY, {}).sum() == 7 * 4

    @pytest.mark.parametrize(("banks", "days", "hours"), [(20, 14, 1), (23, 14, 1), (24, 14, 2), (60, 14, 2)])
    def test_many_banks_are_planned_in_longer_slots(self, banks, days, hours):
        assert slot_hours(banks, days) == hours


class TestClockChange:
    """Europe/Oslo: 25 October 2026 has 25 hours, 28 March 2027 has 23 (Directive 2000/84/EC: last Sundays, 01:00 UTC)."""

    @pytest.mark.parametrize(
        ("midnight", "hours", "opens"),
        [
            (utc(2026, 10, 24, 22), 25, utc(2026, 10, 25, 6)),
            (utc(2027, 3, 27, 23), 23, utc(2027, 3, 28, 5)),
            (utc(2026, 11, 24, 23), 24, utc(2026, 11, 25, 6)),
        ],
    )
    def test_the_crew_comes_at_seven_by_the_clock_of_the_day(self, midnight, hours, opens):
        grid = Grid(midnight, hours, 1, OSLO)
        present = np.flatnonzero(open_slots(grid, EVERY_DAY, {}))
        assert grid.at(int(present[0])) == opens
        assert len(present) == 8
        assert len(grid.days()) == 1

    def test_slots_of_two_hours_after_the_change_still_lie_within_the_hours(self):
        grid = Grid(utc(2026, 10, 24, 5), 24, 2, OSLO)  # from 07:00, the clock goes back that night
        for slot in np.flatnonzero(open_slots(grid, EVERY_DAY, {})):
            assert dt.time(7) <= grid.local(int(slot)).time()
            assert grid.local(int(slot) + 1).time() <= dt.time(15)

    # 25 October 2026 in Oslo: slots 0 to 24, of which 2 and 3 are the hour from 02:00 that comes twice.
    LONG_NIGHT = Grid(utc(2026, 10, 24, 22), 25, 1, OSLO)

    def test_a_limit_holds_in_both_of_the_hours_that_the_clock_shows_twice(self):
        for plain, limit in ((11.0, 2.0), (2.0, 11.0)):
            rows = [SupplyRow(LONG_AGO, None, None, dt.time(1), dt.time(2, 30), limit)]
            supply = supply_slots(self.LONG_NIGHT, (SpanRow(LONG_AGO, None, plain),), rows)
            assert supply[:6].tolist() == [plain, limit, 2.0, 2.0, plain, plain]

    def test_of_a_time_that_comes_twice_the_crew_comes_at_the_later_and_leaves_at_the_earlier(self):
        sunday = [CrewRow(LONG_AGO, None, 6, dt.time(2), dt.time(6))]
        assert np.flatnonzero(open_slots(self.LONG_NIGHT, sunday, {})).tolist() == [3, 4, 5, 6]
        night = [CrewRow(LONG_AGO, None, 6, dt.time(0), dt.time(2, 59))]
        assert np.flatnonzero(open_slots(self.LONG_NIGHT, night, {})).tolist() == [0, 1]

    def test_an_hour_that_the_clock_skips_adds_none(self):
        grid = Grid(utc(2027, 3, 27, 23), 23, 1, OSLO)
        sunday = [CrewRow(LONG_AGO, None, 6, dt.time(2, 30), dt.time(6))]
        assert [grid.local(int(t)).hour for t in np.flatnonzero(open_slots(grid, sunday, {}))] == [4, 5]


class TestCrew:
    def test_a_day_of_its_own_takes_the_place_of_its_weekday(self):
        day = dt.date(2026, 11, 25)
        assert hours_of_day(day, EVERY_DAY, {}) == [(dt.time(7), dt.time(15))]
        assert hours_of_day(day, EVERY_DAY, {day: DayRow(None, None)}) == []
        assert hours_of_day(day, EVERY_DAY, {day: DayRow(dt.time(9), dt.time(12))}) == [
            (dt.time(9), dt.time(12))
        ]

    def test_a_slot_with_a_minute_without_crew_is_closed(self):
        grid = Grid(utc(2026, 11, 25, 6), 3, 1, OSLO)  # 7, 8 and 9 h there
        short = [CrewRow(LONG_AGO, None, 2, dt.time(7), dt.time(8, 59))]
        assert open_slots(grid, short, {}).tolist() == [True, False, False]

    def test_hours_end_with_their_last_day(self):
        day = dt.date(2026, 11, 25)
        ended = [CrewRow(LONG_AGO, day - dt.timedelta(days=1), 2, dt.time(7), dt.time(15))]
        assert hours_of_day(day, ended, {}) == []

    def test_a_closed_day_has_the_hours_of_the_longest_weekday(self):
        grid = Grid(utc(2026, 11, 27, 23), 24, 1, OSLO)  # Saturday
        weekdays = [
            CrewRow(LONG_AGO, None, 0, dt.time(8), dt.time(16)),
            CrewRow(LONG_AGO, None, 4, dt.time(8), dt.time(13)),
        ]
        assert [len(slots) for slots in closed_days(grid, weekdays, {}).values()] == [8]


class TestSupply:
    GRID = Grid(utc(2026, 11, 24, 23), 24, 1, OSLO)  # all of Wednesday 25 November
    PLAIN = (SpanRow(LONG_AGO, None, 11.0),)

    def row(self, starts, ends, limit_kw, weekday=None):
        return SupplyRow(LONG_AGO, None, weekday, starts, ends, limit_kw)

    def test_hours_take_the_place_of_the_limit_and_the_least_counts(self):
        rows = [
            self.row(dt.time(6), dt.time(9), 5.0),
            self.row(dt.time(8), dt.time(10), 3.0),
            self.row(dt.time(22), dt.time(0), 16.0),
            self.row(dt.time(12), dt.time(14), 1.0, weekday=0),
        ]
        supply = supply_slots(self.GRID, self.PLAIN, rows)
        assert supply[[5, 6, 8, 9, 10, 13, 22, 23]].tolist() == [11, 5, 3, 3, 11, 11, 16, 16]

    def test_the_least_minute_of_a_slot_counts(self):
        supply = supply_slots(self.GRID, self.PLAIN, [self.row(dt.time(8, 59), dt.time(9, 1), 2.0)])
        assert supply[[7, 8, 9, 10]].tolist() == [11, 2, 2, 11]

    def test_a_slot_whose_limit_nobody_knows_has_none(self):
        assert np.isnan(supply_slots(self.GRID, (), ())).all()
        supply = supply_slots(self.GRID, (), [self.row(dt.time(8), dt.time(9, 30), 2.0)])
        assert supply[8] == 2.0
        assert np.isnan(supply[[7, 9]]).all()

    def test_the_most_that_is_drawn_anyway_counts(self):
        rows = (SpanRow(LONG_AGO, dt.date(2026, 11, 25), 1.0), SpanRow(dt.date(2026, 11, 26), None, 3.0))
        grid = Grid(utc(2026, 11, 25, 22), 2, 2, OSLO)  # 23 to 01 h, 01 to 03 h
        assert base_slots(grid, rows).tolist() == [3.0, 3.0]
