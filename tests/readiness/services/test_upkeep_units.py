"""Inspections, faults and tasks."""

import uuid

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from readiness.models import Fault, Inspection, Task
from readiness.services.upkeep import (
    fault_close,
    fault_open,
    inspection_record,
    task_add,
    task_done,
    task_drop,
    task_give_back,
    task_take,
)
from tests.factories.fleet import NOW, DesignFactory, UnitFactory, UserFactory, ago
from tests.factories.readiness import InspectionTypeFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def test_an_inspection_is_written_once():
    unit, type_, token = UnitFactory(), InspectionTypeFactory(), uuid.uuid4()
    for _ in range(2):
        inspection_record(
            unit=unit, type=type_, passed=False, happened_at=ago(1), actor=None, token=token, now=NOW
        )
    assert Inspection.objects.get().passed is False


def test_an_inspection_meant_for_another_design_is_refused():
    type_ = InspectionTypeFactory()
    type_.designs.add(DesignFactory())
    with pytest.raises(DomainError, match="is not meant for"):
        inspection_record(
            unit=UnitFactory(), type=type_, passed=True, happened_at=ago(1), actor=None, now=NOW
        )


def test_a_fault_opens_and_closes_once():
    unit, nora = UnitFactory(), UserFactory()
    fault = fault_open(
        unit=unit, description=" Hose split ", severity="blocks", happened_at=ago(2), actor=nora, now=NOW
    )
    assert (fault.description, fault.mend_h) == ("Hose split", None)
    for _ in range(2):
        fault_close(fault=fault, closed_at=ago(1), actor=nora, note="new hose", now=NOW)
    assert Fault.objects.get().closed_by == nora
    assert AuditEntry.objects.filter(action="fault.close").count() == 1
    with pytest.raises(DomainError, match=r"closed on .* already"):
        fault_close(fault=fault, closed_at=ago(0), actor=UserFactory(), now=NOW)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"description": "  "}, "what is wrong"),
        ({"severity": "dire"}, "not a valid choice"),
        ({"mend_h": -2.0}, "greater than or equal to 0"),
        ({"happened_at": ago(-1)}, "has not come yet"),
        ({"happened_at": ago(900)}, "exists since"),
    ],
)
def test_a_fault_that_makes_no_sense_is_refused(changes, words):
    values = {"description": "Leak", "severity": "minor", "happened_at": ago(1), "actor": None, "now": NOW}
    with pytest.raises(DomainError, match=words):
        fault_open(unit=UnitFactory(), **(values | changes))


def test_a_fault_is_not_mended_before_it_was_found():
    fault = fault_open(
        unit=UnitFactory(), description="Leak", severity="minor", happened_at=ago(1), actor=None, now=NOW
    )
    with pytest.raises(DomainError, match="cannot have been mended"):
        fault_close(fault=fault, closed_at=ago(2), actor=None, now=NOW)


def test_a_task_is_added_once_taken_by_one_given_back_and_done():
    unit, nora, silas = UnitFactory(), UserFactory(), UserFactory()
    task = task_add(unit=unit, title="Fetch hose", actor=nora)
    assert task_add(unit=unit, title="Fetch hose ", actor=nora).pk == task.pk
    assert task_take(task=task, actor=silas).taken_by == silas
    with pytest.raises(DomainError, match="has taken this already"):
        task_take(task=task, actor=nora)
    assert task_give_back(task=task, actor=nora).taken_by is None
    assert task_take(task=task, actor=nora).taken_by == nora
    assert task_done(task=task, actor=nora, now=NOW).ended_at == NOW
    assert task_done(task=task, actor=nora, now=ago(-1)).ended_at == NOW
    with pytest.raises(DomainError, match="done already"):
        task_drop(task=task, actor=nora, reason="not needed")
    assert [entry.action for entry in AuditEntry.objects.order_by("id")] == [
        "task.add",
        "task.take",
        "task.give_back",
        "task.take",
        "task.done",
    ]
    assert Task.objects.get().version == 5


def test_dropping_work_needs_a_reason():
    task = task_add(unit=UnitFactory(), title="Paint", actor=None)
    with pytest.raises(DomainError, match="why"):
        task_drop(task=task, actor=None, reason=" ")
