"""Where each unit was: at home, on a call or an exercise with its legs and day logs, lent out, in the workshop."""

from __future__ import annotations

import datetime as dt

import numpy as np

from readiness.demo.base_rows import Keys
from readiness.demo.people import People
from readiness.demo.plan import Trip, UnitPlan
from readiness.demo.rows import Rows
from readiness.demo.source import Row, Source
from readiness.demo.timeline import Timeline

Stay = tuple[dt.datetime, dt.datetime | None, int]


class AwayWriter:
    def __init__(
        self,
        rows: Rows,
        source: Source,
        keys: Keys,
        timeline: Timeline,
        people: People,
        rng: np.random.Generator,
    ) -> None:
        self.rows = rows
        self.keys = keys
        self.timeline = timeline
        self.people = people
        self.rng = rng
        self.zone = {row["code"]: row["time_zone"] for row in source["places"]}
        self.trains = {row["code"]: row for row in source["designs"]}
        self.deployment_ids: dict[str, int] = {}

    def write(self, unit: UnitPlan) -> None:
        stays = [self.trip(unit, trip) for trip in sorted(unit.trips, key=lambda trip: trip.start)]
        stays += [self.absence(unit, row) for row in unit.absences]
        self.stays(unit, sorted(stays))

    def stays(self, unit: UnitPlan, away: list[Stay]) -> None:
        """Home, away, home again, with no gap and no overlap."""
        since = self.timeline.at(-int(unit.age_years * 365) + 730, self.zone[unit.home], 10)
        home = self.keys.place[unit.home]
        for start, end, absence in away:
            self.rows.add(
                "fleet.UnitStay", unit_id=unit.number, place_id=home, started_at=since, ended_at=start
            )
            self.rows.add(
                "fleet.UnitStay", unit_id=unit.number, absence_id=absence, started_at=start, ended_at=end
            )
            if end is None:
                return
            since = end
        self.rows.add("fleet.UnitStay", unit_id=unit.number, place_id=home, started_at=since)

    def absence(self, unit: UnitPlan, row: Row) -> Stay:
        start = self.timeline.at(self.timeline.days + int(row["start"]), self.zone[unit.home], 11)
        number = self.rows.add(
            "fleet.Absence",
            unit_id=unit.number,
            purpose=row["purpose"],
            custodian=row["custodian"],
            place_id=self.keys.place[row["place"]],
            started_at=start,
            due_back_on=self.timeline.ago(-int(row["due_back"])),
            recall_h=row["recall_h"],
            note=row["note"] or "",
        )
        return start, None, number

    def trip(self, unit: UnitPlan, trip: Trip) -> Stay:
        zone = self.zone[unit.home]
        start = self.timeline.at(trip.start, zone, 6)
        end = None if trip.end is None else self.timeline.at(trip.end, zone, 15)
        planned = int(trip.row["days"] or 45)
        absence = self.rows.add(
            "fleet.Absence",
            unit_id=unit.number,
            purpose="exercise" if trip.exercise else "call",
            custodian="Exercise staff" if trip.exercise else "Field team of the pool",
            place_id=self.keys.place[trip.site],
            started_at=start,
            due_back_on=self.timeline.day(trip.start + planned),
            recall_h=12 if trip.exercise else 72,
            ended_at=end,
            note=trip.row["note"] or "",
        )
        deployment = self.rows.add(
            "fleet.Deployment",
            code=trip.code,
            unit_id=unit.number,
            absence_id=absence,
            exercise=trip.exercise,
            site_id=self.keys.place[trip.site],
            started_on=self.timeline.day(trip.start),
            ended_on=None if trip.end is None else self.timeline.day(trip.end),
            people=trip.row["people"],
            note=trip.row["note"] or "",
        )
        self.deployment_ids[trip.code] = deployment
        self.legs(unit, trip, deployment, start, end)
        self.day_logs(unit, trip, deployment)
        return start, end, absence

    def legs(
        self, unit: UnitPlan, trip: Trip, deployment: int, start: dt.datetime, end: dt.datetime | None
    ) -> None:
        hours = float(self.rng.integers(6, 44)) if not trip.exercise else 4.0
        home, site = self.keys.place[unit.home], self.keys.place[trip.site]
        self.rows.add(
            "fleet.Leg",
            deployment_id=deployment,
            sequence=1,
            conveyance=trip.row["conveyance"],
            origin_id=home,
            destination_id=site,
            departed_at=start,
            arrived_at=start + dt.timedelta(hours=hours),
        )
        if end is not None:
            self.rows.add(
                "fleet.Leg",
                deployment_id=deployment,
                sequence=2,
                conveyance=trip.row["conveyance"],
                origin_id=site,
                destination_id=home,
                departed_at=end - dt.timedelta(hours=hours),
                arrived_at=end,
            )

    def day_logs(self, unit: UnitPlan, trip: Trip, deployment: int) -> None:
        """One a day between arrival and leaving, at the end of the day; the tired crew left two out."""
        zone = self.zone[trip.site]
        last = self.timeline.days - 2 if trip.end is None else trip.end - 2
        for day in range(trip.start + (1 if trip.exercise else 2), last + 1):
            if unit.has("back_from_field") and not trip.exercise and day - trip.start in (17, 18):
                continue
            hours = float(np.clip(self.rng.normal(trip.row["hours_day"], 1.2), 2, 24))
            volume = max(float(self.rng.normal(trip.row["m3_day"], trip.row["m3_day"] * 0.12)), 1.0)
            turbidity = max(float(self.rng.lognormal(0, 0.35)) * float(trip.row["ntu"]), 1.0)
            at = self.timeline.at(day + 1, zone, 0).replace(second=0, microsecond=0)
            self.rows.add(
                "fleet.DayLog",
                deployment_id=deployment,
                day=self.timeline.day(day),
                happened_at=at,
                hours_a_h=round(hours, 1),
                hours_b_h=round(max(hours - float(self.rng.uniform(0, 3)), 0), 1),
                starts_a=int(self.rng.integers(1, 4)),
                starts_b=int(self.rng.integers(1, 4)),
                volume_a_m3=round(volume, 1),
                volume_b_m3=round(volume * float(self.rng.uniform(0.75, 0.98)), 1),
                turbidity_ntu=round(turbidity, 0),
                pressure_drop_bar=round(0.3 + 0.02 * ((day - trip.start) % 9) + turbidity / 400, 2),
                energy_kwh=round(volume * 0.42, 1),
                note="",
                **self.people.written(unit.home, at, hours=3),
            )
