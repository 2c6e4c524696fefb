"""Put right without losing it: strike, supersede, move, restore; 'as of D' and 'as believed on D'."""

import datetime as dt

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Certificate, DayLog, Modification, SupplyState, Weighing, WetState
from fleet.services.corrections import record_move_to, record_restore, record_strike, record_supersede
from readiness.models import Charge, Fault, Inspection, Reading
from readiness.services.upkeep import reading_record
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    DeploymentFactory,
    ModificationFactory,
    SupplyStateFactory,
    UnitFactory,
    UserFactory,
    WeighingFactory,
    WetStateFactory,
    ago,
)
from tests.factories.readiness import (
    ChargeFactory,
    FaultFactory,
    InspectionFactory,
    OpenChargeFactory,
    ReadingFactory,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def told(monkeypatch):
    heard = []
    monkeypatch.setattr("fleet.services.changes._listeners", [heard.append])
    return heard


def counting(reading_class=Reading):
    return list(reading_class.objects.counting())


def test_a_strike_keeps_the_row_and_its_reason():
    reading, nora = ReadingFactory(), UserFactory()
    for _ in range(2):
        record_strike(record=reading, reason="wrong bank", actor=nora, now=NOW)
    row = Reading.objects.get()
    assert (row.struck_at, row.struck_by, row.struck_reason, row.counts) == (NOW, nora, "wrong bank", False)
    assert counting() == []
    assert AuditEntry.objects.get(action="reading.strike").note == "wrong bank"


@pytest.mark.parametrize("reason", ["", "   "])
def test_no_correction_without_a_reason(reason):
    reading = ReadingFactory()
    with pytest.raises(DomainError, match="why"):
        record_strike(record=reading, reason=reason, actor=None, now=NOW)
    with pytest.raises(DomainError, match="why"):
        record_move_to(record=reading, bank=BankFactory(), reason=reason, actor=None, now=NOW)
    assert counting() == [reading]


def test_superseding_keeps_the_moment_and_passes_the_same_rules():
    reading = ReadingFactory(volts_v=25.6)
    with pytest.raises(DomainError, match="cannot be the voltage"):
        record_supersede(record=reading, changes={"volts_v": 256.0}, actor=None, now=NOW)
    assert counting() == [reading]
    right = record_supersede(record=reading, changes={"volts_v": 24.6}, actor=None, now=NOW)
    reading.refresh_from_db()
    assert (reading.superseded_by, reading.struck_at, reading.struck_reason) == (right, None, "")
    assert (right.volts_v, right.happened_at, right.recorded_at) == (24.6, reading.happened_at, NOW)
    assert counting() == [right]


def test_superseding_with_the_same_values_changes_nothing():
    reading = ReadingFactory(volts_v=25.6)
    assert record_supersede(record=reading, changes={"volts_v": 25.6}, actor=None, now=NOW).pk == reading.pk
    assert Reading.objects.count() == 1


def test_two_people_correcting_one_record_is_told():
    reading = ReadingFactory()
    record_supersede(record=reading, changes={"volts_v": 25.0}, actor=None, now=NOW)
    for correct in (
        lambda: record_supersede(record=reading, changes={"volts_v": 24.9}, actor=None, now=NOW),
        lambda: record_strike(record=reading, reason="x", actor=None, now=NOW),
        lambda: record_move_to(record=reading, bank=BankFactory(), reason="x", actor=None, now=NOW),
    ):
        with pytest.raises(DomainError, match="Someone struck out or corrected"):
            correct()


def test_only_real_fields_may_be_corrected():
    with pytest.raises(ValueError, match="recorded_at"):
        record_supersede(record=ReadingFactory(), changes={"recorded_at": NOW}, actor=None, now=NOW)


def test_a_moved_reading_changes_both_units(told, django_capture_on_commit_callbacks):
    wrong, right = UnitFactory(), UnitFactory()
    reading, target = ReadingFactory(bank=BankFactory(unit=wrong)), BankFactory(unit=right)
    with django_capture_on_commit_callbacks(execute=True):
        moved = record_move_to(
            record=reading, bank=target, reason="read the label again", actor=None, now=NOW
        )
    assert (moved.bank, counting()) == (target, [moved])
    assert frozenset().union(*told) == {wrong.pk, right.pk}
    assert {entry.unit for entry in AuditEntry.objects.all()} == {wrong, right}


def test_a_reading_moved_to_a_bank_it_cannot_be_of_stays():
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory()), volts_v=25.6)
    with pytest.raises(DomainError, match="cannot be the voltage"):
        record_move_to(
            record=reading, bank=BankFactory(cells_in_series=6), reason="slip", actor=None, now=NOW
        )
    assert counting() == [reading]


MOVES = {
    Charge: (lambda: ChargeFactory(bank=BankFactory(unit=UnitFactory())), "bank"),
    SupplyState: (lambda: SupplyStateFactory(bank=BankFactory(unit=UnitFactory())), "bank"),
    Inspection: (InspectionFactory, "unit"),
    Fault: (FaultFactory, "unit"),
    Certificate: (CertificateFactory, "unit"),
    Modification: (ModificationFactory, "unit"),
    WetState: (WetStateFactory, "unit"),
}


@pytest.mark.parametrize("model", MOVES, ids=lambda model: model.__name__)
def test_every_kind_of_record_is_struck_moved_and_restored(model):
    make, target = MOVES[model]
    record = make()
    to = {"bank": BankFactory(unit=UnitFactory()), "unit": UnitFactory()}[target]
    moved = record_move_to(record=record, reason="the other one", actor=None, now=NOW, **{target: to})
    assert (getattr(moved, target), counting(model)) == (to, [moved])
    record_strike(record=moved, reason="never happened", actor=None, now=NOW)
    assert counting(model) == []
    back = record_restore(record=moved, reason="it did", actor=None, now=NOW)
    assert counting(model) == [back]
    moved.refresh_from_db()
    assert (moved.struck_reason, moved.superseded_by) == ("never happened", back)


def test_a_weighing_moves_only_within_its_design():
    weighing = WeighingFactory()
    with pytest.raises(DomainError, match="another design"):
        record_move_to(record=weighing, unit=UnitFactory(), reason="slip", actor=None, now=NOW)
    sister = UnitFactory(design=weighing.unit.design)
    assert record_move_to(record=weighing, unit=sister, reason="slip", actor=None, now=NOW).unit == sister
    assert Weighing.objects.counting().count() == 1


def test_a_day_log_moves_to_the_deployment_of_the_other_unit():
    one, other = DeploymentFactory(), DeploymentFactory()
    day = TODAY - dt.timedelta(days=3)
    log = DayLog.objects.create(deployment=one, day=day, happened_at=ago(2), hours_a_h=5)
    moved = record_move_to(record=log, unit=other.unit, reason="their sheet", actor=None, now=NOW)
    assert (moved.deployment, moved.hours_a_h) == (other, 5)
    with pytest.raises(DomainError, match="no single deployment"):
        record_move_to(record=moved, unit=UnitFactory(), reason="slip", actor=None, now=NOW)


def test_a_record_goes_to_a_destination_of_its_kind():
    with pytest.raises(DomainError, match="to which unit or bank"):
        record_move_to(record=ReadingFactory(), unit=UnitFactory(), reason="slip", actor=None, now=NOW)


def test_an_open_charge_is_not_moved_onto_a_bank_that_is_charging():
    busy = BankFactory(unit=UnitFactory())
    OpenChargeFactory(bank=busy)
    charge = OpenChargeFactory(bank=BankFactory(unit=UnitFactory()))
    with pytest.raises(DomainError, match="on charge already"):
        record_move_to(record=charge, bank=busy, reason="slip", actor=None, now=NOW)
    assert Charge.objects.counting().count() == 2


# 'As of D' is what is known now about D; 'as believed on D' is what had been written down by D.


def voltages(rows):
    return [row.volts_v for row in rows.order_by("happened_at")]


def test_a_late_reading_is_known_now_but_was_not_believed_then():
    bank = BankFactory(unit=UnitFactory())
    ReadingFactory(bank=bank, volts_v=25.7, happened_at=ago(30), recorded_at=ago(30))
    reading_record(bank=bank, happened_at=ago(10), volts_v=24.9, rest_h=48, temp_c=10, actor=None, now=ago(2))
    as_of = Reading.objects.filter(bank=bank, happened_at__lte=ago(5))
    assert voltages(as_of.counting()) == [25.7, 24.9]
    assert voltages(as_of.as_believed_on(ago(5))) == [25.7]
    assert voltages(as_of.as_believed_on(ago(1))) == [25.7, 24.9]


def test_a_corrected_reading_was_believed_until_the_correction():
    reading = ReadingFactory(volts_v=26.5, happened_at=ago(30), recorded_at=ago(30))
    record_supersede(record=reading, changes={"volts_v": 25.6}, actor=None, now=ago(3))
    rows = Reading.objects.filter(bank=reading.bank)
    assert voltages(rows.counting()) == [25.6]
    assert voltages(rows.as_believed_on(ago(10))) == [26.5]
    assert voltages(rows.as_believed_on(ago(3))) == [25.6]


def test_a_struck_and_restored_reading_was_believed_before_and_after_but_not_between():
    reading = ReadingFactory(volts_v=25.6, happened_at=ago(30), recorded_at=ago(30))
    record_strike(record=reading, reason="doubt", actor=None, now=ago(20))
    record_restore(record=reading, reason="it was right", actor=None, now=ago(10))
    rows = Reading.objects.filter(bank=reading.bank)
    believed = [voltages(rows.as_believed_on(ago(day))) for day in (40, 25, 15, 5)]
    assert believed == [[], [25.6], [], [25.6]]
    assert voltages(rows.counting()) == [25.6]
