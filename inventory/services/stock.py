"""Stock moves between places and units, is used, scrapped, counted, and taken back by a reversing entry.

Every function writes one movement, or returns the one that an earlier submission with the same token wrote.
`happened_at` may lie in the past: what it makes of every later balance is worked out from the ledger.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.models import Deployment, Place, Unit, User
from fleet.models.office import ImportRun
from fleet.services.records import CLOCK_SLACK, moment_or_now
from inventory.domain.errors import LotNotUsable, StockError
from inventory.domain.lots import lot_hindrance
from inventory.models import FittedPart, Item, Lot, Movement
from inventory.selectors.spots import day_at, qty_words
from inventory.services.debts import kit_filled
from inventory.services.posting import Outcome, lock_lots, nth_token, post, post_many, said_once, stamp

Kind = Movement.Kind
LARGEST = Decimal("999999999.999")
THOUSANDTH = Decimal("0.001")


def stock_receive(
    *,
    lot: Lot,
    qty: Decimal | int,
    place: Place,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    import_run: ImportRun | None = None,
    now: datetime | None = None,
) -> Movement:
    """Books a delivery of a lot into a place."""
    line = _line(Kind.RECEIPT, lot, qty, happened_at, reason, token, to_place=place, import_run=import_run)
    return _write(line, actor=actor, now=now)


def stock_issue(
    *,
    lot: Lot,
    qty: Decimal | int,
    place: Place,
    unit: Unit,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> Movement:
    """Takes stock out of a place and puts it aboard a unit. Expired, unknown and blocked lots are refused."""
    line = _line(Kind.ISSUE, lot, qty, happened_at, reason, token, from_place=place, to_unit=unit)
    line.deployment = deployment_of(unit, happened_at, place, deployment)

    def check(fresh: Lot) -> None:
        refuse_unusable(fresh, place, happened_at)

    return _write(line, actor=actor, now=now, check=check)


def stock_issue_many(
    *,
    picks: Sequence[tuple[Lot, Decimal | int]],
    place: Place,
    unit: Unit,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> list[Movement]:
    """Issues several lots in one transaction, all or nothing (see `selectors.stock.first_expiring` for the picks)."""
    instant = moment_or_now(now)
    refuse_future(happened_at, instant)
    if len({lot.pk for lot, _qty in picks}) != len(picks):
        raise StockError(
            "stock.lot_named_twice", _("A lot is named twice: write its whole quantity in one line.")
        )
    with transaction.atomic():
        lots = lock_lots([lot.pk for lot, _qty in picks])
        there = [
            said_once(nth_token(token, number), Kind.ISSUE, lot) for number, (lot, _qty) in enumerate(picks)
        ]
        if there and all(there):
            return [movement for movement in there if movement is not None]
        lines = []
        for number, (lot, qty) in enumerate(picks):
            refuse_unusable(lots[lot.pk], place, happened_at)
            line = _line(
                Kind.ISSUE,
                lots[lot.pk],
                qty,
                happened_at,
                reason,
                nth_token(token, number),
                from_place=place,
                to_unit=unit,
            )
            line.deployment = deployment_of(unit, happened_at, place)
            lines.append(line)
        stamp(lines, actor=actor, now=instant)
        movements = post(lines, lots)
        for movement in movements:
            kit_filled(unit=unit, movement=movement, actor=actor)
        return movements


def stock_return(
    *,
    lot: Lot,
    qty: Decimal | int,
    unit: Unit,
    place: Place,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> Movement:
    """Brings stock from aboard a unit back into a place."""
    line = _line(Kind.RETURN, lot, qty, happened_at, reason, token, from_unit=unit, to_place=place)
    line.deployment = deployment_of(unit, happened_at, place, deployment)
    return _write(line, actor=actor, now=now)


def stock_transfer(
    *,
    lot: Lot,
    qty: Decimal | int,
    from_place: Place,
    to_place: Place,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> Movement:
    """Moves stock from one place to another; also lots that may not be issued, so that they can be put apart."""
    if from_place == to_place:
        raise StockError(
            "stock.same_place", _("Both places are {place}: choose another one."), place=str(to_place)
        )
    line = _line(
        Kind.TRANSFER, lot, qty, happened_at, reason, token, from_place=from_place, to_place=to_place
    )
    return _write(line, actor=actor, now=now)


def stock_use(
    *,
    lot: Lot,
    qty: Decimal | int,
    happened_at: datetime,
    actor: User | None,
    unit: Unit | None = None,
    place: Place | None = None,
    token: UUID | None = None,
    reason: str = "",
    deployment: Deployment | None = None,
    now: datetime | None = None,
) -> Movement:
    """Records that stock was used up, aboard a unit or in a place.

    Use on an exercise names its deployment, so that the history of demand can leave it out.
    """
    line = _line(Kind.USE, lot, qty, happened_at, reason, token, **_ends("from", place, unit))
    if unit is not None:
        line.deployment = deployment_of(unit, happened_at, None, deployment)
    return _write(line, actor=actor, now=now)


def stock_scrap(
    *,
    lot: Lot,
    qty: Decimal | int,
    reason: str,
    happened_at: datetime,
    actor: User | None,
    unit: Unit | None = None,
    place: Place | None = None,
    used_part: FittedPart | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Movement:
    """Throws stock away, and says why. `used_part` names a removed piece, so that nobody fits it again."""
    refuse_no_reason(reason)
    line = _line(Kind.SCRAP, lot, qty, happened_at, reason, token, **_ends("from", place, unit))
    line.fitted_part = used_part
    if unit is not None:
        line.deployment = deployment_of(unit, happened_at, None)
    return _write(line, actor=actor, now=now)


def stock_count(
    *,
    lot: Lot,
    counted_qty: Decimal | int,
    happened_at: datetime,
    actor: User | None,
    place: Place | None = None,
    unit: Unit | None = None,
    token: UUID | None = None,
    reason: str = "",
    import_run: ImportRun | None = None,
    now: datetime | None = None,
) -> Movement:
    """Sets the balance to what was found at that moment; the movement holds the difference (0 when it agreed)."""
    line = _line(
        Kind.COUNT, lot, counted_qty, happened_at, reason, token, may_be_zero=True, **_ends("to", place, unit)
    )
    line.counted_qty, line.qty = line.qty, Decimal(0)
    line.import_run = import_run
    return _write(line, actor=actor, now=now)


@dataclass(frozen=True, slots=True)
class StockRow:
    """One row of many: a count (what was found) or a receipt (what came). Exactly one of place and unit."""

    lot: Lot
    qty: Decimal
    happened_at: datetime
    place: Place | None = None
    unit: Unit | None = None
    token: UUID | None = None
    reason: str = ""


def stock_count_many(
    rows: Sequence[StockRow],
    run: ImportRun | None,
    actor: User | None,
    *,
    keep_going: bool = True,
    after_batch: Callable[[int, int], None] | None = None,
    now: datetime | None = None,
) -> Outcome:
    """Counts in many lots, in few queries and by the same rules; one transaction.

    Returns the movements by index of the row, and the rows refused with their errors; with `keep_going` off the
    first refusal is raised and nothing is written. Rows whose token is in the ledger already come back as they are.
    """
    return _write_many(Kind.COUNT, rows, run, actor, keep_going, after_batch, now)


def stock_receive_many(
    rows: Sequence[StockRow],
    run: ImportRun | None,
    actor: User | None,
    *,
    keep_going: bool = True,
    after_batch: Callable[[int, int], None] | None = None,
    now: datetime | None = None,
) -> Outcome:
    """Deliveries of many lots, in few queries and by the same rules; as `stock_count_many`."""
    return _write_many(Kind.RECEIPT, rows, run, actor, keep_going, after_batch, now)


def _write_many(
    kind: Kind,
    rows: Sequence[StockRow],
    run: ImportRun | None,
    actor: User | None,
    keep_going: bool,
    after_batch: Callable[[int, int], None] | None,
    now: datetime | None,
) -> Outcome:
    instant = moment_or_now(now)
    outcome = Outcome()
    lines: list[Movement] = []
    place_in_rows: list[int] = []
    with transaction.atomic():
        tokens = [row.token for row in rows if row.token is not None]
        known: dict[Any, Movement] = {}
        for start in range(0, len(tokens), 500):
            known |= Movement.objects.in_bulk(tokens[start : start + 500], field_name="token")
        for index, row in enumerate(rows):
            if row.token in known:
                outcome.movements[index] = known[row.token]
                continue
            try:
                refuse_future(row.happened_at, instant)
                ends = _ends("to", row.place, row.unit)
                counts = kind == Kind.COUNT
                line = _line(
                    kind, row.lot, row.qty, row.happened_at, row.reason, row.token, may_be_zero=counts, **ends
                )
            except StockError as error:
                if not keep_going:
                    raise
                outcome.refused[index] = error
                continue
            if counts:
                line.counted_qty, line.qty = line.qty, Decimal(0)
            line.import_run = run
            lines.append(line)
            place_in_rows.append(index)
        stamp(lines, actor=actor, now=instant)
        posted = post_many(lines, keep_going=keep_going, after_batch=after_batch)
    outcome.movements |= {place_in_rows[index]: movement for index, movement in posted.movements.items()}
    outcome.refused |= {place_in_rows[index]: error for index, error in posted.refused.items()}
    outcome.recounts = posted.recounts
    return outcome


def _write(
    line: Movement, *, actor: User | None, now: datetime | None, check: Callable[[Lot], None] | None = None
) -> Movement:
    instant = moment_or_now(now)
    refuse_future(line.happened_at, instant)
    with transaction.atomic():
        lots = lock_lots([line.lot_id])
        there = said_once(line.token, line.kind, line.lot)
        if there is not None:
            return there
        if check is not None:
            check(lots[line.lot_id])
        stamp([line], actor=actor, now=instant)
        (movement,) = post([line], lots)
        if movement.to_unit is not None and movement.kind == Kind.ISSUE:
            kit_filled(unit=movement.to_unit, movement=movement, actor=actor)
        return movement


def _line(
    kind: str,
    lot: Lot,
    qty: Decimal | int,
    happened_at: datetime,
    reason: str,
    token: UUID | None,
    *,
    may_be_zero: bool = False,
    **ends: Any,
) -> Movement:
    return Movement(
        kind=kind,
        lot=lot,
        qty=checked_qty(qty, lot.item, may_be_zero=may_be_zero),
        happened_at=happened_at,
        reason=reason.strip()[:400],
        token=token,
        **ends,
    )


def _ends(side: str, place: Place | None, unit: Unit | None) -> dict[str, Any]:
    if (place is None) == (unit is None):
        raise StockError("stock.one_spot", _("Say where: in one place, or aboard one unit."))
    return {f"{side}_place": place} if place is not None else {f"{side}_unit": unit}


def checked_qty(qty: Decimal | int, item: Item, *, may_be_zero: bool = False) -> Decimal:
    """A quantity the ledger can hold: positive, at most three decimals, whole for pieces, one for a serial."""
    try:
        value = Decimal(qty)
        exact = value.quantize(THOUSANDTH)
        if not value.is_finite():
            raise InvalidOperation
    except (InvalidOperation, TypeError, ValueError):
        raise StockError("stock.no_number", _("The quantity is not a number that can be booked.")) from None
    if value < 0 or (value == 0 and not may_be_zero):
        raise StockError("stock.not_positive", _("The quantity must be more than 0."))
    if value > LARGEST:
        raise StockError("stock.too_large", _("The quantity is too large: check the unit it is counted in."))
    if value != exact:
        raise StockError("stock.too_fine", _("The quantity has more than three decimals: round it."))
    if item.whole and value != value.to_integral_value():
        raise StockError(
            "stock.whole_pieces",
            _("{item} is counted in whole pieces: {qty} cannot be booked."),
            item=item.name,
            qty=f"{value.normalize():f}",
        )
    if item.serialised and value > 1:
        raise StockError(
            "stock.one_piece_per_serial",
            _("Each piece of {item} has a serial: book one lot of one piece for each."),
            item=item.name,
        )
    return exact


def refuse_unusable(lot: Lot, where: Place | Unit, happened_at: datetime) -> None:
    """A lot may go aboard or into a position only if it is known to be good on that day."""
    day = day_at(where, happened_at)
    hindrance = lot_hindrance(
        status=lot.status,
        expires_on=lot.expires_on,
        no_expiry=lot.no_expiry,
        dated=lot.item.dated,
        day=day,
    )
    if hindrance:
        raise LotNotUsable(
            f"lot.{hindrance}",
            UNUSABLE[hindrance],
            item=lot.item.name,
            lot=lot.code,
            day=day.isoformat(),
            expires=lot.expires_on.isoformat() if lot.expires_on else "-",
        )


UNUSABLE = {
    "recalled": _("{item}, lot {lot}, is recalled: send it back or scrap it, and take another lot."),
    "quarantine": _("{item}, lot {lot}, is in quarantine: release the lot first, or take another one."),
    "expired": _("{item}, lot {lot}, was good through {expires}: on {day} it is expired. Take another lot."),
    "expiry_unknown": _(
        "The expiry date of {item}, lot {lot}, is not known: write the date on the lot, or that it has none, "
        "then issue it."
    ),
}


def refuse_future(moment: datetime, now: datetime) -> None:
    if moment.tzinfo is None:
        raise ValueError("instants are aware")
    if moment > now + CLOCK_SLACK:
        raise StockError(
            "stock.in_future",
            _("{when} has not come yet (UTC). Check the date and the time."),
            when=f"{moment:%Y-%m-%d %H:%M}",
        )


def refuse_no_reason(reason: str) -> None:
    if not reason.strip():
        raise StockError("stock.no_reason", _("Say why, in a few words: others will read it."))


def deployment_of(
    unit: Unit, happened_at: datetime, where: Place | None, given: Deployment | None = None
) -> Deployment | None:
    """The deployment a movement of a unit belongs to: the one given, else the one the unit was on that day."""
    if given is not None:
        if given.unit_id != unit.pk:
            raise StockError(
                "stock.other_deployment",
                _("Deployment {deployment} is of unit {other}, not of {unit}."),
                deployment=given.code,
                other=str(given.unit),
                unit=str(unit),
            )
        return given
    day = day_at(where or unit, happened_at)
    running = Deployment.objects.filter(unit=unit, started_on__lte=day).exclude(ended_on__lt=day)
    return running.order_by("-started_on").first()


def said_qty(movement: Movement) -> str:
    return qty_words(movement.qty, movement.lot.item)
