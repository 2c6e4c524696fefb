"""Inspections and faults of a unit."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import Unit, User
from fleet.services.corrections import check_for
from fleet.services.records import (
    birth_of_unit,
    check_row,
    facts,
    locked,
    moment_or_now,
    note_change,
    said,
    save_record,
    written_once,
)
from inventory.models import Item
from readiness.models import Fault, Inspection, InspectionType
from readiness.services.checks import check_fault, check_inspection


def inspection_record(
    *,
    unit: Unit,
    type: InspectionType,
    passed: bool,
    happened_at: datetime,
    actor: User | None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> Inspection:
    """Writes down an inspection, passed or failed."""
    instant = moment_or_now(now)

    def write() -> Inspection:
        row = Inspection(unit=unit, type=type, passed=passed, happened_at=happened_at, note=note, token=token)
        _check_inspection(row, instant)
        return save_record(row, action="inspection.record", actor=actor, now=instant)

    return written_once(Inspection, token, write)


@check_for(Inspection)
def _check_inspection(row: Inspection, now: datetime) -> None:
    designs = frozenset(row.type.designs.values_list("pk", flat=True))
    check_inspection(row, now=now, birth=birth_of_unit(row.unit), designs=designs)


def fault_open(
    *,
    unit: Unit,
    description: str,
    severity: str,
    happened_at: datetime,
    actor: User | None,
    mend_h: float | None = None,
    mend_here: bool = True,
    crew: int = 1,
    part_item: Item | None = None,
    part_qty: Decimal | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Fault:
    """Writes a fault down. Hours to mend left empty mean: not known, and the unit's time to ready cannot be told."""
    instant = moment_or_now(now)

    def write() -> Fault:
        row = Fault(
            unit=unit,
            description=description.strip(),
            severity=severity,
            happened_at=happened_at,
            mend_h=mend_h,
            mend_here=mend_here,
            crew=crew,
            part_item=part_item,
            part_qty=part_qty,
            token=token,
        )
        _check_fault(row, instant)
        return save_record(row, action="fault.open", actor=actor, now=instant)

    return written_once(Fault, token, write)


@check_for(Fault)
def _check_fault(row: Fault, now: datetime) -> None:
    check_fault(row, now=now, birth=birth_of_unit(row.unit))


def fault_close(
    *, fault: Fault, closed_at: datetime, actor: User | None, note: str = "", now: datetime | None = None
) -> Fault:
    """Says that a fault is mended, with what was done. Closing it twice is one closing."""
    instant = moment_or_now(now)
    with transaction.atomic():
        row: Fault = locked(fault)
        if row.closed_at is not None:
            if row.closed_by == actor and row.closing_note == note:
                return row
            raise DomainError(
                "fault.closed_already",
                _("This fault was closed on {closed} already. If it is there again, write down a new one."),
                closed=said(row.closed_at, birth_of_unit(row.unit).zone),
            )
        if not row.counts:
            raise DomainError(
                "fault.struck", _("This fault was struck out or corrected. Look at the unit again.")
            )
        before = facts(row)
        row.closed_at, row.closed_by, row.closing_note = closed_at, actor, note
        row.end_recorded_at = instant
        _check_fault(row, instant)
        check_row(row)
        row.save()
        note_change(row, action="fault.close", actor=actor, before=before, after=facts(row), note=note)
        return row
