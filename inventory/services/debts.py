"""What one unit gave so that another could go: open until the gap is filled again, then settled by what filled it.

A debt remembers the movement that opened it and the one that settled it. Is the first reversed, nothing is owed any
more; is the second, exactly what it had filled is owed again. A debt of a position is settled by any part fitted
there; a debt of kit stock by issues of the item, oldest debt first, in part if it is less; a debt of a bank by any
bank in the position it left.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet

from fleet.models import BankStay, Unit, User
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from inventory.models import Movement, PartDebt

SETTLING = ["settled_at", "settled_by", "settled_with", "settled_how"]


def debt_open(
    *,
    owed_to: Unit,
    given_to: Unit,
    happened_at: datetime,
    actor: User | None,
    opened_with: Movement | None = None,
    token: UUID | None = None,
    note: str = "",
    **what: Any,
) -> PartDebt:
    """Writes down that `given_to` has what `owed_to` misses: item, position and qty, or bank and position."""
    debt = PartDebt.objects.create(
        owed_to=owed_to,
        given_to=given_to,
        opened_at=happened_at,
        opened_by=actor,
        opened_with=opened_with,
        token=token,
        note=note[:400],
        **what,
    )
    _audit("debt.open", debt, actor, after=_facts(debt))
    units_changed({owed_to.pk, given_to.pk})
    return debt


def position_filled(*, unit: Unit, position: str, movement: Movement, actor: User | None) -> list[PartDebt]:
    """A part is in the position again by this movement: every open debt of that position is settled."""
    debts = _open_debts(unit).filter(item__isnull=False, position=position)
    return [_settle(debt, movement.happened_at, actor, movement) for debt in debts]


def kit_filled(
    *, unit: Unit, movement: Movement, actor: User | None, given_back_by: Unit | None = None
) -> list[PartDebt]:
    """Stock of an item came aboard: open kit debts of the item are settled, the oldest first, the last one in part.

    What a unit gives back settles its own debts before those of others.
    """
    left = movement.qty
    settled = []
    debts = _open_debts(unit).filter(item_id=movement.lot.item_id, position="")
    giver = given_back_by.pk if given_back_by else None
    for debt in sorted(debts, key=lambda row: (row.given_to_id != giver, row.opened_at, row.pk)):
        if left <= 0:
            break
        if debt.qty > left:
            debt = _part_of(debt, left, actor)
        left -= debt.qty
        settled.append(_settle(debt, movement.happened_at, actor, movement))
    return settled


def debts_after_reversal(*, movement: Movement, actor: User | None) -> None:
    """A movement was reversed: what it took is owed no more, and what it had filled is owed again.

    A debt whose taking was reversed as well stays settled, by that.
    """
    for debt in _debts().filter(opened_with=movement, settled_at__isnull=True):
        _settle(debt, movement.happened_at, actor, None, PartDebt.How.REVERSED)
    for debt in _debts().filter(settled_with=movement):
        before = _facts(debt)
        taken_back = Movement.objects.filter(reverses_id=debt.opened_with_id, reverses__isnull=False).exists()
        if taken_back:
            debt.settled_with, debt.settled_how = None, PartDebt.How.REVERSED
        else:
            debt.settled_at = debt.settled_by = debt.settled_with = None
            debt.settled_how = ""
        debt.save(update_fields=SETTLING)
        action = "debt.settle" if taken_back else "debt.reopen"
        _audit(action, debt, actor, before=before, after=_facts(debt), note=movement.get_kind_display())
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
                _settle(debt, max(stay.started_at, debt.opened_at), None, None)
                settled += 1
        return settled


def _open_debts(unit: Unit) -> QuerySet[PartDebt]:
    return _debts().filter(owed_to=unit, settled_at__isnull=True)


def _debts() -> QuerySet[PartDebt]:
    locked = PartDebt.objects.select_for_update(of=("self",))
    return locked.select_related("owed_to", "given_to", "item", "bank").order_by("pk")


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
        opened_with=debt.opened_with,
        note=debt.note,
    )


def _settle(
    debt: PartDebt,
    happened_at: datetime,
    actor: User | None,
    movement: Movement | None,
    how: PartDebt.How = PartDebt.How.FILLED,
) -> PartDebt:
    before = _facts(debt)
    debt.settled_at, debt.settled_by = happened_at, actor
    debt.settled_with, debt.settled_how = movement, how
    debt.save(update_fields=SETTLING)
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
        "settled_how": debt.settled_how,
    }


def _audit(action: str, debt: PartDebt, actor: User | None, **more: Any) -> None:
    audit_record(actor=actor, action=action, subject=debt, unit=debt.owed_to, **more)
