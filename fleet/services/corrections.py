"""Putting a record right without losing it: struck out with a reason, or superseded by the right one.

The old row stays, counts for nothing, and is what 'as believed on D' still shows for a D before the correction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, TypeVar

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, Correctable, Deployment, Unit, User
from fleet.selectors.touched import units_touched
from fleet.services.changes import units_changed
from fleet.services.records import BOOKKEEPING, facts, locked, moment_or_now, note_change, save_record

Record = TypeVar("Record", bound=Correctable)
Check = Callable[[Any, datetime], None]

_checks: dict[type[Correctable], Check] = {}


def check_for(model: type[Correctable]) -> Callable[[Check], Check]:
    """Registers the rule that a new or corrected row of `model` must pass; the rule gets the row and the moment now."""

    def register(check: Check) -> Check:
        _checks[model] = check
        return check

    return register


def rule_for(model: type[Correctable]) -> Check | None:
    """The registered rule of a kind of record, for those who write many at once."""
    return _checks.get(model)


def record_strike(*, record: Record, reason: str, actor: User | None, now: datetime | None = None) -> Record:
    """Strikes a record out: it stays visible with the reason and counts for nothing. Striking twice is one strike."""
    instant = moment_or_now(now)
    require_reason(reason)
    with transaction.atomic():
        row = locked(record)
        if row.struck_at is not None:
            return row
        require_counting(row)
        row.struck_at, row.struck_by, row.struck_reason = instant, actor, reason.strip()
        row.save(update_fields=["struck_at", "struck_by", "struck_reason"])
        note_change(row, action=f"{kind(row)}.strike", actor=actor, before=facts(row), note=reason)
        return row


def record_supersede(
    *,
    record: Record,
    changes: Mapping[str, Any],
    actor: User | None,
    reason: str = "",
    confirmed: bool = False,
    now: datetime | None = None,
) -> Record:
    """Writes the right row and marks the old one as superseded by it. Returns the new row.

    The new row passes the same rules as a fresh one; `confirmed`: what is out of the ordinary in it is right.
    Correcting to what is on file already changes nothing.
    """
    instant = moment_or_now(now)
    with transaction.atomic():
        row = locked(record)
        require_counting(row)
        refuse_unknown(row, changes)
        if all(getattr(row, name) == value for name, value in changes.items()):
            return row
        return _replace(
            row, changes, actor=actor, reason=reason, now=instant, action="supersede", confirmed=confirmed
        )


def record_move_to(
    *,
    record: Record,
    reason: str,
    actor: User | None,
    bank: BatteryBank | None = None,
    unit: Unit | None = None,
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> Record:
    """Moves a record to the bank, unit or deployment it was really about, with the reason. Returns the new row.

    A day log moved to a unit goes to the deployment of that unit which covers its day.
    """
    instant = moment_or_now(now)
    require_reason(reason)
    with transaction.atomic():
        row = locked(record)
        require_counting(row)
        changes = _destination(row, bank=bank, unit=unit, deployment=deployment)
        if all(getattr(row, name) == value for name, value in changes.items()):
            return row
        return _replace(row, changes, actor=actor, reason=reason, now=instant, action="move")


def record_restore(*, record: Record, reason: str, actor: User | None, now: datetime | None = None) -> Record:
    """Brings a struck-out record back as a new row; the strike stays on file. Returns the new row."""
    instant = moment_or_now(now)
    require_reason(reason)
    with transaction.atomic():
        row = locked(record)
        if row.struck_at is None or row.superseded_by_id is not None:  # type: ignore[attr-defined]
            raise DomainError(
                "record.not_struck", _("Only a record that was struck out can be brought back.")
            )
        fresh = _copy(row, {}, instant)
        save_record(fresh, action=f"{kind(row)}.restore", actor=actor, now=instant, note=reason)
        row.superseded_by = fresh
        row.save(update_fields=["superseded_by"])
        return fresh


def _replace(
    row: Record,
    changes: Mapping[str, Any],
    *,
    actor: User | None,
    reason: str,
    now: datetime,
    action: str,
    confirmed: bool = False,
) -> Record:
    # The old row steps aside first, so that 'once per bank and moment' lets the new one in; all in one transaction.
    row.struck_at, row.struck_reason = now, action
    row.save(update_fields=["struck_at", "struck_reason"])
    old_units = units_touched(row)
    fresh = _copy(row, changes, now, confirmed)
    save_record(fresh, action=f"{kind(row)}.{action}", actor=actor, now=now, note=reason)
    row.struck_at, row.struck_reason, row.superseded_by = None, "", fresh
    row.save(update_fields=["struck_at", "struck_reason", "superseded_by"])
    note_change(
        row, action=f"{kind(row)}.superseded", actor=actor, before=facts(row), after=facts(fresh), note=reason
    )
    units_changed(old_units)
    return fresh


def _copy(row: Record, changes: Mapping[str, Any], now: datetime, confirmed: bool = False) -> Record:
    values = {
        field.name: getattr(row, field.name)
        for field in row._meta.concrete_fields
        if field.name not in BOOKKEEPING
    }
    fresh = type(row)(**{**values, **changes})
    fresh.confirmed = confirmed
    if check := _checks.get(type(row)):
        check(fresh, now)
    return fresh


def _destination(
    row: Correctable, *, bank: BatteryBank | None, unit: Unit | None, deployment: Deployment | None
) -> dict[str, Any]:
    names = {field.name for field in row._meta.concrete_fields}
    wanted = {"bank": bank, "unit": unit, "deployment": deployment}
    if unit is not None and "deployment" in names:
        wanted = {"deployment": _deployment_on(unit, row), "unit": None, "bank": None}
    given = {name: value for name, value in wanted.items() if value is not None}
    if len(given) != 1 or not given.keys() <= names:
        raise DomainError(
            "record.no_destination",
            _("Say to which unit or bank the record belongs; one, of the right kind."),
        )
    return given


def _deployment_on(unit: Unit, row: Any) -> Deployment:
    covering = [
        each
        for each in Deployment.objects.filter(unit=unit, started_on__lte=row.day)
        if each.ended_on is None or each.ended_on >= row.day
    ]
    if len(covering) != 1:
        raise DomainError(
            "day_log.no_deployment",
            _("Unit {unit} has no single deployment on {day}. Check the unit and the day."),
            unit=unit.tag,
            day=row.day.isoformat(),
        )
    return covering[0]


def require_reason(reason: str) -> None:
    if not reason.strip():
        raise DomainError("record.no_reason", _("Say why the record is put right."))


def require_counting(row: Correctable) -> None:
    if not row.counts:
        raise DomainError(
            "record.corrected_already",
            _("Someone struck out or corrected this record already. Look at the record that counts now."),
        )


def refuse_unknown(row: Correctable, changes: Mapping[str, Any]) -> None:
    names = {field.name for field in row._meta.concrete_fields} - BOOKKEEPING
    if unknown := sorted(set(changes) - names):
        raise ValueError(f"{type(row).__name__} has no field to correct called {', '.join(unknown)}")


def kind(row: Correctable) -> str:
    return row._meta.model_name or "record"
