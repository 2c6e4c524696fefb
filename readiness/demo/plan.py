"""Who is in the scenario: each unit with its troubles and times away; beyond the written ones, as many as asked."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from readiness.demo.source import Row, Source
from readiness.demo.timeline import Timeline

LETTER = {"G24": "G", "A48": "A", "F24": "F", "L48": "L"}
SITE_NEAR = {"LIS": "PAM", "WIN": "GIM", "PHX": "SAF", "MNL": "CAT"}
# Troubles that further units may have, with their share.
COMMON_TROUBLES = (
    ("fading_bank", 0.01),
    ("lamp_over_hours", 0.01),
    ("lapsed_lifting", 0.02),
    ("tripped_charger", 0.01),
    ("wet_idle", 0.02),
    ("kit_short", 0.03),
    ("stale_reading", 0.04),
    ("never_surveyed", 0.02),
)


@dataclass(frozen=True)
class Trip:
    """A time away on a call or an exercise; days count from the first of the history, `end` None: still out."""

    code: str
    exercise: bool
    site: str
    start: int
    end: int | None
    row: Row

    def out_on(self, day: int) -> bool:
        return self.start <= day and (self.end is None or day <= self.end)


@dataclass
class UnitPlan:
    number: int
    tag: str
    design: str
    home: str
    serial: str
    age_years: float
    packed_form: str
    yard_place: str
    troubles: set[str] = field(default_factory=set)
    trips: list[Trip] = field(default_factory=list)
    absences: list[Row] = field(default_factory=list)

    def has(self, trouble: str) -> bool:
        return trouble in self.troubles

    @property
    def surveyed(self) -> bool:
        return "never_surveyed" not in self.troubles

    def away_days(self, days: int) -> np.ndarray:
        """Which days of the history the unit is not at home (a trip or another absence)."""
        away = np.zeros(days, dtype=bool)
        for trip in self.trips:
            away[trip.start : days if trip.end is None else trip.end + 1] = True
        for absence in self.absences:
            away[days + int(absence["start"]) :] = True
        return away


def plan_units(
    source: Source, timeline: Timeline, rng: np.random.Generator, count: int | None
) -> list[UnitPlan]:
    units = written_units(source, timeline)
    if count is not None:
        units = units[:count]
        while len(units) < count:
            units.append(further_unit(source, timeline, rng, len(units) + 1))
    return units


def written_units(source: Source, timeline: Timeline) -> list[UnitPlan]:
    units = [
        UnitPlan(number, **{name: row[name] for name in row})
        for number, row in enumerate(source["units"], start=1)
    ]
    by_tag = {unit.tag: unit for unit in units}
    for row in source["troubles"]:
        if row["subject"] in by_tag:
            by_tag[row["subject"]].troubles.add(row["key"])
    for row in source["deployments"]:
        by_tag[row["unit"]].trips.append(trip_of(row, timeline))
    for row in source["absences"]:
        by_tag[row["unit"]].absences.append(row)
    return units


def trip_of(row: Row, timeline: Timeline) -> Trip:
    start = timeline.days + int(row["start"])
    end = None if row["days"] is None else start + int(row["days"])
    return Trip(row["code"], bool(row["exercise"]), row["site"], start, end, row)


def further_unit(source: Source, timeline: Timeline, rng: np.random.Generator, number: int) -> UnitPlan:
    designs = list(LETTER)
    design = designs[int(rng.choice(4, p=(0.35, 0.25, 0.15, 0.25)))]
    home = source.depots[int(rng.integers(len(source.depots)))]
    forms = [row["code"] for row in source["packed_forms"] if row["design"] == design]
    unit = UnitPlan(
        number=number,
        tag=f"{LETTER[design]}-{1000 + number}",
        design=design,
        home=home,
        serial=f"{design}-{30000 + number}",
        age_years=round(float(rng.uniform(2.2, 6.0)), 1),
        packed_form=forms[0],
        yard_place=f"row {number % 40 + 1}",
    )
    unit.troubles = {key for key, share in COMMON_TROUBLES if rng.random() < share}
    if rng.random() < 0.2:
        row: Row = {
            "code": f"D-{number}",
            "unit": unit.tag,
            "exercise": int(rng.random() < 0.4),
            "site": SITE_NEAR[home],
            "start": -int(rng.integers(60, 600)),
            "days": int(rng.integers(5, 30)),
            "people": int(rng.integers(5, 40)) * 100,
            "hours_day": 18,
            "m3_day": 14,
            "ntu": int(rng.integers(5, 90)),
            "conveyance": "flat truck",
            "note": None,
        }
        unit.trips.append(trip_of(row, timeline))
    return unit
