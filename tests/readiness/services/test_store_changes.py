"""What lies in the stores changed: units that rest on it are judged again at once, or show nothing until they are."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
import time_machine
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from fleet.models import Job, Unit
from fleet.services import jobs
from fleet.services.changes import units_changed
from inventory.models import Movement
from inventory.services import store_changes
from inventory.services.ledger import movement_reverse, stock_issue, stock_receive, stock_scrap
from inventory.services.lots import lot_set_status, lot_update
from inventory.services.store_changes import StoreChange, changed_since, stores_changed
from readiness.models import Alert, JudgementDue, Verdict
from readiness.selectors.pages_units import units_with_verdicts
from readiness.selectors.store_needs import units_resting_on
from readiness.services import sweep as sweep_service
from readiness.services import sweeps
from readiness.services.judgement_due import (
    AGAIN_AFTER,
    LOST_AFTER,
    judge_later,
    judge_lost,
    judgement_due_mark,
)
from readiness.services.sweeps import after_change, sweep_request
from tests.factories.fleet import NOW, TODAY, DepotFactory, DesignFactory, UserFactory, ago
from tests.factories.inventory import (
    DesignItemFactory,
    ItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
)
from tests.factories.readiness import FaultFactory
from tests.readiness.services.test_sweep import open_rules, ready_unit, sweep, verdict

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture(autouse=True)
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "announce", lambda job_id: None)


class Yard:
    """A depot with units that each lack one piece of an item, and so much of it in the stores."""

    def __init__(self, units: int = 2, in_stores: int = 1) -> None:
        self.depot, self.design, self.item = DepotFactory(), DesignFactory(), ItemFactory()
        DesignItemFactory(design=self.design, item=self.item, qty=2)
        self.units = [ready_unit(home=self.depot, design=self.design) for _ in range(units)]
        for unit in self.units:
            aboard(unit, 1, item=self.item)
        self.lot = in_store(in_stores, place=self.depot, item=self.item)
        sweep(*self.units)

    def outcomes(self) -> list[str]:
        return [shown(unit).shown_outcome for unit in self.units]


def shown(unit: Any) -> Any:
    return units_with_verdicts(now=NOW, depots=[unit.home]).get(pk=unit.pk)


@pytest.fixture
def committed(django_capture_on_commit_callbacks: Any) -> Any:
    return lambda: django_capture_on_commit_callbacks(execute=True)


def test_the_last_piece_goes_to_one_unit_and_the_other_is_blocked_at_once(committed: Any) -> None:
    yard = Yard()
    first, second = yard.units
    assert yard.outcomes() == ["ready", "ready"]
    with committed():
        stock_issue(lot=yard.lot, qty=Decimal(1), place=yard.depot, unit=first, happened_at=NOW, actor=None)
    assert yard.outcomes() == ["ready", "blocked"]
    assert "kit_short" not in open_rules(first)
    assert Alert.objects.get(about_unit=second, rule="kit_short", cleared_at=None).owner_role == "procurement"


def test_scrap_receipt_recall_expiry_and_reversal_are_seen_alike(committed: Any) -> None:
    yard = Yard(units=1)
    lot, actor = yard.lot, UserFactory()
    said = []

    def after(change: Any) -> None:
        with committed():
            change()
        said.append(yard.outcomes()[0])

    after(
        lambda: stock_scrap(
            lot=lot, qty=Decimal(1), place=yard.depot, happened_at=NOW, actor=actor, reason="Torn"
        )
    )
    after(lambda: stock_receive(lot=lot, qty=Decimal(1), place=yard.depot, happened_at=NOW, actor=actor))
    after(lambda: lot_set_status(lot=lot, status="recalled", reason="Maker's notice", actor=actor))
    after(lambda: lot_set_status(lot=lot, status="good", reason="Maker's all-clear", actor=actor))
    lot.refresh_from_db()
    after(lambda: lot_update(lot=lot, seen_version=lot.version, changes={"expires_on": TODAY}, actor=actor))
    lot.refresh_from_db()
    late = TODAY + dt.timedelta(days=300)
    after(lambda: lot_update(lot=lot, seen_version=lot.version, changes={"expires_on": late}, actor=actor))
    received = Movement.objects.filter(kind="receipt", lot=lot).latest("pk")
    after(lambda: movement_reverse(movement=received, actor=actor, reason="Booked twice"))
    assert said == ["blocked", "ready", "blocked", "ready", "blocked", "ready", "blocked"]


def test_the_matter_of_a_lot_in_the_stores_follows_at_once(committed: Any) -> None:
    depot, actor = DepotFactory(), UserFactory()
    lot = in_store(3, place=depot)
    other = in_store(3, place=depot, lot=LotFactory(expires_on=TODAY))
    with committed():
        lot_set_status(lot=lot, status="recalled", reason="Maker's notice", actor=actor)
    assert list(Alert.objects.filter(rule="lot_stores", cleared_at=None).values_list("lot", flat=True)) == [
        lot.pk
    ]
    with committed():
        stock_scrap(lot=lot, qty=Decimal(3), place=depot, happened_at=NOW, actor=actor, reason="Recalled")
    assert not Alert.objects.filter(rule="lot_stores", cleared_at=None, lot=lot).exists()
    assert other.balances.get().qty == 3


def test_only_units_that_would_take_it_from_there_are_found() -> None:
    yard = Yard()
    lamp = LampFactory()
    DesignItemFactory(design=yard.design, item=lamp, position="lamp 1")
    full = ready_unit(home=yard.depot, design=yard.design)
    aboard(full, 2, item=yard.item)
    elsewhere = ready_unit(design=yard.design)
    broken = ready_unit(home=yard.depot)
    FaultFactory(unit=broken, severity="blocks", part_item=yard.item)
    sweep(*yard.units, full, elsewhere, broken)
    here = [unit.pk for unit in yard.units]
    assert units_resting_on({yard.depot.pk: {yard.item.pk}}) == [*here, broken.pk]
    # The lamp is in no position of a unit of which nothing was fitted: undecided, whatever the stores hold.
    assert units_resting_on({yard.depot.pk: {lamp.pk}}) == []
    assert units_resting_on({yard.depot.pk: {ItemFactory().pk}}) == []
    with CaptureQueriesContext(connection) as asked:
        units_resting_on({yard.depot.pk: {yard.item.pk}})
    assert len(asked) == 2


def test_an_empty_position_rests_on_the_spare_in_the_stores(committed: Any) -> None:
    depot, design, lamp = DepotFactory(), DesignFactory(), LampFactory(fit_h=0.5)
    DesignItemFactory(design=design, item=lamp, position="lamp 1")
    DesignItemFactory(design=design, item=LampFactory(fit_h=0.5), position="lamp 2")
    unit = ready_unit(home=depot, design=design)
    other = next(line.item for line in design.bill.all() if line.item_id != lamp.pk)
    fitted(unit, item=other, position="lamp 2")
    sweep(unit)
    assert verdict(unit).outcome == "blocked"
    with committed():
        in_store(1, place=depot, lot=LotFactory(item=lamp))
    assert verdict(unit).outcome == "ready"


def test_beyond_a_few_the_workers_judge_and_nothing_old_is_shown_until_then(
    committed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "AT_ONCE_STORES", 1)
    yard = Yard(units=3)
    with committed():
        stock_scrap(
            lot=yard.lot,
            qty=Decimal(1),
            place=yard.depot,
            happened_at=NOW,
            actor=UserFactory(),
            reason="Torn",
        )
    assert yard.outcomes() == ["blocked", "cannot_decide", "cannot_decide"]
    assert shown(yard.units[1]).why_undecided == "waiting"
    jobs.job_run(job_id=Job.objects.get(kind="sweep_units").pk, keep_lease=False)
    assert yard.outcomes() == ["blocked"] * 3
    assert not JudgementDue.objects.exists()


def test_many_changed_units_show_nothing_until_the_workers_judged_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sweeps, "AT_ONCE_UNITS", 1)
    units = [ready_unit() for _ in range(2)]
    sweep(*units)
    after_change([unit.pk for unit in units])
    assert [shown(unit).why_undecided for unit in units] == ["waiting"] * 2
    jobs.job_run(job_id=Job.objects.get(kind="sweep_units").pk, keep_lease=False)
    assert [shown(unit).shown_outcome for unit in units] == ["ready"] * 2


def test_what_fails_here_is_handed_to_the_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    unit = ready_unit()
    sweep(unit)

    def fail(**_: Any) -> None:
        raise RuntimeError("no disk")

    with monkeypatch.context() as broken:
        broken.setattr(sweeps, "sweep_now", fail)
        after_change([unit.pk])
    assert (shown(unit).shown_outcome, shown(unit).why_undecided) == ("cannot_decide", "waiting")
    jobs.job_run(job_id=Job.objects.get(kind="sweep_units").pk, keep_lease=False)
    assert shown(unit).shown_outcome == "ready"


def test_what_left_the_stores_while_a_pass_was_running_is_seen_at_its_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The pass read the shelf before the last piece left it, and nothing told then that the unit would rest on it."""
    depot, design, item = DepotFactory(), DesignFactory(), ItemFactory()
    DesignItemFactory(design=design, item=item, qty=2)
    unit = ready_unit(home=depot, design=design)
    aboard(unit, 1, item=item)
    lot = in_store(1, place=depot, item=item)
    real = sweep_service.assess

    def assess(snapshot: Any) -> Any:
        if lot.balances.filter(place=depot, qty__gt=0).exists():
            stock_scrap(
                lot=lot, qty=Decimal(1), place=depot, happened_at=NOW, actor=UserFactory(), reason="Torn"
            )
        return real(snapshot)

    monkeypatch.setattr(sweep_service, "assess", assess)
    (job,) = sweep_request(depot=depot, actor=None, now=NOW)
    jobs.job_run(job_id=job.pk, keep_lease=False)
    assert verdict(unit).outcome == "blocked"


def test_what_became_known_about_a_place_since_an_instant() -> None:
    depot = DepotFactory()
    old, changed, moved = (LotFactory() for _ in range(3))
    for lot, at in ((old, ago(3)), (changed, ago(3)), (moved, NOW)):
        stock_receive(lot=lot, qty=Decimal(1), place=depot, happened_at=ago(4), actor=None, now=at)
    type(old).objects.update(updated_at=ago(3))
    in_store(1, place=DepotFactory())
    changed.note = "opened"
    changed.save()
    found = {(change.place, change.lot) for change in changed_since(depot, ago(1))}
    assert found == {(depot.pk, changed.pk), (depot.pk, moved.pk)}
    assert old.pk not in {lot for _place, lot in found}


def test_units_handed_over_twice_are_judged_once() -> None:
    units = [ready_unit() for _ in range(3)]
    judge_later([unit.pk for unit in units])
    judge_later([unit.pk for unit in units])
    results = [
        jobs.job_run(job_id=job.pk, keep_lease=False).result  # type: ignore[union-attr]
        for job in Job.objects.filter(kind="sweep_units").order_by("created_at")
    ]
    assert [result["units"] for result in results] == [3, 0]


def test_a_change_that_comes_while_a_pass_reads_leaves_the_unit_waiting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    unit = ready_unit()
    judgement_due_mark([unit.pk], now=ago(hours=2))
    read = sweep_service.judged

    def overtaken(ids: list[int], *args: Any) -> Any:
        judgement_due_mark([unit.pk], now=ago(hours=1))
        return read(ids, *args)

    with monkeypatch.context() as patch:
        patch.setattr(sweep_service, "judged", overtaken)
        sweep(unit)
    assert shown(unit).why_undecided == "waiting"
    sweep(unit)
    assert shown(unit).why_undecided == ""


def test_a_change_marks_its_unit_before_anybody_can_be_killed() -> None:
    unit = ready_unit()
    sweep(unit)
    with transaction.atomic():
        units_changed([unit.pk])
        assert shown(unit).why_undecided == "waiting"
        transaction.set_rollback(True)
    assert shown(unit).why_undecided == "", "the mark falls with the change"


def test_what_a_killed_process_left_is_judged_by_the_workers_and_once() -> None:
    unit, other = ready_unit(), ready_unit()
    for each in (unit, other):
        sweep(each)
    judgement_due_mark([unit.pk], now=NOW)
    assert judge_lost(now=NOW + LOST_AFTER) == 0, "whoever made the change may still be at it"
    later = NOW + LOST_AFTER + dt.timedelta(seconds=1)
    assert [judge_lost(now=later), judge_lost(now=later + 2 * LOST_AFTER)] == [1, 0], "asked for once"
    job = Job.objects.get(kind="sweep_units")
    jobs.job_run(job_id=job.pk, keep_lease=False)
    assert shown(unit).why_undecided == ""
    assert judge_lost(now=later + 3 * LOST_AFTER) == 0

    Job.objects.filter(pk=job.pk).update(finished_at=later)
    judgement_due_mark([unit.pk, other.pk], now=later)
    assert judge_lost(now=later + 2 * LOST_AFTER) == 1, (
        "the other; what was tried is not tried again all the time"
    )
    Job.objects.exclude(pk=job.pk).update(state=Job.State.DONE, finished_at=later)
    assert judge_lost(now=later + AGAIN_AFTER) == 0
    assert judge_lost(now=later + AGAIN_AFTER + dt.timedelta(seconds=1)) == 2


def test_a_change_of_the_stores_marks_who_rests_on_them_before_anybody_can_be_killed() -> None:
    yard = Yard()
    first, second = yard.units
    idle = ready_unit(home=yard.depot)
    sweep(idle)
    stock_issue(lot=yard.lot, qty=Decimal(1), place=yard.depot, unit=first, happened_at=NOW, actor=None)
    assert [shown(unit).why_undecided for unit in (first, second, idle)] == ["waiting", "waiting", ""]


def test_a_retirement_that_was_cut_off_is_finished_by_the_workers() -> None:
    unit = ready_unit()
    sweep(unit)
    Unit.objects.filter(pk=unit.pk).update(retired_on=TODAY)
    units_changed([unit.pk])
    assert judge_lost(now=NOW + 2 * LOST_AFTER) == 1
    jobs.job_run(job_id=Job.objects.get(kind="sweep_units").pk, keep_lease=False)
    assert not Verdict.objects.filter(unit=unit, current=True).exists()
    assert not JudgementDue.objects.exists()


def test_changes_of_one_block_are_told_once(committed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[tuple[set[StoreChange], set[int]]] = []
    monkeypatch.setattr(
        store_changes, "_listeners", [lambda changes, told: heard.append((set(changes), set(told)))]
    )
    one, two, three = (StoreChange(1, 2, lot) for lot in (3, 4, 5))
    with committed(), transaction.atomic():
        stores_changed([one], told=[7])
        stores_changed([two], told=[8])
        with transaction.atomic():
            stores_changed([three], told=[9])
        stores_changed([])
    # What a block inside told may yet be taken back: its units are not relied on.
    assert heard == [({one, two, three}, {7, 8})]
