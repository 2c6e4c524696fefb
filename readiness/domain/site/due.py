"""Dates of examinations against a mission, and the age of a tyre from its code.

A mission counts to the day of return: what runs out before it is not in date. Source: section 5 of
`reference/water_energy_sites.md`; the clamp to the end of the month is that of `inventory.domain.part_life`.
"""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np

from inventory.domain.part_life import add_months
from readiness.domain.site.inputs import BadSite, not_negative, positive

WEEK_YEAR = re.compile(r"(?P<week>\d{2})(?P<year>\d{2})\Z")
CENTURY = 2000  # four digits are in use since 2000


def last_valid_day(last: date, months: int) -> date:
    """The last day on which an examination of `last` still counts: whole months on, clamped to the end of the month."""
    positive("months between examinations", months)
    moved = add_months(np.array([last], dtype="datetime64[D]"), np.array([months], dtype=np.float64))
    day: date = moved[0].item()
    return day


def in_date_through_mission(last: date | None, months: int, depart: date, days: int) -> bool | None:
    """Whether it holds on the day of return (`depart` + `days`). Never examined: None, cannot decide."""
    if last is None:
        return None
    if last > depart:
        raise BadSite(
            "site.examined_later",
            "The examination of {last} lies after the departure on {depart}.",
            last=last,
            depart=depart,
        )
    return last_valid_day(last, months) >= depart + timedelta(
        days=float(not_negative("days of the mission", days))
    )


def tyre_age_weeks(dot: str, on: date) -> int:
    """Whole weeks since the Monday of the week in a four-digit week-year code (49 CFR 574.5): `3519` is week 35 of 2019."""
    found = WEEK_YEAR.fullmatch(dot.strip()[-4:]) if len(dot.strip()) >= 4 else None
    if found is None:
        raise BadSite(
            "site.tyre_code",
            "A tyre's date code has four digits, week and year (3519); '{dot}' has not.",
            dot=dot,
        )
    try:
        monday = date.fromisocalendar(CENTURY + int(found["year"]), int(found["week"]), 1)
    except ValueError:
        raise BadSite(
            "site.tyre_code", "There is no week {week} in 20{year}.", week=found["week"], year=found["year"]
        ) from None
    if monday > on:
        raise BadSite("site.tyre_code", "The tyre's code {dot} lies after {on}.", dot=dot, on=on)
    return (on - monday).days // 7
