"""Work on a unit that a person writes down and a named person takes."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import Unit, User
from fleet.services.records import check_row, facts, locked, moment_or_now, note_change
from readiness.models import Task


def task_add(
    *,
    unit: Unit,
    title: str,
    actor: User | None,
    due_on: date | None = None,
    work_h: float | None = None,
    taken_by: User | None = None,
) -> Task:
    """Writes work down. The same open work written down twice by one person is one task."""
    with transaction.atomic():
        locked(unit)
        same = Task.objects.filter(
            unit=unit, title=title.strip(), due_on=due_on, created_by=actor, state=Task.State.OPEN
        ).first()
        if same is not None:
            return same
        if work_h is not None and work_h < 0:
            raise DomainError("task.hours_negative", _("Hours of work cannot be less than 0."))
        row = Task(
            unit=unit,
            title=title.strip(),
            due_on=due_on,
            work_h=work_h,
            taken_by=taken_by,
            created_by=actor,
        )
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action="task.add", actor=actor, after=facts(row))
        return row


def task_take(*, task: Task, actor: User) -> Task:
    """Puts one's name to open work. Work that someone else took must be given back first."""
    with transaction.atomic():
        row = _open_task(task)
        if row.taken_by_id == actor.pk:
            return row
        if row.taken_by is not None:
            raise DomainError(
                "task.taken",
                _("{who} has taken this already. Ask to have it given back."),
                who=str(row.taken_by),
            )
        return _change(row, "task.take", actor, taken_by=actor)


def task_give_back(*, task: Task, actor: User | None) -> Task:
    """Takes the name off again; anyone who may work on the unit may do so, and the audit says who did."""
    with transaction.atomic():
        row = _open_task(task)
        return row if row.taken_by is None else _change(row, "task.give_back", actor, taken_by=None)


def task_done(*, task: Task, actor: User | None, now: datetime | None = None) -> Task:
    return _end(task, Task.State.DONE, actor, "", now)


def task_drop(*, task: Task, actor: User | None, reason: str, now: datetime | None = None) -> Task:
    """Says that the work will not be done, and why."""
    if not reason.strip():
        raise DomainError("task.no_reason", _("Say why the work is dropped."))
    return _end(task, Task.State.DROPPED, actor, reason, now)


def _end(task: Task, state: str, actor: User | None, note: str, now: datetime | None) -> Task:
    with transaction.atomic():
        row: Task = locked(task)
        if row.state == state:
            return row
        if row.state != Task.State.OPEN:
            raise DomainError("task.ended", _("This work is {state} already."), state=row.get_state_display())
        return _change(row, f"task.{state}", actor, note=note, state=state, ended_at=moment_or_now(now))


def _open_task(task: Task) -> Task:
    row: Task = locked(task)
    if row.state != Task.State.OPEN:
        raise DomainError("task.ended", _("This work is {state} already."), state=row.get_state_display())
    return row


def _change(row: Task, action: str, actor: User | None, note: str = "", **changes: object) -> Task:
    before = {name: getattr(row, name) for name in changes}
    for name, value in changes.items():
        setattr(row, name, value)
    row.version += 1
    row.save()
    note_change(row, action=action, actor=actor, before=before, after=changes, note=note)
    return row
