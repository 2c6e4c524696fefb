"""Reading case files and comparing answers: the rules are those of the case files, not of the product."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

TOPICS = ("battery", "carriage", "dangerous_goods", "replenishment", "water_energy")
KIND_COLUMN = {"battery": "kind", "replenishment": "method", "water_energy": "kind"}
CANNOT_DECIDE = "cannot decide"


@dataclass(frozen=True)
class Case:
    """One row: what goes in, and, kept apart from it, what is expected."""

    topic: str
    case_id: str
    kind: str
    inputs: dict[str, Any]
    expected: Any
    tolerance: float | None

    @property
    def name(self) -> str:
        return f"{self.topic}/{self.case_id}"


def cases_dir() -> Path:
    named = os.environ.get("CASES_DIR")
    return Path(named) if named else Path(__file__).parents[1] / "data" / "cases"


def load_cases(folder: Path) -> list[Case]:
    """Every row of every topic file in the folder; a file that is absent is not an error."""
    return [case for topic in TOPICS for case in _topic_cases(folder / f"{topic}_cases.csv", topic)]


def _topic_cases(path: Path, topic: str) -> list[Case]:
    if not path.exists():
        return []
    with path.open(encoding="utf-8-sig", newline="") as file:
        return [_case(topic, row) for row in csv.DictReader(file)]


def _case(topic: str, row: dict[str, str]) -> Case:
    if topic == "carriage":
        return _carriage_case(row)
    if topic == "dangerous_goods":
        return _dangerous_goods_case(row)
    tolerance = row["tolerance"].strip()
    return Case(
        topic,
        row["case_id"],
        row[KIND_COLUMN[topic]],
        json.loads(row["inputs"]),
        _value(row["expected"]),
        float(tolerance) if tolerance else None,
    )


def _carriage_case(row: dict[str, str]) -> Case:
    inputs = {
        "load": json.loads(row["load"]),
        "conveyance": row["conveyance"],
        "conditions": json.loads(row["conditions"] or "{}"),
    }
    expected = {
        "verdict": row["expected"],
        "reason_key": row["expected_reason_key"],
        "margin": Printed(row["margin"]),
        "margin_unit": row["margin_unit"],
        "margin_check": row["margin_check"],
        "also_fails": Unordered(
            part for part in row["also_fails"].replace(";", " ").replace(",", " ").split()
        ),
    }
    return Case("carriage", row["case_id"], "carriage", inputs, expected, None)


def _dangerous_goods_case(row: dict[str, str]) -> Case:
    inputs = {"attributes": json.loads(row["attributes"]), "mode": row["mode"]}
    expected = {
        "verdict": row["expected_verdict"],
        "un": row["expected_un"],
        "reason_key": row["expected_reason_key"],
    }
    return Case("dangerous_goods", row["case_id"], "dangerous_goods", inputs, expected, None)


class Printed(str):
    """A number as printed: half a unit of its last digit is allowed."""

    __slots__ = ()

    def holds(self, value: Any) -> bool:
        if not self.strip():
            return value in (None, "")
        try:
            printed = Decimal(self.strip())
        except InvalidOperation:
            return self == str(value)
        exponent = printed.as_tuple().exponent
        assert isinstance(exponent, int)
        half = 0.5 * 10.0**exponent
        return value not in (None, "") and abs(float(value) - float(printed)) <= half * (1 + 1e-9)


class Unordered(frozenset[str]):
    """Words whose order says nothing."""


def _value(text: str) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError:
        return text


def agrees(answer: Any, expected: Any, tolerance: float | None) -> bool:
    """Whether an answer is the expected one: numbers by tolerance at every depth, everything else exactly.

    What a case does not state it does not ask: an answer may tell more.
    """
    if isinstance(expected, Printed):
        return expected.holds(answer)
    if isinstance(expected, Unordered):
        return isinstance(answer, list | tuple | set | frozenset) and frozenset(answer) == expected
    if isinstance(expected, dict):
        return (
            isinstance(answer, dict)
            and answer.keys() >= expected.keys()
            and all(agrees(answer[key], expected[key], tolerance) for key in expected)
        )
    if isinstance(expected, list):
        return (
            isinstance(answer, list | tuple)
            and len(answer) == len(expected)
            and all(agrees(mine, theirs, tolerance) for mine, theirs in zip(answer, expected, strict=True))
        )
    if isinstance(expected, bool) or isinstance(answer, bool) or not isinstance(expected, int | float):
        return _word(answer) == _word(expected) and isinstance(answer, type(expected))
    return isinstance(answer, int | float) and abs(answer - expected) <= (tolerance or 0.0)


def _word(value: Any) -> Any:
    return CANNOT_DECIDE if value == "unknown" else value
