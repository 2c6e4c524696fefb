"""The rest of an office: tasks, calls, a register line for each unit, and two readings that were put right."""

from __future__ import annotations

import datetime as dt

from readiness.demo.base_rows import Keys
from readiness.demo.people import People
from readiness.demo.plan import UnitPlan
from readiness.demo.rows import Rows
from readiness.demo.timeline import Timeline


def write_notes(rows: Rows, units: list[UnitPlan], timeline: Timeline, people: People, keys: Keys) -> None:
    begun = timeline.at(0, "UTC", 9)
    for unit in units:
        rows.add(
            "fleet.AuditEntry",
            at=begun,
            actor_id=people.by_name["admin"],
            action="unit.create",
            subject_kind="unit",
            subject_id=unit.number,
            subject_label=unit.tag,
            unit_id=unit.number,
            note="Taken over from the old register",
        )
    strike_a_reading(rows, timeline, people)
    write_tasks(rows, units, timeline, people)
    write_calls(rows, timeline, keys)


def strike_a_reading(rows: Rows, timeline: Timeline, people: People) -> None:
    """One reading of the wrong bank struck out, one mistyped voltage superseded by the right one."""
    readings = [row for row in rows.of("readiness.Reading") if row["kind"] == "voltage"]
    if len(readings) < 40:
        return
    wrong, typo = readings[11], readings[29]
    wrong["struck_at"] = wrong["happened_at"] + dt.timedelta(days=1)
    wrong["struck_by_id"] = wrong["recorded_by_id"]
    wrong["struck_reason"] = "Measured on the neighbouring unit"
    right = {name: value for name, value in typo.items() if name != "id"}
    right["recorded_at"] = typo["recorded_at"] + dt.timedelta(hours=3)
    typo["volts_v"] = round(typo["volts_v"] - 0.9, 2)
    typo["superseded_by_id"] = rows.add("readiness.Reading", **right)


def write_tasks(rows: Rows, units: list[UnitPlan], timeline: Timeline, people: People) -> None:
    for unit, title, due, hours, taken in (
        ("A-09", "Unpack, wash down and count what came back", 2, 6.0, True),
        ("L-08", "Ask the surveyor for a new lifting examination", 10, 1.0, False),
        ("G-13", "Walk round with the survey sheet", 21, 0.7, False),
    ):
        plan = next((each for each in units if each.tag == unit), None)
        if plan is None:
            continue
        rows.add(
            "readiness.Task",
            unit_id=plan.number,
            title=title,
            due_on=timeline.ago(-due),
            work_h=hours,
            taken_by_id=people.crew[plan.home] if taken else None,
            created_by_id=people.manager[plan.home],
        )


def write_calls(rows: Rows, timeline: Timeline, keys: Keys) -> None:
    for code, place, start, people_count, days, ntu, state in (
        ("C-014", "CAT", -45, 2400, 45, 95, "closed"),
        ("C-015", "TAC", -20, 6400, 60, 110, "answered"),
        ("C-016", "BEI", -1, 4000, 60, 80, "open"),
    ):
        received = timeline.at(timeline.days + start, "UTC", 7)
        rows.add(
            "readiness.Call",
            code=code,
            state=state,
            received_at=received,
            place_id=keys.place[place],
            people=people_count,
            wanted_from=received + dt.timedelta(hours=12),
            wanted_by=received + dt.timedelta(hours=60),
            days=days,
            water_source="river",
            turbidity_ntu=ntu,
            access="Bridge out; an airstrip forty kilometres away" if place == "BEI" else "By ferry",
        )
