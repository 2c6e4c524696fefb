"""Stock moves, counts, expiry and tokens: what the ledger takes and what it refuses, with the sentence it says."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest

from fleet.lib.errors import DomainError
from inventory.models import Balance, Lot, Movement
from inventory.selectors.ledger_check import ledger_differences
from inventory.selectors.stock import balance_at, demand_movements, first_expiring
from inventory.services.ledger import (
    StockRow,
    lot_create,
    lot_quarantine,
    lot_set_status,
    movement_reverse,
    stock_count,
    stock_count_many,
    stock_issue,
    stock_issue_many,
    stock_receive,
    stock_receive_many,
    stock_return,
    stock_scrap,
    stock_transfer,
    stock_use,
)
from tests.factories.fleet import NOW, TODAY, DeploymentFactory, DepotFactory, UnitFactory, UserFactory, ago
from tests.factories.inventory import ChlorineFactory, ItemFactory, LotFactory, aboard, in_store

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

WHO: dict[str, Any] = {"actor": None, "now": NOW}


def qty_in(lot: Lot, where: Any) -> Decimal:
    side = "unit" if where._meta.model_name == "unit" else "place"
    row = Balance.objects.filter(lot=lot, **{side: where}).first()
    return row.qty if row else Decimal(0)


def refused(key: str, call: Any, **kwargs: Any) -> DomainError:
    before = (Movement.objects.count(), list(Balance.objects.order_by("pk").values_list("pk", "qty")))
    with pytest.raises(DomainError) as caught:
        call(**WHO, **kwargs)
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    assert before == (Movement.objects.count(), list(Balance.objects.order_by("pk").values_list("pk", "qty")))
    return caught.value


def test_stock_goes_from_the_stores_aboard_and_back() -> None:
    unit = UnitFactory()
    lot = in_store(10, place=unit.home)
    actor = UserFactory()
    moved = stock_issue(
        lot=lot, qty=4, place=unit.home, unit=unit, happened_at=ago(5), actor=actor, reason="kit", now=NOW
    )
    assert (moved.recorded_by, moved.kind, moved.reason) == (actor, "issue", "kit")
    assert (qty_in(lot, unit.home), qty_in(lot, unit)) == (6, 4)
    stock_return(lot=lot, qty=1, unit=unit, place=unit.home, happened_at=ago(4), **WHO)
    stock_use(lot=lot, qty=2, unit=unit, happened_at=ago(3), **WHO)
    other = DepotFactory()
    stock_transfer(lot=lot, qty=5, from_place=unit.home, to_place=other, happened_at=ago(2), **WHO)
    stock_scrap(lot=lot, qty=1, place=other, reason="wet", happened_at=ago(1), **WHO)
    assert (qty_in(lot, unit.home), qty_in(lot, unit), qty_in(lot, other)) == (2, 1, 4)
    assert ledger_differences() == []


def test_more_than_there_is_is_refused_with_what_is_there() -> None:
    unit = UnitFactory()
    lot = in_store(3, place=unit.home)
    error = refused(
        "stock.too_little", stock_issue, lot=lot, qty=4, place=unit.home, unit=unit, happened_at=ago(1)
    )
    assert "3 were there" in error.sentence
    assert lot.code in error.sentence


@pytest.mark.parametrize(
    ("qty", "key"),
    [
        (Decimal("1.5"), "stock.whole_pieces"),
        (Decimal(0), "stock.not_positive"),
        (Decimal(-1), "stock.not_positive"),
        (Decimal("1.0001"), "stock.too_fine"),
        (Decimal("1e12"), "stock.too_large"),
        (Decimal("NaN"), "stock.no_number"),
    ],
)
def test_quantities_that_cannot_be_booked(qty: Decimal, key: str) -> None:
    refused(key, stock_receive, lot=LotFactory(), qty=qty, place=DepotFactory(), happened_at=ago(1))


def test_kilograms_are_booked_to_the_gram_without_drift() -> None:
    place = DepotFactory()
    lot = in_store("0.300", place=place, item=ChlorineFactory())
    stock_use(lot=lot, qty=Decimal("0.1"), place=place, happened_at=ago(3), **WHO)
    stock_use(lot=lot, qty=Decimal("0.2"), place=place, happened_at=ago(2), **WHO)
    assert qty_in(lot, place) == 0
    for _ in range(10):
        stock_receive(lot=lot, qty=Decimal("0.1"), place=place, happened_at=ago(1), **WHO)
    stock_use(lot=lot, qty=Decimal("1.000"), place=place, happened_at=ago(0), **WHO)
    assert qty_in(lot, place) == 0
    assert ledger_differences() == []


@pytest.mark.parametrize(
    ("fields", "key"),
    [
        ({"expires_on": TODAY - dt.timedelta(days=1)}, "lot.expired"),
        ({"expires_on": None}, "lot.expiry_unknown"),
        ({"status": Lot.Status.QUARANTINE}, "lot.quarantine"),
        ({"status": Lot.Status.RECALLED}, "lot.recalled"),
    ],
)
def test_lots_that_may_not_go_aboard(fields: dict[str, Any], key: str) -> None:
    unit = UnitFactory()
    lot = in_store(3, place=unit.home, **fields)
    refused(key, stock_issue, lot=lot, qty=1, place=unit.home, unit=unit, happened_at=NOW)
    # What is there may still be moved apart, counted and thrown away.
    stock_transfer(lot=lot, qty=1, from_place=unit.home, to_place=DepotFactory(), happened_at=NOW, **WHO)
    stock_scrap(lot=lot, qty=1, place=unit.home, reason="out of date", happened_at=NOW, **WHO)


@pytest.mark.parametrize("fields", [{"expires_on": TODAY}, {"expires_on": None, "no_expiry": True}])
def test_lots_that_may_go_aboard_on_their_last_day(fields: dict[str, Any]) -> None:
    unit = UnitFactory()
    lot = in_store(3, place=unit.home, **fields)
    stock_issue(lot=lot, qty=1, place=unit.home, unit=unit, happened_at=NOW, **WHO)
    assert qty_in(lot, unit) == 1


def test_the_last_day_is_that_of_the_place() -> None:
    """21:00 UTC on the last day is the next morning in Auckland."""
    auckland = DepotFactory(time_zone="Pacific/Auckland")
    unit = UnitFactory(home=auckland)
    lot = in_store(3, place=auckland, expires_on=TODAY - dt.timedelta(days=1))
    evening = dt.datetime.combine(TODAY - dt.timedelta(days=1), dt.time(21), tzinfo=dt.UTC)
    refused("lot.expired", stock_issue, lot=lot, qty=1, place=auckland, unit=unit, happened_at=evening)


def test_an_issue_dated_back_to_a_day_when_the_lot_was_good_is_taken() -> None:
    unit = UnitFactory()
    lot = in_store(3, place=unit.home, expires_on=TODAY - dt.timedelta(days=10))
    stock_issue(lot=lot, qty=1, place=unit.home, unit=unit, happened_at=ago(11), **WHO)


def test_a_double_tap_is_one_record() -> None:
    place = DepotFactory()
    lot, token = LotFactory(), uuid4()
    first = stock_receive(lot=lot, qty=5, place=place, happened_at=ago(1), token=token, **WHO)
    again = stock_receive(lot=lot, qty=5, place=place, happened_at=ago(1), token=token, **WHO)
    assert first.pk == again.pk
    assert qty_in(lot, place) == 5
    refused("stock.token_used", stock_use, lot=lot, qty=1, place=place, happened_at=ago(1), token=token)


def test_a_moment_to_come_is_refused() -> None:
    later = NOW + dt.timedelta(hours=1)
    refused(
        "stock.in_future", stock_receive, lot=LotFactory(), qty=1, place=DepotFactory(), happened_at=later
    )


# --- late and back-dated movements ------------------------------------------------------------------------


def test_a_late_movement_that_leaves_enough_is_taken() -> None:
    unit = UnitFactory()
    lot = in_store(10, place=unit.home, at=ago(50))
    stock_issue(lot=lot, qty=6, place=unit.home, unit=unit, happened_at=ago(10), **WHO)
    stock_use(lot=lot, qty=4, place=unit.home, happened_at=ago(30), **WHO)
    assert qty_in(lot, unit.home) == 0
    assert balance_at(lot, unit.home, ago(20)) == 6


def test_a_late_movement_that_would_leave_less_than_nothing_later_is_refused() -> None:
    unit = UnitFactory()
    lot = in_store(10, place=unit.home, at=ago(50))
    stock_issue(lot=lot, qty=8, place=unit.home, unit=unit, happened_at=ago(10), **WHO)
    stock_receive(lot=lot, qty=20, place=unit.home, happened_at=ago(5), **WHO)
    # 22 lie there now, but on the day of the issue one would have been missing.
    error = refused("stock.later_negative", stock_use, lot=lot, qty=3, place=unit.home, happened_at=ago(30))
    assert ago(10).date().isoformat() in error.sentence
    assert "1 of" in error.sentence


def test_nothing_can_be_taken_before_it_came() -> None:
    place = DepotFactory()
    lot = in_store(10, place=place, at=ago(50))
    refused("stock.too_little", stock_use, lot=lot, qty=1, place=place, happened_at=ago(51))


def test_a_receipt_cannot_be_reversed_once_its_stock_has_left() -> None:
    unit = UnitFactory()
    lot = LotFactory()
    receipt = stock_receive(lot=lot, qty=5, place=unit.home, happened_at=ago(50), **WHO)
    stock_issue(lot=lot, qty=3, place=unit.home, unit=unit, happened_at=ago(20), **WHO)
    stock_receive(lot=lot, qty=5, place=unit.home, happened_at=ago(10), **WHO)
    refused("stock.later_negative", movement_reverse, movement=receipt, reason="wrong lot")


# --- counts -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counted", "difference"), [(7, -3), (10, 0), (12, 2)])
def test_a_count_sets_the_balance_and_keeps_the_difference(counted: int, difference: int) -> None:
    place = DepotFactory()
    lot = in_store(10, place=place)
    count = stock_count(lot=lot, counted_qty=counted, place=place, happened_at=ago(2), **WHO)
    assert qty_in(lot, place) == counted
    assert (count.counted_qty, count.qty) == (counted, abs(difference))
    assert (count.from_place_id == place.pk) == (difference < 0)
    assert ledger_differences() == []


def test_a_late_movement_before_a_count_explains_its_difference_and_not_the_stock_after_it() -> None:
    unit = UnitFactory()
    lot = in_store(10, place=unit.home, at=ago(50))
    count = stock_count(lot=lot, counted_qty=7, place=unit.home, happened_at=ago(20), **WHO)
    stock_use(lot=lot, qty=2, place=unit.home, happened_at=ago(10), **WHO)
    stock_issue(lot=lot, qty=3, place=unit.home, unit=unit, happened_at=ago(30), **WHO)
    assert qty_in(lot, unit.home) == 5
    assert balance_at(lot, unit.home, ago(25)) == 7
    fresh = Movement.objects.filter(kind="count", reversed_by__isnull=True).get()
    assert Movement.objects.get(reverses=count).kind == "reversal"
    assert (fresh.counted_qty, fresh.qty, fresh.happened_at) == (7, 0, count.happened_at)
    assert ledger_differences() == []


def test_a_late_count_before_a_later_count_changes_nothing_after_it() -> None:
    place = DepotFactory()
    lot = in_store(10, place=place, at=ago(50))
    stock_count(lot=lot, counted_qty=7, place=place, happened_at=ago(20), **WHO)
    stock_count(lot=lot, counted_qty=9, place=place, happened_at=ago(30), **WHO)
    assert qty_in(lot, place) == 7
    assert balance_at(lot, place, ago(25)) == 9
    assert ledger_differences() == []


def test_a_reversed_count_is_as_if_it_had_not_been() -> None:
    place = DepotFactory()
    lot = in_store(10, place=place, at=ago(50))
    agreed = stock_count(lot=lot, counted_qty=10, place=place, happened_at=ago(20), **WHO)
    short = stock_count(lot=lot, counted_qty=4, place=place, happened_at=ago(10), **WHO)
    movement_reverse(movement=short, reason="counted the wrong shelf", **WHO)
    movement_reverse(movement=agreed, reason="the same", **WHO)
    assert qty_in(lot, place) == 10
    assert ledger_differences() == []


# --- reversal ---------------------------------------------------------------------------------------------


def test_a_movement_is_reversed_once() -> None:
    place = DepotFactory()
    lot = in_store(10, place=place)
    used = stock_use(lot=lot, qty=4, place=place, happened_at=ago(5), **WHO)
    token = uuid4()
    back = movement_reverse(movement=used, reason="not used", token=token, **WHO)
    assert movement_reverse(movement=used, reason="not used", token=token, **WHO).pk == back.pk
    assert qty_in(lot, place) == 10
    assert balance_at(lot, place, ago(5)) == 10
    refused("movement.reversed", movement_reverse, movement=used, reason="again")
    refused("movement.is_reversal", movement_reverse, movement=back, reason="again")
    refused("stock.no_reason", movement_reverse, movement=used, reason=" ")


# --- serials ----------------------------------------------------------------------------------------------


def test_a_piece_with_a_serial_is_in_one_place() -> None:
    place, other = DepotFactory(), DepotFactory()
    item = ItemFactory(serialised=True, dated=False)
    lot = in_store(1, place=place, lot=LotFactory(item=item, serial="S-1"))
    error = refused("stock.serial_twice", stock_receive, lot=lot, qty=1, place=other, happened_at=ago(1))
    assert place.name in error.sentence
    refused("stock.serial_twice", stock_count, lot=lot, counted_qty=1, place=other, happened_at=ago(1))
    refused(
        "stock.one_piece_per_serial", stock_count, lot=lot, counted_qty=2, place=place, happened_at=ago(1)
    )
    stock_transfer(lot=lot, qty=1, from_place=place, to_place=other, happened_at=ago(1), **WHO)
    refused("stock.serial_twice", stock_receive, lot=lot, qty=1, place=place, happened_at=ago(0))


# --- lots -------------------------------------------------------------------------------------------------


def test_lots_are_made_known_once() -> None:
    item = ItemFactory()
    fields = {"item": item, "code": " L-7 ", "expires_on": TODAY, "actor": None}
    lot = lot_create(**fields)
    assert lot_create(**fields).pk == lot.pk
    assert lot.code == "L-7"
    with pytest.raises(DomainError, match="on file with other dates"):
        lot_create(item=item, code="L-7", expires_on=TODAY - dt.timedelta(days=1), actor=None)
    with pytest.raises(DomainError, match="has a serial"):
        lot_create(item=ItemFactory(serialised=True), code="X", actor=None)
    with pytest.raises(DomainError, match="before the date of manufacture"):
        lot_create(item=item, code="L-8", made_on=TODAY, expires_on=TODAY - dt.timedelta(days=1), actor=None)


def test_quarantine_needs_a_reason_and_is_audited() -> None:
    from fleet.models import AuditEntry

    lot = LotFactory()
    with pytest.raises(DomainError, match="Say why"):
        lot_quarantine(lot=lot, reason="", actor=None)
    lot_quarantine(lot=lot, reason="smells", actor=None)
    lot_quarantine(lot=lot, reason="smells", actor=None)
    lot_set_status(lot=lot, status=Lot.Status.GOOD, reason="tested", actor=None)
    lines = AuditEntry.objects.filter(subject_kind="lot").order_by("pk").values_list("action", "note")
    assert list(lines) == [("lot.quarantine", "smells"), ("lot.release", "tested")]


# --- several at once --------------------------------------------------------------------------------------


def test_first_to_expire_goes_first_and_several_lots_are_all_or_nothing() -> None:
    unit = UnitFactory()
    item = ItemFactory()
    day = dt.timedelta(days=1)
    late = in_store(5, place=unit.home, item=item, expires_on=TODAY + 90 * day)
    soon = in_store(3, place=unit.home, item=item, expires_on=TODAY + 9 * day)
    in_store(9, place=unit.home, item=item, expires_on=TODAY - day)
    found = first_expiring(item=item, place=unit.home, qty=Decimal(6), day=TODAY)
    assert found.picks == [(soon, 3), (late, 3)]
    assert found.missing == 0
    assert first_expiring(item=item, place=unit.home, qty=Decimal(10), day=TODAY).missing == 2
    where: dict[str, Any] = {"place": unit.home, "unit": unit, "happened_at": ago(1)}
    refused("stock.too_little", stock_issue_many, picks=[(soon, 3), (late, 6)], **where)
    token = uuid4()
    first = stock_issue_many(picks=found.picks, token=token, **where, **WHO)
    again = stock_issue_many(picks=found.picks, token=token, **where, **WHO)
    assert [row.pk for row in first] == [row.pk for row in again]
    assert (qty_in(soon, unit), qty_in(late, unit)) == (3, 3)


def test_use_on_an_exercise_is_no_demand() -> None:
    unit = UnitFactory()
    lot = aboard(unit, 9)
    exercise = DeploymentFactory(unit=unit, exercise=True, started_on=ago(60).date(), ended_on=ago(50).date())
    call = DeploymentFactory(unit=unit, started_on=ago(40).date(), ended_on=ago(30).date())
    drill = stock_use(lot=lot, qty=2, unit=unit, happened_at=ago(55), **WHO)
    real = stock_use(lot=lot, qty=3, unit=unit, happened_at=ago(35), **WHO)
    at_home = stock_use(lot=lot, qty=1, unit=unit, happened_at=ago(5), **WHO)
    assert (drill.deployment, real.deployment, at_home.deployment) == (exercise, call, None)
    assert list(demand_movements()) == [real, at_home]
    movement_reverse(movement=real, reason="wrong day", **WHO)
    assert list(demand_movements()) == [at_home]
    other = DeploymentFactory()
    refused(
        "stock.other_deployment", stock_use, lot=lot, qty=1, unit=unit, deployment=other, happened_at=ago(5)
    )


def test_many_counts_at_once_keep_the_good_and_tell_the_refused(django_assert_max_num_queries: Any) -> None:
    place = DepotFactory()
    lots = [LotFactory() for _ in range(60)]
    rows = [StockRow(lot=lot, qty=Decimal(n), place=place, happened_at=ago(9)) for n, lot in enumerate(lots)]
    rows += [StockRow(lot=lots[5], qty=Decimal("1.5"), place=place, happened_at=ago(8))]
    rows += [StockRow(lot=lots[6], qty=Decimal(2), place=place, happened_at=ago(20), token=uuid4())]
    with django_assert_max_num_queries(15):
        outcome = stock_count_many(rows, None, None, now=NOW)
    assert list(outcome.refused) == [60]
    assert len(outcome.movements) == 61
    assert qty_in(lots[7], place) == 7
    assert qty_in(lots[6], place) == 6
    again = stock_count_many(rows[61:], None, None, now=NOW)
    assert again.movements[0].pk == outcome.movements[61].pk
    assert ledger_differences() == []


def test_many_receipts_at_once_or_none() -> None:
    place = DepotFactory()
    lot = LotFactory()
    good = StockRow(lot=lot, qty=Decimal(3), place=place, happened_at=ago(9))
    bad = StockRow(lot=lot, qty=Decimal(0), place=place, happened_at=ago(9))
    with pytest.raises(DomainError, match="more than 0"):
        stock_receive_many([good, bad], None, None, keep_going=False, now=NOW)
    assert not Movement.objects.exists()
    stock_receive_many([good, good], None, None, now=NOW)
    assert qty_in(lot, place) == 6
    assert ledger_differences() == []


def test_the_ledger_check_tells_what_does_not_add_up(capsys: pytest.CaptureFixture[str]) -> None:
    from django.core.management import CommandError, call_command

    place = DepotFactory()
    lot = in_store(4, place=place)
    call_command("ledger_check")
    assert "1 balances agree with 1 movements" in capsys.readouterr().out
    Balance.objects.filter(lot=lot).update(qty=5)
    with pytest.raises(CommandError, match="1 things do not add up"):
        call_command("ledger_check")
    assert "5" in capsys.readouterr().out
