"""What the page of one battery bank shows, and the list of banks, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet, Subquery

from fleet.models import (
    AuditEntry,
    BankStay,
    BankTransport,
    BatteryBank,
    BatteryBlock,
    BlockStay,
    Place,
    SupplyState,
)
from fleet.permissions import bank_stay_shown
from fleet.selectors.changes import LINES, changes_of, named
from readiness.models import BankState, BankTest, Charge, Reading
from readiness.selectors.pages_unit import HISTORY_SHOWN, RECORDS_READ, Event
from readiness.selectors.pages_units import current_state, units_with_verdicts


@dataclass(frozen=True)
class BankPage:
    """`stay` is where it is, or was last; `blocks` are in it now, `blocks_before` were; each knows all its stays.

    `state` is what may be shown of its charge, `last_state` what was worked out last, however long ago.
    """

    bank: BatteryBank
    stay: BankStay | None
    state: BankState | None
    last_state: BankState | None
    supply: SupplyState | None
    open_charge: Charge | None
    last_reading: Reading | None
    stays: tuple[BankStay, ...]
    blocks: tuple[BlockStay, ...]
    blocks_before: tuple[BlockStay, ...]
    history: tuple[Event, ...]
    history_total: int
    audit: tuple[AuditEntry, ...] = ()
    transport: BankTransport | None = None

    @property
    def on_shelf(self) -> bool:
        return self.stay is not None and self.stay.ended_at is None and self.stay.unit_id is None


def bank_page(bank: BatteryBank, *, now: dt.datetime, whole_history: bool = False) -> BankPage:
    readings = _latest(bank, Reading.objects.select_related("recorded_by"))
    charges = _latest(bank, Charge.objects.select_related("recorded_by", "place"))
    supplies = _latest(bank, SupplyState.objects.select_related("recorded_by"))
    tests = _latest(bank, BankTest.objects.select_related("recorded_by"))
    events = [Event("reading", row) for row in readings]
    events += [Event("charge", row) for row in charges]
    events += [Event("supply-state", row) for row in supplies]
    events += [Event("bank-test", row) for row in tests]
    events.sort(key=lambda event: (event.at, event.row.pk), reverse=True)
    shown = events if whole_history else events[:HISTORY_SHOWN]
    block_stays = _block_stays(bank)
    blocks = {stay.block_id: stay.block for stay in block_stays}
    stay = bank_stay_shown(bank)
    state = BankState.objects.filter(bank=bank).first()
    transport = BankTransport.objects.filter(bank=bank).first()
    facts = [bank, *([transport] if transport else [])]
    return BankPage(
        bank=bank,
        stay=stay,
        state=current_state(state, _current_from(stay, now)),
        last_state=state,
        supply=next((row for row in supplies if row.counts), None),
        open_charge=next((row for row in charges if row.counts and row.ended_at is None), None),
        last_reading=next((row for row in readings if row.counts), None),
        stays=tuple(bank.stays.select_related("unit", "place").order_by("-started_at")),
        blocks=tuple(stay for stay in block_stays if stay.ended_at is None),
        blocks_before=tuple(stay for stay in block_stays if stay.ended_at is not None),
        history=tuple(shown),
        history_total=len(events),
        audit=changes_of(
            named([*facts, *blocks.values(), *(event.row for event in shown)]),
            most=10 * LINES if whole_history else LINES,
        ),
        transport=transport,
    )


def _current_from(stay: BankStay | None, now: dt.datetime) -> dt.date | None:
    """First day as of which the charge of a bank may be shown; None while the verdict of its unit may not be."""
    if stay is None or stay.unit is None or stay.ended_at is not None:
        return None
    unit = units_with_verdicts(now=now, depots=[stay.unit.home]).filter(pk=stay.unit_id).first()
    return None if unit is None or unit.why_undecided else unit.day_due


def _latest(bank: BatteryBank, rows: QuerySet[Any]) -> list[Any]:
    return list(rows.filter(bank=bank).order_by("-happened_at", "-pk")[:RECORDS_READ])


def _block_stays(bank: BatteryBank) -> list[BlockStay]:
    """The stays of blocks in this bank by position, each block with all it went through. Two queries."""
    everywhere = BlockStay.objects.select_related("bank", "place").order_by("-started_at")
    return list(
        bank.block_stays.select_related("block")
        .prefetch_related(Prefetch("block__stays", queryset=everywhere))
        .order_by("position", "-started_at")
    )


def blocks_in(bank: BatteryBank) -> list[BatteryBlock]:
    """The blocks that are in a bank now, by position."""
    stays = BlockStay.objects.current().filter(bank=bank).select_related("block").order_by("position")
    return [stay.block for stay in stays]


def block_stay_now(block: BatteryBlock) -> BlockStay | None:
    """Where a block is now."""
    return BlockStay.objects.current().filter(block=block).select_related("bank", "place").first()


def open_charge_of(bank: BatteryBank) -> Charge | None:
    return Charge.objects.counting().filter(bank=bank, ended_at__isnull=True).select_related("bank").first()


def banks_listed(*, depot: Place | None, shelves_only: bool) -> QuerySet[BankStay]:
    """Where each bank in service is now, with its latest reading and whether it is on charge. One query."""
    stays = BankStay.objects.current().filter(bank__retired_on__isnull=True)
    if shelves_only:
        stays = stays.filter(place__isnull=False)
    if depot is not None:
        stays = stays.filter(Q(place=depot) | Q(unit__home=depot))
    readings = Reading.objects.counting().filter(bank=OuterRef("bank")).order_by("-happened_at")
    charges = Charge.objects.counting().filter(bank=OuterRef("bank"), ended_at__isnull=True)
    found: QuerySet[BankStay] = (
        stays.select_related("bank", "bank__state", "unit", "unit__home", "place")
        .annotate(read_at=Subquery(readings.values("happened_at")[:1]), charging=Exists(charges))
        .order_by("bank__serial")
    )
    return found
