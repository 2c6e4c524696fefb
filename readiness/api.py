"""The documented JSON API of readiness: the same answers as the pages, read through the same selectors and services."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from django.http import HttpRequest
from django.utils import timezone
from ninja import Field, Query, Router, Schema
from ninja.responses import Status

from fleet.lib.errors import DomainError
from fleet.models import BankStay, BatteryBank, Place
from fleet.permissions import require
from fleet.web.api import ApiRefusal, KeyAuth, asked_by
from readiness.models import BankState, Reading
from readiness.selectors.pages_alerts import alerts_of_today
from readiness.selectors.pages_units import current_state, units_with_verdicts
from readiness.selectors.reading_doubts import reading_doubts
from readiness.services.upkeep import reading_record
from readiness.web.matters import reason_of
from readiness.web.verdicts import check_groups, first_reason, why_undecided

router = Router(tags=["readiness"])
READ, WRITE_READINGS = KeyAuth("read"), KeyAuth("readings:write")

Limit = Annotated[int, Query(ge=1, le=500, description="rows in one answer")]
Offset = Annotated[int, Query(ge=0, le=1_000_000, description="rows to pass over")]
REFUSALS: dict[int, Any] = {401: Any, 403: ApiRefusal, 404: ApiRefusal, 422: Any}


class UnitRow(Schema):
    tag: str
    design: str
    depot: str
    outcome: str = Field(description="ready, after_work, blocked or cannot_decide")
    why: str = Field(description="the first thing that stands in the way, or why nothing may be said")
    time_to_ready_h: float | None
    confirmed_on: dt.date | None
    charge_low_soc: float | None = Field(
        description="low end of the weakest bank's charge state, 0..1; null while the verdict may not be shown"
    )
    charge_due_on: dt.date | None
    charge_as_of: dt.date | None = Field(description="the day as of which the charge was last worked out")


class UnitRows(Schema):
    count: int
    units: list[UnitRow]


class CheckRow(Schema):
    name: str
    outcome: str
    sentence: str
    margin: float | None
    margin_unit: str
    source: str
    mend: str


class BankRow(Schema):
    serial: str
    chemistry: str
    position: str
    status: str
    reasons: list[Any]
    soc: float | None
    low_soc: float | None
    high_soc: float | None
    floor_soc: float | None
    floor_on: dt.date | None
    interval_due_on: dt.date | None
    charge_due_on: dt.date | None
    due_by: str
    as_of: dt.date | None


class UnitDetail(UnitRow):
    checks: list[CheckRow]
    banks: list[BankRow]


class AlertRow(Schema):
    id: int
    rule: str
    unit: str | None
    depot: str
    sentence: str
    owner_role: str
    due_on: dt.date | None
    too_late_on: dt.date | None
    work_h: float | None
    cost_of_delay: float
    taken_by: str | None
    raised_at: dt.datetime


class AlertRows(Schema):
    count: int
    alerts: list[AlertRow]


class ReadingIn(Schema):
    happened_at: dt.datetime = Field(description="with its offset from UTC")
    kind: str = Field(default="voltage", description="voltage, gravity or meter")
    volts_v: float | None = Field(default=None, description="voltage of the whole bank [V]")
    gravity_sg: float | None = None
    meter_soc: float | None = Field(default=None, description="0..1")
    temp_c: float | None = None
    rest_h: float | None = None
    lowest_block_v: float | None = None


class ReadingOut(Schema):
    id: int
    bank: str
    happened_at: dt.datetime
    created: bool
    doubts: list[str] = Field(
        description="what a person should know of it; first, whether it will be used at all"
    )


def unit_row(unit: Any) -> dict[str, Any]:
    return {
        "tag": unit.tag,
        "design": unit.design.name,
        "depot": unit.home.code,
        "outcome": unit.shown_outcome,
        "why": why_undecided(unit) or first_reason(unit.shown_result),
        "time_to_ready_h": unit.shown_hours,
        "confirmed_on": unit.shown_day,
        "charge_low_soc": unit.charge_low,
        "charge_due_on": unit.charge_due,
        "charge_as_of": unit.charge_day,
    }


def _listed() -> Any:
    return units_with_verdicts(now=timezone.now(), depots=list(Place.objects.filter(kind=Place.Kind.DEPOT)))


@router.get("/units", auth=READ, response={200: UnitRows, **REFUSALS})
def list_units(
    request: HttpRequest,
    depot: Annotated[str, Query(max_length=20)] = "",
    outcome: Annotated[str, Query(max_length=13)] = "",
    limit: Limit = 100,
    offset: Offset = 0,
) -> Any:
    """Units in service, each with the verdict that may be shown today. A stale verdict reads 'cannot_decide'."""
    units = _listed().order_by("tag")
    if depot:
        units = units.filter(home__code__iexact=depot)
    if outcome:
        units = units.filter(shown_outcome=outcome)
    return {"count": units.count(), "units": [unit_row(unit) for unit in units[offset : offset + limit]]}


@router.get("/units/{tag}", auth=READ, response={200: UnitDetail, **REFUSALS})
def show_unit(request: HttpRequest, tag: str) -> Any:
    """One unit: its verdict, every check with margin, sentence and source, and the charge state of its banks."""
    unit = _listed().filter(tag__iexact=tag).first()
    if unit is None:
        return Status(404, {"key": "unit.unknown", "message": f"No unit in service bears the tag '{tag}'."})
    groups = check_groups(unit.shown_result if not unit.why_undecided else None, unit.day_here)
    checks = [
        {
            "name": line.name,
            "outcome": line.outcome,
            "sentence": line.sentence,
            "margin": line.margin,
            "margin_unit": line.unit,
            "source": line.source,
            "mend": line.mend,
        }
        for line in (*groups.standing, *groups.besides, *groups.passing)
    ]
    return {**unit_row(unit), "checks": checks, "banks": _bank_rows(unit)}


def _bank_rows(unit: Any) -> list[dict[str, Any]]:
    """The banks of a listed unit. What is out of date is null, with the reason `not_current` and the day it was as of."""
    stays = BankStay.objects.filter(unit=unit, ended_at__isnull=True).select_related("bank", "bank__state")
    rows = []
    for stay in stays.order_by("position"):
        last: BankState | None = getattr(stay.bank, "state", None)
        state = current_state(last, None if unit.why_undecided else unit.day_due)
        rows.append(
            {
                "serial": stay.bank.serial,
                "chemistry": stay.bank.chemistry,
                "position": stay.position,
                "status": state.status if state else "cannot_decide",
                "reasons": state.reasons if state else ["not_current" if last else "not_computed"],
                "soc": state.soc if state else None,
                "low_soc": state.low_soc if state else None,
                "high_soc": state.high_soc if state else None,
                "floor_soc": state.floor_soc if state else None,
                "floor_on": state.floor_day if state else None,
                "interval_due_on": state.interval_day if state else None,
                "charge_due_on": state.due_day if state else None,
                "due_by": state.due_by if state else "",
                "as_of": last.as_of if last else None,
            }
        )
    return rows


@router.get("/alerts", auth=READ, response={200: AlertRows, **REFUSALS})
def list_alerts(
    request: HttpRequest,
    depot: Annotated[str, Query(max_length=20)] = "",
    role: Annotated[str, Query(max_length=20)] = "",
    limit: Limit = 100,
    offset: Offset = 0,
) -> Any:
    """Open alerts in the order of what it costs to leave them undone; what was put off is left out."""
    found = alerts_of_today(today=timezone.now().date(), depot=None, roles=[role] if role else [])
    if depot:
        found = found.filter(depot__code__iexact=depot)
    rows = [
        {
            "id": alert.pk,
            "rule": alert.rule,
            "unit": alert.about_unit.tag if alert.about_unit else None,
            "depot": alert.depot.code,
            "sentence": reason_of(alert),
            "owner_role": alert.owner_role,
            "due_on": alert.due_on,
            "too_late_on": alert.too_late_on,
            "work_h": alert.work_h,
            "cost_of_delay": alert.cost_of_delay,
            "taken_by": str(alert.taken_by) if alert.taken_by else None,
            "raised_at": alert.raised_at,
        }
        for alert in found[offset : offset + limit]
    ]
    return {"count": found.count(), "alerts": rows}


@router.post(
    "/banks/{serial}/readings",
    auth=WRITE_READINGS,
    response={200: ReadingOut, 201: ReadingOut, 400: ApiRefusal, 409: ApiRefusal, **REFUSALS},
)
def add_reading(request: HttpRequest, serial: str, body: ReadingIn) -> Any:
    """Write down a reading. The same bank and instant with the same values again changes nothing (200)."""
    bank = BatteryBank.objects.filter(serial__iexact=serial).first()
    if bank is None:
        return Status(404, {"key": "bank.unknown", "message": f"No bank bears the serial '{serial}'."})
    stay = BankStay.objects.filter(bank=bank, ended_at__isnull=True).select_related("unit").first()
    depot_id = stay.unit.home_id if stay and stay.unit else (stay.place_id if stay else None)
    require(request, "upkeep", depot_id)
    if body.happened_at.tzinfo is None:
        message = "The time has no offset from UTC. Write it as 2026-11-25T07:30:00+01:00."
        return Status(400, {"key": "reading.no_offset", "message": message})
    user, _rights = asked_by(request)
    values = body.dict(exclude={"happened_at"})
    there = Reading.objects.counting().filter(bank=bank, happened_at=body.happened_at).first()
    if there is not None:
        same = all(getattr(there, name) == value for name, value in values.items())
        if same:
            return Status(200, _reading_out(there, bank, created=False))
        message = (
            "Another reading of this bank at that instant is on file. Correct that one, or send another time."
        )
        return Status(409, {"key": "reading.differs", "message": message})
    try:
        row = reading_record(bank=bank, happened_at=body.happened_at, actor=user, **values)
    except DomainError as error:
        return Status(400, {"key": error.key, "message": error.sentence})
    return Status(201, _reading_out(row, bank, created=True))


def _reading_out(row: Reading, bank: BatteryBank, *, created: bool) -> dict[str, Any]:
    return {
        "id": row.pk,
        "bank": bank.serial,
        "happened_at": row.happened_at,
        "created": created,
        "doubts": [doubt.sentence for doubt in reading_doubts(row)],
    }
