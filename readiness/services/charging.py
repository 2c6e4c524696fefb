"""Writes of what a charge rests on: how a bank's charger is set, and the room and circuit of a depot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db import transaction

from fleet.models import BatteryBank, Place, User
from fleet.services.records import check_row, facts, locked, note_change
from fleet.services.versions import save_versioned
from readiness.models import BankCharger, ChargingRoom

BANK_COLUMNS = frozenset({"charger_a"})


def bank_charger_save(
    *, bank: BatteryBank, values: Mapping[str, Any], actor: User | None, seen_version: int | None = None
) -> BankCharger:
    """How the charger of a bank is set. `values` by name of BankCharger, and the bank's `charger_a`; the rest stays.

    `seen_version` of the row shown; None: there was none. Raises Conflict if someone else saved in between.
    """
    with transaction.atomic():
        bank = locked(bank)
        of_bank = {name: value for name, value in values.items() if name in BANK_COLUMNS}
        changed = {name: value for name, value in of_bank.items() if getattr(bank, name) != value}
        if changed:
            save_versioned(
                instance=bank, seen_version=bank.version, changes=changed, actor=actor, action="bank.edit"
            )
        rest = {name: value for name, value in values.items() if name not in BANK_COLUMNS}
        there = BankCharger.objects.filter(bank=bank).first()
        if there is not None:
            return save_versioned(
                instance=there,
                seen_version=seen_version or 0,
                changes=rest,
                actor=actor,
                action="charger.edit",
            )
        return _added(BankCharger(bank=bank, **rest), "charger.add", actor)


def charging_room_save(
    *, place: Place, values: Mapping[str, Any], actor: User | None, seen_version: int | None = None
) -> ChargingRoom:
    """The room in which a depot charges, and the circuit of its chargers. Raises Conflict as `bank_charger_save`."""
    with transaction.atomic():
        place = locked(place)
        there = ChargingRoom.objects.filter(place=place).first()
        if there is not None:
            return save_versioned(
                instance=there,
                seen_version=seen_version or 0,
                changes=values,
                actor=actor,
                action="charging_room.edit",
            )
        return _added(ChargingRoom(place=place, **values), "charging_room.add", actor)


def _added(row: Any, action: str, actor: User | None) -> Any:
    check_row(row)
    row.save(force_insert=True)
    note_change(row, action=action, actor=actor, after=facts(row))
    return row
