"""Charts and the horizon: positions worked by hand, text escaped, the table beneath complete, no inline style."""

import datetime as dt

import pytest

from fleet.web.drawing import (
    BandPoint,
    Dot,
    Threshold,
    axis_days,
    band_of_doubt,
    line_chart,
    nice_steps,
    percent,
)
from fleet.web.horizon import HorizonUnit, Mark, MarkKind, State, Stretch, horizon, state_on

DAY = dt.date(2026, 11, 25)


def days(count: int) -> dt.date:
    return DAY + dt.timedelta(days=count)


def unit(tag: str = "HV-01", **changes: object) -> HorizonUnit:
    given = {
        "tag": tag,
        "name": "Harrow Vale",
        "url": "/units/HV-01/",
        "state": State.READY,
        "stretches": [Stretch(days(4), State.READY), Stretch(days(400), State.AFTER_WORK)],
        "marks": [],
        "words": "Ready until 29 Nov",
    }
    return HorizonUnit(**{**given, **changes})  # type: ignore[arg-type]


def test_percent_of_nothing_is_nothing() -> None:
    assert percent(1, 0) == "0%"
    assert percent(1, 8) == "12.50%"


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        # Four months: the month starts strictly between.
        (dt.date(2026, 10, 1), dt.date(2027, 1, 1), [dt.date(2026, 11, 1), dt.date(2026, 12, 1)]),
        # Across a leap day, thinned to every second month because seven would not fit.
        (
            dt.date(2028, 1, 15),
            dt.date(2028, 8, 15),
            [dt.date(2028, 2, 1), dt.date(2028, 4, 1), dt.date(2028, 6, 1), dt.date(2028, 8, 1)],
        ),
        # Three weeks: Mondays.
        (
            dt.date(2026, 11, 25),
            dt.date(2026, 12, 16),
            [dt.date(2026, 11, 30), dt.date(2026, 12, 7), dt.date(2026, 12, 14)],
        ),
    ],
)
def test_axis_days(first: dt.date, last: dt.date, expected: list[dt.date]) -> None:
    assert axis_days(first, last) == expected


@pytest.mark.parametrize(
    ("low", "high", "expected"), [(0, 1, [0, 0.25, 0.5, 0.75, 1]), (0, 37, [0, 10, 20, 30]), (3, 3, [3])]
)
def test_nice_steps(low: float, high: float, expected: list[float]) -> None:
    assert nice_steps(low, high) == pytest.approx(expected)


def test_a_chart_says_in_its_table_what_it_draws() -> None:
    chart = line_chart(
        title="Charge state",
        description="Falls",
        series=[BandPoint(DAY, 0.7, 0.8, 0.9), BandPoint(days(10), 0.5, 0.6, 0.7)],
        dots=[Dot(days(5), 0.75, "75 % by meter")],
        threshold=Threshold(0.5, "floor 50 %"),
        today=DAY,
    )
    assert [row.cells for row in chart.rows] == [
        ("25 Nov 2026", "70 %", "80 %", "90 %", ""),
        ("30 Nov 2026", "", "", "", "75 % by meter"),
        ("5 Dec 2026", "50 %", "60 %", "70 %", ""),
    ]
    assert [row.at for row in chart.rows] == ["0.00%", "50.00%", "100.00%"]
    # 0.8 of a scale from 0 to 1 stands 200 of 1000 below the top.
    assert "0.0,200.0 1000.0,400.0" in chart.svg
    assert "style=" not in chart.svg


def test_words_from_people_are_escaped() -> None:
    chart = line_chart(title="<b>x", description="", series=[], dots=[Dot(DAY, 0.5, "<script>")])
    assert "<script>" not in chart.svg
    assert "<b>x" not in chart.svg
    drawn = horizon([unit(words="<script>")], first_day=DAY, days=10)
    assert "<script>" not in drawn.rows[0].svg


def test_an_empty_chart_is_a_frame() -> None:
    assert line_chart(title="None", description="", series=[]).rows == ()


def test_the_band_never_leaves_its_track() -> None:
    assert 'width="132.0"' in band_of_doubt(-0.4, 1.7)
    assert 'width="1.0"' in band_of_doubt(0.5, 0.5)


@pytest.mark.parametrize(
    ("day", "expected"),
    [(days(4), State.READY), (days(5), State.AFTER_WORK), (days(900), State.AFTER_WORK)],
)
def test_a_stretch_holds_through_its_last_day(day: dt.date, expected: State) -> None:
    assert state_on(unit(), day) is expected


def test_a_strip_turns_on_the_day_after() -> None:
    svg = horizon([unit()], first_day=DAY, days=10).rows[0].svg
    # Five of ten days ready, five after work.
    assert 'class="strip strip--ready" x="0.00%" y="22" width="50.00%"' in svg
    assert 'class="strip strip--after_work" x="50.00%"' in svg
    assert "style=" not in svg


def test_a_unit_nobody_can_judge_is_dashed_throughout() -> None:
    svg = horizon([unit(state=State.CANNOT_DECIDE, stretches=[])], first_day=DAY, days=10).rows[0].svg
    assert 'class="strip strip--cannot_decide" x="0.00%" y="23" width="100.00%"' in svg
    assert "strip--ready" not in svg


def test_marks_past_and_to_come_and_beyond() -> None:
    marks = [
        Mark(MarkKind.CERTIFICATE, days(-3), "lifting certificate lapsed"),
        Mark(MarkKind.CHARGE, days(2), "charge reaches its floor", latest=days(6)),
        Mark(MarkKind.PART, days(50), "lamp due"),
    ]
    drawn = horizon([unit(marks=marks)], first_day=DAY, days=10)
    svg = drawn.rows[0].svg
    assert 'class="mark mark--past"' in svg
    assert 'class="whisker" x1="25.00%" x2="65.00%"' in svg
    assert "lamp due" not in svg
    assert drawn.days[2].events == "HV-01: charge reaches its floor"


def test_the_crowd_counts_the_ready_ones_each_day() -> None:
    drawn = horizon([unit(), unit("HV-02", stretches=[])], first_day=DAY, days=10)
    assert [day.ready for day in drawn.days] == ["2 ready"] * 5 + ["1 ready"] * 5
    assert drawn.crowd_words == "2 of 2 ready today, 1 on the last day if nothing is done."
    assert horizon([], first_day=DAY, days=10).crowd_words == "No units."
