"""The stored form of a verdict: JSON with a schema number, dates on which things turn instead of days left.

Schema 1: {"schema", "rules" (edition), "outcome", "time_to_ready_h", "notice_h", "mission_days", "checks": [{"key",
"outcome", "gates", "data", "subject": {"kind", "id", "label"}, "missing", "turns_on", "due_on", "late_on", "mend_h",
"crew"}]}. Left out when there is nothing to say: subject (the unit itself), missing (false), days (none), mend_h (nothing to
mend; null is 'not known', "not_here" cannot be mended here), crew (one person), data that are not known. Sentences are
rendered when it is read (`readiness.sentences`).
"""

from __future__ import annotations

import json
import math
from functools import lru_cache
from typing import Any

import numpy as np

from readiness.domain.check_rows import CHECK_KINDS, CheckRows
from readiness.domain.checks import RULES_EDITION, Assessment
from readiness.domain.snapshot import FleetSnapshot
from readiness.domain.time_to_ready import VERDICT_KEYS
from readiness.selectors.snapshot import date_of
from readiness.services.sweep_labels import Labels

SCHEMA = 1
OUTCOMES = ("pass", "fail", "cannot_decide")
# What a, b and c of a row mean, by check; an empty name is not stored.
DATA_NAMES: dict[str, tuple[str, str, str]] = {
    "at_place": ("away", "", ""),
    "charge_known": ("reasons", "notes", ""),
    "charge_floor": ("floor_soc", "notes", "unstated"),
    "charge_depart": ("depart_soc", "", "unstated"),
    "charge_interval": ("interval_day", "due_by", "unstated"),
    "charge_kept": ("kept_soc", "top_up_soc", "unstated"),
    "capacity_test": ("broken_day", "", ""),
    "charge_explained": ("reading_day", "", ""),
    "blocks_even": ("reading_day", "", ""),
    "bank_rate": ("ratio", "likelier", ""),
    "bank_ohmic": ("ratio", "", ""),
    "bank_capacity": ("pct", "", ""),
    "bank_returned": ("share", "returned_day", ""),
    "logger_heard": ("state", "since_day", ""),
    "acid_frost": ("record_low_c", "", "unstated"),
    "water_frost": ("record_low_c", "wet", ""),
    "wet_known": ("before_absence", "", ""),
    "wet_idle": ("wet", "since_day", ""),
    "kit": ("needed", "aboard", "in_stores"),
    "lots_aboard": ("bad_lots", "lot", ""),
    "part_fitted": ("wrong_part", "item", ""),
    "part_life": ("left_h", "left_m3", "last_day"),
    "part_ahead": ("left", "mission_use", "measure"),
    "certificate": ("expires_day", "state", ""),
    "inspection": ("due_day", "why", ""),
    "fault": ("severity", "item", ""),
    "evidence": ("changed_day", "", ""),
}


@lru_cache(maxsize=20_000)
def iso_day(number: int) -> str:
    day = date_of(number)
    return day.isoformat() if day else ""


@lru_cache(maxsize=50_000)
def quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def day_json(number: float) -> str:
    """A day number as JSON: the ISO date in quotes, or null."""
    if number != number or math.isinf(number):
        return "null"
    return f'"{iso_day(int(number))}"'


def number_json(value: float) -> str:
    if value != value or math.isinf(value):
        return "null"
    return str(int(value)) if value == int(value) else repr(float(value))


def mend_json(hours: float) -> str:
    return '"not_here"' if math.isinf(hours) else number_json(hours)


def _data_json(key: str, values: tuple[float, float, float], labels: Labels) -> str:
    names = DATA_NAMES.get(key)
    if names is None:
        return "{}"
    parts = []
    for name, value in zip(names, values, strict=True):
        if name and value == value and not math.isinf(value):
            parts.append(f'"{name}":{day_json(value) if name.endswith("_day") else number_json(value)}')
    if key == "lots_aboard" and values[1] == values[1]:
        parts.append(f'"lot_label":{quoted(labels.of("lot", int(values[1])))}')
    return "{" + ",".join(parts) + "}"


def check_texts(rows: CheckRows, labels: Labels) -> list[str]:
    """Each row as JSON text. Plain string work: hundreds of thousands of rows are stored when everything changed."""
    texts = []
    columns = (
        rows.check.tolist(),
        rows.subject.tolist(),
        rows.outcome.tolist(),
        rows.gates.tolist(),
        rows.missing.tolist(),
        rows.turns.tolist(),
        rows.due.tolist(),
        rows.late.tolist(),
        rows.mend_h.tolist(),
        rows.crew.tolist(),
        rows.a.tolist(),
        rows.b.tolist(),
        rows.c.tolist(),
    )
    for check, subject, outcome, gates, missing, turns, due, late, mend_h, crew, a, b, c in zip(
        *columns, strict=True
    ):
        kind = CHECK_KINDS[check]
        text = (
            f'{{"key":"{kind.key}","outcome":"{OUTCOMES[outcome]}","gates":{"true" if gates else "false"},'
            f'"data":{_data_json(kind.key, (a, b, c), labels)}'
        )
        if subject:
            label = quoted(labels.of(kind.subject, subject))
            text += f',"subject":{{"kind":"{kind.subject}","id":{subject},"label":{label}}}'
        if missing:
            text += ',"missing":true'
        for name, day in (("turns_on", turns), ("due_on", due), ("late_on", late)):
            if day == day:
                text += f',"{name}":{day_json(day)}'
        if mend_h != 0.0:
            text += f',"mend_h":{mend_json(mend_h)}'
        if crew > 1:
            text += f',"crew":{int(crew)}'
        texts.append(text + "}")
    return texts


def result_texts(snapshot: FleetSnapshot, found: Assessment, units: np.ndarray, labels: Labels) -> list[str]:
    """The stored result of each of the given unit rows (sorted), as JSON text."""
    starts = np.searchsorted(found.rows.unit, units, side="left")
    ends = np.searchsorted(found.rows.unit, units, side="right")
    wanted = np.concatenate(
        [np.arange(a, b) for a, b in zip(starts, ends, strict=True)] or [np.zeros(0, dtype=np.int64)]
    )
    texts = check_texts(found.rows.take(wanted.astype(np.int64)), labels)
    notice, mission = snapshot.units["notice_h"], snapshot.units["mission_days"]
    out, at = [], 0
    for unit, count in zip(units.tolist(), (ends - starts).tolist(), strict=True):
        out.append(
            f'{{"schema":{SCHEMA},"rules":"{RULES_EDITION}","outcome":"{VERDICT_KEYS[int(found.verdict[unit])]}",'
            f'"time_to_ready_h":{number_json(found.hours[unit])},"notice_h":{number_json(notice[unit])},'
            f'"mission_days":{number_json(mission[unit])},"checks":[{",".join(texts[at : at + count])}]}}'
        )
        at += count
    return out


def unit_result(snapshot: FleetSnapshot, found: Assessment, unit: int, labels: Labels) -> dict[str, Any]:
    """The result of one unit as a plain dictionary, the same as what is stored."""
    parsed: dict[str, Any] = json.loads(result_texts(snapshot, found, np.array([unit]), labels)[0])
    return parsed
