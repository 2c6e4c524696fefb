"""At the shelf the lot that expires first is taken; another one with a reason that stays in the ledger."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from fleet.models import Place
from inventory.domain.errors import OrderError
from inventory.domain.funding import funding_hindrance
from inventory.models import FundingSource, Lot, Movement
from inventory.services.ordering import Wanted
from inventory.services.picks import lot_in_turn
from tests.factories.fleet import TODAY, DeploymentFactory, PlaceFactory, UnitFactory
from tests.factories.inventory import DesignItemFactory, ItemFactory, in_store, order_for

pytestmark = pytest.mark.django_db


def shelf(cast: Any, *days: int | None) -> list[Lot]:
    """Lots of one item in the north depot that expire in so many days; None: a lot that has no date."""
    item = ItemFactory()
    return [
        in_store(
            5,
            place=cast.north,
            item=item,
            expires_on=None if left is None else TODAY + dt.timedelta(days=left),
            no_expiry=left is None,
        )
        for left in days
    ]


def issue(client: Any, lot: Lot, **data: Any) -> Any:
    sent = {"token": str(uuid4()), "at": "place:NORTH", "unit": "N-1", "qty": 1, **data}
    return client.post(reverse("inventory:stock-issue", args=[lot.pk]), sent)


def test_another_lot_than_the_first_to_expire_needs_a_reason(cast: Any, signed_in: Any) -> None:
    UnitFactory(home=cast.north, tag="N-1")
    first, later, undated = shelf(cast, 30, 31, None)
    client = signed_in(cast.nora)
    refused = issue(client, later)
    assert refused.status_code == 422
    assert f"Lot {first.code} of" in refused.content.decode()
    assert issue(client, undated).status_code == 422
    assert issue(client, first).status_code == 302
    token = str(uuid4())
    for _press in range(2):
        assert (
            issue(client, later, reason="the first box is under the pallet", token=token).status_code == 302
        )
    lines = Movement.objects.filter(kind="issue").order_by("pk")
    assert [line.reason for line in lines] == ["", "Out of turn: the first box is under the pallet"]


def test_no_reason_frees_what_may_not_be_issued(cast: Any, signed_in: Any) -> None:
    UnitFactory(home=cast.north, tag="N-1")
    expired, held, recalled, good = shelf(cast, -1, 10, 10, 20)
    Lot.objects.filter(pk=held.pk).update(status="quarantine")
    Lot.objects.filter(pk=recalled.pk).update(status="recalled")
    client = signed_in(cast.nora)
    for lot in (expired, held, recalled):
        assert issue(client, lot, reason="there is no other").status_code == 422
    assert lot_in_turn(good, cast.north, TODAY) is None, "what may not be issued is not waited for"
    assert issue(client, good).status_code == 302


def test_a_lot_that_ends_before_the_mission_is_not_waited_for(cast: Any, signed_in: Any) -> None:
    unit = UnitFactory(home=cast.north, tag="N-1")
    _short, first, later = shelf(cast, 2, 300, 400)
    DesignItemFactory(design=unit.design, item=first.item)
    client = signed_in(cast.nora)
    where = reverse("inventory:unit-issue", args=["N-1"]) + f"?item={first.item.code}"
    sent = {"qty": 1, "lot": first.pk, "token": str(uuid4())}
    assert client.post(where, sent).status_code == 302
    refused = client.post(where, {"qty": 1, "lot": later.pk, "token": str(uuid4())})
    assert refused.status_code == 422
    assert first.code in refused.content.decode()
    assert Movement.objects.filter(kind="issue").count() == 1


def test_money_that_is_not_for_this_country_or_day_needs_a_reason(cast: Any, signed_in: Any) -> None:
    unit = UnitFactory(home=cast.north, tag="N-1")
    (lot,) = shelf(cast, 300)
    source = FundingSource.objects.create(code="PH", name="Storm grant", countries="PH, NO")
    Lot.objects.filter(pk=lot.pk).update(funding=source)
    client = signed_in(cast.nora)

    def answer(**data: Any) -> str:
        return str(issue(client, lot, **data).content.decode())

    Place.objects.filter(pk=cast.north.pk).update(country="US")
    assert "Storm grant is only for PH, NO, not for US." in answer()
    Place.objects.filter(pk=cast.north.pk).update(country="")
    assert "the country of North depot is not on file" in answer()
    DeploymentFactory(unit=unit, started_on=TODAY, site=PlaceFactory(country="PH"))
    assert issue(client, lot).status_code == 302, "what counts is where the unit is"
    FundingSource.objects.update(ends_on=TODAY - dt.timedelta(days=1))
    assert "Storm grant ended on" in answer()
    assert issue(client, lot, reason="the donor agreed by mail").status_code == 302
    latest = Movement.objects.latest("pk")
    assert latest.reason == "Outside the limits of its money: the donor agreed by mail"


@pytest.mark.parametrize(
    ("ends", "countries", "country", "hindrance"),
    [
        (0, "", "US", ""),
        (-1, "", "US", "ended"),
        (None, "us;ca", "CA", ""),
        (None, "US CA", "MX", "country"),
        (None, "US", "", "country_unknown"),
    ],
)
def test_limits_of_money(ends: int | None, countries: str, country: str, hindrance: str) -> None:
    last = None if ends is None else TODAY + dt.timedelta(days=ends)
    assert funding_hindrance(ends_on=last, countries=countries, day=TODAY, country=country) == hindrance


def test_an_order_is_paid_only_by_money_that_is_for_it(cast: Any) -> None:
    source = FundingSource.objects.create(code="PH", name="Storm grant", countries="PH")
    Place.objects.filter(pk=cast.north.pk).update(country="US")
    cast.north.refresh_from_db()
    with pytest.raises(OrderError, match="Line 1: Storm grant is only for PH, not for US"):
        order_for(cast.north, Wanted(ItemFactory(), Decimal(1), Decimal(1), funding=source))


def test_lots_taken_in_turn_are_asked_for_the_limits_of_their_money_too(cast: Any, signed_in: Any) -> None:
    unit = UnitFactory(home=cast.north, tag="N-1")
    (lot,) = shelf(cast, 300)
    DesignItemFactory(design=unit.design, item=lot.item)
    source = FundingSource.objects.create(code="PH", name="Storm grant", ends_on=TODAY - dt.timedelta(days=1))
    Lot.objects.filter(pk=lot.pk).update(funding=source)
    client = signed_in(cast.nora)
    where = reverse("inventory:unit-issue", args=["N-1"]) + f"?item={lot.item.code}"
    refused = client.post(where, {"qty": 1, "token": str(uuid4())})
    assert refused.status_code == 422
    assert "Storm grant ended on" in refused.content.decode()
    assert not Movement.objects.filter(kind="issue").exists()
    sent = {"qty": 1, "token": str(uuid4()), "reason": "the donor agreed by mail"}
    assert client.post(where, sent).status_code == 302
    assert (
        Movement.objects.get(kind="issue").reason
        == "Outside the limits of its money: the donor agreed by mail"
    )
