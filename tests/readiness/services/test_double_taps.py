"""Two hands on one form at the same moment: one record, and the other hand is told."""

import uuid
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, UnitStay
from fleet.services.corrections import record_supersede
from fleet.services.units import absence_start, unit_move
from fleet.services.versions import save_versioned
from inventory.models import PartDebt
from inventory.services.takes import bank_take
from readiness.models import Charge, Reading
from readiness.services.upkeep import charge_start, charge_stop, reading_record
from tests.factories.fleet import NOW, BankFactory, PlaceFactory, UnitFactory, ago
from tests.factories.readiness import OpenChargeFactory, ReadingFactory

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.db_both]

HANDS = 4


@pytest.fixture(autouse=True)
def nobody_computes(monkeypatch):
    monkeypatch.setattr("fleet.services.changes._listeners", [])


def together(act):
    """Runs `act(number)` in HANDS threads at once; answers what each returned or was refused with."""
    ready = Barrier(HANDS)

    def hand(number):
        try:
            ready.wait(timeout=20)
            return act(number)
        except DomainError as refused:
            return refused
        finally:
            connection.close()

    with ThreadPoolExecutor(HANDS) as pool:
        return list(pool.map(hand, range(HANDS)))


def refusals(answers):
    return [answer for answer in answers if isinstance(answer, DomainError)]


def test_one_token_is_one_reading():
    bank, token = BankFactory(unit=UnitFactory()), uuid.uuid4()
    answers = together(
        lambda _: reading_record(
            bank=bank, happened_at=ago(1), volts_v=25.4, rest_h=30, actor=None, token=token, now=NOW
        )
    )
    assert refusals(answers) == []
    assert {answer.pk for answer in answers} == {Reading.objects.get().pk}
    assert AuditEntry.objects.filter(action="reading.record").count() == 1


def test_four_hands_start_one_charge():
    bank = BankFactory(unit=UnitFactory())
    answers = together(
        lambda number: charge_start(bank=bank, happened_at=ago(hours=4 - number), actor=None, now=NOW)
    )
    assert Charge.objects.filter(ended_at=None).count() == 1
    assert len(refusals(answers)) == HANDS - 1
    assert all("on charge" in each.sentence or "Someone else" in each.sentence for each in refusals(answers))


def test_four_hands_end_it_once():
    charge = OpenChargeFactory(bank=BankFactory(unit=UnitFactory()))
    answers = together(lambda _: charge_stop(charge=charge, ended_at=ago(hours=1), actor=None, now=NOW))
    assert refusals(answers) == []
    assert AuditEntry.objects.filter(action="charge.stop").count() == 1


def test_a_record_is_corrected_by_one_of_them():
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory()))
    answers = together(
        lambda number: record_supersede(
            record=reading, changes={"volts_v": 25.0 + number / 10}, actor=None, now=NOW
        )
    )
    assert len(refusals(answers)) == HANDS - 1
    assert (Reading.objects.count(), Reading.objects.counting().count()) == (2, 1)


def test_a_unit_is_in_one_place_whoever_moves_it():
    unit = UnitFactory()
    places = [PlaceFactory() for _ in range(HANDS)]
    together(lambda number: unit_move(unit=unit, to=places[number], at=ago(1), actor=None, now=NOW))
    assert UnitStay.objects.current().filter(unit=unit).count() == 1


def test_a_unit_leaves_once():
    unit = UnitFactory()
    answers = together(
        lambda number: absence_start(
            unit=unit, purpose="loan", custodian=f"County {number}", started_at=ago(1), actor=None, now=NOW
        )
    )
    assert len(refusals(answers)) == HANDS - 1
    assert unit.absences.count() == 1


def test_one_of_four_edits_is_saved():
    unit = UnitFactory()
    answers = together(
        lambda number: save_versioned(
            instance=unit, seen_version=1, changes={"yard_place": f"Row {number}"}, actor=None
        )
    )
    assert [type(each).__name__ for each in refusals(answers)] == ["Conflict"] * (HANDS - 1)
    unit.refresh_from_db()
    assert unit.version == 2


def test_a_bank_is_taken_once_whoever_taps():
    giver, target = UnitFactory(), UnitFactory()
    bank, token = BankFactory(unit=giver), uuid.uuid4()
    answers = together(
        lambda _: bank_take(
            bank=bank, source=giver, target=target, happened_at=ago(1), token=token, actor=None, now=NOW
        )
    )
    assert refusals(answers) == []
    assert {answer.pk for answer in answers} == {PartDebt.objects.get().pk}


def test_a_bank_taken_for_four_units_goes_to_one_and_the_giver_alone_is_owed():
    giver, targets = UnitFactory(), [UnitFactory() for _ in range(HANDS)]
    bank = BankFactory(unit=giver)
    answers = together(
        lambda number: bank_take(
            bank=bank,
            source=giver,
            target=targets[number],
            happened_at=ago(1),
            token=uuid.uuid4(),
            actor=None,
            now=NOW,
        )
    )
    assert {each.key for each in refusals(answers)} == {"take.bank_went_elsewhere"}
    debt = PartDebt.objects.get()
    assert debt.owed_to == giver
    assert bank.stays.get(ended_at=None).unit == debt.given_to
