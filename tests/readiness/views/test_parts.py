"""Fitting and removing parts from the unit page: through the ledger, one piece at a time, nothing silent."""

import datetime as dt
import uuid

import pytest

from fleet.models import Unit
from inventory.models import Balance, FittedPart
from tests.factories.fleet import TODAY, UnitFactory, ago
from tests.factories.inventory import (
    DesignItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
    with_position,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def post(client, path: str, **given):
    return client.post(f"/units/MW-1/parts/{path}/", {"token": uuid.uuid4(), **given})


def holds(unit: Unit) -> FittedPart | None:
    return FittedPart.objects.filter(unit=unit, position="lamp 1", removed_at__isnull=True).first()


def balance(lot, **where) -> Balance:
    return Balance.objects.get(lot=lot, **where)


def test_a_part_from_aboard_and_one_from_the_stores(client, cast, unit) -> None:
    lamp = LampFactory()
    with_position(unit, lamp)
    here = aboard(unit, 2, item=lamp)
    page = client.get("/units/MW-1/parts/fit/").content.decode()
    assert "lamp 1" in page
    assert "empty" in page
    assert post(client, "fit", position="lamp 1", stock=balance(here, unit=unit).pk).status_code == 302
    assert holds(unit).lot == here
    assert balance(here, unit=unit).qty == 1
    stored = in_store(5, place=cast.north, item=lamp)
    row = balance(stored, place=cast.north)
    assert post(client, "fit", position="lamp 1", stock=row.pk, old_part="scrapped").status_code == 302
    assert holds(unit).lot == stored
    row.refresh_from_db()
    assert row.qty == 4


def test_stock_of_another_depot_is_not_offered(client, cast, unit) -> None:
    lamp = LampFactory()
    with_position(unit, lamp)
    there = in_store(5, place=cast.south, item=lamp)
    answer = post(client, "fit", position="lamp 1", stock=balance(there, place=cast.south).pk)
    assert answer.status_code == 422
    assert holds(unit) is None


def test_it_asks_which_piece_when_a_used_one_may_lie_there(client, unit) -> None:
    part = fitted(unit)
    assert post(client, "remove", part=part.pk, then="aboard").status_code == 302
    assert holds(unit) is None
    row = balance(part.lot, unit=unit)
    asked = post(client, "fit", position="lamp 1", stock=row.pk)
    assert asked.status_code == 422
    assert "the one that was in lamp 1 of MW-1" in asked.content.decode()
    assert post(client, "fit", position="lamp 1", stock=row.pk, piece=part.pk).status_code == 302
    assert holds(unit).follows == part


def test_a_double_tap_fits_one(client, unit) -> None:
    lamp = LampFactory()
    with_position(unit, lamp)
    lot = aboard(unit, 2, item=lamp)
    given = {"position": "lamp 1", "stock": balance(lot, unit=unit).pk, "token": uuid.uuid4()}
    assert {post(client, "fit", **given).status_code for _tap in range(2)} == {302}
    assert balance(lot, unit=unit).qty == 1


@pytest.mark.parametrize(
    ("then", "at_home", "here"), [("scrapped", 0, 0), ("aboard", 0, 1), ("stores", 1, 0)]
)
def test_where_a_removed_part_goes(client, cast, unit, then, at_home, here) -> None:
    part = fitted(unit)
    before = {
        side: _qty(part.lot, **where)
        for side, where in (("home", {"place": cast.north}), ("unit", {"unit": unit}))
    }
    assert post(client, "remove", part=part.pk, then=then, reason="dark").status_code == 302
    assert _qty(part.lot, place=cast.north) - before["home"] == at_home
    assert _qty(part.lot, unit=unit) - before["unit"] == here


def _qty(lot, **where) -> int:
    return int(sum(row.qty for row in Balance.objects.filter(lot=lot, **where)))


def test_a_part_of_another_unit_cannot_be_taken_out_here(client, unit) -> None:
    assert post(client, "remove", part=fitted(UnitFactory()).pk, then="aboard").status_code == 422


def test_the_page_shows_use_and_gaps(client, unit) -> None:
    part = fitted(unit, at=ago(400))
    with_position(unit, part.lot.item, position="lamp 2")
    page = client.get("/units/MW-1/").content.decode()
    assert "lamp 2" in page
    assert "empty" in page
    # Fitted longer ago than its twelve months: past its life.
    assert "margin-value--short" in page


@pytest.mark.parametrize(("typed", "known", "hours"), [("", False, 0), ("1200 h", True, 1200)])
def test_a_part_found_in_its_position_is_counted_and_fitted_once(client, unit, typed, known, hours) -> None:
    lamp = LampFactory()
    with_position(unit, lamp)
    lot = LotFactory(item=lamp, code="FOUND-1")
    assert "A part was found in its position" in client.get("/units/MW-1/").content.decode()
    assert "FOUND-1" in client.get("/units/MW-1/parts/found/").content.decode()
    given = {"position": "lamp 1", "lot": lot.pk, "earlier_h": typed, "token": uuid.uuid4()}
    for _tap in range(2):
        assert client.post("/units/MW-1/parts/found/", given).status_code == 302
    part = holds(unit)
    assert (part.lot, part.use_known, part.carried_h) == (lot, known, hours)
    assert FittedPart.objects.count() == 1
    assert client.get("/units/MW-1/parts/found/")["Location"] == "/units/MW-1/"
    assert "A part was found in its position" not in client.get("/units/MW-1/").content.decode()


def test_what_belongs_elsewhere_was_not_found_there(client, unit) -> None:
    lamp, other = LampFactory(), LampFactory()
    with_position(unit, lamp)
    with_position(unit, other, position="lamp 2")
    wrong = LotFactory(item=other)
    LotFactory(item=lamp)
    given = {"position": "lamp 1", "lot": wrong.pk, "earlier_h": "12 h"}
    answer = post(client, "found", **given)
    assert (answer.status_code, FittedPart.objects.count()) == (422, 0)
    assert "That is another item than this position takes." in answer.content.decode()
    assert 'value="12 h"' in answer.content.decode()


def test_without_a_lot_on_file_the_way_to_write_one_down_is_said(client, unit) -> None:
    with_position(unit, LampFactory())
    answer = client.get("/units/MW-1/parts/found/", follow=True)
    assert "Write it down under Stores, Receive." in answer.content.decode()


def test_the_bill_of_today_is_asked_for_not_that_without_an_end(client, unit) -> None:
    """One line ends next month, its successor is on file already."""
    lamp, next_lamp = LampFactory(name="Lamp of today"), LampFactory(name="Lamp of next month")
    position = with_position(unit, lamp)
    month_ahead = TODAY + dt.timedelta(days=30)
    unit.design.bill.filter(position=position).update(valid_to=month_ahead)
    DesignItemFactory(
        design=unit.design,
        item=next_lamp,
        purpose="fitted",
        position=position,
        valid_from=month_ahead + dt.timedelta(days=1),
    )
    LotFactory(item=lamp)
    for path in ("/units/MW-1/", "/units/MW-1/parts/found/"):
        page = client.get(path).content.decode()
        assert "Lamp of today" in page, path
        assert "Lamp of next month" not in page, path
