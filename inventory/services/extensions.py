"""The life of one lot made longer by a test, and that taken back. Until a test says so, an expired lot is expired."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.models import User
from fleet.services.audit import audit_record
from fleet.services.records import check_row, locked, moment_or_now, written_once
from inventory.domain.errors import StockError
from inventory.models import LifeExtension, Lot
from inventory.services.lots import lot_changed
from inventory.services.posting import lock_lots
from inventory.services.stock import refuse_no_reason


def lot_extend(
    *,
    lot: Lot,
    to_expires_on: date,
    tested_on: date,
    paper: str,
    signer: str,
    today: date,
    actor: User | None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> LifeExtension:
    """Gives a lot its later date. Only for items marked extendable, with test paper and signer; units are judged again."""
    instant = moment_or_now(now)

    def write() -> LifeExtension:
        row = lock_lots([lot.pk])[lot.pk]
        _refuse(row, to_expires_on, tested_on, today)
        assert row.expires_on is not None
        made = LifeExtension(
            lot=row,
            from_expires_on=row.expires_on,
            to_expires_on=to_expires_on,
            tested_on=tested_on,
            paper=paper.strip()[:200],
            signer=signer.strip()[:120],
            happened_at=instant,
            recorded_at=instant,
            recorded_by=actor,
            token=token,
        )
        check_row(made)
        made.save(force_insert=True)
        _set_date(row, to_expires_on)
        audit_record(
            actor=actor,
            action="lot.extend",
            subject=row,
            before={"expires_on": made.from_expires_on},
            after={
                "expires_on": to_expires_on,
                "tested_on": tested_on,
                "paper": made.paper,
                "signer": made.signer,
            },
        )
        return made

    return written_once(LifeExtension, token, write)


def lot_extension_withdraw(
    *, extension: LifeExtension, reason: str, actor: User | None, now: datetime | None = None
) -> LifeExtension:
    """The earlier date counts again at once. Refused when a later extension or correction stands upon it."""
    refuse_no_reason(reason)
    with transaction.atomic():
        row = lock_lots([extension.lot_id])[extension.lot_id]
        made: LifeExtension = locked(extension)
        if made.withdrawn_at is not None:
            return made
        if row.expires_on != made.to_expires_on:
            raise StockError(
                "lot.date_moved_on",
                _("The date of the lot was changed again since, to {day}: take that back first."),
                day=str(row.expires_on),
            )
        made.withdrawn_at, made.withdrawn_by = moment_or_now(now), actor
        made.withdrawn_reason = reason.strip()[:400]
        made.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_reason"])
        _set_date(row, made.from_expires_on)
        audit_record(
            actor=actor,
            action="lot.extension_withdrawn",
            subject=row,
            before={"expires_on": made.to_expires_on},
            after={"expires_on": made.from_expires_on},
            note=reason,
        )
        return made


def _refuse(lot: Lot, to_expires_on: date, tested_on: date, today: date) -> None:
    if not lot.item.extendable:
        raise StockError(
            "lot.not_extendable",
            _(
                "{item} is not marked as extendable by test: an expired lot of it is scrapped, whatever a test says."
            ),
            item=lot.item.name,
        )
    if lot.expires_on is None:
        raise StockError(
            "lot.nothing_to_extend",
            _("Lot {lot} has no expiry date on file: write that down first."),
            lot=lot.code,
        )
    if lot.status == Lot.Status.RECALLED:
        raise StockError(
            "lot.recalled_stays", _("Lot {lot} is recalled: its life cannot be extended."), lot=lot.code
        )
    if tested_on > today or to_expires_on <= today:
        raise StockError(
            "lot.test_dates",
            _(
                "The test of {tested} must have been made, and the new date, {day}, must lie ahead. Check both dates."
            ),
            tested=tested_on.isoformat(),
            day=to_expires_on.isoformat(),
        )


def _set_date(lot: Lot, day: date) -> None:
    lot.expires_on = day
    lot.version += 1
    lot.save(update_fields=["expires_on", "version", "updated_at"])
    lot_changed(lot)
