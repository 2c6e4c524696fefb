"""An end that was written down late is not known before: 'as believed on D' shows the charge running, the fault open."""

from importlib import import_module

import pytest
from django.apps import apps

from fleet.services.corrections import record_supersede
from readiness.models import Charge, Fault
from readiness.services.upkeep import charge_record, charge_start, charge_stop, fault_close, fault_open
from tests.factories.fleet import BankFactory, UnitFactory, ago

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def charge():
    """Begun five days ago, over four days ago; the end was written down yesterday."""
    row = charge_start(bank=BankFactory(unit=UnitFactory()), happened_at=ago(5), actor=None, now=ago(5))
    return charge_stop(charge=row, ended_at=ago(4), end_sign="current_steady", actor=None, now=ago(1))


@pytest.fixture
def fault():
    row = fault_open(
        unit=UnitFactory(),
        description="Hose split",
        severity="minor",
        happened_at=ago(5),
        actor=None,
        now=ago(5),
    )
    return fault_close(fault=row, closed_at=ago(4), actor=None, note="new hose", now=ago(1))


@pytest.mark.parametrize(
    ("days_ago", "known", "running"), [(6, False, False), (5, True, True), (3, True, True), (1, True, False)]
)
@pytest.mark.parametrize("kind", ["charge", "fault"])
def test_until_the_end_was_written_down_it_was_believed_open(request, kind, days_ago, known, running) -> None:
    row = request.getfixturevalue(kind)
    rows = type(row).objects
    assert rows.as_believed_on(ago(days_ago)).exists() is known
    assert rows.open_as_believed_on(ago(days_ago)).exists() is running


def test_the_believed_end_is_the_end_once_it_is_written_down(charge, fault) -> None:
    assert Charge.objects.as_believed_on(ago(2)).get().believed_end is None
    assert Charge.objects.as_believed_on(ago(0)).get().believed_end == ago(4)
    assert Fault.objects.as_believed_on(ago(2)).get().believed_end is None
    assert Fault.objects.as_believed_on(ago(0)).get().believed_end == ago(4)


def test_what_was_written_down_whole_was_known_whole() -> None:
    charge_record(
        bank=BankFactory(unit=UnitFactory()), happened_at=ago(5), ended_at=ago(4), actor=None, now=ago(3)
    )
    assert not Charge.objects.as_believed_on(ago(3.5)).exists()
    assert Charge.objects.as_believed_on(ago(3)).get().believed_end == ago(4)
    assert not Charge.objects.open_as_believed_on(ago(3)).exists()


def test_a_corrected_end_is_believed_from_the_correction_on(charge) -> None:
    record_supersede(record=charge, changes={"ended_at": ago(3)}, actor=None, now=ago(hours=6))
    ends = [Charge.objects.as_believed_on(ago(day)).get().believed_end for day in (2, 0.5, 0)]
    assert ends == [None, ago(4), ago(3)]


def test_ends_on_file_before_take_their_moment_from_the_audit(charge, fault) -> None:
    for model in (Charge, Fault):
        model.objects.update(end_recorded_at=None)
    import_module("readiness.migrations.0005_when_an_end_was_recorded").fill(apps, None)
    for row, action in ((charge, "charge.stop"), (fault, "fault.close")):
        row.refresh_from_db()
        line = apps.get_model("fleet", "AuditEntry").objects.get(action=action)
        assert row.end_recorded_at == line.at
