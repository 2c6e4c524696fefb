"""What can be taken from a unit for another one."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from fleet.models import BankStay, BatteryBank, Unit
from inventory.models import Balance, DesignItem, FittedPart, Movement, PartDebt
from inventory.selectors.parts import parts_fitted
from inventory.selectors.stock import balances_aboard


@dataclass(frozen=True)
class Takeable:
    """One thing aboard a unit; exactly one of the three is set. `key` names it in a form."""

    key: str
    part: FittedPart | None = None
    balance: Balance | None = None
    bank: BatteryBank | None = None
    position: str = ""


def givers_for(target: Unit, *, depots: Collection[int] | None) -> QuerySet[Unit]:
    """Units that could give something, of these depots (None: of all)."""
    units = Unit.objects.in_service().exclude(pk=target.pk).select_related("home", "design").order_by("tag")
    return units if depots is None else units.filter(home_id__in=depots)


def takeable_from(unit: Unit) -> list[Takeable]:
    """Fitted parts, then what lies aboard, then banks. Three queries."""
    stays = BankStay.objects.current().filter(unit=unit).select_related("bank").order_by("position")
    return [
        *(Takeable(f"part:{part.pk}", part=part, position=part.position) for part in parts_fitted(unit)),
        *(Takeable(f"lot:{row.pk}", balance=row) for row in balances_aboard(unit)),
        *(Takeable(f"bank:{stay.bank_id}", bank=stay.bank, position=stay.position) for stay in stays),
    ]


def bill_positions(unit: Unit, day: date) -> list[tuple[str, str, bool]]:
    """Positions of a unit's design on a day, and those it is owed a part for: name, item, whether a part is in it now.

    Three queries.
    """
    held = {part.position for part in parts_fitted(unit)}
    lines = DesignItem.objects.valid_on(day).filter(design_id=unit.design_id, purpose="fitted")
    owed = PartDebt.objects.filter(owed_to=unit, settled_at__isnull=True, item__isnull=False)
    named: dict[str, str] = {}
    rows: list[Any] = [*lines.select_related("item"), *owed.exclude(position="").select_related("item")]
    for row in rows:
        named.setdefault(row.position, row.item.name)
    return [(position, named[position], position in held) for position in sorted(named)]


def bank_sits_in(key: str, unit: Unit) -> bool:
    """Whether the bank that a form names (`Takeable.key`) is in the unit by now. At most one query."""
    kind, _colon, pk = key.partition(":")
    if kind != "bank" or not pk.isdecimal() or len(pk) > 18:
        return False
    return BankStay.objects.current().filter(unit=unit, bank_id=int(pk)).exists()


def taken_already(token: str) -> bool:
    """Whether an earlier submission of the same form did it. At most two queries."""
    try:
        given = UUID(token)
    except ValueError:
        return False
    return (
        Movement.objects.filter(token=given, kind__in=["remove", "transfer"]).exists()
        or PartDebt.objects.filter(token=given).exists()
    )
