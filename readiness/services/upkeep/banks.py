"""Looks at a bank: readings, tests, and how it is connected."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, SupplyState, User
from fleet.services.corrections import check_for
from fleet.services.records import (
    birth_of_bank,
    check_moment,
    local_day,
    moment_or_now,
    save_record,
    written_once,
)
from fleet.services.versions import save_versioned
from readiness.models import BankTest, Reading
from readiness.services.checks import check_bank_test, check_reading


def reading_record(
    *,
    bank: BatteryBank,
    happened_at: datetime,
    actor: User | None,
    kind: str = Reading.Kind.VOLTAGE,
    volts_v: float | None = None,
    gravity_sg: float | None = None,
    meter_soc: float | None = None,
    temp_c: float | None = None,
    rest_h: float | None = None,
    lowest_block_v: float | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> Reading:
    """Writes a reading down. One that had not rested is kept too; `reading_doubts` says why it will not be used."""
    instant = moment_or_now(now)

    def write() -> Reading:
        row = Reading(
            bank=bank,
            happened_at=happened_at,
            kind=kind,
            volts_v=volts_v,
            gravity_sg=gravity_sg,
            meter_soc=meter_soc,
            temp_c=temp_c,
            rest_h=rest_h,
            lowest_block_v=lowest_block_v,
            note=note,
            token=token,
        )
        _check_reading(row, instant)
        return save_record(row, action="reading.record", actor=actor, now=instant)

    return written_once(Reading, token, write)


@check_for(Reading)
def _check_reading(row: Reading, now: datetime) -> None:
    check_reading(row, now=now, birth=birth_of_bank(row.bank, row.happened_at))


def bank_test_record(
    *,
    bank: BatteryBank,
    kind: str,
    happened_at: datetime,
    actor: User | None,
    capacity_ah: float | None = None,
    worst_ratio: float | None = None,
    temp_c: float | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> BankTest:
    """Writes down a capacity test [Ah] or an ohmic test (worst block against its own baseline, 1 = unchanged)."""
    instant = moment_or_now(now)

    def write() -> BankTest:
        row = BankTest(
            bank=bank,
            kind=kind,
            happened_at=happened_at,
            capacity_ah=capacity_ah,
            worst_ratio=worst_ratio,
            temp_c=temp_c,
            note=note,
            token=token,
        )
        _check_bank_test(row, instant)
        return save_record(row, action="bank_test.record", actor=actor, now=instant)

    return written_once(BankTest, token, write)


@check_for(BankTest)
def _check_bank_test(row: BankTest, now: datetime) -> None:
    check_bank_test(row, now=now, birth=birth_of_bank(row.bank, row.happened_at))


def supply_state_record(
    *,
    bank: BatteryBank,
    kind: str,
    happened_at: datetime,
    actor: User | None,
    check_interval_days: int | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> SupplyState:
    """Says how a bank is connected from then on; the same kind again is the proof that it still is."""
    instant = moment_or_now(now)

    def write() -> SupplyState:
        row = SupplyState(
            bank=bank,
            kind=kind,
            happened_at=happened_at,
            check_interval_days=check_interval_days,
            token=token,
        )
        _check_supply_state(row, instant)
        return save_record(row, action="supply_state.record", actor=actor, now=instant)

    return written_once(SupplyState, token, write)


@check_for(SupplyState)
def _check_supply_state(row: SupplyState, now: datetime) -> None:
    check_moment(row.happened_at, now=now, birth=birth_of_bank(row.bank, row.happened_at))
    if row.kind == SupplyState.Kind.FLOAT and not row.check_interval_days:
        raise DomainError(
            "supply_state.no_interval",
            _("Say after how many days the float must be looked at again: it is believed only that long."),
        )


def connection_record(
    *,
    bank: BatteryBank,
    kind: str,
    happened_at: datetime,
    actor: User | None,
    seen_version: int,
    check_interval_days: int | None = None,
    standby_ma: float | None = None,
    measured_on: date | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> SupplyState:
    """How a bank is connected and, if measured, what its standby loads draw [mA]: both are on file, or neither.

    `measured_on` None: today at the bank's depot. Raises Conflict if someone else changed the bank after `seen_version`.
    """
    instant = moment_or_now(now)
    today = local_day(instant, birth_of_bank(bank, happened_at).zone)
    if measured_on is not None and measured_on > today:
        raise DomainError(
            "supply_state.measured_in_future",
            _("{day} has not come yet: the draw cannot have been measured then. Check the date."),
            day=measured_on.isoformat(),
        )
    with transaction.atomic():
        already = token is not None and SupplyState.objects.filter(token=token).exists()
        row = supply_state_record(
            bank=bank,
            kind=kind,
            happened_at=happened_at,
            check_interval_days=check_interval_days,
            actor=actor,
            token=token,
            now=now,
        )
        if standby_ma is not None and not already:
            save_versioned(
                instance=bank,
                seen_version=seen_version,
                changes={"standby_ma": standby_ma, "standby_measured_on": measured_on or today},
                actor=actor,
                action="bank.standby",
            )
        return row
