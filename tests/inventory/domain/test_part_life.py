"""Use and life of fitted parts: small cases worked by hand, edges in pairs, and one-by-one against all-at-once."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.domain.part_life import (
    CANNOT_DECIDE,
    FAIL,
    NO_TRAIN,
    PASS,
    TRAIN_A,
    TRAIN_B,
    Away,
    DayUse,
    Fittings,
    PartUse,
    add_months,
    life_left,
    use_of_fittings,
)

DAY1 = dt.date(2026, 3, 1)


def fitting(
    unit: int = 1,
    train: int = TRAIN_A,
    fitted: str = "2026-01-01T00:00",
    until: str = "2026-11-25T12:00",
    **more: Any,
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "unit": unit,
        "train": train,
        "fitted_at": fitted,
        "until": until,
        "carried_h": 0.0,
        "carried_m3": 0.0,
        "carried_starts": 0,
        "use_known": True,
        "hours_per_start_h": 0.0,
    }
    return row | more


def log(
    day: int,
    a: float = 10.0,
    b: float = 4.0,
    *,
    unit: int = 1,
    deployment: int = 7,
    starts: float = 2.0,
    m3: float = 50.0,
) -> dict[str, Any]:
    on = DAY1 + dt.timedelta(days=day)
    return {
        "unit": unit,
        "deployment": deployment,
        "day": on.isoformat(),
        "end_at": f"{on + dt.timedelta(days=1)}T00:00",
        "hours_a_h": a,
        "hours_b_h": b,
        "volume_a_m3": m3,
        "volume_b_m3": m3 / 5,
        "starts_a": starts,
        "starts_b": 1.0,
    }


TYPES = {
    "unit": np.int64,
    "deployment": np.int64,
    "train": np.int64,
    "carried_starts": np.int64,
    "use_known": np.bool_,
    "fitted_at": "datetime64[s]",
    "until": "datetime64[s]",
    "end_at": "datetime64[s]",
    "day": "datetime64[D]",
    "first_day": "datetime64[D]",
    "last_day": "datetime64[D]",
}


def columns(kind: Any, rows: list[dict[str, Any]]) -> Any:
    return kind(
        **{
            name: np.array([row[name] for row in rows], dtype=TYPES.get(name, np.float64))
            for name in kind.__slots__
        }
    )


def use(
    fittings: list[dict[str, Any]], logs: list[dict[str, Any]], away: list[dict[str, Any]] | None = None
) -> PartUse:
    return use_of_fittings(columns(Fittings, fittings), columns(DayUse, logs), columns(Away, away or []))


def test_carried_use_comes_before_the_use_in_this_position() -> None:
    found = use(
        [fitting(carried_h=100.0, carried_m3=500.0, carried_starts=8, hours_per_start_h=1.0)],
        [log(0), log(1), log(2)],
    )
    assert found.hours_h.tolist() == [130.0]
    assert found.starts.tolist() == [14.0]
    assert found.life_h.tolist() == [144.0]
    assert found.volume_m3.tolist() == [650.0]
    assert found.known_h.tolist() == [True]


@pytest.mark.parametrize(
    ("train", "hours", "volume"),
    [
        (TRAIN_A, 20.0, 100.0),
        (TRAIN_B, 8.0, 20.0),
        (NO_TRAIN, 28.0, 120.0),
    ],
)
def test_each_train_has_its_own_hours(train: int, hours: float, volume: float) -> None:
    found = use([fitting(train=train)], [log(0), log(1)])
    assert (found.hours_h[0], found.volume_m3[0]) == (hours, volume)


def test_a_part_of_no_train_runs_no_more_than_a_day_has() -> None:
    assert use([fitting(train=NO_TRAIN)], [log(0, a=20, b=20)]).hours_h[0] == 24.0
    assert use([fitting(train=NO_TRAIN)], [log(0, a=25, b=20)]).hours_h[0] == 25.0


@pytest.mark.parametrize(
    ("fitted", "until", "hours"),
    [
        ("2026-03-01T23:59", "2026-11-25T12:00", 30.0),  # the day it was fitted in counts whole
        ("2026-03-02T00:00", "2026-11-25T12:00", 20.0),  # from midnight on, the day before is not its own
        ("2026-01-01T00:00", "2026-03-03T00:00", 20.0),  # removed at midnight: the new day is not its own
        ("2026-01-01T00:00", "2026-03-03T00:01", 30.0),
        ("2026-03-02T09:00", "2026-03-02T09:30", 10.0),
        ("2026-04-02T09:00", "2026-04-02T09:30", 0.0),
        ("2025-04-02T09:00", "2025-04-02T09:30", 0.0),
    ],
)
def test_whole_days_that_the_fitting_touches(fitted: str, until: str, hours: float) -> None:
    logs = [log(2), log(0), log(1), log(0, unit=2, deployment=8)]
    assert use([fitting(fitted=fitted, until=until)], logs).hours_h[0] == hours


def test_a_value_not_written_down_makes_the_use_the_least_it_can_be() -> None:
    found = use(
        [fitting(), fitting(train=TRAIN_B), fitting(hours_per_start_h=1.0), fitting(use_known=False)],
        [log(0), log(1, a=float("nan"))],
    )
    assert found.hours_h.tolist() == [10.0, 8.0, 10.0, 10.0]
    assert found.known_h.tolist() == [False, True, False, False]
    assert found.known_m3.tolist() == [True, True, True, False]


def test_missing_starts_matter_only_where_starts_cost_life() -> None:
    found = use([fitting(), fitting(hours_per_start_h=1.0)], [log(0, starts=float("nan"))])
    assert found.known_h.tolist() == [True, False]


def away(first: int, last: int, deployment: int = 7) -> dict[str, Any]:
    return {
        "unit": 1,
        "deployment": deployment,
        "first_day": (DAY1 + dt.timedelta(days=first)).isoformat(),
        "last_day": (DAY1 + dt.timedelta(days=last)).isoformat(),
    }


@pytest.mark.parametrize(
    ("logged", "span", "unknown"),
    [
        ([0, 1, 2], (0, 2), 0),
        ([0, 2], (0, 2), 1),
        ([3, 4], (0, 4), 0),  # three days of travel out
        ([4, 5], (0, 5), 1),
        ([0, 1], (0, 4), 0),  # and three home
        ([0, 1], (0, 5), 1),
        ([], (0, 4), 5),  # nothing logged at all: no day is taken for travel
    ],
)
def test_days_away_without_a_log_are_not_known(
    logged: list[int], span: tuple[int, int], unknown: int
) -> None:
    found = use([fitting()], [log(day) for day in logged], [away(*span)])
    assert found.unknown_days[0] == unknown
    assert bool(found.known_h[0]) == (unknown == 0)


def test_a_gap_before_the_part_was_fitted_is_not_its_own() -> None:
    found = use([fitting(fitted="2026-03-03T00:00")], [log(0), log(2)], [away(0, 2)])
    assert bool(found.known_h[0])
    assert found.hours_h[0] == 10.0


def test_no_logs_no_fittings_and_unknown_units() -> None:
    assert use([fitting(carried_h=3.0)], []).hours_h.tolist() == [3.0]
    assert use([], [log(0)]).hours_h.tolist() == []
    assert use([fitting(unit=99)], [log(0)]).hours_h.tolist() == [0.0]


def test_columns_of_different_length_are_refused() -> None:
    good = columns(DayUse, [log(0)])
    short = DayUse(**{name: getattr(good, name)[: 0 if name == "day" else 1] for name in DayUse.__slots__})
    with pytest.raises(ValueError, match="DayUse differ in length"):
        use_of_fittings(columns(Fittings, [fitting()]), short, columns(Away, []))


@given(
    st.lists(
        st.tuples(st.integers(1, 3), st.integers(0, 2), st.integers(-5, 45), st.integers(0, 40)), max_size=12
    ),
    st.sets(st.tuples(st.integers(1, 3), st.integers(0, 40)), max_size=40),
)
def test_all_at_once_equals_day_by_day(
    parts: list[tuple[int, int, int, int]], logged: set[tuple[int, int]]
) -> None:
    logs = [
        log(day, a=float(day % 7), b=float(day % 5), unit=unit, deployment=unit)
        for unit, day in sorted(logged)
    ]
    start = dt.datetime.fromisoformat("2026-03-01T09:00")
    spans = [
        (start + dt.timedelta(days=first), start + dt.timedelta(days=first + length))
        for _, _, first, length in parts
    ]
    fittings = [
        fitting(unit=unit, train=train, fitted=a.isoformat(), until=b.isoformat())
        for (unit, train, _, _), (a, b) in zip(parts, spans, strict=True)
    ]
    found = use(fittings, logs)
    for (unit, train, _, _), (a, b), hours in zip(parts, spans, found.hours_h, strict=True):
        expected = 0.0
        for row in logs:
            end = dt.datetime.fromisoformat(row["end_at"])
            if row["unit"] == unit and a < end and end - dt.timedelta(days=1) < b:
                expected += [row["hours_a_h"] + row["hours_b_h"], row["hours_a_h"], row["hours_b_h"]][train]
        assert hours == pytest.approx(expected)


def left(
    hours: float,
    *,
    known: bool = True,
    limit_h: float = 9000.0,
    months: float = float("nan"),
    first: str = "NaT",
) -> Any:
    one = np.ones(1)
    found = PartUse(
        hours_h=one * hours,
        starts=one * 0,
        volume_m3=one * 10,
        life_h=one * hours,
        known_h=np.array([known]),
        known_m3=np.array([True]),
        unknown_days=np.zeros(1, dtype=np.int64),
    )
    return life_left(
        found,
        limit_h=one * limit_h,
        limit_m3=one * np.nan,
        limit_months=one * months,
        first_fitted_on=np.array([first], dtype="datetime64[D]"),
        as_of=np.datetime64("2026-11-25"),
    )


@pytest.mark.parametrize(
    ("hours", "known", "outcome"),
    [
        (8999.9, True, PASS),
        (9000.0, True, FAIL),  # a lamp that reaches its hours exactly is due
        (100.0, False, CANNOT_DECIDE),
        (9000.0, False, FAIL),  # the least it can be is already too much
    ],
)
def test_hours_against_the_limit(hours: float, known: bool, outcome: int) -> None:
    assert left(hours, known=known).outcome[0] == outcome


@pytest.mark.parametrize(
    ("first", "outcome"),
    [("2025-11-25", PASS), ("2025-11-24", FAIL), ("NaT", CANNOT_DECIDE)],
)
def test_months_since_first_fitted_count_through_the_last_day(first: str, outcome: int) -> None:
    assert left(1.0, limit_h=float("nan"), months=12.0, first=first, known=False).outcome[0] == outcome


def test_months_are_clamped_to_the_month_end() -> None:
    days = np.array(["2025-08-31", "2027-08-31", "2026-11-25", "NaT", "2026-01-31"], dtype="datetime64[D]")
    moved = add_months(days, np.array([6.0, 6.0, 0.0, 6.0, np.nan]))
    assert [str(day) for day in moved] == ["2026-02-28", "2028-02-29", "2026-11-25", "NaT", "NaT"]
