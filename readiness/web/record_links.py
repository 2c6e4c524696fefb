"""Links from the page of a unit to the records that are not written every day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext_lazy

from fleet.permissions import request_rights
from readiness.selectors.pages_unit import UnitPage

HOME, AWAY, DEPLOYED, BANK, TASK = "home", "away", "deployed", "bank", "task"
EMPTY = "empty"


@dataclass(frozen=True)
class RecordLink:
    label: Any
    url: str


@dataclass(frozen=True)
class LinkGroup:
    title: Any
    links: tuple[RecordLink, ...]


# Title, right, and the records with when they make sense ("" always).
GROUPS: tuple[tuple[Any, str, tuple[tuple[Any, str, str], ...]], ...] = (
    (
        gettext_lazy("Water and battery"),
        "upkeep",
        (
            (gettext_lazy("Wet or dry"), "unit-wet-record", ""),
            (gettext_lazy("Connection and standby draw"), "unit-connection-record", BANK),
            (gettext_lazy("Bank test"), "unit-bank-test-record", BANK),
            (gettext_lazy("Put a bank in"), "unit-bank-swap", ""),
            (gettext_lazy("Take a bank out"), "unit-bank-remove", BANK),
        ),
    ),
    (
        gettext_lazy("Parts aboard"),
        "upkeep",
        ((gettext_lazy("A part was found in its position"), "unit-part-find", EMPTY),),
    ),
    (
        gettext_lazy("Papers and body"),
        "upkeep",
        (
            (gettext_lazy("Certificate"), "unit-certificate-record", ""),
            (gettext_lazy("Weighing"), "unit-weighing-record", ""),
            (gettext_lazy("Modification, repair or drop"), "unit-modification-record", ""),
            (gettext_lazy("Measures of this unit"), "unit-measures-show", ""),
            (gettext_lazy("List of dangerous goods"), "unit-goods-show", ""),
        ),
    ),
    (
        gettext_lazy("Where it is"),
        "send",
        (
            (gettext_lazy("Day on site"), "unit-day-log-record", DEPLOYED),
            (gettext_lazy("Leg of the way"), "unit-leg-record", DEPLOYED),
            (gettext_lazy("It is back"), "unit-absence-end", AWAY),
            (gettext_lazy("It leaves: loan, workshop"), "unit-absence-start", HOME),
            (gettext_lazy("Start a deployment"), "unit-deployment-start", HOME),
        ),
    ),
    (gettext_lazy("Its depot"), "unit", ((gettext_lazy("Move to another depot"), "unit-move", HOME),)),
    (
        gettext_lazy("Work"),
        "upkeep",
        (
            (gettext_lazy("Work to do"), "unit-task-add", ""),
            (gettext_lazy("Take work"), "unit-task-take", TASK),
            (gettext_lazy("Work done"), "unit-task-done", TASK),
        ),
    ),
)


def more_records(request: HttpRequest, page: UnitPage) -> list[LinkGroup]:
    """The groups that this person may write down and that make sense for this unit now. No queries."""
    can, depot_id = request_rights(request).can, page.unit.home_id
    rights = {right: can(right, depot_id) for right in ("upkeep", "unit", "absence")}
    rights["send"] = rights["upkeep"] or rights["absence"]
    state = _state(page)
    groups = []
    for title, right, records in GROUPS:
        links = _links(page, records, state) if rights[right] else ()
        if links:
            groups.append(LinkGroup(title, links))
    return groups


def _state(page: UnitPage) -> set[str]:
    absence = page.stay.absence if page.stay else None
    state = {HOME if absence is None else AWAY}
    if absence is not None and absence.purpose in ("call", "exercise"):
        state.add(DEPLOYED)
    if page.banks:
        state.add(BANK)
    if page.tasks:
        state.add(TASK)
    filled = {part.position for part in page.parts}
    if any(line.purpose == "fitted" and line.position not in filled for line in page.bill):
        state.add(EMPTY)
    return state


def _links(
    page: UnitPage, records: Sequence[tuple[Any, str, str]], state: set[str]
) -> tuple[RecordLink, ...]:
    return tuple(
        RecordLink(label, reverse(f"readiness:{name}", args=[page.unit.tag]))
        for label, name, when in records
        if not when or when in state
    )
