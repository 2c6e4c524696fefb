"""Take from unit X for unit Y: one action in one transaction. Age and hours travel with the part, X keeps an open debt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.models import BatteryBank, Unit, User
from fleet.services.banks import bank_stay, bank_swap
from fleet.services.changes import units_changed
from fleet.services.records import locked, moment_or_now
from inventory.domain.errors import StockError
from inventory.models import FittedPart, Lot, Movement, PartDebt
from inventory.services.debts import bank_debts_review, debt_open, kit_filled, position_filled
from inventory.services.parts import fit_line, remove_line
from inventory.services.posting import lock_lots, movement_with, nth_token, post, said_once, stamp
from inventory.services.stock import checked_qty, deployment_of, refuse_future, refuse_unusable

Kind = Movement.Kind


@dataclass(frozen=True, slots=True)
class Take:
    """What one taking wrote: the debt it left (none where it gave back what was owed), its movements, the part as it sits
    in its new position, and how much of it gave back what the source owed to the target."""

    debt: PartDebt | None
    movements: list[Movement]
    fitted: FittedPart | None = None
    given_back: Decimal = Decimal(0)


def part_take(
    *,
    target: Unit,
    happened_at: datetime,
    actor: User | None,
    part: FittedPart | None = None,
    source: Unit | None = None,
    lot: Lot | None = None,
    qty: Decimal | int = 1,
    target_position: str = "",
    used_part: FittedPart | None = None,
    new_piece: bool = False,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> Take:
    """Takes a fitted `part`, or `qty` of `lot` from aboard `source`, for the unit `target`.

    With `target_position` it is fitted there, else it lies aboard `target`. Both units are computed again at once.
    What `source` owed to `target` is given back by it: that leaves no debt the other way round.
    """
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    giver, taken = _giver(part, source, lot, target)
    with transaction.atomic():
        lots = lock_lots([taken.pk])
        fresh = lots[taken.pk]
        there = said_once(token, Kind.REMOVE if part is not None else Kind.TRANSFER, taken)
        if there is not None:
            return _as_taken(there, token)
        refuse_unusable(fresh, target, happened_at)
        amount = Decimal(1) if part is not None or target_position else checked_qty(qty, fresh.item)
        lines: list[Movement] = []
        removed = None
        if part is not None:
            removed, line = remove_line(part=part, lot=fresh, happened_at=happened_at, reason=reason)
            lines.append(line)
        lines.append(
            Movement(
                kind=Kind.TRANSFER,
                lot=fresh,
                qty=amount,
                from_unit=giver,
                to_unit=target,
                happened_at=happened_at,
                reason=reason.strip()[:400],
            )
        )
        fitted = None
        if target_position:
            fitted, line = fit_line(
                lot=fresh,
                unit=target,
                position=target_position,
                happened_at=happened_at,
                used_part=removed or used_part,
                new_piece=new_piece,
                earlier=None,
                reason=reason,
            )
            lines.append(line)
        for number, line in enumerate(lines):
            line.token = nth_token(token, number)
            unit = target if line.kind == Kind.FIT else giver
            line.deployment = deployment_of(unit, happened_at, None)
        stamp(lines, actor=actor, now=instant)
        movements = post(lines, lots)
        settled = _settle_of_target(target, movements, fitted, actor, giver)
        given_back = _given_back(settled, giver, fresh, amount)
        debt = None
        if given_back < amount:
            debt = debt_open(
                owed_to=giver,
                given_to=target,
                happened_at=happened_at,
                actor=actor,
                opened_with=_transfer(movements),
                note=reason,
                item=fresh.item,
                position=part.position if part is not None else "",
                qty=amount - given_back,
            )
        units_changed({giver.pk, target.pk})
        return Take(debt, movements, fitted, given_back)


def bank_take(
    *,
    bank: BatteryBank,
    target: Unit,
    happened_at: datetime,
    actor: User | None,
    source: Unit | None = None,
    target_position: str = "main",
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> PartDebt:
    """Takes a bank out of the unit it sits in for `target`; what sat there before goes to the target's home depot.

    `source` is the unit the person saw it in: refused if it is in another one since. A second submission (the same
    token, or the bank is where it was to go) returns the debt of the first. Where it gives back a bank that was owed, the
    debt that it settles is returned, and none is opened.
    """
    with transaction.atomic():
        for unit in sorted({target, source or target}, key=lambda each: each.pk):
            locked(unit)
        locked(bank)
        debt = _debt_with(token, bank, target)
        if debt is not None:
            return debt
        stay = bank_stay(bank)
        if stay is None or stay.unit is None:
            raise StockError(
                "take.bank_not_in_a_unit",
                _("Bank {bank} sits in no unit: move it into {target} as a bank from the stores."),
                bank=bank.serial,
                target=str(target),
            )
        if stay.unit_id == target.pk:
            debt = PartDebt.objects.filter(bank=bank, given_to=target, settled_at__isnull=True).first()
            if debt is not None and stay.position == target_position:
                return debt
            _refuse_same(target)
        giver, position = stay.unit, stay.position
        if source is not None and giver.pk != source.pk:
            raise StockError(
                "take.bank_went_elsewhere",
                _("Bank {bank} is not in {source} any more: it sits in {unit}. Look again, then repeat."),
                bank=bank.serial,
                source=str(source),
                unit=str(giver),
            )
        bank_swap(
            unit=target,
            bank=bank,
            at=happened_at,
            actor=actor,
            position=target_position,
            note=reason,
            now=now,
        )
        owed = PartDebt.objects.filter(
            owed_to=target,
            given_to=giver,
            bank__isnull=False,
            position=target_position,
            settled_at__isnull=True,
        ).first()
        if owed is not None:
            bank_debts_review({target.pk})
            owed.refresh_from_db()
            return owed
        return debt_open(
            owed_to=giver,
            given_to=target,
            happened_at=happened_at,
            actor=actor,
            token=token,
            note=reason,
            bank=bank,
            position=position,
        )


def _debt_with(token: UUID | None, bank: BatteryBank, target: Unit) -> PartDebt | None:
    """The debt of an earlier submission, if it was the same one; a token used for something else is refused."""
    if token is None:
        return None
    debt = PartDebt.objects.filter(token=token).first()
    same = debt is None or (debt.bank_id, debt.given_to_id) == (bank.pk, target.pk)
    if not same or movement_with(token) is not None:
        raise StockError(
            "stock.token_used",
            _("This form was used already for another movement. Open it anew and type it again."),
        )
    return debt


def _giver(part: FittedPart | None, source: Unit | None, lot: Lot | None, target: Unit) -> tuple[Unit, Lot]:
    if part is not None:
        giver, taken = part.unit, part.lot
    elif source is not None and lot is not None:
        giver, taken = source, lot
    else:
        raise StockError("take.nothing_named", _("Say what is taken: a fitted part, or a lot aboard a unit."))
    if giver.pk == target.pk:
        _refuse_same(target)
    return giver, taken


def _refuse_same(target: Unit) -> None:
    raise StockError(
        "take.same_unit", _("It is aboard {unit} already: choose the unit it is meant for."), unit=str(target)
    )


def _as_taken(first: Movement, token: UUID | None) -> Take:
    tokens = [nth_token(token, number) for number in range(3)]
    movements = list(
        Movement.objects.filter(token__in=tokens, lot_id=first.lot_id)
        .select_related("fitted_part")
        .order_by("pk")
    )
    # Later parts of a debt that was split have higher keys: the first is what is left of the one opened.
    debt = PartDebt.objects.filter(opened_with=_transfer(movements)).order_by("pk").first()
    fit = next((movement for movement in movements if movement.kind == Kind.FIT), None)
    moved = _transfer(movements)
    giver = moved.from_unit
    assert giver is not None
    settled = list(PartDebt.objects.filter(settled_with__in=movements))
    given_back = _given_back(settled, giver, first.lot, moved.qty)
    return Take(debt, movements, fit.fitted_part if fit else None, given_back)


def _given_back(settled: list[PartDebt], giver: Unit, lot: Lot, amount: Decimal) -> Decimal:
    """Of the debts that a taking settled, what its source had owed itself; never more than was taken."""
    own = (row.qty for row in settled if row.given_to_id == giver.pk and row.item_id == lot.item_id)
    return min(sum(own, Decimal(0)), amount)


def _transfer(movements: list[Movement]) -> Movement:
    return next(movement for movement in movements if movement.kind == Kind.TRANSFER)


def _settle_of_target(
    target: Unit, movements: list[Movement], fitted: FittedPart | None, actor: User | None, giver: Unit
) -> list[PartDebt]:
    if fitted is not None:
        fit = next(movement for movement in movements if movement.kind == Kind.FIT)
        return position_filled(unit=target, position=fitted.position, movement=fit, actor=actor)
    return kit_filled(unit=target, movement=_transfer(movements), actor=actor, given_back_by=giver)
