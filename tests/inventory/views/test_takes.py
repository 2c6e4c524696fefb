"""Take from unit X for unit Y on screen: first from which, then what; both depots must be one's own."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from fleet.models import BankStay, Unit
from inventory.models import Balance, FittedPart, Movement, PartDebt
from inventory.selectors.ledger_check import ledger_differences
from inventory.services.ledger import part_remove
from tests.factories.fleet import NOW, BankFactory, UnitFactory, ago
from tests.factories.inventory import LampFactory, LotFactory, aboard, fitted

pytestmark = pytest.mark.django_db


@pytest.fixture
def pair(cast: Any) -> tuple[Unit, Unit, FittedPart]:
    """N-1 with a lamp in it and N-2 of the same design without one."""
    giver = UnitFactory(home=cast.north, tag="N-1")
    part = fitted(giver, item=LampFactory(), position="lamp 1")
    return giver, UnitFactory(home=cast.north, tag="N-2", design=giver.design), part


def url(target: str, source: str = "") -> str:
    return reverse("inventory:part-take", args=[target]) + (f"?source={source}" if source else "")


def test_a_part_goes_over_in_two_steps_and_once(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, target, part = pair
    client = signed_in(cast.nora)
    first = client.get(url("N-2")).content.decode()
    assert 'value="N-1"' in first
    assert "Take it" not in first
    assert f"lamp 1: {part.lot.item.name}" in client.get(url("N-2", "N-1")).content.decode()
    data = {"token": uuid4(), "what": f"part:{part.pk}", "position": "lamp 1", "reason": "call 7"}
    for _tap in range(2):
        assert client.post(url("N-2", "N-1"), data).status_code == 302
    moved = FittedPart.objects.get(unit=target, removed_at=None)
    assert (moved.position, moved.follows) == ("lamp 1", part)
    debt = PartDebt.objects.get()
    assert (debt.owed_to, debt.given_to, debt.note) == (giver, target, "call 7")
    assert ledger_differences() == []


def test_kit_stock_and_banks(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, target, _part = pair
    lot = aboard(giver, 6)
    bank = BankFactory(unit=giver)
    client = signed_in(cast.nora)
    row = Balance.objects.get(lot=lot, unit=giver)
    kit = {"token": uuid4(), "what": f"lot:{row.pk}", "qty": 4, "reason": "call 7"}
    assert client.post(url("N-2", "N-1"), kit).status_code == 302
    assert Balance.objects.get(lot=lot, unit=target).qty == 4
    take = {"token": uuid4(), "what": f"bank:{bank.pk}", "reason": "call 7"}
    assert client.post(url("N-2", "N-1"), {**take, "position": "lamp 1"}).status_code == 422
    for _tap in range(2):
        assert client.post(url("N-2", "N-1"), take).status_code == 302
    assert BankStay.objects.current().get(bank=bank).unit == target
    assert PartDebt.objects.count() == 2


def test_of_used_pieces_it_asks_which(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, target, part = pair
    aboard(giver, 1, lot=part.lot)
    part_remove(part=part, happened_at=ago(3), actor=None, now=NOW)
    row = Balance.objects.get(lot=part.lot, unit=giver)
    client = signed_in(cast.nora)
    data = {"token": uuid4(), "what": f"lot:{row.pk}", "position": "lamp 1", "reason": "call 7"}
    response = client.post(url("N-2", "N-1"), data)
    assert response.status_code == 422
    assert "the one that was in lamp 1 of N-1" in response.content.decode()
    assert client.post(url("N-2", "N-1"), {**data, "piece": str(part.pk)}).status_code == 302
    assert FittedPart.objects.get(unit=target).follows == part


def test_only_between_units_of_ones_own_depots(cast: Any, signed_in: Any, pair: Any) -> None:
    giver, _target, part = pair
    south = UnitFactory(home=cast.south, tag="S-1", design=giver.design)
    data = {"token": uuid4(), "what": f"part:{part.pk}", "reason": "x"}
    silas = signed_in(cast.silas)
    assert silas.get(url("N-2")).status_code == 403
    # For his own unit the north's are not offered, and naming one does not help.
    assert 'value="N-1"' not in silas.get(url("S-1")).content.decode()
    assert silas.post(url("S-1", "N-1"), data).status_code == 200
    assert not Movement.objects.filter(kind="transfer").exists()
    assert signed_in(cast.percy).get(url("N-2")).status_code == 403
    assert signed_in(cast.ada).post(url("S-1", "N-1"), data).status_code == 302
    assert Balance.objects.get(lot=part.lot, unit=south).qty == 1


def test_what_is_refused_stays_typed(cast: Any, signed_in: Any, pair: Any) -> None:
    _giver, target, part = pair
    fitted(target, lot=LotFactory(item=part.lot.item), position="lamp 1")
    data = {"token": uuid4(), "what": f"part:{part.pk}", "position": "lamp 1", "reason": "call 7"}
    response = signed_in(cast.nora).post(url("N-2", "N-1"), data)
    assert response.status_code == 422
    page = response.content.decode()
    assert "take that out first" in page
    assert "call 7" in page
