"""The units and the dated facts about their bodies: what they weigh, wet or dry, papers, inspections, faults."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from readiness.demo.base_rows import Keys, designs_of
from readiness.demo.people import People
from readiness.demo.plan import UnitPlan
from readiness.demo.rows import Rows
from readiness.demo.source import Row, Source
from readiness.demo.timeline import Timeline, months_later

OLD_FAULTS = (
    ("Union nut weeps at the pump outlet", "minor", 1.0),
    ("Flow meter of train B stuck", "degrades", 2.0),
    ("Door seal torn", "minor", 0.5),
    ("Breaker of the heater trips", "degrades", 1.5),
)


class UnitWriter:
    def __init__(
        self,
        rows: Rows,
        source: Source,
        keys: Keys,
        timeline: Timeline,
        people: People,
        rng: np.random.Generator,
        *,
        inspections_kept: int,
    ) -> None:
        self.rows = rows
        self.source = source
        self.keys = keys
        self.timeline = timeline
        self.people = people
        self.rng = rng
        self.inspections_kept = inspections_kept
        self.zone = {row["code"]: row["time_zone"] for row in source["places"]}
        self.forms = {(row["design"], row["code"]): row for row in source["packed_forms"]}
        self.items = source.by("items")
        self.mission_days = {row["place"]: int(row["mission_days"]) for row in source["depot_terms"]}
        self.fuelled = {row["design"] for row in source["goods_lines"] if row["kind"] == "engine"}
        self.rules: dict[str, list[Row]] = {}
        for rule in source["certificate_rules"]:
            self.rules.setdefault(rule["design"], []).append(rule)

    def write(self, unit: UnitPlan) -> None:
        self.unit(unit)
        if not unit.surveyed:
            return
        self.weighing(unit)
        self.wet_states(unit)
        self.certificates(unit)
        self.inspections(unit)
        self.faults(unit)
        if unit.has("drop_voids"):
            self.event(
                "fleet.Modification",
                unit,
                self.timeline.days - 17,
                14,
                kind="drop",
                description="Slid off the forks while being moved, one corner dented",
                touches=["lifting", "type_test", "wiring"],
            )

    def unit(self, unit: UnitPlan) -> None:
        commissioned = None if not unit.surveyed else self.timeline.ago(unit.age_years * 365)
        self.rows.add(
            "fleet.Unit",
            tag=unit.tag,
            design_id=self.keys.design[unit.design],
            home_id=self.keys.place[unit.home],
            serial=unit.serial if unit.surveyed else "",
            commissioned_on=commissioned,
            packed_form_id=self.keys.form[unit.design, unit.packed_form] if unit.surveyed else None,
            yard_place=unit.yard_place,
            note="" if unit.surveyed else "Came over from the old register with its tag only.",
        )

    def weighing(self, unit: UnitPlan) -> None:
        form = self.forms[unit.design, unit.packed_form]
        mass = float(form["mass_kg"]) * float(self.rng.normal(1.012, 0.008))
        with_kit = unit.number % 3 == 0
        if with_kit:
            mass += self.kit_kg(unit)
        self.event(
            "fleet.Weighing",
            unit,
            self.timeline.days - int(self.rng.integers(30, 600)),
            11,
            packed_form_id=self.keys.form[unit.design, unit.packed_form],
            mass_kg=float(round(mass / 5) * 5),
            method="weighbridge, 10 kg steps" if mass > 2000 else "crane scale",
            kit_aboard=with_kit,
            water_inside=False,
            fuel_l=0.0 if unit.design in self.fuelled else None,
        )

    def kit_kg(self, unit: UnitPlan) -> float:
        """What the kit of the depot's usual mission weighs."""
        days = self.mission_days[unit.home]
        return sum(
            float(line["qty"])
            * (-(-days // int(line["per_days"])) if line["per_days"] else 1)
            * float(self.items[line["item"]]["mass_kg"])
            for line in self.source["bill"]
            if line["design"] == unit.design and line["purpose"] == "kit"
        )

    def wet_states(self, unit: UnitPlan) -> None:
        if unit.has("frost_unknown_wet"):
            return
        state = "preserved" if unit.home == "WIN" else "dry"
        self.wet(unit, 2, state)
        for trip in unit.trips:
            self.wet(unit, trip.start, "wet")
            if trip.end is not None and trip.end + 4 < self.timeline.days:
                self.wet(unit, trip.end + 1, "disinfected")
                self.wet(unit, trip.end + 4, state)
        if unit.has("wet_idle"):
            self.wet(unit, self.timeline.days - 12, "wet")
        elif not any(trip.end is None or trip.end > self.timeline.days - 60 for trip in unit.trips):
            self.wet(unit, self.timeline.days - int(self.rng.integers(8, 50)), state)

    def wet(self, unit: UnitPlan, day: int, kind: str) -> None:
        good_until = self.timeline.day(day) + dt.timedelta(days=400) if kind == "preserved" else None
        self.event("fleet.WetState", unit, day, 16, kind=kind, good_until=good_until)

    # --- papers ---------------------------------------------------------------------------------------------------

    def certificates(self, unit: UnitPlan) -> None:
        for rule in self.rules[unit.design]:
            months = rule["life_months"]
            if months is None:
                issued = self.timeline.ago(unit.age_years * 365 - 10)
                self.certificate(unit, rule, issued, None)
                continue
            for issued, expires in self.spans(unit, rule["kind"], int(months)):
                self.certificate(unit, rule, issued, expires)

    def spans(self, unit: UnitPlan, kind: str, months: int) -> list[tuple[dt.date, dt.date]]:
        """The current certificate and the ones before it, back to the first of the history."""
        life = months * 30
        margin = 78  # long enough for any mission from today
        left = int(self.rng.integers(margin, max(margin + 20, life - 20)))
        if kind == "lifting_exam" and unit.has("lapsed_lifting"):
            left = -12
        if kind == "lifting_exam" and unit.has("drop_voids"):
            left = 200
        if kind == "trailer" and unit.has("certificate_soon"):
            left = 16
        expires = self.timeline.ago(-left)
        spans = []
        while expires > self.timeline.first:
            issued = months_later(expires, -months) + dt.timedelta(days=1)
            issued = min(issued, self.timeline.ago(1))
            spans.append((issued, expires))
            expires = issued + dt.timedelta(days=int(self.rng.integers(2, 20)))
        return spans

    def certificate(self, unit: UnitPlan, rule: Row, issued: dt.date, expires: dt.date | None) -> None:
        day = self.timeline.index(issued)
        self.event(
            "fleet.Certificate",
            unit,
            day,
            12,
            kind=rule["kind"],
            number=f"{rule['kind'][:2].upper()}{issued:%y%m}-{unit.number:04d}",
            issuer=rule["issuer"] or "",
            issued_on=issued,
            expires_on=expires,
        )

    def inspections(self, unit: UnitPlan) -> None:
        for kind in self.source.inspection_types:
            designs = designs_of(kind.get("designs"))
            if designs and unit.design not in designs:
                continue
            interval = int(kind["interval_days"])
            days = self.inspection_days(unit, interval)
            for order, day in enumerate(days):
                failed = order > 0 and self.rng.random() < 0.04
                self.event(
                    "readiness.Inspection",
                    unit,
                    day,
                    float(self.rng.uniform(8, 15)),
                    type_id=self.keys.inspection_type[kind["code"]],
                    passed=not failed,
                    note="Put right the same week" if failed else "",
                )
                if failed:
                    self.event(
                        "readiness.Inspection",
                        unit,
                        day + 3,
                        9,
                        type_id=self.keys.inspection_type[kind["code"]],
                        passed=True,
                        note="",
                    )

    def inspection_days(self, unit: UnitPlan, interval: int) -> list[int]:
        """Days of the last inspections, newest first; one that falls into a time away is done on return, or before."""
        away = unit.away_days(self.timeline.days)
        home = np.flatnonzero(~away)
        day = self.timeline.days - int(self.rng.uniform(0.04, 0.7) * interval) - 1
        days: list[int] = []
        while day > 5 and len(days) < self.inspections_kept:
            if away[day]:
                after, before = home[home > day], home[home < day]
                done = int(after[0]) + 1 if len(after) > 2 else int(before[-1])
            else:
                done = day
            if done not in days and done < self.timeline.days:
                days.append(done)
            day -= max(int(interval * float(self.rng.uniform(0.85, 1.0))), 4)
        return days

    def faults(self, unit: UnitPlan) -> None:
        if self.rng.random() < 0.45:
            text, severity, hours = OLD_FAULTS[int(self.rng.integers(len(OLD_FAULTS)))]
            day = int(self.rng.integers(60, self.timeline.days - 60))
            closed = self.instant(unit, day + int(self.rng.integers(1, 12)), 15)
            self.fault(unit, day, text, severity, hours, closed_at=closed, closing_note="Mended and tried")
        if unit.has("fault_blocks"):
            self.fault(
                unit,
                self.timeline.days - 6,
                "The inverter does not start, its fan smells burnt",
                "blocks",
                None,
                mend_here=False,
            )
        if unit.has("long_repair"):
            self.fault(unit, self.timeline.days - 3, "The pump leaks at its shaft seal", "blocks", 9.0)
        if unit.has("back_from_field"):
            self.fault(unit, self.timeline.days - 1, "Suction hose coupling cracked", "degrades", 1.5, crew=1)

    def fault(
        self, unit: UnitPlan, day: int, text: str, severity: str, mend_h: float | None, **more: Any
    ) -> None:
        if more.get("closed_at"):
            more["closed_by_id"] = self.people.crew[unit.home]
        self.event(
            "readiness.Fault", unit, day, 14, description=text, severity=severity, mend_h=mend_h, **more
        )

    # --- helpers ----------------------------------------------------------------------------------------------------

    def instant(self, unit: UnitPlan, day: float, hour: float) -> dt.datetime:
        return self.timeline.at(day, self.zone[unit.home], hour).replace(second=0, microsecond=0)

    def event(self, table: str, unit: UnitPlan, day: int, hour: float, **values: Any) -> int:
        at = self.instant(unit, day, hour)
        return self.rows.add(
            table, unit_id=unit.number, happened_at=at, **values, **self.people.written(unit.home, at)
        )
