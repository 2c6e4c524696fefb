"""Banks and blocks on the move: histories without gaps, evidence called in question."""

import datetime as dt

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Modification
from fleet.services.banks import bank_move, bank_swap, block_move
from tests.factories.fleet import (
    FIRST_DAY,
    FIRST_MOMENT,
    NOW,
    TODAY,
    BankFactory,
    BlockFactory,
    PlaceFactory,
    UnitFactory,
    ago,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def history(thing):
    return [
        (
            getattr(stay, "unit", None) or getattr(stay, "bank_id", None),
            stay.place,
            stay.started_at,
            stay.ended_at,
        )
        for stay in thing.stays.order_by("started_at", "id")
    ]


def test_a_swap_closes_and_opens_both_histories_at_one_instant():
    unit, old = UnitFactory(tag="MW-001"), BankFactory(serial="OLD")
    old = BankFactory(unit=unit)
    new = BankFactory(place=unit.home)
    for _ in range(2):
        bank_swap(unit=unit, bank=new, at=ago(1), actor=None, now=NOW)
    assert history(old) == [(unit, None, FIRST_MOMENT, ago(1)), (old.pk, unit.home, ago(1), None)]
    assert history(new) == [(new.pk, unit.home, FIRST_MOMENT, ago(1)), (unit, None, ago(1), None)]
    changed = Modification.objects.get()
    assert (changed.unit, changed.kind, changed.touches) == (unit, "swap", ["mass", "cog", "wiring"])
    assert old.serial in changed.description
    assert new.serial in changed.description


def test_a_bank_out_of_another_unit_touches_both(django_capture_on_commit_callbacks, monkeypatch):
    heard = []
    monkeypatch.setattr("fleet.services.changes._listeners", [heard.append])
    giver, taker = UnitFactory(), UnitFactory()
    bank = BankFactory(unit=giver)
    with django_capture_on_commit_callbacks(execute=True):
        bank_swap(unit=taker, bank=bank, at=ago(1), actor=None, now=NOW)
    assert {row.unit for row in Modification.objects.all()} == {giver, taker}
    assert frozenset().union(*heard) == {giver.pk, taker.pk}
    assert not giver.bank_stays.current().exists()


def test_like_for_like_leaves_the_evidence_alone_and_must_be_true():
    unit = UnitFactory()
    BankFactory(unit=unit)
    bank_swap(
        unit=unit, bank=BankFactory(place=unit.home), at=ago(2), actor=None, like_for_like=True, now=NOW
    )
    assert Modification.objects.count() == 0
    with pytest.raises(DomainError, match="no exchange of like for like"):
        bank_swap(
            unit=unit,
            bank=BankFactory(place=unit.home, capacity_ah=100.0),
            at=ago(1),
            actor=None,
            like_for_like=True,
            now=NOW,
        )
    assert unit.bank_stays.current().get().bank.capacity_ah == 200.0


def test_a_taken_position_asks_for_a_swap():
    unit = UnitFactory()
    BankFactory(unit=unit, serial="INSIDE")
    with pytest.raises(DomainError, match="holds bank INSIDE: swap the two"):
        bank_move(bank=BankFactory(place=unit.home), unit=unit, at=ago(1), actor=None, now=NOW)


def test_a_second_position_is_free_and_the_shelf_takes_any_number():
    unit = UnitFactory()
    first = BankFactory(unit=unit)
    second = BankFactory(place=unit.home)
    bank_move(bank=second, unit=unit, position="aux", at=ago(3), actor=None, now=NOW)
    for bank in (first, second):
        bank_move(bank=bank, place=unit.home, at=ago(1), actor=None, like_for_like=True, now=NOW)
    assert not unit.bank_stays.current().exists()
    assert AuditEntry.objects.filter(action="bank.move").count() == 3


@pytest.mark.parametrize(
    ("bank_changes", "at", "words"),
    [
        ({}, ago(-1), "has not come yet"),
        ({"retired_on": TODAY - dt.timedelta(days=10)}, ago(1), "was retired"),
        ({"made_on": FIRST_DAY - dt.timedelta(days=90)}, ago(760), "came to where it is"),
    ],
)
def test_a_move_that_cannot_have_been_is_refused(bank_changes, at, words):
    bank = BankFactory(place=PlaceFactory(), **bank_changes)
    with pytest.raises(DomainError, match=words):
        bank_move(bank=bank, unit=UnitFactory(commissioned_on=None), at=at, actor=None, now=NOW)
    assert len(history(bank)) == 1


def test_it_goes_to_one_target():
    with pytest.raises(DomainError, match="one place"):
        bank_move(bank=BankFactory(), at=ago(1), actor=None, now=NOW)


def test_a_block_moves_between_banks_with_its_history():
    one, other = UnitFactory(), UnitFactory()
    source, target = BankFactory(unit=one), BankFactory(unit=other)
    block = BlockFactory(bank=source, position="3")
    for _ in range(2):
        block_move(block=block, bank=target, position="1", at=ago(1), actor=None, now=NOW)
    assert [(row[0], row[3]) for row in history(block)] == [(source.pk, ago(1)), (target.pk, None)]
    assert {row.unit for row in Modification.objects.all()} == {one, other}


def test_blocks_of_two_chemistries_are_not_mixed():
    with pytest.raises(DomainError, match="must not be mixed"):
        block_move(
            block=BlockFactory(chemistry="vrla_agm"), bank=BankFactory(), at=ago(1), actor=None, now=NOW
        )


def test_a_place_in_a_bank_holds_one_block():
    bank = BankFactory()
    BlockFactory(bank=bank, position="1")
    with pytest.raises(DomainError, match="take it out first"):
        block_move(block=BlockFactory(), bank=bank, position="1", at=ago(1), actor=None, now=NOW)
