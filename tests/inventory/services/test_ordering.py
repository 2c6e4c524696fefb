"""Orders on their way and what came of them: who may approve, what is asked, and what a receipt taken back does."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from fleet.services.versions import Conflict
from inventory.domain.arrival import life_wanted, over_qty, remaining_days
from inventory.domain.errors import NeedsConfirmation, OrderError, StockError
from inventory.models import (
    ApprovalLimit,
    Balance,
    FundingSource,
    Lot,
    Movement,
    Order,
    OrderLine,
    Receipt,
    Supplier,
    SupplyOffer,
)
from inventory.selectors.ledger_check import ledger_differences
from inventory.selectors.orders import lead_times, on_order, to_expedite
from inventory.services import ordering
from inventory.services.ledger import movement_reverse
from inventory.services.ordering import Wanted, order_create
from inventory.services.receiving import Delivery, order_receive
from tests.factories.fleet import NOW, TODAY, DepotFactory, UserFactory, ago
from tests.factories.inventory import ChlorineFactory, ItemFactory, LotFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

WEEK_AGO = TODAY - dt.timedelta(days=7)
GOOD = TODAY + dt.timedelta(days=300)


@pytest.fixture
def ann() -> Any:
    return UserFactory(username="ann")


@pytest.fixture
def ben() -> Any:
    return UserFactory(username="ben")


def draft(actor: Any, *lines: Wanted, place: Any = None, **values: Any) -> Order:
    supplier, _new = Supplier.objects.get_or_create(code="SUP", defaults={"name": "Supplier"})
    return order_create(
        supplier=supplier,
        place=place or DepotFactory(),
        currency="eur",
        lines=lines or [Wanted(ItemFactory(), Decimal(10), Decimal("21.50"))],
        actor=actor,
        now=NOW,
        **values,
    )


def sent(ann: Any, ben: Any, *lines: Wanted, **values: Any) -> OrderLine:
    """The first line of an order that was sent a week ago."""
    order = draft(ann, *lines, **values)
    order = ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW)
    order = ordering.order_send(order=order, seen_version=order.version, sent_on=WEEK_AGO, actor=ann, now=NOW)
    return order.lines.order_by("pk")[0]


def receive(line: OrderLine, *, confirmed: Any = (), token: Any = None, **said: Any) -> list[Receipt]:
    said.setdefault("code", "L1")
    said.setdefault("expires_on", GOOD)
    return order_receive(
        line=line,
        delivery=Delivery(**said),
        happened_at=ago(1),
        actor=None,
        confirmed=confirmed,
        token=token,
        now=NOW,
    )


def state(line: OrderLine) -> str:
    return Order.objects.get(pk=line.order_id).state


def come(line: OrderLine) -> tuple[Decimal, Decimal, Decimal]:
    row = OrderLine.objects.with_received().get(pk=line.pk)
    return row.received_qty, row.damaged, row.open_qty


def test_the_same_form_twice_is_one_order_with_the_next_number(ann: Any) -> None:
    token = uuid4()
    lines = [Wanted(ItemFactory(), Decimal(10), Decimal("21.50"))]
    place = DepotFactory()
    first = draft(ann, *lines, place=place, token=token)
    assert draft(ann, *lines, place=place, token=token).pk == first.pk
    assert (first.code, first.currency, first.state) == ("PO-00001", "EUR", "draft")
    assert draft(ann).code == "PO-00002"


def test_what_is_on_order_already_is_asked_about(ann: Any) -> None:
    item, place = ItemFactory(name="Filter"), DepotFactory(name="North")
    line = Wanted(item, Decimal(10), Decimal(1))
    draft(ann, line, place=place)
    with pytest.raises(NeedsConfirmation, match="10 of Filter for North are on order PO-00001") as asked:
        draft(ann, line, place=place)
    assert draft(ann, line, place=DepotFactory()).code == "PO-00002", "another depot has its own need"
    assert draft(ann, line, place=place, confirmed=asked.value.questions).code == "PO-00003"


@pytest.mark.parametrize(
    ("limit", "total", "own_may"),
    [(None, "1", False), ("215.00", "215.00", True), ("214.99", "215.00", False), ("0", "0", False)],
)
def test_above_the_limit_another_person_approves(
    ann: Any, ben: Any, limit: str | None, total: str, own_may: bool
) -> None:
    if limit is not None:
        ApprovalLimit.objects.create(currency="EUR", amount=Decimal(limit))
    order = draft(ann, Wanted(ItemFactory(), Decimal(10), Decimal(total) / 10))
    if own_may:
        approved = ordering.order_approve(order=order, seen_version=1, actor=ann, now=NOW)
    else:
        with pytest.raises(OrderError, match="another person than the one who wrote"):
            ordering.order_approve(order=order, seen_version=1, actor=ann, now=NOW)
        approved = ordering.order_approve(order=order, seen_version=1, actor=ben, now=NOW)
    assert (approved.state, approved.version) == ("approved", 2)


def test_who_changed_a_draft_counts_as_its_writer(ann: Any, ben: Any) -> None:
    order = draft(ann)
    line = Wanted(ItemFactory(), Decimal(1), Decimal(9))
    order = ordering.order_edit(order=order, seen_version=1, currency="EUR", lines=[line], actor=ben)
    with pytest.raises(OrderError):
        ordering.order_approve(order=order, seen_version=2, actor=ben, now=NOW)
    with pytest.raises(Conflict):
        ordering.order_approve(order=order, seen_version=1, actor=ann, now=NOW)
    ordering.order_approve(order=order, seen_version=2, actor=UserFactory(), now=NOW)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        (lambda item: Wanted(item, Decimal(-1), Decimal(1)), "stock.not_positive"),
        (lambda item: Wanted(item, Decimal("1.5"), Decimal(1)), "stock.whole_pieces"),
        (lambda item: Wanted(item, Decimal(1), Decimal(-1)), "order.price"),
        (lambda item: Wanted(item, Decimal(1), Decimal("NaN")), "order.price"),
    ],
)
def test_nonsense_is_refused_and_names_its_line(ann: Any, line: Any, key: str) -> None:
    good = Wanted(ItemFactory(), Decimal(1), Decimal(1))
    with pytest.raises(DomainError, match="Line 2") as refused:
        draft(ann, good, line(ItemFactory()))
    assert refused.value.key == key
    assert not Order.objects.exists()


def test_steps_go_in_their_order_only(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    order = line.order
    order.refresh_from_db()
    with pytest.raises(OrderError, match="is sent: that cannot be done"):
        ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW)
    with pytest.raises(OrderError, match="Nothing of it has come"):
        ordering.order_close(order=order, seen_version=order.version, reason="late", actor=ann, now=NOW)
    promised = {line.pk: WEEK_AGO - dt.timedelta(days=1)}
    with pytest.raises(OrderError, match="before the order was sent"):
        ordering.order_confirm(
            order=order,
            seen_version=order.version,
            confirmed_on=TODAY,
            promised=promised,
            actor=ann,
            now=NOW,
        )
    receive(line, qty=Decimal(3))
    with pytest.raises(OrderError, match="Part of it has come"):
        ordering.order_cancel(order=order, seen_version=order.version, reason="late", actor=ann, now=NOW)
    closed = ordering.order_close(
        order=order, seen_version=order.version, reason="the rest is no longer made", actor=ann, now=NOW
    )
    assert (closed.state, closed.end_reason) == ("closed", "the rest is no longer made")
    with pytest.raises(OrderError, match="nothing more is waited for"):
        receive(line, code="L2", qty=Decimal(1))


def test_part_by_part_until_nothing_is_open_and_back_again(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    receive(line, qty=Decimal(4))
    assert (come(line), state(line)) == ((4, 0, 6), "sent")
    (last,) = receive(line, code="L2", qty=Decimal(6))
    assert (come(line), state(line)) == ((10, 0, 0), "closed")
    assert Order.objects.get().closed_on is not None
    movement_reverse(movement=last.movement, reason="the box was empty", actor=None, now=NOW)
    assert (come(line), state(line)) == ((4, 0, 6), "confirmed")
    assert Order.objects.get().closed_on is None
    assert ledger_differences() == []


def test_one_form_sent_twice_is_one_receipt(ann: Any, ben: Any) -> None:
    line, token = sent(ann, ben), uuid4()
    (first,) = receive(line, qty=Decimal(4), token=token)
    assert receive(line, qty=Decimal(4), token=token) == [first]
    assert Movement.objects.count() == 1
    other = sent(ann, ben)
    with pytest.raises(OrderError, match="used already"):
        receive(other, qty=Decimal(4), token=token)


def test_too_much_is_asked_and_kept_when_confirmed(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    with pytest.raises(NeedsConfirmation, match=r"2 more of .* than were still to come") as asked:
        receive(line, qty=Decimal(12))
    assert not Movement.objects.exists()
    with pytest.raises(NeedsConfirmation):
        receive(line, qty=Decimal(13), confirmed=asked.value.questions)
    receive(line, qty=Decimal(12), confirmed=asked.value.questions)
    assert (come(line), state(line)) == ((12, 0, 0), "closed")


def test_damaged_goods_go_into_quarantine_and_stay_owed(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    good, bad = receive(line, qty=Decimal(7), damaged_qty=Decimal(3))
    assert (come(line), state(line)) == ((7, 3, 3), "sent")
    assert (good.lot.code, good.lot.status) == ("L1", "good")
    assert (bad.lot.code, bad.lot.status, bad.lot.split_from) == ("L1 Q1", "quarantine", good.lot)
    assert bad.lot.expires_on == GOOD
    assert {row.lot_id: row.qty for row in Balance.objects.all()} == {good.lot_id: 7, bad.lot_id: 3}
    assert bad.movement.reason == "Came damaged on order PO-00001"
    receive(line, code="L1", damaged_qty=Decimal(1))
    assert set(Lot.objects.values_list("code", flat=True)) == {"L1", "L1 Q1", "L1 Q2"}


def test_serials_are_a_lot_each_and_a_second_time_refused(ann: Any, ben: Any) -> None:
    lamp = ItemFactory(serialised=True)
    line = sent(ann, ben, Wanted(lamp, Decimal(3), Decimal(96)))
    found = receive(line, code="", serials=["A1", " A2 ", ""], damaged_serials=["A3"])
    assert [(row.lot.serial, row.lot.status) for row in found] == [
        ("A1", "good"),
        ("A2", "good"),
        ("A3", "quarantine"),
    ]
    assert come(line) == (2, 1, 1)
    with pytest.raises(StockError, match="is on file already"):
        receive(line, code="", serials=["A1"])
    with pytest.raises(OrderError, match="written twice"):
        receive(line, code="", serials=["B1", "b1"])
    with pytest.raises(OrderError, match="write the serials"):
        receive(line, qty=Decimal(1))
    assert Movement.objects.count() == 3


@pytest.mark.parametrize(
    ("item_days", "offered", "left", "asked"),
    [
        (90, None, 89, True),
        (90, None, 90, False),
        (None, 60, 59, True),
        (30, 60, 59, True),
        (None, None, 0, False),
    ],
)
def test_a_date_too_short_is_asked_about(
    ann: Any, ben: Any, item_days: int | None, offered: int | None, left: int, asked: bool
) -> None:
    item = ItemFactory(min_life_days=item_days)
    line = sent(ann, ben, Wanted(item, Decimal(5), Decimal(1)))
    SupplyOffer.objects.create(
        supplier=line.order.supplier,
        item=item,
        price=1,
        currency="EUR",
        lead_time_days=7,
        shelf_life_on_arrival_days=offered,
        valid_from=WEEK_AGO,
    )
    came_on = TODAY - dt.timedelta(days=1)
    said = {"qty": Decimal(5), "expires_on": came_on + dt.timedelta(days=left)}
    if asked:
        with pytest.raises(NeedsConfirmation, match=f"It lasts {left} days"):
            receive(line, **said)
    else:
        assert len(receive(line, **said)) == 1


def test_dates_that_cannot_be_are_refused(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    with pytest.raises(DomainError, match="expiry date lies before the date of manufacture"):
        receive(line, qty=Decimal(1), made_on=GOOD + dt.timedelta(days=1))
    with pytest.raises(NeedsConfirmation, match="expired on arrival"):
        receive(line, qty=Decimal(1), expires_on=TODAY - dt.timedelta(days=2))
    receive(line, qty=Decimal(1))
    with pytest.raises(StockError, match="is on file with other dates"):
        receive(line, qty=Decimal(1), expires_on=GOOD + dt.timedelta(days=1))
    with pytest.raises(OrderError, match="nothing of it can have come"):
        order_receive(
            line=line, delivery=Delivery(code="L9", qty=Decimal(1)), happened_at=ago(20), actor=None, now=NOW
        )
    with pytest.raises(StockError, match="whole pieces"):
        receive(line, qty=Decimal("0.5"))
    with pytest.raises(OrderError, match="Write how much came"):
        receive(line)
    assert Movement.objects.count() == 1


def test_only_what_was_sent_can_come(ann: Any) -> None:
    line = draft(ann).lines.get()
    with pytest.raises(OrderError, match="is draft, not sent"):
        receive(line, qty=Decimal(1))


def test_bulk_comes_in_parts_of_a_kilogram(ann: Any, ben: Any) -> None:
    line = sent(ann, ben, Wanted(ChlorineFactory(), Decimal("0.3"), Decimal("6.20")))
    receive(line, qty=Decimal("0.1"))
    receive(line, qty=Decimal("0.2"))
    assert (come(line), state(line)) == ((Decimal("0.3"), 0, 0), "closed")


def test_what_is_late_or_silent_is_expedited(ann: Any, ben: Any) -> None:
    late, silent, quiet = (sent(ann, ben) for _number in range(3))
    for line, days in ((late, -1), (quiet, 0)):
        order = line.order
        order.refresh_from_db()
        ordering.order_confirm(
            order=order,
            seen_version=order.version,
            confirmed_on=TODAY,
            promised={line.pk: TODAY + dt.timedelta(days=days)},
            actor=ann,
            now=NOW,
        )
    assert set(to_expedite(depot=None, day=TODAY)) == {late, silent}
    assert set(to_expedite(depot=None, day=TODAY + dt.timedelta(days=1))) == {late, silent, quiet}
    assert [row.pk for row in on_order(quiet.item, depot=None)] == [quiet.pk]


def test_lead_times_are_those_of_receipts_that_stand(ann: Any, ben: Any) -> None:
    line = sent(ann, ben)
    supplier = line.order.supplier
    (receipt,) = receive(line, qty=Decimal(4))
    (found,) = lead_times(supplier)
    assert (found.days, found.offered_days, found.late_days) == (6, None, None)
    movement_reverse(movement=receipt.movement, reason="no", actor=None, now=NOW)
    assert lead_times(supplier) == []


def test_each_step_is_in_the_audit(ann: Any, ben: Any) -> None:
    receive(sent(ann, ben), qty=Decimal(10))
    actions = AuditEntry.objects.filter(subject_kind="order").order_by("pk").values_list("action", flat=True)
    assert list(actions) == ["order.create", "order.approve", "order.send", "order.receive"]


def test_arrival_arithmetic() -> None:
    assert over_qty(open_qty=Decimal(3), good_qty=Decimal(3)) == 0
    assert over_qty(open_qty=Decimal(3), good_qty=Decimal("3.001")) == Decimal("0.001")
    assert remaining_days(expires_on=TODAY, day=TODAY) == 0
    assert remaining_days(expires_on=None, day=TODAY) is None
    assert (life_wanted(item_days=None, offered_days=None), life_wanted(item_days=0, offered_days=None)) == (
        None,
        0,
    )


def test_parts_of_a_litre_add_up_to_the_whole(ann: Any, ben: Any) -> None:
    item = ItemFactory(base_unit="l")
    line = sent(ann, ben, Wanted(item, Decimal("0.8"), Decimal(1)))
    receive(line, qty=Decimal("0.1"))
    receive(line, qty=Decimal("0.7"))
    assert come(line)[2] == 0
    assert state(line) == "closed"


def test_money_or_a_supplier_that_ended_since_the_draft_stops_it(ann: Any, ben: Any) -> None:
    source = FundingSource.objects.create(code="PH", name="Storm grant", ends_on=TODAY)
    order = draft(ann, Wanted(ItemFactory(), Decimal(1), Decimal(1), funding=source))
    source.ends_on = TODAY - dt.timedelta(days=1)
    source.save()
    with pytest.raises(OrderError, match="Line 1: Storm grant ended"):
        ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW)
    source.ends_on = TODAY
    source.save()
    order = ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW)
    Supplier.objects.update(closed_on=TODAY - dt.timedelta(days=1))
    with pytest.raises(OrderError, match="Nothing is bought from Supplier"):
        ordering.order_send(order=order, seen_version=order.version, sent_on=TODAY, actor=ann, now=NOW)


def test_another_hand_on_a_line_makes_it_nobody_elses_order(ann: Any, ben: Any) -> None:
    item = ItemFactory()
    order = draft(ann, Wanted(item, Decimal(1), Decimal(1)))
    order = ordering.order_edit(
        order=order,
        seen_version=order.version,
        currency="EUR",
        lines=[Wanted(item, Decimal(2), Decimal(1))],
        actor=ben,
        now=NOW,
    )
    for writer in (ann, ben):
        with pytest.raises(OrderError) as caught:
            ordering.order_approve(order=order, seen_version=order.version, actor=writer, now=NOW)
        assert caught.value.key == "order.no_limit"
    other = UserFactory()
    approved = ordering.order_approve(order=order, seen_version=order.version, actor=other, now=NOW)
    assert approved.approved_by == other


def test_a_line_without_a_price_is_no_order_within_the_limit(ann: Any, ben: Any) -> None:
    ApprovalLimit.objects.update_or_create(currency="EUR", defaults={"amount": Decimal(1000)})
    order = draft(ann, Wanted(ItemFactory(), Decimal(1), Decimal(0)))
    with pytest.raises(OrderError) as caught:
        ordering.order_approve(order=order, seen_version=order.version, actor=ann, now=NOW)
    assert caught.value.key == "order.no_price"
    assert (
        ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW).state
        == "approved"
    )


def test_an_order_whose_writer_is_not_known_is_nobodys_to_approve(ann: Any, ben: Any) -> None:
    item = ItemFactory()
    order = draft(None, Wanted(item, Decimal(1), Decimal(1)))
    with pytest.raises(OrderError) as caught:
        ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW)
    assert caught.value.key == "order.no_limit"
    order = ordering.order_edit(
        order=order,
        seen_version=order.version,
        currency="EUR",
        lines=[Wanted(item, Decimal(1), Decimal(1))],
        actor=ann,
        now=NOW,
    )
    assert (
        ordering.order_approve(order=order, seen_version=order.version, actor=ben, now=NOW).state
        == "approved"
    )


@pytest.mark.parametrize("serialised", [False, True])
def test_what_comes_damaged_of_a_recalled_lot_is_recalled(ann: Any, ben: Any, serialised: bool) -> None:
    item = ItemFactory(serialised=serialised)
    line = sent(ann, ben, Wanted(item, Decimal(1), Decimal(1)))
    lot = LotFactory(
        item=item, code="L1", serial="L1" if serialised else "", expires_on=GOOD, status="recalled"
    )
    said: dict[str, Any] = (
        {"code": "", "damaged_serials": ["L1"]} if serialised else {"damaged_qty": Decimal(1)}
    )
    (receipt,) = receive(line, **said)
    assert (receipt.lot == lot) is serialised
    assert Lot.objects.get(pk=receipt.lot_id).status == "recalled"
