"""Parts in positions: hours travel with the piece, positions hold one, reversals restore, takings leave a debt."""

from __future__ import annotations

import datetime as dt
from importlib import import_module
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.db import transaction

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, BankStay, DayLog, Unit
from inventory.models import Balance, FittedPart, Movement, PartDebt
from inventory.selectors.ledger_check import ledger_differences
from inventory.selectors.part_use import use_of_parts
from inventory.selectors.parts import used_pieces
from inventory.services.ledger import (
    EarlierUse,
    bank_take,
    carried_recompute,
    lot_quarantine,
    movement_reverse,
    part_find,
    part_fit,
    part_remove,
    part_replace,
    part_take,
    stock_issue,
    stock_issue_many,
    stock_return,
    stock_scrap,
)
from tests.factories.fleet import NOW, TODAY, BankFactory, DeploymentFactory, DepotFactory, UnitFactory, ago
from tests.factories.inventory import (
    DesignItemFactory,
    ItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
    with_position,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

WHO: dict[str, Any] = {"actor": None, "now": NOW}


def refused(key: str, call: Any, **kwargs: Any) -> DomainError:
    before = (Movement.objects.count(), FittedPart.objects.count())
    with pytest.raises(DomainError) as caught:
        call(**WHO, **kwargs)
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    assert before == (Movement.objects.count(), FittedPart.objects.count())
    assert ledger_differences() == []
    return caught.value


def qty_aboard(unit: Unit, lot: Any) -> int:
    row = Balance.objects.filter(lot=lot, unit=unit).first()
    return int(row.qty) if row else 0


def away(unit: Unit, first: float, days: int, hours_a: float = 10.0, hours_b: float = 5.0) -> list[DayLog]:
    """A deployment that began `first` days ago, every day of it logged."""
    start = ago(first).date()
    deployment = DeploymentFactory(unit=unit, started_on=start, ended_on=start + dt.timedelta(days=days - 1))
    return [
        DayLog.objects.create(
            deployment=deployment,
            day=start + dt.timedelta(days=n),
            happened_at=dt.datetime.combine(start + dt.timedelta(days=n + 1), dt.time(0), tzinfo=dt.UTC),
            hours_a_h=hours_a,
            hours_b_h=hours_b,
            starts_a=1,
            starts_b=1,
            volume_a_m3=40.0,
            volume_b_m3=20.0,
        )
        for n in range(days)
    ]


# --- fit and remove ---------------------------------------------------------------------------------------


def test_fitting_takes_a_piece_from_aboard_and_removal_puts_it_back() -> None:
    unit = UnitFactory()
    item = LampFactory()
    position = with_position(unit, item, "lamp 2", "b")
    lot = aboard(unit, 2, item=item)
    part = part_fit(lot=lot, unit=unit, position=position, happened_at=ago(20), **WHO)
    assert (part.train, part.first_fitted_at, qty_aboard(unit, lot)) == ("b", ago(20), 1)
    assert part.movements.get().kind == "fit"
    gone = part_remove(part=part, happened_at=ago(3), **WHO)
    assert (gone.removed_at, qty_aboard(unit, lot)) == (ago(3), 2)
    assert ledger_differences() == []


def test_a_position_holds_one_part() -> None:
    part = fitted(position="lamp 1", at=ago(80))
    unit = part.unit
    lot = aboard(unit, 3, item=part.lot.item)
    where: dict[str, Any] = {"lot": lot, "unit": unit, "position": "lamp 1"}
    refused("position.taken", part_fit, happened_at=ago(1), **where)
    part_remove(part=part, happened_at=ago(10), **WHO)
    refused("position.taken_then", part_fit, happened_at=ago(11), **where)
    refused("part.removed_already", part_remove, part=part, happened_at=ago(1))
    part_fit(happened_at=ago(10), **where, **WHO)


def test_what_is_not_aboard_cannot_be_fitted() -> None:
    unit = UnitFactory()
    item = LampFactory()
    position = with_position(unit, item)
    lot = in_store(5, place=unit.home, item=item)
    refused("stock.too_little", part_fit, lot=lot, unit=unit, position=position, happened_at=ago(1))
    part = part_fit(lot=lot, unit=unit, position=position, from_place=unit.home, happened_at=ago(1), **WHO)
    assert [row.kind for row in Movement.objects.filter(lot=lot).order_by("pk")] == [
        "receipt",
        "issue",
        "fit",
    ]
    assert part.unit == unit


def test_wrong_items_and_unknown_positions_are_refused() -> None:
    unit = UnitFactory()
    item = LampFactory()
    with_position(unit, item, "lamp 1")
    lot = aboard(unit, 1, item=ItemFactory(name="Pump seal"))
    error = refused("part.wrong_item", part_fit, lot=lot, unit=unit, position="lamp 1", happened_at=ago(1))
    assert item.name in error.sentence
    refused("part.no_such_position", part_fit, lot=lot, unit=unit, position="lmap 1", happened_at=ago(1))


def test_expired_and_blocked_parts_are_not_fitted_but_may_be_found() -> None:
    unit = UnitFactory()
    item = ItemFactory()
    with_position(unit, item, "cartridge")
    expired = aboard(unit, 1, item=item, expires_on=TODAY - dt.timedelta(days=5))
    blocked = aboard(unit, 1, item=item)
    lot_quarantine(lot=blocked, reason="cracked", actor=None)
    where: dict[str, Any] = {"unit": unit, "position": "cartridge", "happened_at": ago(1)}
    refused("lot.expired", part_fit, lot=expired, **where)
    refused("lot.quarantine", part_fit, lot=blocked, **where)
    part = part_find(lot=expired, **where, **WHO)
    assert (part.use_known, part.first_fitted_at, qty_aboard(unit, expired)) == (False, None, 1)
    assert ledger_differences() == []


def test_a_double_tap_fits_and_removes_once() -> None:
    unit = UnitFactory()
    item = LampFactory()
    position = with_position(unit, item)
    lot = aboard(unit, 2, item=item)
    fit, out = uuid4(), uuid4()
    parts = {
        part_fit(lot=lot, unit=unit, position=position, happened_at=ago(5), token=fit, **WHO).pk
        for _ in range(2)
    }
    assert len(parts) == 1
    part = FittedPart.objects.get()
    for _ in range(2):
        part_remove(part=part, happened_at=ago(1), scrap=True, token=out, reason="broken", **WHO)
    assert list(Movement.objects.order_by("pk").values_list("kind", flat=True)) == [
        "receipt",
        "issue",
        "fit",
        "remove",
        "scrap",
    ]


# --- age and hours travel ---------------------------------------------------------------------------------


def test_hours_starts_and_volume_travel_with_a_serial() -> None:
    lamp = LampFactory(serialised=True)
    part = fitted(item=lamp, lot=LotFactory(item=lamp, serial="L-9"), at=ago(80))
    unit = part.unit
    away(unit, 70, 10)
    other = UnitFactory(design=unit.design, home=unit.home)
    away(other, 20, 4, hours_a=3.0)
    part_remove(part=part, to_place=unit.home, happened_at=ago(40), **WHO)
    again = part_fit(
        lot=part.lot, unit=other, position="lamp 1", from_place=unit.home, happened_at=ago(30), **WHO
    )
    assert (again.carried_h, again.carried_m3, again.carried_starts) == (100.0, 400.0, 10)
    assert (again.first_fitted_at, again.follows, again.use_known) == (ago(80), part, True)
    (use,) = use_of_parts([again], as_of=NOW)
    assert (use.hours_h, use.starts, use.life_h, use.outcome) == (112.0, 14, 126.0, "pass")
    assert use.left_h == 9000.0 - 126.0


def test_of_pieces_without_serial_the_fitter_says_which_one() -> None:
    part = fitted(at=ago(80))
    unit, lot = part.unit, part.lot
    aboard(unit, 2, lot=lot, at=ago(79))
    away(unit, 70, 10)
    part_remove(part=part, happened_at=ago(40), **WHO)
    where: dict[str, Any] = {"lot": lot, "unit": unit, "position": "lamp 1", "happened_at": ago(30)}
    error = refused("part.which_piece", part_fit, **where)
    assert error.data["count"] == 1
    fresh = part_fit(new_piece=True, **where, **WHO)
    assert (fresh.carried_h, fresh.follows) == (0.0, None)
    movement_reverse(movement=fresh.movements.get(kind="fit"), reason="the old one", **WHO)
    used = part_fit(used_part=part, **where, **WHO)
    assert (used.carried_h, used.first_fitted_at) == (100.0, ago(80))
    assert used_pieces(lot) == []


def test_a_scrapped_piece_is_not_fitted_again() -> None:
    part = fitted(at=ago(80))
    aboard(part.unit, 1, lot=part.lot)
    part_remove(part=part, scrap=True, reason="burnt out", happened_at=ago(4), **WHO)
    assert used_pieces(part.lot) == []
    refused(
        "part.piece_not_free",
        part_fit,
        lot=part.lot,
        unit=part.unit,
        position="lamp 1",
        used_part=part,
        happened_at=ago(1),
    )


def test_a_day_log_that_comes_late_or_is_struck_out_changes_what_was_carried() -> None:
    part = fitted(at=ago(80))
    unit = part.unit
    logs = away(unit, 70, 3)
    part_remove(part=part, happened_at=ago(40), **WHO)
    second = part_fit(lot=part.lot, unit=unit, position="lamp 1", used_part=part, happened_at=ago(39), **WHO)
    part_remove(part=second, happened_at=ago(20), **WHO)
    third = part_fit(lot=part.lot, unit=unit, position="lamp 1", used_part=second, happened_at=ago(19), **WHO)
    assert third.carried_h == 30.0
    DayLog.objects.filter(pk=logs[1].pk).update(struck_at=NOW, struck_reason="wrong unit")
    assert carried_recompute(unit_ids=[unit.pk]) == 2
    assert carried_recompute(unit_ids=[unit.pk]) == 0
    third.refresh_from_db()
    # The day without a log makes the use the least it can be.
    assert (third.carried_h, third.use_known) == (20.0, False)
    assert AuditEntry.objects.filter(action="part.carried").count() == 2


def test_carried_use_follows_a_correction_after_commit(
    django_capture_on_commit_callbacks: Any,
) -> None:
    from fleet.services.changes import units_changed

    part = fitted(at=ago(80))
    part_remove(part=part, happened_at=ago(40), **WHO)
    again = part_fit(
        lot=part.lot, unit=part.unit, position="lamp 1", used_part=part, happened_at=ago(39), **WHO
    )
    away(part.unit, 70, 3)
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        units_changed({part.unit_id})
    again.refresh_from_db()
    assert again.carried_h == 30.0


def test_earlier_use_can_be_stated() -> None:
    earlier = EarlierUse(hours_h=1200.0, volume_m3=900.0, starts=30, first_fitted_at=ago(300))
    part = fitted(earlier=earlier, at=ago(80))
    (use,) = use_of_parts([part], as_of=NOW)
    assert (use.hours_h, use.life_h, use.last_day) == (
        1200.0,
        1230.0,
        ago(300).date().replace(year=ago(300).year + 1),
    )


# --- reversal ---------------------------------------------------------------------------------------------


def test_a_reversed_fit_never_was() -> None:
    part = fitted(at=ago(80))
    movement_reverse(movement=part.movements.get(kind="fit"), reason="other unit", **WHO)
    part.refresh_from_db()
    assert (part.void, part.removed_at) == (True, part.fitted_at)
    assert qty_aboard(part.unit, part.lot) == 1
    assert used_pieces(part.lot) == []
    assert ledger_differences() == []


def test_a_fit_is_not_reversed_before_its_removal() -> None:
    part = fitted(at=ago(80))
    part_remove(part=part, happened_at=ago(10), **WHO)
    fit = part.movements.get(kind="fit")
    refused("movement.part_removed", movement_reverse, movement=fit, reason="x")
    movement_reverse(movement=part.movements.get(kind="remove"), reason="still in it", **WHO)
    part.refresh_from_db()
    assert (part.removed_at, qty_aboard(part.unit, part.lot)) == (None, 0)
    assert ledger_differences() == []
    movement_reverse(movement=fit, reason="never", **WHO)
    assert ledger_differences() == []


def test_a_removal_is_not_reversed_when_something_was_built_on_it() -> None:
    part = fitted(at=ago(80))
    aboard(part.unit, 1, lot=part.lot)
    part_remove(part=part, happened_at=ago(10), **WHO)
    removal = part.movements.get(kind="remove")
    other = part_fit(
        lot=part.lot, unit=part.unit, position="lamp 1", new_piece=True, happened_at=ago(9), **WHO
    )
    refused("position.filled_since", movement_reverse, movement=removal, reason="x")
    movement_reverse(movement=other.movements.get(kind="fit"), reason="x", **WHO)
    again = part_fit(
        lot=part.lot, unit=part.unit, position="lamp 1", used_part=part, happened_at=ago(9), **WHO
    )
    refused("movement.piece_fitted_again", movement_reverse, movement=removal, reason="x")
    part_remove(part=again, happened_at=ago(5), **WHO)
    scrapped = stock_scrap(
        lot=part.lot, qty=1, unit=part.unit, used_part=again, reason="dead", happened_at=ago(4), **WHO
    )
    again_out = again.movements.get(kind="remove")
    refused("movement.piece_scrapped", movement_reverse, movement=again_out, reason="x")
    movement_reverse(movement=scrapped, reason="not that one", **WHO)
    movement_reverse(movement=again_out, reason="still in", **WHO)
    again.refresh_from_db()
    assert again.removed_at is None


def test_a_replacement_is_both_or_neither() -> None:
    part = fitted(at=ago(80))
    spare = in_store(1, place=part.unit.home, item=part.lot.item)
    used_up = in_store(1, place=part.unit.home, item=part.lot.item, status="quarantine")
    refused(
        "lot.quarantine",
        part_replace,
        old=part,
        lot=used_up,
        from_place=part.unit.home,
        happened_at=ago(1),
    )
    part.refresh_from_db()
    assert part.removed_at is None
    token = uuid4()
    for _ in range(2):
        fresh = part_replace(
            old=part, lot=spare, from_place=part.unit.home, happened_at=ago(1), token=token, **WHO
        )
    assert fresh.lot == spare
    assert Movement.objects.filter(kind="scrap", fitted_part=part).count() == 1
    assert ledger_differences() == []


# --- take from unit X for unit Y --------------------------------------------------------------------------


def units(item: Any) -> tuple[Unit, Unit]:
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    with_position(giver, item)
    return giver, target


def test_a_part_taken_travels_with_its_hours_and_leaves_a_debt(
    django_capture_on_commit_callbacks: Any,
) -> None:
    lamp = LampFactory()
    giver, target = units(lamp)
    part = fitted(giver, item=lamp, at=ago(80))
    away(giver, 70, 10)
    told: list[Any] = []
    from fleet.services import changes

    changes.on_units_changed(told.append)
    try:
        token = uuid4()
        with django_capture_on_commit_callbacks(execute=True):
            take = part_take(
                part=part,
                target=target,
                target_position="lamp 1",
                happened_at=ago(2),
                reason="call 12",
                token=token,
                **WHO,
            )
            again = part_take(
                part=part, target=target, target_position="lamp 1", happened_at=ago(2), token=token, **WHO
            )
    finally:
        changes._listeners.remove(told.append)
    assert [row.kind for row in take.movements] == ["remove", "transfer", "fit"]
    assert take.fitted is not None
    assert (take.fitted.unit, take.fitted.carried_h, take.fitted.first_fitted_at) == (target, 100.0, ago(80))
    assert (take.debt.owed_to, take.debt.given_to, take.debt.position) == (giver, target, "lamp 1")
    assert again.debt == take.debt
    assert [row.pk for row in again.movements] == [row.pk for row in take.movements]
    assert {giver.pk, target.pk} <= set().union(*told)
    assert ledger_differences() == []
    # Filling the gap settles the debt, and taking that fill back opens it again.
    spare = in_store(1, place=giver.home, item=lamp)
    filled = part_fit(
        lot=spare, unit=giver, position="lamp 1", from_place=giver.home, happened_at=ago(1), **WHO
    )
    take.debt.refresh_from_db()
    assert take.debt.settled_at == ago(1)
    movement_reverse(movement=filled.movements.get(kind="fit"), reason="no", **WHO)
    take.debt.refresh_from_db()
    assert take.debt.settled_at is None
    actions = (
        AuditEntry.objects.filter(subject_kind="partdebt").order_by("pk").values_list("action", flat=True)
    )
    assert list(actions) == ["debt.open", "debt.settle", "debt.reopen"]


def test_kit_stock_taken_is_owed_until_that_much_came_aboard_again() -> None:
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    lot = aboard(giver, 10)
    DesignItemFactory(design=giver.design, item=lot.item, qty=10)
    take = part_take(source=giver, lot=lot, qty=6, target=target, happened_at=ago(5), **WHO)
    assert (qty_aboard(giver, lot), qty_aboard(target, lot), take.debt.qty) == (4, 6, 6)
    store = in_store(20, place=giver.home, item=lot.item)
    where: dict[str, Any] = {"lot": store, "place": giver.home, "unit": giver}
    part = stock_issue(qty=4, happened_at=ago(4), **where, **WHO)
    assert [(debt.qty, debt.settled_at) for debt in PartDebt.objects.order_by("pk")] == [
        (2, None),
        (4, ago(4)),
    ]
    stock_issue(qty=5, happened_at=ago(3), **where, **WHO)
    assert not PartDebt.objects.filter(settled_at=None).exists()
    movement_reverse(movement=part, reason="never issued", **WHO)
    assert [debt.qty for debt in PartDebt.objects.filter(settled_at=None)] == [4]
    refused("take.same_unit", part_take, source=giver, lot=lot, qty=1, target=giver, happened_at=ago(1))
    refused("stock.too_little", part_take, source=giver, lot=lot, qty=99, target=target, happened_at=ago(1))


def kit_debts(unit: Any) -> list[tuple[int, str]]:
    """What a unit is owed, in the order in which it was written: quantity, and how it was settled."""
    rows = PartDebt.objects.filter(owed_to=unit).order_by("pk")
    return [(int(debt.qty), debt.settled_how) for debt in rows]


def test_exactly_what_the_reversed_movement_had_filled_is_owed_again() -> None:
    """Six are owed, and one issue of two lots fills it at one moment; the two that were taken back are owed again."""
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    lot = aboard(giver, 10)
    part_take(source=giver, lot=lot, qty=6, target=target, happened_at=ago(5), **WHO)
    lots = [in_store(9, place=giver.home, item=lot.item) for _ in range(2)]
    picks = [(lots[0], 4), (lots[1], 2)]
    four, two = stock_issue_many(picks=picks, place=giver.home, unit=giver, happened_at=ago(4), **WHO)
    assert kit_debts(giver) == [(2, "filled"), (4, "filled")]
    movement_reverse(movement=two, reason="never issued", **WHO)
    assert kit_debts(giver) == [(2, ""), (4, "filled")]
    movement_reverse(movement=four, reason="nor these", **WHO)
    assert kit_debts(giver) == [(2, ""), (4, "")]
    stock_issue(qty=6, lot=lots[0], place=giver.home, unit=giver, happened_at=ago(3), **WHO)
    assert kit_debts(giver) == [(2, "filled"), (4, "filled")]


def test_debts_of_before_find_their_movements() -> None:
    """What the migration fills is what the services write now."""
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    lamp = LampFactory()
    part = fitted(giver, item=lamp)
    part_take(part=part, target=target, happened_at=ago(6), **WHO)
    spare = in_store(1, place=giver.home, item=lamp)
    part_fit(lot=spare, unit=giver, position="lamp 1", from_place=giver.home, happened_at=ago(1), **WHO)
    lot = aboard(giver, 10)
    part_take(source=giver, lot=lot, qty=7, target=target, happened_at=ago(5), **WHO)
    lots = [in_store(9, place=giver.home, item=lot.item) for _ in range(2)]
    picks = [(lots[0], 4), (lots[1], 2)]
    stock_issue_many(picks=picks, place=giver.home, unit=giver, happened_at=ago(4), **WHO)
    written = list(PartDebt.objects.order_by("pk").values_list("pk", "opened_with", "settled_with"))
    assert sum(settled is not None for _pk, _opened, settled in written) == 3
    PartDebt.objects.update(opened_with=None, settled_with=None)
    import_module("inventory.migrations.0006_fill_what_settled_debts").fill(apps, None)
    assert list(PartDebt.objects.order_by("pk").values_list("pk", "opened_with", "settled_with")) == written


def test_debts_of_one_minute_find_each_its_own_movement() -> None:
    """Two lamps of one lot taken in the same minute, then a third that lay aboard: three transfers that look alike."""
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    lamp = LampFactory()
    lot = LotFactory(item=lamp)
    parts = [fitted(giver, lot=lot, position=f"lamp {number}") for number in (1, 2)]
    aboard(giver, 9, lot=lot)
    for qty in (1, 3):
        part_take(source=giver, lot=lot, qty=qty, target=target, happened_at=ago(5), **WHO)
    for part in reversed(parts):
        part_take(part=part, target=target, happened_at=ago(5), **WHO)
    part_take(source=giver, lot=lot, qty=1, target=target, happened_at=ago(5), **WHO)
    written = list(PartDebt.objects.order_by("pk").values_list("position", "qty", "opened_with"))
    assert len({opened for _position, _qty, opened in written}) == 5
    # In whatever order the debts were written down: the movement is that of the position, not the next one.
    first, second = (PartDebt.objects.get(position=f"lamp {number}") for number in (1, 2))
    PartDebt.objects.update(opened_with=None)
    fill = import_module("inventory.migrations.0006_fill_what_settled_debts").fill
    fill(apps, None)
    assert list(PartDebt.objects.order_by("pk").values_list("position", "qty", "opened_with")) == written
    for debt, other in ((first, "lamp 2"), (second, "lamp 1")):
        PartDebt.objects.filter(pk=debt.pk).update(position=other)
    fill(apps, None)
    opened = dict(PartDebt.objects.values_list("position", "opened_with"))
    kept = {position: opened_with for position, _qty, opened_with in written}
    assert (opened["lamp 1"], opened["lamp 2"]) == (kept["lamp 1"], kept["lamp 2"])


def test_a_debt_whose_taking_is_used_up_names_none() -> None:
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    take = part_take(source=giver, lot=aboard(giver, 9), qty=2, target=target, happened_at=ago(5), **WHO)
    twin = PartDebt.objects.get()
    twin.pk, twin._state.adding = None, True
    twin.save()
    PartDebt.objects.update(opened_with=None)
    import_module("inventory.migrations.0006_fill_what_settled_debts").fill(apps, None)
    opened = list(PartDebt.objects.order_by("pk").values_list("opened_with", flat=True))
    assert opened == [take.movements[0].pk, None]


def test_a_kit_take_that_is_reversed_is_owed_no_more() -> None:
    giver = UnitFactory()
    target = UnitFactory(design=giver.design, home=giver.home)
    lot = aboard(giver, 10)
    take = part_take(source=giver, lot=lot, qty=6, target=target, happened_at=ago(5), **WHO)
    store = in_store(9, place=giver.home, item=lot.item)
    filled = stock_issue(qty=2, lot=store, place=giver.home, unit=giver, happened_at=ago(4), **WHO)
    movement_reverse(movement=take.movements[0], reason="it was another unit", **WHO)
    assert qty_aboard(giver, lot) == 10
    assert kit_debts(giver) == [(4, "reversed"), (2, "filled")]
    # What filled it goes as well: there is still nothing owed.
    movement_reverse(movement=filled, reason="nor this", **WHO)
    assert kit_debts(giver) == [(4, "reversed"), (2, "reversed")]
    assert not PartDebt.objects.filter(settled_at=None).exists()
    last = AuditEntry.objects.filter(subject_kind="partdebt").latest("pk")
    assert (last.action, last.after["settled_how"]) == ("debt.settle", "reversed")


def test_a_part_take_that_is_reversed_is_owed_no_more() -> None:
    lamp = LampFactory()
    giver, target = units(lamp)
    part = fitted(giver, item=lamp)
    take = part_take(
        part=part, target=target, target_position="lamp 1", happened_at=ago(5), reason="call", **WHO
    )
    for movement in reversed(take.movements):
        movement_reverse(movement=movement, reason="wrong unit", **WHO)
    take.debt.refresh_from_db()
    assert (take.debt.settled_how, take.debt.settled_at) == ("reversed", ago(5))
    part.refresh_from_db()
    assert part.removed_at is None


def test_what_the_taker_was_owed_itself_is_owed_again() -> None:
    """The taken stock had filled a debt of the taker: the reversal opens that one."""
    first = UnitFactory()
    second, third = (UnitFactory(design=first.design, home=first.home) for _ in range(2))
    lot = aboard(first, 5)
    aboard(second, 5, lot=lot)
    part_take(source=first, lot=lot, qty=3, target=third, happened_at=ago(9), **WHO)
    take = part_take(source=second, lot=lot, qty=3, target=first, happened_at=ago(5), **WHO)
    assert kit_debts(first) == [(3, "filled")]
    movement_reverse(movement=take.movements[0], reason="no", **WHO)
    assert (kit_debts(first), kit_debts(second)) == ([(3, "")], [(3, "reversed")])


def test_a_taking_that_fails_half_way_leaves_nothing() -> None:
    lamp = LampFactory()
    giver, target = units(lamp)
    part = fitted(giver, item=lamp)
    fitted(target, item=lamp)
    refused(
        "position.taken", part_take, part=part, target=target, target_position="lamp 1", happened_at=ago(1)
    )
    part.refresh_from_db()
    assert part.removed_at is None
    assert not PartDebt.objects.exists()


def test_a_bank_taken_leaves_a_debt_until_the_position_holds_one_again(
    django_capture_on_commit_callbacks: Any,
) -> None:
    from fleet.services.banks import bank_move

    giver, target = UnitFactory(), UnitFactory()
    bank = BankFactory(unit=giver)
    old = BankFactory(unit=target)
    with django_capture_on_commit_callbacks(execute=True):
        debt = bank_take(bank=bank, target=target, happened_at=ago(5), **WHO)
        assert bank_take(bank=bank, target=target, happened_at=ago(5), **WHO) == debt
    where = {stay.bank: stay.unit or stay.place for stay in BankStay.objects.current()}
    assert where == {bank: target, old: target.home}
    debt.refresh_from_db()
    assert (debt.owed_to, debt.position, debt.settled_at) == (giver, "main", None)
    with pytest.raises(DomainError, match="sits in no unit"):
        bank_take(bank=old, target=giver, happened_at=ago(4), **WHO)
    with django_capture_on_commit_callbacks(execute=True):
        bank_move(bank=old, unit=giver, at=ago(3), actor=None, now=NOW)
    debt.refresh_from_db()
    assert debt.settled_at == ago(3)


def test_a_bank_is_taken_from_where_the_person_saw_it() -> None:
    """Two people take the same bank for two units: the second is told, and nobody is charged who did not give."""
    giver, first, second = UnitFactory(), UnitFactory(), UnitFactory()
    bank = BankFactory(unit=giver)
    token = uuid4()
    debt = bank_take(bank=bank, source=giver, target=first, happened_at=ago(5), token=token, **WHO)
    refused("take.bank_went_elsewhere", bank_take, bank=bank, source=giver, target=second, happened_at=ago(4))
    assert bank_take(bank=bank, source=giver, target=first, happened_at=ago(5), token=token, **WHO) == debt
    refused("stock.token_used", bank_take, bank=bank, target=second, happened_at=ago(4), token=token)
    assert list(PartDebt.objects.values_list("owed_to", "given_to")) == [(giver.pk, first.pk)]


def test_a_used_piece_returned_to_the_stores_keeps_its_hours() -> None:
    part = fitted(at=ago(80))
    away(part.unit, 70, 10)
    part_remove(part=part, happened_at=ago(40), **WHO)
    stock_return(lot=part.lot, qty=1, unit=part.unit, place=part.unit.home, happened_at=ago(39), **WHO)
    other = UnitFactory(design=part.unit.design, home=DepotFactory())
    where: dict[str, Any] = {
        "lot": part.lot,
        "unit": other,
        "position": "lamp 1",
        "from_place": part.unit.home,
    }
    refused("part.which_piece", part_fit, happened_at=ago(30), **where)
    again = part_fit(happened_at=ago(30), used_part=part, **where, **WHO)
    assert again.carried_h == 100.0
