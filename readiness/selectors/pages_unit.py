"""Everything the page of one unit shows, in a fixed number of queries whatever the unit has been through."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q
from django.utils import timezone

from fleet.models import (
    Attachment,
    AuditEntry,
    BankStay,
    BatteryBank,
    Certificate,
    DayLog,
    Leg,
    Modification,
    SupplyState,
    Unit,
    UnitStay,
    Weighing,
    WetState,
)
from fleet.selectors.changes import LINES, changes_of, named
from inventory.models import (
    Balance,
    DesignItem,
    FittedPart,
    GoodsCheck,
    GoodsLine,
    GoodsListCheck,
    PartDebt,
)
from inventory.selectors.part_use import UseRow, use_of_parts
from inventory.selectors.parts import parts_fitted
from inventory.selectors.spots import day_at
from readiness.models import (
    Alert,
    BankState,
    BankTest,
    Charge,
    Fault,
    Inspection,
    InspectionType,
    Reading,
    Task,
)

HISTORY_SHOWN = 15
RECORDS_READ = 400


@dataclass(frozen=True)
class BankView:
    """One bank in its position, with its state as last computed and its records, latest first."""

    position: str
    bank: BatteryBank
    state: BankState | None
    readings: tuple[Reading, ...] = ()
    charges: tuple[Charge, ...] = ()
    supply: SupplyState | None = None

    @property
    def open_charge(self) -> Charge | None:
        return next((charge for charge in self.charges if charge.counts and charge.ended_at is None), None)

    @property
    def last_reading(self) -> Reading | None:
        return next((reading for reading in self.readings if reading.counts), None)


@dataclass(frozen=True)
class Event:
    """One record of the unit's history: what kind, when, the row itself."""

    kind: str
    row: Any

    @property
    def at(self) -> Any:
        """When it happened; an absence begins when the unit left, a leg when it departed."""
        if self.kind == "absence":
            return self.row.started_at
        if self.kind == "leg":
            return self.row.departed_at or self.row.arrived_at
        return self.row.happened_at


@dataclass(frozen=True)
class UnitPage:
    unit: Unit
    stay: UnitStay | None
    banks: tuple[BankView, ...]
    alerts: tuple[Alert, ...]
    tasks: tuple[Task, ...]
    faults: tuple[Fault, ...]
    certificates: tuple[Certificate, ...]
    attachments: tuple[Attachment, ...]
    parts: tuple[FittedPart, ...]
    part_use: tuple[UseRow, ...]
    kit: tuple[Balance, ...]
    bill: tuple[DesignItem, ...]
    debts: tuple[PartDebt, ...]
    history: tuple[Event, ...]
    history_total: int
    audit: tuple[AuditEntry, ...] = field(default_factory=tuple)


def bank_views(unit: Unit) -> tuple[BankView, ...]:
    """The banks in the unit now. Four queries."""
    stays = list(
        BankStay.objects.current()
        .filter(unit=unit)
        .select_related("bank", "bank__state")
        .order_by("position")
    )
    banks = [stay.bank for stay in stays]
    readings = _by_bank(Reading.objects.filter(bank__in=banks).select_related("recorded_by"))
    charges = _by_bank(Charge.objects.filter(bank__in=banks).select_related("recorded_by", "place"))
    supplies = _by_bank(SupplyState.objects.filter(bank__in=banks).counting())
    return tuple(
        BankView(
            position=stay.position,
            bank=stay.bank,
            state=getattr(stay.bank, "state", None),
            readings=tuple(readings.get(stay.bank_id, ())),
            charges=tuple(charges.get(stay.bank_id, ())),
            supply=next(iter(supplies.get(stay.bank_id, ())), None),
        )
        for stay in stays
    )


def _by_bank(rows: Any) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in rows.order_by("-happened_at", "-pk")[:RECORDS_READ]:
        found.setdefault(row.bank_id, []).append(row)
    return found


def unit_page(unit: Unit, *, now: dt.datetime, whole_history: bool = False) -> UnitPage:
    """Reads the page of a unit whose design and home are loaded."""
    parts = parts_fitted(unit)
    banks = bank_views(unit)
    faults = list(
        unit.faults.select_related("recorded_by", "part_item").order_by("-happened_at")[:RECORDS_READ]
    )
    papers = list(
        unit.certificates.select_related("file", "recorded_by").order_by("kind", "-issued_on")[:RECORDS_READ]
    )
    history = _history(unit, banks, faults, papers)
    shown = tuple(history if whole_history else history[:HISTORY_SHOWN])
    return UnitPage(
        unit=unit,
        stay=UnitStay.objects.current().filter(unit=unit).select_related("place", "absence").first(),
        banks=banks,
        alerts=tuple(
            Alert.objects.filter(about_unit=unit, cleared_at__isnull=True)
            .select_related(
                "about_unit",
                "about_unit__home",
                "depot",
                "taken_by",
                "acknowledged_by",
                "bank",
                "certificate",
                "lot",
                "lot__item",
                "item",
                "place",
            )
            .order_by("-cost_of_delay", "due_on", "pk")
        ),
        tasks=tuple(unit.tasks.filter(state=Task.State.OPEN).select_related("taken_by")),
        faults=tuple(fault for fault in faults if fault.counts and fault.closed_at is None),
        certificates=tuple(paper for paper in papers if paper.counts),
        attachments=tuple(unit.attachments.order_by("-added_at")[:50]),
        parts=tuple(parts),
        part_use=tuple(use_of_parts(parts, as_of=now)),
        kit=tuple(
            Balance.objects.filter(unit=unit, qty__gt=0)
            .select_related("lot", "lot__item")
            .order_by("lot__item__name", "lot__expires_on")
        ),
        bill=tuple(
            unit.design.bill.valid_on(day_at(unit, now))
            .select_related("item")
            .order_by("purpose", "position")
        ),
        debts=tuple(
            PartDebt.objects.filter(
                Q(owed_to=unit) | Q(given_to=unit), settled_at__isnull=True
            ).select_related("owed_to", "given_to", "item", "bank")
        ),
        history=shown,
        history_total=len(history),
        audit=changes_of(
            named([unit, *(view.bank for view in banks), *(event.row for event in shown)]),
            unit=unit,
            most=10 * LINES if whole_history else LINES,
        ),
    )


def _history(
    unit: Unit, banks: Sequence[BankView], faults: Sequence[Fault], papers: Sequence[Certificate]
) -> list[Event]:
    """Records of the unit and of the banks in it, latest first; what was struck out stays in."""
    keys = [view.bank.pk for view in banks]
    events = [Event("reading", row) for view in banks for row in view.readings]
    events += [Event("charge", row) for view in banks for row in view.charges]
    events += [Event("fault", row) for row in faults]
    events += [Event("certificate", row) for row in papers]
    away = unit.absences.select_related("place").order_by("-started_at")[:RECORDS_READ]
    events += [Event("absence", row) for row in away]
    legs = Leg.objects.filter(deployment__unit=unit).select_related("deployment", "origin", "destination")
    begun = legs.exclude(departed_at=None, arrived_at=None).order_by("-departed_at")[:RECORDS_READ]
    events += [Event("leg", row) for row in begun]
    for kind, rows in (
        ("inspection", Inspection.objects.filter(unit=unit).select_related("type", "recorded_by")),
        ("bank-test", BankTest.objects.filter(bank__in=keys).select_related("recorded_by", "bank")),
        ("supply-state", SupplyState.objects.filter(bank__in=keys).select_related("recorded_by", "bank")),
        ("modification", Modification.objects.filter(unit=unit).select_related("recorded_by")),
        ("weighing", Weighing.objects.filter(unit=unit).select_related("recorded_by")),
        (
            "day-log",
            DayLog.objects.filter(deployment__unit=unit).select_related("recorded_by", "deployment"),
        ),
        ("wet-state", WetState.objects.filter(unit=unit).select_related("recorded_by")),
        ("goods-line", GoodsLine.objects.filter(unit=unit).select_related("recorded_by")),
        (
            "goods-check",
            GoodsCheck.objects.filter(unit=unit).select_related("recorded_by", "bank", "line"),
        ),
        ("goods-list", GoodsListCheck.objects.filter(unit=unit).select_related("recorded_by")),
    ):
        events += [Event(kind, row) for row in rows.order_by("-happened_at")[:RECORDS_READ]]
    return sorted(events, key=lambda event: (event.at, event.row.pk), reverse=True)


def inspection_types_for(unit: Unit) -> list[InspectionType]:
    """The inspections meant for this design, or for every design."""
    return list(
        InspectionType.objects.filter(
            Q(designs=unit.design) | Q(designs__isnull=True), active_to__isnull=True
        ).distinct()
    )


def part_stock(unit: Unit) -> dict[str, Any]:
    """What the form to fit a part needs: the bill, what is fitted, the lots at hand for a position. Three queries."""
    bill = list(
        unit.design.bill.valid_on(day_at(unit, timezone.now()))
        .filter(purpose="fitted")
        .select_related("item")
        .order_by("position")
    )
    items = {line.item_id for line in bill}
    stock = (
        Balance.objects.filter(
            Q(unit=unit) | Q(place=unit.home), qty__gt=0, lot__item__in=items, lot__status="good"
        )
        .select_related("lot__item", "place")
        .order_by("place", "lot__item__name", "lot__expires_on")
    )
    return {"unit": unit, "bill": bill, "fitted": parts_fitted(unit), "stock": list(stock)}
