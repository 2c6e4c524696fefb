"""Stores against needs from records: what is not known or not usable serves nothing, what is on order nets off."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import DepotTerms
from inventory.models import Item, Lot, OrderLine, Supplier, SupplyOffer
from inventory.services.ordering import Wanted
from readiness.models import Call, Plan, PlanLine
from readiness.selectors.outlook import StoreRecords, store_records
from readiness.web.outlook import Shelf, shelves_of
from tests.factories.fleet import TODAY, DesignFactory, UnitFactory
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard, fitted, in_store, order_for

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)
HORIZON = TODAY + 365 * DAY


def records() -> StoreRecords:
    return store_records(TODAY, horizon=HORIZON)


def shelf(item: Item, depot: Any) -> Shelf:
    return next(row for row in shelves_of(records(), HORIZON) if row.item == item and row.place == depot)


def doubts() -> set[tuple[str, str]]:
    return {(doubt.what, doubt.name) for doubt in records().doubts}


@pytest.fixture
def item(db: None) -> Item:
    made: Item = ItemFactory(code="F-1", name="Filter")
    return made


@pytest.fixture
def unit(cast: Any, item: Item) -> Any:
    """A unit of the north depot whose kit takes ten filters and has four; thirty days are a mission."""
    design = DesignFactory()
    DesignItemFactory(design=design, item=item, qty=10)
    made = UnitFactory(tag="U-1", home=cast.north, design=design)
    aboard(made, 4, item=item, code="ABOARD", expires_on=TODAY + 900 * DAY)
    return made


@pytest.mark.parametrize(
    ("given", "serves", "doubt"),
    [
        ({}, 6, set()),
        ({"status": "quarantine"}, 0, set()),
        ({"status": "recalled"}, 0, set()),
        ({"expires_on": TODAY - DAY}, 0, set()),
        ({"expires_on": TODAY + 29 * DAY}, 0, set()),  # usable today, but would end on the way
        ({"expires_on": TODAY + 30 * DAY}, 6, set()),
        ({"expires_on": None}, 0, {("expiry_unknown", "L1")}),
        ({"expires_on": None, "no_expiry": True}, 6, set()),
    ],
)
def test_only_what_lasts_to_its_day_serves(unit, cast, item, given, serves, doubt) -> None:
    lot = in_store(6, place=cast.north, item=item, code="L1")
    Lot.objects.filter(pk=lot.pk).update(**{"expires_on": TODAY + 500 * DAY} | given)
    row = shelf(item, cast.north)
    assert (row.on_hand, row.needed, row.short) == (6, 6, 6 - serves)
    assert row.first_short == (None if serves else TODAY)
    assert doubts() == doubt


def test_stock_of_another_depot_does_not_serve(unit, cast, item) -> None:
    in_store(6, place=cast.south, item=item, expires_on=TODAY + 100 * DAY)
    assert shelf(item, cast.north).short == 6
    assert shelf(item, cast.south).expires == 6


def ordered(place: Any, item: Item, **line: Any) -> OrderLine:
    order = order_for(place, Wanted(item, Decimal(6), Decimal(1)), state="confirmed")
    OrderLine.objects.filter(order=order).update(**line)
    return order.lines.get()


def offer(item: Item, days: int) -> None:
    supplier = Supplier.objects.get(code="SUP")
    SupplyOffer.objects.create(
        supplier=supplier, item=item, price=1, currency="EUR", lead_time_days=9, valid_from=TODAY - 9 * DAY,
        shelf_life_on_arrival_days=days,
    )  # fmt: skip


def test_an_open_order_nets_off_from_its_promised_day(cast, item) -> None:
    unit = UnitFactory(tag="U-2", home=cast.north)
    DesignItemFactory(design=unit.design, item=item, qty=6)
    aboard(unit, 6, item=item, code="ABOARD", expires_on=TODAY + 79 * DAY)  # to be replaced on day 50
    line = ordered(cast.north, item, promised_on=TODAY + 50 * DAY)
    offer(item, 200)
    row = shelf(item, cast.north)
    assert (row.incoming, row.needed, row.short) == (6, 6, 0)
    OrderLine.objects.filter(pk=line.pk).update(promised_on=TODAY + 51 * DAY)
    row = shelf(item, cast.north)
    assert (row.short, row.first_short, row.expires) == (6, TODAY + 50 * DAY, 6)
    assert row.first_expiry == TODAY + 251 * DAY


@pytest.mark.parametrize(
    ("line", "life", "doubt"),
    [
        ({"promised_on": None}, 200, "no_day"),
        ({"promised_on": TODAY - DAY}, 200, "late"),
        ({"promised_on": TODAY}, None, "life_unknown"),
    ],
)
def test_an_order_without_day_life_or_in_time_is_not_counted_on_and_is_named(
    unit, cast, item, line, life, doubt
) -> None:
    made = ordered(cast.north, item, **line)
    if life:
        offer(item, life)
    row = shelf(item, cast.north)
    assert (row.incoming, row.short) == (0, 6)
    assert doubts() == {(doubt, made.order.code)}


def test_the_harmful_end_of_two_lives_on_arrival_counts(unit, cast, item) -> None:
    ordered(cast.north, item, promised_on=TODAY)
    offer(item, 200)
    assert shelf(item, cast.north).short == 0
    Item.objects.filter(pk=item.pk).update(min_life_days=29)
    assert shelf(item, cast.north).short == 6


def test_a_draft_is_nothing_to_count_on(unit, cast, item) -> None:
    order_for(cast.north, Wanted(item, Decimal(6), Decimal(1)), state="draft")
    row = shelf(item, cast.north)
    assert (row.incoming, row.short) == (0, 6)


def test_a_fitted_part_asks_for_its_successor_before_its_months_end(cast) -> None:
    unit = UnitFactory(tag="U-3", home=cast.north)
    part = fitted(unit)  # a lamp of twelve months, eighty days in
    row = shelf(part.lot.item, cast.north)
    assert row.needed == 1
    assert TODAY + 250 * DAY < row.first_short < TODAY + 260 * DAY
    unit.retired_on = TODAY
    unit.save()
    assert [each for each in shelves_of(records(), HORIZON) if each.item == part.lot.item] == []


def test_a_reserved_unit_must_last_through_its_call(unit, cast, item) -> None:
    in_store(6, place=cast.north, item=item, expires_on=TODAY + 40 * DAY)
    assert shelf(item, cast.north).short == 0
    call = Call.objects.create(code="C-1", days=41)
    line = PlanLine.objects.create(plan=Plan.objects.create(code="P-1"), call=call, unit=unit, reserved=True)
    assert shelf(item, cast.north).short == 6
    Call.objects.update(days=None)
    assert shelf(item, cast.north).short == 0
    assert doubts() == {("call_length", "U-1")}
    line.delete()
    assert doubts() == set()


def test_what_nobody_counted_or_stated_is_said(cast, item) -> None:
    unit = UnitFactory(tag="U-9", home=cast.south)
    DesignItemFactory(design=unit.design, item=item, qty=3)
    assert shelf(item, cast.south).short == 3
    assert doubts() == {("kit_uncounted", "U-9")}
    DepotTerms.objects.filter(place=cast.south).update(mission_days=None)
    assert doubts() == {("kit_uncounted", "U-9"), ("mission_length", "South depot")}


def test_the_number_of_queries_does_not_grow(unit, cast) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            records()
        return len(seen)

    in_store(3, place=cast.north)
    ordered(cast.north, ItemFactory(), promised_on=TODAY)
    before = queries()
    for number in range(6):
        more = ItemFactory()
        in_store(3, place=cast.south, item=more)
        ordered(cast.south, more, promised_on=TODAY)
        other = UnitFactory(home=cast.south)
        DesignItemFactory(design=other.design, item=more, qty=number + 1)
        fitted(other)
    assert queries() == before
