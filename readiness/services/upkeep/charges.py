"""Charges of a bank: begun, ended, or written down whole afterwards."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, Place, User
from fleet.services.corrections import check_for
from fleet.services.records import (
    birth_of_bank,
    check_row,
    facts,
    locked,
    moment_or_now,
    note_change,
    said,
    save_record,
    written_once,
)
from readiness.models import Charge
from readiness.services.checks import check_charge

# Two taps on 'stop' come within this time of each other; a later one is a second opinion and is refused.
ONE_TAP = timedelta(minutes=2)


def charge_start(
    *,
    bank: BatteryBank,
    happened_at: datetime,
    actor: User | None,
    purpose: str = Charge.Purpose.MAINTENANCE,
    planned_end_at: datetime | None = None,
    bay: str = "",
    place: Place | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> Charge:
    """Begins a charge; it stays open until `charge_stop`. A bank has one open charge at most."""
    return _write_charge(
        Charge(
            bank=bank,
            happened_at=happened_at,
            purpose=purpose,
            planned_end_at=planned_end_at,
            bay=bay,
            place=place,
            note=note,
            token=token,
        ),
        action="charge.start",
        actor=actor,
        now=moment_or_now(now),
    )


def charge_record(
    *,
    bank: BatteryBank,
    happened_at: datetime,
    ended_at: datetime,
    actor: User | None,
    purpose: str = Charge.Purpose.MAINTENANCE,
    end_sign: str = Charge.EndSign.NONE,
    to_soc: float | None = None,
    ah_in: float | None = None,
    energy_kwh: float | None = None,
    tripped: bool = False,
    bay: str = "",
    place: Place | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> Charge:
    """Writes down a whole charge that is over."""
    return _write_charge(
        Charge(
            bank=bank,
            happened_at=happened_at,
            ended_at=ended_at,
            purpose=purpose,
            end_sign=end_sign,
            to_soc=to_soc,
            ah_in=ah_in,
            energy_kwh=energy_kwh,
            tripped=tripped,
            bay=bay,
            place=place,
            note=note,
            token=token,
        ),
        action="charge.record",
        actor=actor,
        now=moment_or_now(now),
    )


def _write_charge(row: Charge, *, action: str, actor: User | None, now: datetime) -> Charge:
    def write() -> Charge:
        locked(row.bank)
        _check_charge(row, now)
        return save_record(row, action=action, actor=actor, now=now, place=row.place)

    return written_once(Charge, row.token, write)


@check_for(Charge)
def _check_charge(row: Charge, now: datetime) -> None:
    birth = birth_of_bank(row.bank, row.happened_at)
    check_charge(row, now=now, birth=birth)
    others = Charge.objects.counting().filter(bank=row.bank).exclude(pk=row.pk)
    if row.pk is None and row.ended_at is None:
        running = others.filter(ended_at__isnull=True).first()
        if running is not None:
            raise DomainError(
                "charge.already_running",
                _("Bank {bank} is on charge already, since {start}. End that charge first."),
                bank=row.bank.serial,
                start=said(running.happened_at, birth.zone),
            )
    after_start = Q(ended_at__isnull=True) | Q(ended_at__gt=row.happened_at)
    before_end = Q() if row.ended_at is None else Q(happened_at__lt=row.ended_at)
    other = others.filter(after_start & before_end).order_by("happened_at").first()
    if other is not None:
        raise DomainError(
            "charge.overlaps",
            _("Another charge of bank {bank} is on file for that time, begun on {start}. Check both times."),
            bank=row.bank.serial,
            start=said(other.happened_at, birth.zone),
        )


def charge_stop(
    *,
    charge: Charge,
    ended_at: datetime,
    actor: User | None,
    end_sign: str = Charge.EndSign.NONE,
    to_soc: float | None = None,
    ah_in: float | None = None,
    energy_kwh: float | None = None,
    tripped: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> Charge:
    """Ends an open charge. Without an end sign it counts as partial and credits only `ah_in` [Ah]."""
    instant = moment_or_now(now)
    with transaction.atomic():
        row: Charge = locked(charge)
        if row.ended_at is not None:
            if abs(row.ended_at - ended_at) <= ONE_TAP and row.end_sign == end_sign and row.ah_in == ah_in:
                return row
            raise DomainError(
                "charge.ended_already",
                _("This charge ended on {end} already. If that is wrong, correct the record."),
                end=said(row.ended_at, birth_of_bank(row.bank, row.happened_at).zone),
            )
        if not row.counts:
            raise DomainError(
                "charge.struck", _("This charge was struck out or corrected. Look at the bank again.")
            )
        before = facts(row)
        row.ended_at, row.end_sign, row.to_soc = ended_at, end_sign, to_soc
        row.end_recorded_at = instant
        row.ah_in, row.energy_kwh, row.tripped = ah_in, energy_kwh, tripped
        row.note = "; ".join(part for part in (row.note, note) if part)
        check_charge(row, now=instant, birth=birth_of_bank(row.bank, row.happened_at))
        check_row(row)
        row.save()
        note_change(row, action="charge.stop", actor=actor, before=before, after=facts(row), place=row.place)
        return row
