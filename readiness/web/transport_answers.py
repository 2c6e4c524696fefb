"""The transport class as plain data, for the API and the command: the same objects as the pages, in the same words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.trip import Trip
from fleet.domain.transport.answers import MODES, class_of_fleet
from fleet.domain.transport.fork import fork_answers
from fleet.domain.transport.records import UnitRecord
from fleet.models import Unit
from fleet.selectors.editions import rules_in_force
from fleet.web.limits import spare_number
from readiness.selectors.transport import load_transport
from readiness.web.transport import GridRow, LawOfMode, grid_row, laws_of, paper_lines
from readiness.web.transport_find import Found
from readiness.web.transport_fork import fork_row
from readiness.web.transport_sheet import sheet_not_asked


def unit_answers(
    units: Sequence[Unit],
    ship_date: dt.date,
    trip: Trip,
    *,
    now: dt.datetime,
    mission_days: int | None = None,
    truck: ForkTruck | None = None,
) -> list[dict[str, Any]]:
    """One entry a unit: its list of goods, law per mode with every line, papers, forms with every conveyance.

    `truck`: the fork truck that was asked for; without one nothing is said of fork trucks.
    """
    records = load_transport(units, ship_date=ship_date, now=now, mission_days=mission_days)
    rules = rules_in_force()
    found = class_of_fleet(records, trip, ship_date, rules=rules)
    answers = []
    for n, record in enumerate(records):
        laws = laws_of(record, ship_date, rules)
        forms = []
        forks = fork_answers(record.forms, truck) if truck is not None else []
        for k, form in enumerate(record.forms):
            row = found.row(n, k)
            lines = [
                grid_row(found, record, row, column, key, laws) for column, key in enumerate(found.fit.keys)
            ]
            forms.append(
                {
                    "form": form.code,
                    "kind": form.kind,
                    "packed_mass_kg": form.mass.total_kg,
                    "mass_unknown": list(form.mass.unknown),
                    "weighed_on": form.weighed_on,
                    "conveyances": [_line(line) for line in lines],
                    "fork_truck": _line(fork_row(forks[k])) if forks else None,
                }
            )
        answers.append(
            {
                **_unit(record, ship_date),
                "law": [_law(laws[mode]) for mode in MODES],
                "forms": forms,
                "not_asked": sheet_not_asked(trip, truck),
            }
        )
    return answers


def found_answers(found: Found, offset: int, limit: int) -> dict[str, Any]:
    """Which units and forms one conveyance can take: all counted, the likeliest first, some of them in words."""
    rows = found.rows(found.order[offset : offset + limit])
    return {
        "conveyance": found.key,
        "name": found.what,
        "ship_date": found.ship_date,
        "count": len(found.answer.form_of),
        "able": found.count("pass"),
        "undecided": found.count("cannot_decide"),
        "forms": [
            {"tag": row.tag, "form": row.form, "depot": row.depot, **_answer(row.line)} for row in rows
        ],
        "not_asked": found.not_asked,
    }


def _unit(record: UnitRecord, ship_date: dt.date) -> dict[str, Any]:
    return {
        "tag": record.tag,
        "ship_date": ship_date,
        "goods_list_confirmed": record.goods_list.confirmed,
        "papers": [
            {
                "sentence": paper.words,
                "outcome": paper.outcome,
                "needed_for": paper.gate,
                "source": paper.source,
            }
            for paper in paper_lines(record)
        ],
    }


def _line(line: GridRow) -> dict[str, Any]:
    return {"conveyance": line.key, "name": line.name, **_answer(line)}


def _answer(line: GridRow) -> dict[str, Any]:
    return {
        "answer": line.carried.word,
        "margin_kg": spare_number(line.margin_kg, "kg"),
        "margin_mm": spare_number(line.margin_mm, "mm"),
        "why": list(line.why),
        "source": line.source,
    }


def _law(law: LawOfMode) -> dict[str, Any]:
    return {
        "mode": law.mode.value,
        "verdict": law.verdict,
        "outcome": law.outcome,
        "edition": law.edition,
        "lines": [
            {
                "label": line.label,
                "verdict": line.verdict,
                "outcome": line.outcome,
                "un": line.un,
                "provision": line.provision,
                "sentence": line.sentence,
                "conditions": list(line.conditions),
                "missing": line.missing,
                "source": line.source,
                "verify_before_use": line.verify,
                "turned_round_by": list(line.ways),
            }
            for line in law.lines
        ],
    }
