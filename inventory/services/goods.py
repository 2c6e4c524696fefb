"""The list of dangerous goods of a unit: lines, dated checks, the word that it is complete, and what an item is."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.domain.dangerous_goods.entered import entered_facts
from fleet.lib.errors import DomainError
from fleet.models import BankStay, BatteryBank, Unit, User
from fleet.permissions import Rights, rights_of
from fleet.selectors.editions import goods_in_force
from fleet.services.changes import units_changed
from fleet.services.corrections import check_for, record_strike
from fleet.services.records import (
    birth_of_unit,
    check_moment,
    check_row,
    facts,
    locked,
    moment_or_now,
    note_change,
    save_record,
    written_once,
)
from fleet.services.versions import save_versioned
from inventory.models import (
    Balance,
    DesignItem,
    FittedPart,
    GoodsCheck,
    GoodsKind,
    GoodsLine,
    GoodsListCheck,
    Item,
    ItemGoods,
)
from inventory.selectors.goods import goods_keys, goods_names


def goods_line_add(
    *,
    unit: Unit,
    label: str,
    kind: str,
    happened_at: datetime,
    actor: User | None,
    attributes: Mapping[str, Any] | None = None,
    pieces: int = 1,
    mass_kg: float | None = None,
    removable: bool = False,
    source: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> GoodsLine:
    """Puts a thing on the list of the unit. `mass_kg` of all pieces together; `attributes` as in `entered_facts`."""
    instant = moment_or_now(now)

    def write() -> GoodsLine:
        row = GoodsLine(
            unit=unit,
            label=label.strip(),
            kind=kind,
            attributes=dict(attributes or {}),
            pieces=pieces,
            mass_kg=mass_kg,
            removable=removable,
            source=source,
            happened_at=happened_at,
            token=token,
        )
        _check_line(row, instant)
        return save_record(row, action="goodsline.add", actor=actor, now=instant)

    return written_once(GoodsLine, token, write)


@check_for(GoodsLine)
def _check_line(row: GoodsLine, now: datetime) -> None:
    check_moment(row.happened_at, now=now, birth=birth_of_unit(row.unit))
    check_goods_line(row, goods_in_force())


def check_goods_line(row: GoodsLine, held_un: Collection[str]) -> None:
    """The rule of what a line says, its moment aside; its facts are kept as `entered_facts` gives them. No query.

    `held_un`: UN numbers of the goods tables in force. Raises DomainError.
    """
    if not row.label.strip():
        raise DomainError("goods.no_label", _("Say what it is, so that the next person finds it aboard."))
    if row.kind == GoodsKind.NONE:
        raise DomainError(
            "goods.line_of_none", _("What is not dangerous goods needs no line. Choose what it is.")
        )
    row.attributes = entered_facts(row.kind, row.attributes or {}, held_un)


def goods_line_strike(
    *, line: GoodsLine, reason: str, actor: User | None, now: datetime | None = None
) -> GoodsLine:
    """Takes a line off the list, with the reason. A list confirmed with it is no longer confirmed."""
    return record_strike(record=line, reason=reason, actor=actor, now=now)


def goods_check_record(
    *,
    unit: Unit,
    answers: Mapping[str, str],
    happened_at: datetime,
    actor: User | None,
    bank: BatteryBank | None = None,
    line: GoodsLine | None = None,
    fill_pct: float | None = None,
    fuel_l: float | None = None,
    soc_pct: float | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> list[GoodsCheck]:
    """Writes down one look at a bank or a line: an answer for each kind of check that was looked at; all or none.

    `fill_pct` and `fuel_l` belong to the check of a tank, `soc_pct` to that of the charge.
    """
    instant = moment_or_now(now)
    if not answers:
        raise DomainError("goods.nothing_checked", _("Nothing is answered. Answer what you looked at."))

    def write(kind: str, answer: str) -> GoodsCheck:
        tank = kind == GoodsCheck.Kind.TANK
        row = GoodsCheck(
            unit=unit,
            bank=bank,
            line=line,
            kind=kind,
            answer=answer,
            fill_pct=fill_pct if tank else None,
            fuel_l=fuel_l if tank else None,
            soc_pct=soc_pct if kind == GoodsCheck.Kind.CHARGE else None,
            note=note,
            happened_at=happened_at,
            token=uuid5(token, kind) if token else None,
        )
        _check_check(row, instant)
        return save_record(row, action="goodscheck.record", actor=actor, now=instant)

    with transaction.atomic():
        if line is not None:
            line = locked(line)
        return [
            written_once(
                GoodsCheck,
                uuid5(token, kind) if token else None,
                lambda kind=kind, answer=answer: write(kind, answer),  # type: ignore[misc]
            )
            for kind, answer in sorted(answers.items())
        ]


@check_for(GoodsCheck)
def _check_check(row: GoodsCheck, now: datetime) -> None:
    check_moment(row.happened_at, now=now, birth=birth_of_unit(row.unit))
    there = BankStay.objects.at(row.happened_at).filter(bank=row.bank_id, unit=row.unit_id)
    check_goods_check(row, bank_was_there=row.bank_id is not None and there.exists())


def check_goods_check(row: GoodsCheck, *, bank_was_there: bool) -> None:
    """The rule of what a look is about, its moment aside. `bank_was_there`: its bank sat in the unit then. No query."""
    tank, charge = row.kind == GoodsCheck.Kind.TANK, row.kind == GoodsCheck.Kind.CHARGE
    if charge != (row.soc_pct is not None) or not 0 <= (row.soc_pct or 0) <= 100:
        raise DomainError(
            "goods.charge_not_said",
            _("A look at the charge says how full it is, from 0 to 100 %; no other does."),
        )
    if row.bank is not None:
        if not bank_was_there:
            raise DomainError(
                "goods.bank_elsewhere",
                _("Battery bank {bank} was not in {unit} then. Check the bank and the time."),
                bank=row.bank.serial,
                unit=row.unit.tag,
            )
        fits = not tank and not charge  # the charge of a bank is a reading
    elif row.line is not None:
        if row.line.unit_id != row.unit_id:
            raise DomainError(
                "goods.line_elsewhere",
                _("'{line}' is not on the list of {unit}. Check the line."),
                line=row.line.label,
                unit=row.unit.tag,
            )
        if not row.line.counts:
            raise DomainError(
                "goods.line_taken_off",
                _("'{line}' was taken off the list. Look at the list again."),
                line=row.line.label,
            )
        fits = row.line.kind == (GoodsKind.ENGINE if tank else GoodsKind.BATTERY)
    else:
        return
    if not fits:
        raise DomainError(
            "goods.check_does_not_fit",
            _("'{check}' is nothing to look at here: a tank belongs to an engine, the rest to a battery."),
            check=str(row.get_kind_display()),
        )


class ListChanged(DomainError):
    """The list is not the one that was shown. `came` and `gone` are keys of lines."""

    def __init__(self, came: list[str], gone: list[str]) -> None:
        names = goods_names([*came, *gone])
        super().__init__(
            "goods.list_changed",
            _("The list changed while you looked at it ({what}). Look at it again, then confirm."),
            what=", ".join([*(f"+ {names[key]}" for key in came), *(f"- {names[key]}" for key in gone)]),
        )
        self.came, self.gone = came, gone


def goods_list_confirm(
    *,
    unit: Unit,
    keys_shown: Collection[str],
    actor: User | None,
    happened_at: datetime | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> GoodsListCheck:
    """Someone says that the lines shown are all there is. Raises ListChanged if they are not the lines of now."""
    instant = moment_or_now(now)

    def write() -> GoodsListCheck:
        locked(unit)
        shown, there = set(keys_shown), set(goods_keys(unit, now=instant))
        if shown != there:
            raise ListChanged(sorted(there - shown), sorted(shown - there))
        row = GoodsListCheck(
            unit=unit, keys=sorted(there), note=note, happened_at=happened_at or instant, token=token
        )
        _check_list(row, instant)
        return save_record(row, action="goodslistcheck.record", actor=actor, now=instant)

    return written_once(GoodsListCheck, token, write)


@check_for(GoodsListCheck)
def _check_list(row: GoodsListCheck, now: datetime) -> None:
    check_moment(row.happened_at, now=now, birth=birth_of_unit(row.unit))


def may_say(rights: Rights) -> bool:
    """Who says what an item is: who keeps the stores of all depots."""
    return "stock" in rights.everywhere


def item_goods_save(
    *,
    item: Item,
    kind: str,
    actor: User | None,
    attributes: Mapping[str, Any] | None = None,
    removable: bool = True,
    source: str = "",
    seen_version: int | None = None,
) -> ItemGoods:
    """Says what an item is to the transport rules. `seen_version` of the row shown; None: there was none.

    What an item is counts in all depots: an `actor` without the right there is refused.
    """
    if actor is not None and not may_say(rights_of(actor)):
        raise DomainError(
            "goods.may_not_say",
            _("What an item is counts in all depots: procurement or an administrator says it."),
        )
    kept = kept_facts(kind, attributes or {}, goods_in_force())
    values = {"kind": kind, "attributes": kept, "removable": removable, "source": source}
    with transaction.atomic():
        locked(item)
        there = ItemGoods.objects.filter(item=item).first()
        if there is not None:
            row = save_versioned(
                instance=there,
                seen_version=seen_version or 0,
                changes=values,
                actor=actor,
                action="itemgoods.edit",
            )
        else:
            row = ItemGoods(item=item, **values)
            check_row(row)
            row.save(force_insert=True)
            note_change(row, action="itemgoods.add", actor=actor, after=facts(row))
        units_changed(units_with(item))
        return row


def kept_facts(kind: str, attributes: Mapping[str, Any], held_un: Collection[str]) -> dict[str, Any]:
    """The facts of an item as they are kept: none of what is not dangerous goods. See `entered_facts`."""
    return {} if kind == GoodsKind.NONE else entered_facts(kind, attributes, held_un)


def units_with(item: Item) -> set[int]:
    """Ids of the units that carry the item, have it fitted, or whose design has it on its bill."""
    return units_with_items([item.pk])


def units_with_items(items: Collection[int]) -> set[int]:
    """`units_with` for the ids of several items. Three queries."""
    aboard = Balance.objects.filter(lot__item__in=items, unit__isnull=False, qty__gt=0)
    fitted = FittedPart.objects.filter(lot__item__in=items, removed_at__isnull=True)
    designs = DesignItem.objects.filter(item__in=items).values("design")
    return {
        *aboard.values_list("unit_id", flat=True),
        *fitted.values_list("unit_id", flat=True),
        *Unit.objects.filter(design__in=designs, retired_on__isnull=True).values_list("pk", flat=True),
    }
