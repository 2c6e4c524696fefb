"""Earliest expiry first, at the shelf: another lot may be taken, but whoever takes it says why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import Deployment, Place, Unit
from inventory.domain.errors import StockError
from inventory.models import Lot
from inventory.selectors.stock import balances_at, usable_on
from inventory.services.funding import funding_error

OUT_OF_TURN = "Out of turn"
OUTSIDE_LIMITS = "Outside the limits of its money"


def lot_in_turn(lot: Lot, place: Place, day: date) -> Lot | None:
    """The lot of the item in that place that expires before this one and is usable on `day`; None: its turn."""
    rows = balances_at(place, item=lot.item).filter(usable_on(day), lot__expires_on__isnull=False)
    if lot.expires_on is not None:
        rows = rows.filter(lot__expires_on__lt=lot.expires_on)
    row = rows.exclude(lot=lot).order_by("lot__expires_on", "lot_id").first()
    return row.lot if row else None


def reason_for_pick(
    *, lot: Lot, place: Place, unit: Unit, happened_on: date, lasts_through: date, reason: str
) -> str:
    """The reason as the ledger keeps it. Refused without one: a lot out of turn, or outside the limits of its money.

    A lot that expires before `lasts_through` is not waited for. What is expired, in quarantine or recalled is refused by the
    ledger itself, whatever the reason. Money counts where the unit is: the site of its deployment, else its depot.
    """
    marks = []
    error = _money_error(lot, unit, happened_on)
    if error is not None:
        if not reason.strip():
            raise StockError(
                error.key,
                _("{problem} Take another lot, or write in the note why lot {lot} is taken."),
                problem=error.sentence,
                lot=lot.serial or lot.code,
            )
        marks.append(OUTSIDE_LIMITS)
    first = lot_in_turn(lot, place, lasts_through)
    if first is not None:
        if not reason.strip():
            raise StockError(
                "stock.out_of_turn",
                _(
                    "Lot {first} of {item} expires first, on {expires}, and lies in {place} as well. Take that one, or "
                    "write in the note why lot {lot} is taken."
                ),
                first=first.serial or first.code,
                item=lot.item.name,
                expires=str(first.expires_on),
                place=str(place),
                lot=lot.serial or lot.code,
            )
        marks.append(OUT_OF_TURN)
    return ": ".join(filter(None, [", ".join(marks), reason.strip()]))[:400]


def reason_for_money(*, lots: Sequence[Lot], unit: Unit, happened_on: date, reason: str) -> str:
    """The reason as the ledger keeps it for lots taken in turn. Refused without one: any of them outside its limits."""
    for lot in lots:
        error = _money_error(lot, unit, happened_on)
        if error is None:
            continue
        if not reason.strip():
            raise StockError(
                error.key,
                _("{problem} Take another lot, or write in the note why lot {lot} is taken."),
                problem=error.sentence,
                lot=lot.serial or lot.code,
            )
        return f"{OUTSIDE_LIMITS}: {reason.strip()}"[:400]
    return reason


def _money_error(lot: Lot, unit: Unit, day: date) -> DomainError | None:
    """At most two queries; none for a lot without a source."""
    if lot.funding is None:
        return None
    running = Deployment.objects.filter(unit=unit, started_on__lte=day).exclude(ended_on__lt=day)
    away = running.select_related("site").order_by("-started_on").first()
    where = away.site if away is not None and away.site is not None else unit.home
    return funding_error(lot.funding, day=day, country=where.country, where=str(where))
