"""Lots: made known, put in quarantine, recalled, released, and their dates corrected. Each change is audited."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.models import Place, User
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from fleet.services.records import check_row
from fleet.services.versions import save_versioned
from inventory.domain.errors import StockError
from inventory.models import FundingSource, Item, Lot, Movement
from inventory.selectors.stock import units_with_lot
from inventory.services.posting import lock_lots
from inventory.services.stock import refuse_no_reason, stock_receive
from inventory.services.store_changes import lot_in_stores, stores_changed

STATUS_ACTIONS = {
    Lot.Status.QUARANTINE: "lot.quarantine",
    Lot.Status.RECALLED: "lot.recall",
    Lot.Status.GOOD: "lot.release",
}


def lot_create(
    *,
    item: Item,
    code: str,
    actor: User | None,
    expires_on: date | None = None,
    no_expiry: bool = False,
    made_on: date | None = None,
    serial: str = "",
    funding: FundingSource | None = None,
    note: str = "",
) -> Lot:
    """Makes a lot known, or returns the one on file with the same code if its dates are the same.

    An expiry date that is not known may be left empty; the lot then cannot be issued until it is.
    """
    code, serial = code.strip(), serial.strip()
    if not code and not serial:
        raise StockError("lot.no_code", _("Write the lot number as it stands on the package."))
    if item.serialised and not serial:
        raise StockError(
            "lot.no_serial",
            _(
                "Each piece of {item} has a serial: write it.",
            ),
            item=item.name,
        )
    if expires_on is not None and no_expiry:
        raise StockError(
            "lot.expiry_twice", _("Either the lot has an expiry date, or it has none: not both.")
        )
    values = {
        "expires_on": expires_on,
        "no_expiry": no_expiry,
        "made_on": made_on,
        "serial": serial,
    }
    with transaction.atomic():
        there = Lot.objects.filter(item=item, code=code or serial).first()
        if there is not None:
            return _same_or_refused(there, values)
        lot = Lot(item=item, code=code or serial, funding=funding, note=note[:400], **values)
        check_row(lot)
        try:
            with transaction.atomic():
                lot.save(force_insert=True)
        except IntegrityError:
            return _same_or_refused(Lot.objects.get(item=item, code=code or serial), values)
        audit_record(
            actor=actor, action="lot.create", subject=lot, after={"item": item, "code": lot.code, **values}
        )
        return lot


def lot_receive(
    *,
    lot_fields: Mapping[str, Any],
    qty: Decimal | int,
    place: Place,
    happened_at: datetime,
    actor: User | None,
    token: UUID | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> Movement:
    """Books a delivery; its lot is made known first if it is new. Both or neither."""
    with transaction.atomic():
        lot = lot_create(actor=actor, **lot_fields)
        return stock_receive(
            lot=lot,
            qty=qty,
            place=place,
            happened_at=happened_at,
            actor=actor,
            token=token,
            reason=reason,
            now=now,
        )


def lot_quarantine(*, lot: Lot, reason: str, actor: User | None) -> Lot:
    """Puts a lot apart: it may be counted, moved between places and scrapped, but not issued or fitted."""
    return lot_set_status(lot=lot, status=Lot.Status.QUARANTINE, reason=reason, actor=actor)


def lot_set_status(*, lot: Lot, status: str, reason: str, actor: User | None) -> Lot:
    """Quarantine, recall or release of a lot everywhere at once; units that have it are computed again."""
    refuse_no_reason(reason)
    with transaction.atomic():
        row = lock_lots([lot.pk])[lot.pk]
        if row.status == status:
            return row
        before = row.status
        row.status = status
        row.version += 1
        row.save(update_fields=["status", "version", "updated_at"])
        audit_record(
            actor=actor,
            action=STATUS_ACTIONS[Lot.Status(status)],
            subject=row,
            before={"status": before},
            after={"status": status},
            note=reason,
        )
        lot_changed(row)
        return row


def lots_stop(*, lots: Sequence[Lot], status: str, reason: str, actor: User | None) -> int:
    """Recalls, or puts in quarantine, all of these lots in one step, all or none; returns how many were changed.

    A recalled lot is not made less than that by a quarantine.
    """
    refuse_no_reason(reason)
    if status not in (Lot.Status.QUARANTINE, Lot.Status.RECALLED):
        raise ValueError(f"a lot is not stopped by: {status}")
    with transaction.atomic():
        rows = lock_lots([lot.pk for lot in lots]).values()
        passed_over = {status, Lot.Status.RECALLED}
        changed = [row for row in rows if row.status not in passed_over]
        for row in changed:
            lot_set_status(lot=row, status=status, reason=reason, actor=actor)
        return len(changed)


def lot_update(
    *, lot: Lot, seen_version: int, changes: Mapping[str, Any], actor: User | None, note: str = ""
) -> Lot:
    """Corrects dates, serial, funding or note of a lot; raises Conflict if someone else saved in between."""
    allowed = {"expires_on", "no_expiry", "made_on", "serial", "funding", "note"}
    if unknown := set(changes) - allowed:
        raise ValueError(f"not to be changed here: {', '.join(sorted(unknown))}")

    def check(row: Lot) -> None:
        if row.expires_on is not None and row.no_expiry:
            raise StockError(
                "lot.expiry_twice", _("Either the lot has an expiry date, or it has none: not both.")
            )

    with transaction.atomic():
        saved = save_versioned(
            instance=lot,
            seen_version=seen_version,
            changes=changes,
            actor=actor,
            action="lot.update",
            note=note,
            check=check,
        )
        lot_changed(saved)
        return saved


def lot_changed(lot: Lot) -> None:
    """Units that have some of it are judged again, and those that would take it from a store."""
    units = units_with_lot(lot)
    units_changed(units)
    stores_changed(lot_in_stores(lot), told=units)


def _same_or_refused(there: Lot, values: dict[str, Any]) -> Lot:
    differing = [name for name, value in values.items() if getattr(there, name) != value]
    if not differing:
        return there
    raise StockError(
        "lot.exists",
        _(
            "Lot {code} of {item} is on file with other dates (expires {expires}). Correct the lot on file, or use "
            "the lot number that stands on this package."
        ),
        code=there.code,
        item=there.item.name,
        expires=there.expires_on.isoformat() if there.expires_on else "-",
    )
