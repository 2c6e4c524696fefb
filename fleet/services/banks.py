"""Banks and blocks on the move. Both keep their serial and history; where they were and are is closed and opened at once.

A bank or block that goes into or out of a unit changes its mass and wiring: that is written down as a modification of
every unit touched, unless the caller says that like was exchanged for like.
"""

from __future__ import annotations

from datetime import datetime

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BankStay, BatteryBank, BatteryBlock, BlockStay, Modification, Place, Unit, User
from fleet.services.changes import units_changed
from fleet.services.records import (
    Birth,
    birth_of_bank,
    check_moment,
    field_label,
    from_integrity,
    local_day,
    locked,
    moment_or_now,
    note_change,
    said,
)
from fleet.services.units import modification_record


def bank_move(
    *,
    bank: BatteryBank,
    at: datetime,
    actor: User | None,
    unit: Unit | None = None,
    position: str = "main",
    place: Place | None = None,
    like_for_like: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> BankStay:
    """Moves a bank into a free position of a unit, or onto the shelf of a place. Moving it twice is one move."""
    instant = moment_or_now(now)
    one_target(unit, place)
    try:
        with transaction.atomic():
            row: BatteryBank = locked(bank)
            here = bank_stay(row)
            if here is not None and _is_there(here, unit, position, place):
                return here
            occupant = _occupant(unit, position)
            if occupant is not None:
                raise DomainError(
                    "bank.position_taken",
                    _(
                        "Position '{position}' of {unit} holds bank {bank}: swap the two, or take that one out first."
                    ),
                    position=position,
                    unit=str(unit),
                    bank=occupant.bank.serial,
                )
            stay = _move(
                row,
                here,
                at=at,
                now=instant,
                actor=actor,
                unit=unit,
                position=position,
                place=place,
                note=note,
            )
            if not like_for_like:
                _note_modifications(
                    {here.unit if here else None, unit}, at, actor, instant, bank_text(row, here, stay)
                )
            return stay
    except IntegrityError as error:
        raise from_integrity(error) from error


def bank_swap(
    *,
    unit: Unit,
    bank: BatteryBank,
    at: datetime,
    actor: User | None,
    position: str = "main",
    old_to: Place | None = None,
    like_for_like: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> BankStay:
    """Puts `bank` into a position of a unit. The bank that was there goes to `old_to` (default: the unit's home depot).

    `bank` may come from a shelf or out of another unit, which is then left without one. Swapping twice is one swap.
    """
    instant = moment_or_now(now)
    try:
        with transaction.atomic():
            locked(unit)
            row: BatteryBank = locked(bank)
            here = bank_stay(row)
            if here is not None and _is_there(here, unit, position, None):
                return here
            occupant = _occupant(unit, position)
            if like_for_like and occupant is not None:
                refuse_unlike(occupant.bank, row)
            if occupant is not None:
                shelf = old_to or unit.home
                _move(occupant.bank, occupant, at=at, now=instant, actor=actor, place=shelf, note=note)
            stay = _move(row, here, at=at, now=instant, actor=actor, unit=unit, position=position, note=note)
            if not like_for_like:
                old = f"{occupant.bank.serial} out, " if occupant else ""
                text = f"Battery bank swapped in '{position}': {old}{row.serial} in"
                _note_modifications({here.unit if here else None, unit}, at, actor, instant, text)
            return stay
    except IntegrityError as error:
        raise from_integrity(error) from error


def block_move(
    *,
    block: BatteryBlock,
    at: datetime,
    actor: User | None,
    bank: BatteryBank | None = None,
    position: str = "",
    place: Place | None = None,
    out_of: BatteryBank | None = None,
    like_for_like: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> BlockStay:
    """Moves a block into a bank, or onto the shelf of a place. Moving it twice is one move.

    `out_of`: the bank from which it is taken, where that matters: refused when somebody has moved it on meanwhile.
    """
    instant = moment_or_now(now)
    one_target(bank, place)
    try:
        with transaction.atomic():
            row: BatteryBlock = locked(block)
            here = BlockStay.objects.current().filter(block=row).select_related("bank", "place").first()
            target = (bank.pk if bank else None, position if bank else "", place.pk if place else None)
            if here is not None and (here.bank_id, here.position, here.place_id) == target:
                return here
            if out_of is not None and (here is None or here.bank_id != out_of.pk):
                raise DomainError(
                    "block.elsewhere",
                    _(
                        "Block {block} is not in {bank} any more, but in {where}. Look again before you move it."
                    ),
                    block=row.serial,
                    bank=out_of.serial,
                    where=str(here.bank or here.place) if here else "?",
                )
            if place is not None:
                check_moment(at, now=instant, birth=Birth(row.serial, row.made_on, place.time_zone))
            _check_block(row, bank, position, at, instant)
            _close(here, at, row.serial)
            stay = BlockStay.objects.create(
                block=row, bank=bank, position=position if bank else "", place=place, started_at=at
            )
            units = {_unit_now(here.bank) if here and here.bank else None, _unit_now(bank) if bank else None}
            note_change(
                row,
                action="block.move",
                actor=actor,
                before={"in": here.bank or here.place} if here else {},
                after={"in": bank or place, "position": position, "at": at},
                note=note,
                place=place,
            )
            units_changed({unit.pk for unit in units if unit})
            if not like_for_like:
                text = f"Battery block {row.serial} moved to {bank or place}"
                _note_modifications(units, at, actor, instant, text)
            return stay
    except IntegrityError as error:
        raise from_integrity(error) from error


def block_swap(
    *,
    block: BatteryBlock,
    bank: BatteryBank,
    position: str,
    at: datetime,
    actor: User | None,
    old_to: Place | None = None,
    like_for_like: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> BlockStay:
    """Puts `block` into a position of a bank. The block that was there goes to the shelf of `old_to`.

    `block` may come from a shelf or out of another bank, which is then left without it. Swapping twice is one swap.
    """
    instant = moment_or_now(now)
    given = {"at": at, "actor": actor, "like_for_like": True, "note": note, "now": instant}
    try:
        with transaction.atomic():
            locked(bank)
            row: BatteryBlock = locked(block)
            stays = BlockStay.objects.current().select_related("block", "bank")
            here = stays.filter(block=row).first()
            if here is not None and (here.bank_id, here.position) == (bank.pk, position):
                return here
            occupant = stays.filter(bank=bank, position=position).first() if position else None
            if occupant is not None:
                if old_to is None:
                    _check_block(row, bank, position, at, instant)  # says what holds the place
                block_move(block=occupant.block, place=old_to, **given)  # type: ignore[arg-type]
            stay = block_move(block=row, bank=bank, position=position, **given)  # type: ignore[arg-type]
            if not like_for_like:
                old = f"{occupant.block.serial} out, " if occupant else ""
                text = f"Battery block exchanged in '{position}' of bank {bank.serial}: {old}{row.serial} in"
                banks = (bank, here.bank if here else None)
                _note_modifications({_unit_now(each) for each in banks if each}, at, actor, instant, text)
            return stay
    except IntegrityError as error:
        raise from_integrity(error) from error


def bank_stay(bank: BatteryBank) -> BankStay | None:
    """Where a bank is now. One query."""
    return BankStay.objects.current().filter(bank=bank).select_related("unit__home", "place").first()


def one_target(into: object, place: Place | None) -> None:
    if (into is None) == (place is None):
        raise DomainError("bank.one_target", _("Say where it goes: into one unit or bank, or to one place."))


def refuse_unlike(old: BatteryBank, new: BatteryBank) -> None:
    """Like for like means the same chemistry, capacity, cells and strings; anything else touches the evidence."""
    for field in ("chemistry", "capacity_ah", "cells_in_series", "strings"):
        if getattr(old, field) != getattr(new, field):
            raise DomainError(
                "bank.not_alike",
                _("Banks {old} and {new} differ in {what}: this is no exchange of like for like."),
                old=old.serial,
                new=new.serial,
                what=field_label(old, field),
            )


def bank_text(bank: BatteryBank, before: BankStay | None, after: BankStay) -> str:
    origin = (before.unit or before.place) if before else None
    return (
        f"Battery bank {bank.serial} moved from {origin or 'nowhere on file'} to {after.unit or after.place}"
    )


def _move(
    bank: BatteryBank,
    here: BankStay | None,
    *,
    at: datetime,
    now: datetime,
    actor: User | None,
    unit: Unit | None = None,
    position: str = "main",
    place: Place | None = None,
    note: str = "",
) -> BankStay:
    birth = birth_of_bank(bank, at)
    check_moment(at, now=now, birth=birth)
    if unit is not None and bank.retired_on is not None and bank.retired_on <= local_day(at, birth.zone):
        raise DomainError(
            "bank.retired",
            _("Bank {bank} was retired on {day} and goes into no unit."),
            bank=bank.serial,
            day=bank.retired_on.isoformat(),
        )
    _close(here, at, bank.serial)
    stay = BankStay.objects.create(
        bank=bank, unit=unit, position=position if unit else "main", place=place, started_at=at
    )
    note_change(
        bank,
        action="bank.move",
        actor=actor,
        before={"in": here.unit or here.place, "position": here.position} if here else {},
        after={"in": unit or place, "position": stay.position, "at": at},
        note=note,
        place=place,
    )
    units_changed({each.pk for each in (here.unit if here else None, unit) if each})
    return stay


def _close(stay: BankStay | BlockStay | None, at: datetime, serial: str) -> None:
    if stay is None:
        return
    if at < stay.started_at:
        raise DomainError(
            "bank.moved_before",
            _("{serial} came to where it is on {since} only, so it cannot leave on {at}. Check the time."),
            serial=serial,
            since=said(stay.started_at, "UTC"),
            at=said(at, "UTC"),
        )
    stay.ended_at = at
    stay.save(update_fields=["ended_at"])


def _is_there(stay: BankStay, unit: Unit | None, position: str, place: Place | None) -> bool:
    if unit is not None:
        return stay.unit_id == unit.pk and stay.position == position
    return place is not None and stay.place_id == place.pk


def _occupant(unit: Unit | None, position: str) -> BankStay | None:
    if unit is None:
        return None
    return (
        BankStay.objects.current()
        .filter(unit=unit, position=position)
        .select_related("bank", "unit__home")
        .first()
    )


def _check_block(
    block: BatteryBlock, bank: BatteryBank | None, position: str, at: datetime, now: datetime
) -> None:
    if bank is None:
        return
    check_moment(at, now=now, birth=birth_of_bank(bank, at))
    if block.chemistry != bank.chemistry:
        raise DomainError(
            "block.other_chemistry",
            _("Block {block} is {one}, bank {bank} is {other}: they must not be mixed."),
            block=block.serial,
            one=block.get_chemistry_display(),
            bank=bank.serial,
            other=bank.get_chemistry_display(),
        )
    if block.retired_on is not None:
        raise DomainError(
            "block.retired", _("Block {block} is retired and goes into no bank."), block=block.serial
        )
    if not position:
        raise DomainError(
            "block.no_position", _("Say which place in bank {bank} the block takes."), bank=bank.serial
        )
    there = BlockStay.objects.current().filter(bank=bank, position=position).select_related("block").first()
    if there is not None:
        raise DomainError(
            "block.position_taken",
            _("Place {position} of bank {bank} holds block {block}: take it out first."),
            position=position,
            bank=bank.serial,
            block=there.block.serial,
        )


def _unit_now(bank: BatteryBank) -> Unit | None:
    stay = bank_stay(bank)
    return stay.unit if stay else None


def _note_modifications(
    units: set[Unit | None], at: datetime, actor: User | None, now: datetime, text: str
) -> None:
    for unit in sorted((each for each in units if each), key=lambda each: each.pk):
        modification_record(
            unit=unit,
            kind=Modification.Kind.SWAP,
            description=text[:400],
            happened_at=at,
            actor=actor,
            now=now,
        )
