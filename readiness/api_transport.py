"""The transport class over the API: the same answers as the sheet, with every reason and source."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from django.http import HttpRequest
from django.utils import timezone
from ninja import Field, Query, Router, Schema
from ninja.responses import Status

from fleet.models import Unit
from readiness.api import READ, REFUSALS
from readiness.web.transport_answers import trip_of, unit_answers

router = Router(tags=["readiness"])


class LawLineRow(Schema):
    label: str
    verdict: str
    outcome: str = Field(description="pass, fail or cannot_decide")
    un: str
    provision: str
    sentence: str
    conditions: list[str]
    missing: str
    source: str
    verify_before_use: bool
    turned_round_by: list[str]


class LawRow(Schema):
    mode: str = Field(description="AIR, ROAD (ADR), SEA or ROAD_US")
    verdict: str
    outcome: str
    edition: str
    lines: list[LawLineRow]


class PaperRow(Schema):
    sentence: str
    outcome: str
    needed_for: str
    source: str


class ConveyanceRow(Schema):
    conveyance: str
    name: str
    answer: str = Field(description="yes, with_conditions, with_approval, cannot_decide or no")
    margin_kg: float | None = Field(
        description="what is left, rounded down to 0.1; negative: so much is lacking"
    )
    margin_mm: float | None = Field(
        description="what is left, rounded down to 0.1; negative: so much is lacking"
    )
    why: list[str]
    source: str


class FormRow(Schema):
    form: str
    kind: str
    packed_mass_kg: float | None
    mass_unknown: list[str]
    weighed_on: dt.date | None
    conveyances: list[ConveyanceRow]


class TransportAnswer(Schema):
    tag: str
    ship_date: dt.date
    goods_list_confirmed: bool
    papers: list[PaperRow]
    law: list[LawRow]
    forms: list[FormRow]


@router.get("/units/{tag}/transport", auth=READ, response={200: TransportAnswer, **REFUSALS})
def show_transport(
    request: HttpRequest,
    tag: str,
    ship_date: Annotated[
        dt.date, Query(description="the day it leaves; rules and papers are asked for that day")
    ],
    days: Annotated[
        int | None, Query(ge=1, le=3650, description="mission length; empty: the depot's usual one")
    ] = None,
    alt_m: Annotated[float | None, Query(ge=-500, le=9000, description="highest hover [m]")] = None,
    isa_dev_c: Annotated[float | None, Query(ge=-60, le=60, description="above standard air [K]")] = None,
    sling_mm: Annotated[
        float | None, Query(gt=0, le=100_000, description="length of a sling leg [mm]")
    ] = None,
) -> Any:
    """By which conveyance a unit may go, with margin, reason and source. Decision support: the carrier decides."""
    unit = Unit.objects.in_service().filter(tag__iexact=tag).select_related("design", "home").first()
    if unit is None:
        return Status(404, {"key": "unit.unknown", "message": f"No unit in service bears the tag '{tag}'."})
    trip = trip_of(ship_date, alt_m=alt_m, isa_dev_c=isa_dev_c, sling_mm=sling_mm)
    return unit_answers([unit], ship_date, trip, now=timezone.now(), mission_days=days)[0]
