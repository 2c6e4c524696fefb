"""The survey as a workbook in the form of the import: what is to be found out is a row, ready to be filled in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fleet.lib.sheets import OutSheet
from fleet.models.designs import CertificateKind
from fleet.services.imports.kinds import kind_named
from readiness.selectors.survey import Fact, UnitSurvey

# Which sheet of the import takes a fact, and what of its key columns is known beforehand.
SHEETS: dict[str, str] = {
    "reading": "readings",
    "supply": "supply_states",
    "charge": "charges",
    "wet": "wet_states",
    "certificate": "certificates",
    "inspection": "inspections",
}


def survey_workbook(stops: Sequence[UnitSurvey]) -> list[OutSheet]:
    """One sheet for each kind of fact that is missing somewhere; columns as the import reads them."""
    sheets = []
    for key, name in SHEETS.items():
        lines = [(stop, fact) for stop in stops for fact in stop.facts if fact.key == key]
        if lines:
            columns = kind_named(name).spec.columns
            rows = [[_known(column.name, stop, fact) for column in columns] for stop, fact in lines]
            sheets.append(OutSheet(name, [column.label for column in columns], rows))
    return sheets


def _known(column: str, stop: UnitSurvey, fact: Fact) -> Any:
    if column == "unit":
        return stop.unit.tag
    if column == "bank":
        return fact.label
    if column == "type":
        return fact.label
    if column == "kind" and fact.key == "certificate":
        return str(CertificateKind(fact.subject).label)
    return None
