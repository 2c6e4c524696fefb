"""Parts in and out of the positions of a unit. Age, hours, starts and volume travel with the piece.

A piece with a serial is followed by itself. Of pieces without one the ledger knows only the lot: when a used piece of
the lot may be among those aboard, whoever fits says whether it is that one or a new one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_noop as _

from fleet.models import Deployment, Place, Unit, User
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from fleet.services.records import moment_or_now
from inventory.domain.bill import BillLine, Misfit, fitting_line
from inventory.domain.errors import PositionTaken, StockError
from inventory.models import DesignItem, FittedPart, Lot, Movement
from inventory.selectors.part_use import UseRow, use_of_parts
from inventory.selectors.parts import used_pieces
from inventory.selectors.spots import day_at
from inventory.services.debts import position_filled
from inventory.services.posting import lock_lots, nth_token, post, said_once, stamp
from inventory.services.stock import deployment_of, refuse_future, refuse_unusable

Kind = Movement.Kind


@dataclass(frozen=True, slots=True)
class EarlierUse:
    """Use of a piece from before its first fitting on file; `known` False where nobody can tell all of it."""

    hours_h: float = 0.0
    volume_m3: float = 0.0
    starts: int = 0
    known: bool = True
    first_fitted_at: datetime | None = None


def part_fit(
    *,
    lot: Lot,
    unit: Unit,
    position: str,
    happened_at: datetime,
    actor: User | None,
    from_place: Place | None = None,
    used_part: FittedPart | None = None,
    new_piece: bool = False,
    earlier: EarlierUse | None = None,
    token: UUID | None = None,
    reason: str = "",
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> FittedPart:
    """Fits one piece of a lot from aboard the unit (or straight from the stores, `from_place`) into a free position.

    `used_part` is the removed fitting whose piece this is, `new_piece` says that it is none of those; one of the two
    is asked for when used pieces of a lot without serials may lie there. `earlier` is use the tool has no record of.
    """
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    with transaction.atomic():
        lots = lock_lots([lot.pk])
        there = said_once(nth_token(token, 1 if from_place else 0), Kind.FIT, lot)
        if there is not None and there.fitted_part is not None:
            return there.fitted_part
        fresh = lots[lot.pk]
        lines = []
        if from_place is not None:
            refuse_unusable(fresh, from_place, happened_at)
            lines.append(_one(Kind.ISSUE, fresh, happened_at, reason, from_place=from_place, to_unit=unit))
        part, fit = fit_line(
            lot=fresh,
            unit=unit,
            position=position,
            happened_at=happened_at,
            used_part=used_part,
            new_piece=new_piece,
            earlier=earlier,
            reason=reason,
        )
        lines.append(fit)
        _finish(lines, unit, happened_at, deployment, token, actor, instant, lots)
        position_filled(unit=unit, position=part.position, movement=fit, actor=actor)
        return part


def part_find(
    *,
    lot: Lot,
    unit: Unit,
    position: str,
    happened_at: datetime,
    actor: User | None,
    earlier: EarlierUse | None = None,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> FittedPart:
    """A survey found this part in the position, unknown to the ledger: counts one more aboard, and fits it.

    It tells what is there, so that an expired lot is not refused. Without `earlier` the use before is not known.
    """
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    with transaction.atomic():
        lots = lock_lots([lot.pk])
        there = said_once(nth_token(token, 1), Kind.FIT, lot)
        if there is not None and there.fitted_part is not None:
            return there.fitted_part
        found = _one(Kind.RECEIPT, lots[lot.pk], happened_at, reason or FOUND, to_unit=unit)
        part, fit = fit_line(
            lot=lots[lot.pk],
            unit=unit,
            position=position,
            happened_at=happened_at,
            used_part=None,
            new_piece=True,
            earlier=earlier or EarlierUse(known=False),
            reason=reason,
            may_be_expired=True,
        )
        _finish([found, fit], unit, happened_at, None, token, actor, instant, lots)
        position_filled(unit=unit, position=part.position, movement=fit, actor=actor)
        return part


def part_remove(
    *,
    part: FittedPart,
    happened_at: datetime,
    actor: User | None,
    to_place: Place | None = None,
    scrap: bool = False,
    token: UUID | None = None,
    reason: str = "",
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> FittedPart:
    """Takes a part out of its position: it stays aboard, goes back to the stores (`to_place`), or is scrapped."""
    if scrap and to_place is not None:
        raise ValueError("scrapped or kept, not both")
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    with transaction.atomic():
        lots = lock_lots([part.lot_id])
        there = said_once(token, Kind.REMOVE, part.lot)
        if there is not None and there.fitted_part is not None:
            return there.fitted_part
        lot = lots[part.lot_id]
        row, remove = remove_line(part=part, lot=lot, happened_at=happened_at, reason=reason)
        lines = [remove]
        if scrap:
            lines.append(
                _one(Kind.SCRAP, lot, happened_at, reason or WORN, from_unit=row.unit, fitted_part=row)
            )
        elif to_place is not None:
            lines.append(_one(Kind.RETURN, lot, happened_at, reason, from_unit=row.unit, to_place=to_place))
        _finish(lines, row.unit, happened_at, deployment, token, actor, instant, lots)
        return row


def part_replace(
    *,
    old: FittedPart,
    lot: Lot,
    happened_at: datetime,
    actor: User | None,
    keep_old: bool = False,
    from_place: Place | None = None,
    used_part: FittedPart | None = None,
    new_piece: bool = False,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> FittedPart:
    """Takes the old part out (scrapped, or kept aboard) and fits one of `lot` in its place; both or neither."""
    with transaction.atomic():
        lock_lots([old.lot_id, lot.pk])
        part_remove(
            part=old,
            happened_at=happened_at,
            actor=actor,
            scrap=not keep_old,
            token=nth_token(token, 10),
            reason=reason,
            now=now,
        )
        return part_fit(
            lot=lot,
            unit=old.unit,
            position=old.position,
            happened_at=happened_at,
            actor=actor,
            from_place=from_place,
            used_part=used_part,
            new_piece=new_piece,
            token=token,
            reason=reason,
            now=now,
        )


FOUND = _("Found in its position; the ledger did not know of it.")
WORN = _("Taken out and thrown away.")


def fit_line(
    *,
    lot: Lot,
    unit: Unit,
    position: str,
    happened_at: datetime,
    used_part: FittedPart | None,
    new_piece: bool,
    earlier: EarlierUse | None,
    reason: str,
    may_be_expired: bool = False,
) -> tuple[FittedPart, Movement]:
    """Opens the fitting, checked, and gives the movement to post with it. Call with the lot locked."""
    Unit.objects.select_for_update(of=("self",), no_key=True).get(pk=unit.pk)
    position = position.strip()
    bill = _bill_line(unit, position, lot, happened_at)
    if not may_be_expired:
        refuse_unusable(lot, unit, happened_at)
    _refuse_taken(unit, position, happened_at)
    before = _piece_before(lot, used_part, new_piece, happened_at)
    part = FittedPart(
        unit=unit, position=position, train=bill.train, lot=lot, fitted_at=happened_at, follows=before
    )
    _carry(part, before, earlier)
    part.save(force_insert=True)
    return part, _one(Kind.FIT, lot, happened_at, reason, from_unit=unit, fitted_part=part)


def remove_line(
    *, part: FittedPart, lot: Lot, happened_at: datetime, reason: str
) -> tuple[FittedPart, Movement]:
    """Closes the fitting, checked, and gives the movement to post with it. Call with the lot locked."""
    row = (
        FittedPart.objects.select_for_update(of=("self",))
        .select_related("unit__home", "lot__item")
        .get(pk=part.pk)
    )
    if row.removed_at is not None:
        raise StockError(
            "part.removed_already",
            _("{part} is not in {position} of {unit} any more: it was taken out on {day}."),
            part=str(row.lot),
            position=row.position,
            unit=str(row.unit),
            day=day_at(row.unit, row.removed_at).isoformat(),
        )
    if happened_at < row.fitted_at:
        raise StockError(
            "part.removed_before_fitted",
            _("The part came into {position} of {unit} on {day}: it cannot be taken out before that."),
            position=row.position,
            unit=str(row.unit),
            day=day_at(row.unit, row.fitted_at).isoformat(),
        )
    row.removed_at = happened_at
    row.version += 1
    row.save(update_fields=["removed_at", "version", "updated_at"])
    return row, _one(Kind.REMOVE, lot, happened_at, reason, to_unit=row.unit, fitted_part=row)


def carried_recompute(*, unit_ids: Any, actor: User | None = None) -> int:
    """Works out again what re-fitted pieces brought along from these units, after day logs there have changed.

    Follows each piece from fitting to fitting. Returns how many fittings changed; repeats change nothing.
    """
    changed = 0
    # Piece by piece from the units named: a join sorted by date would walk every fitting there is.
    left = FittedPart.objects.filter(unit_id__in=unit_ids, removed_at__isnull=False).values("pk")
    after = list(FittedPart.objects.filter(follows_id__in=left).order_by().values_list("pk", flat=True))
    if not after:
        return 0  # as nearly always; no writer is made to wait for that
    with transaction.atomic():
        turn = list(_followers(Q(pk__in=after)))
        while turn:
            stale = []
            before = [part.follows for part in turn if part.follows is not None]
            for part, use in zip(turn, use_of_parts(before, as_of=_latest(before)), strict=True):
                values = _carried(use)
                was = {name: getattr(part, name) for name in values}
                if was == values:
                    continue
                for name, value in values.items():
                    setattr(part, name, value)
                part.save(update_fields=[*values, "updated_at"])
                audit_record(
                    actor=actor, action="part.carried", subject=part, unit=part.unit, before=was, after=values
                )
                stale.append(part.pk)
            changed += len(stale)
            units_changed({part.unit_id for part in turn if part.pk in stale})
            turn = list(_followers(Q(follows_id__in=stale))) if stale else []
    return changed


def _carried(use: UseRow) -> dict[str, Any]:
    """What a piece brings along, rounded so that the order of adding up makes no difference."""
    return {
        "carried_h": round(use.hours_h, 6),
        "carried_m3": round(use.volume_m3, 6),
        "carried_starts": use.starts,
        "use_known": use.known,
    }


def _followers(which: Q) -> Any:
    return (
        FittedPart.objects.filter(which, void=False)
        .select_related("unit", "lot__item", "follows__lot__item", "follows__unit")
        .order_by("fitted_at")
    )


def _latest(parts: list[FittedPart]) -> datetime:
    return max(part.removed_at or part.fitted_at for part in parts)


def _one(kind: str, lot: Lot, happened_at: datetime, reason: str, **ends: Any) -> Movement:
    return Movement(
        kind=kind, lot=lot, qty=Decimal(1), happened_at=happened_at, reason=reason.strip()[:400], **ends
    )


def _finish(
    lines: list[Movement],
    unit: Unit,
    happened_at: datetime,
    deployment: Deployment | None,
    token: UUID | None,
    actor: User | None,
    now: datetime,
    lots: dict[int, Lot],
) -> None:
    on = deployment_of(unit, happened_at, None, deployment)
    for number, line in enumerate(lines):
        line.deployment = on
        line.token = nth_token(token, number)
    stamp(lines, actor=actor, now=now)
    post(lines, lots)


def _bill_line(unit: Unit, position: str, lot: Lot, happened_at: datetime) -> DesignItem:
    """The line of the bill that names this position: of that day if there is one, else of another time."""
    lines = list(
        DesignItem.objects.filter(
            design_id=unit.design_id, purpose="fitted", position=position
        ).select_related("item")
    )
    bill = [BillLine(line.item_id, line.item.name, line.valid_from, line.valid_to) for line in lines]
    found = fitting_line(bill, day_at(unit, happened_at), lot.item_id)
    if not isinstance(found, Misfit):
        return lines[found]
    if found.wanted is None:
        raise StockError(
            "part.no_such_position",
            _(
                "Units of the design {design} have no position '{position}': choose one of the bill, or add it there."
            ),
            design=str(unit.design),
            position=position,
        )
    raise StockError(
        "part.wrong_item",
        _("Position '{position}' of {unit} takes {wanted}, not {item}: choose another position or lot."),
        position=position,
        unit=str(unit),
        wanted=found.wanted,
        item=lot.item.name,
    )


def _refuse_taken(unit: Unit, position: str, happened_at: datetime) -> None:
    holding = (
        FittedPart.objects.filter(unit=unit, position=position, void=False)
        .filter(Q(removed_at__isnull=True) | Q(removed_at__gt=happened_at))
        .select_related("lot__item")
        .first()
    )
    if holding is None:
        return
    data = {"position": position, "unit": str(unit), "part": str(holding.lot)}
    if holding.removed_at is None:
        raise PositionTaken(
            "position.taken", _("Position '{position}' of {unit} holds {part}: take that out first."), **data
        )
    raise PositionTaken(
        "position.taken_then",
        _("Position '{position}' of {unit} held {part} until {day}: the new part can only come after it."),
        day=day_at(unit, holding.removed_at).isoformat(),
        **data,
    )


def _piece_before(
    lot: Lot, used_part: FittedPart | None, new_piece: bool, happened_at: datetime
) -> FittedPart | None:
    """The fitting the same piece was in before, or None for a new piece."""
    free = used_pieces(lot)
    if lot.item.serialised:
        before = free[0] if free else None
    elif used_part is not None:
        before = next((part for part in free if part.pk == used_part.pk), None)
        if before is None:
            raise StockError(
                "part.piece_not_free",
                _("That used piece of {lot} is fitted elsewhere or was scrapped: choose another one."),
                lot=str(lot),
            )
    elif free and not new_piece:
        raise StockError(
            "part.which_piece",
            _(
                "{count} used pieces of {lot} may lie there. Say whether this is a new piece, or which used one: "
                "its hours count on."
            ),
            count=len(free),
            lot=str(lot),
        )
    else:
        before = None
    if before is not None and before.removed_at is not None and happened_at < before.removed_at:
        raise StockError(
            "part.fitted_elsewhere_then",
            _("That piece was in {position} of {unit} until {day}: it can only be fitted after that."),
            position=before.position,
            unit=str(before.unit),
            day=day_at(before.unit, before.removed_at).isoformat(),
        )
    return before


def _carry(part: FittedPart, before: FittedPart | None, earlier: EarlierUse | None) -> None:
    if before is not None and before.removed_at is not None:
        (use,) = use_of_parts([before], as_of=before.removed_at)
        for name, value in _carried(use).items():
            setattr(part, name, value)
        part.first_fitted_at = before.first_fitted_at
        return
    part.first_fitted_at = part.fitted_at
    if earlier is not None:
        part.carried_h, part.carried_m3 = earlier.hours_h, earlier.volume_m3
        part.carried_starts, part.use_known = earlier.starts, earlier.known
        part.first_fitted_at = earlier.first_fitted_at or (part.fitted_at if earlier.known else None)
