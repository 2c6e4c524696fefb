"""What one unit gave so that another could go: open until the gap is filled again, then settled by what filled it.

A debt of a position is settled by any part fitted there; a debt of kit stock by issues of the item, oldest debt first,
in part if it is less; a debt of a bank by any bank in the position it left.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from fleet.models import BankStay, Unit, User
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from inventory.models import Movement, PartDebt


def debt_open(
    *,
    owed_to: Unit,
    given_to: Unit,
    happened_at: datetime,
    actor: User | None,
    note: str = "",
    **what: Any,
) -> PartDebt:
    """Writes down that `given_to` has what `owed_to` misses: item, position and qty, or bank and position."""
    debt = PartDebt.objects.create(
        owed_to=owed_to, given_to=given_to, opened_at=happened_at, opened_by=actor, note=note[:400], **what
    )
    _audit("debt.open", debt, actor, after=_facts(debt))
    units_changed({owed_to.pk, given_to.pk})
    return debt


def position_filled(
    *, unit: Unit, position: str, happened_at: datetime, actor: User | None
) -> list[PartDebt]:
    """A part was fitted: every open debt of that position is settled."""
    debts = _open_debts(unit).filter(item__isnull=False, position=position)
    return [_settle(debt, happened_at, actor) for debt in debts]


def kit_filled(*, unit: Unit, movement: Movement, actor: User | None) -> list[PartDebt]:
    """Stock of an item came aboard: open kit debts of the item are settled, the oldest first, the last one in part."""
    left = movement.qty
    settled = []
    debts = _open_debts(unit).filter(item_id=movement.lot.item_id, position="")
    for debt in debts.order_by("opened_at", "pk"):
        if left <= 0:
            break
        if debt.qty > left:
            debt = _part_of(debt, left, actor)
        left -= debt.qty
        settled.append(_settle(debt, movement.happened_at, actor))
    return settled


def reopen_after_reversal(*, movement: Movement, actor: User | None) -> None:
    """What a reversed movement had settled is owed again."""
    unit_id = movement.to_unit_id or movement.from_unit_id
    if movement.kind == Movement.Kind.FIT and movement.fitted_part is not None:
        position = movement.fitted_part.position
    elif movement.kind in (Movement.Kind.ISSUE, Movement.Kind.TRANSFER) and movement.to_unit_id:
        position = ""
    else:
        return
    settled = PartDebt.objects.filter(
        owed_to_id=unit_id, item__isnull=False, position=position, settled_at=movement.happened_at
    )
    if position == "":
        settled = settled.filter(item_id=movement.lot.item_id)
    for debt in settled.select_for_update(of=("self",)).select_related("owed_to", "item", "bank", "given_to"):
        before = _facts(debt)
        debt.settled_at = debt.settled_by = None
        debt.save(update_fields=["settled_at", "settled_by"])
        _audit(
            "debt.reopen", debt, actor, before=before, after=_facts(debt), note=movement.get_kind_display()
        )
        units_changed({debt.owed_to_id, debt.given_to_id})


def bank_debts_review(unit_ids: Collection[int]) -> int:
    """Settles debts of banks in these units whose position holds a bank again. Returns how many. Repeats do no harm."""
    with transaction.atomic():
        debts = PartDebt.objects.filter(
            owed_to_id__in=unit_ids, bank__isnull=False, settled_at__isnull=True
        ).select_related("owed_to", "given_to", "item", "bank")
        if not debts:
            return 0
        held = {
            (stay.unit_id, stay.position): stay
            for stay in BankStay.objects.current().filter(unit_id__in=unit_ids)
        }
        settled = 0
        for debt in debts.select_for_update(of=("self",)):
            stay = held.get((debt.owed_to_id, debt.position))
            if stay is not None:
                _settle(debt, max(stay.started_at, debt.opened_at), None)
                settled += 1
        return settled


def _open_debts(unit: Unit) -> QuerySet[PartDebt]:
    return (
        PartDebt.objects.select_for_update(of=("self",))
        .filter(owed_to=unit, settled_at__isnull=True)
        .select_related("owed_to", "given_to", "item", "bank")
    )


def _part_of(debt: PartDebt, qty: Decimal, actor: User | None) -> PartDebt:
    """Splits a debt: this much is about to be settled, the rest stays open."""
    before = _facts(debt)
    debt.qty -= qty
    debt.save(update_fields=["qty"])
    _audit("debt.reduce", debt, actor, before=before, after=_facts(debt))
    return PartDebt.objects.create(
        owed_to=debt.owed_to,
        given_to=debt.given_to,
        item=debt.item,
        qty=qty,
        opened_at=debt.opened_at,
        opened_by=debt.opened_by,
        note=debt.note,
    )


def _settle(debt: PartDebt, happened_at: datetime, actor: User | None) -> PartDebt:
    before = _facts(debt)
    debt.settled_at, debt.settled_by = happened_at, actor
    debt.save(update_fields=["settled_at", "settled_by"])
    _audit("debt.settle", debt, actor, before=before, after=_facts(debt))
    units_changed({debt.owed_to_id, debt.given_to_id})
    return debt


def _facts(debt: PartDebt) -> dict[str, Any]:
    return {
        "owed_to": debt.owed_to.tag,
        "given_to": debt.given_to.tag,
        "what": str(debt.item or debt.bank),
        "position": debt.position,
        "qty": debt.qty,
        "settled_at": debt.settled_at,
    }


def _audit(action: str, debt: PartDebt, actor: User | None, **more: Any) -> None:
    audit_record(actor=actor, action=action, subject=debt, unit=debt.owed_to, **more)
