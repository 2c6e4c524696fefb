"""The transport class over the API: the same answers as the sheet, with every reason and source."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from django import forms
from django.http import HttpRequest
from django.utils import timezone
from ninja import Field, Query, Router, Schema
from ninja.responses import Status

from fleet.models import Unit
from readiness.api import READ, REFUSALS, Limit, Offset
from readiness.forms.transport import faults_in_words
from readiness.forms.transport_find import FindForm, find_of_form
from readiness.forms.transport_questions import SheetForm, typed_of
from readiness.selectors.transport import clearances_of, terms_on
from readiness.web.transport import conveyance_choices
from readiness.web.transport_answers import found_answers, unit_answers

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
    fork_truck: ConveyanceRow | None = Field(
        description="the fork truck asked for, in the yard; null: none was"
    )


class TransportAnswer(Schema):
    tag: str
    ship_date: dt.date
    goods_list_confirmed: bool
    papers: list[PaperRow]
    law: list[LawRow]
    forms: list[FormRow]
    not_asked: str = Field(description="what the answers leave open, for nothing was said of it")


class TripIn(Schema):
    """When, where and how: what is left out is not known, or not asked. Lengths in mm, masses in kg, as the names say."""

    days: int | None = Field(
        default=None, ge=1, le=3650, description="mission length; empty: the depot's usual one"
    )
    alt_m: float | None = Field(
        default=None, ge=-500, le=9000, description="highest hover, and the airfield [m]"
    )
    isa_dev_c: float | None = Field(default=None, ge=-60, le=60, description="above standard air [K]")
    sling_mm: float | None = Field(default=None, gt=0, le=100_000, description="length of a sling leg")
    leg_wll_kg: float | None = Field(
        default=None, gt=0, le=1_000_000, description="rated load of a sling leg"
    )
    leg_km: float | None = Field(default=None, ge=0, le=40_000, description="asks range and radius")
    runway_m: float | None = Field(default=None, gt=0, le=20_000)
    surface: Literal["paved", "unpaved"] | None = Field(default=None, description="with a runway")
    slope_pct: float | None = Field(default=None, ge=-10, le=10, description="with a runway")
    fork_kg: float | None = Field(
        default=None, gt=0, le=1_000_000, description="rated load of a fork truck, with its load centre"
    )
    fork_centre_mm: float | None = Field(default=None, gt=0, le=10_000)
    fork_axle_kg: float | None = Field(
        default=None,
        gt=0,
        le=1_000_000,
        description="front axle with the load, on the floor of a container",
    )
    blade_width_mm: float | None = Field(
        default=None, gt=0, le=10_000, description="of the four sizes of the forks all, or none"
    )
    blade_length_mm: float | None = Field(default=None, gt=0, le=10_000)
    spread_least_mm: float | None = Field(default=None, ge=0, le=10_000, description="centre to centre")
    spread_most_mm: float | None = Field(default=None, gt=0, le=10_000)
    straps: int | None = Field(
        default=None,
        ge=1,
        le=100,
        description="lashings over the top; with mu, lash_deg and stf_dan, or none of them",
    )
    mu: float | None = Field(default=None, description="friction, 0.01 to 0.9")
    lash_deg: float | None = Field(default=None, description="angle to the deck, 5 to 90")
    stf_dan: float | None = Field(default=None, description="hand tension of one strap, of its label [daN]")
    blocked: bool = Field(default=False, description="blocked in front")
    may_tip: bool = Field(default=False, description="liable to tip")
    licence: str | None = Field(
        default=None,
        description="B, B96, BE, C1, C1E, C or CE; standard, CDL_B or CDL_A: the other region stays open",
    )
    beams_mm: float | None = Field(default=None, gt=0, le=60_000, description="beams under the load, along")
    boards_m2: float | None = Field(default=None, gt=0, le=1_000, description="boards under the load")


class TripOfUnit(TripIn):
    floor_of: str | None = Field(default=None, description="an aircraft that is loaded loose, with its floor")
    floor: float | None = Field(
        default=None, gt=0, le=100_000, description="what its floor bears, by its loading manual [kg/m²]"
    )


class TripOfSearch(TripIn):
    conveyance: str | None = Field(
        default=None, description="a key of the tables, or fork_truck; empty: a hook of hook_kg"
    )
    hook_kg: float | None = Field(default=None, gt=0, le=1_000_000, description="limit of a hook")
    floor: float | None = Field(
        default=None, gt=0, le=100_000, description="what the floor of the aircraft bears [kg/m²]"
    )


class FoundForm(Schema):
    tag: str
    form: str
    depot: str
    answer: str = Field(description="yes, with_conditions, with_approval, cannot_decide or no")
    margin_kg: float | None
    margin_mm: float | None
    why: list[str]
    source: str


class FoundForms(Schema):
    conveyance: str
    name: str
    ship_date: dt.date
    count: int = Field(description="packed forms of units in service, all of them")
    able: int
    undecided: int
    forms: list[FoundForm]
    not_asked: str


ShipDate = Annotated[dt.date, Query(description="the day it leaves; rules and papers are asked for that day")]


def _refused(form: forms.Form) -> Status:
    return Status(422, {"key": "transport.refused", "message": " ".join(faults_in_words(form))})


@router.get("/transport/units", auth=READ, response={200: FoundForms, **REFUSALS})
def find_transport(
    request: HttpRequest,
    ship_date: ShipDate,
    asked: Query[TripOfSearch],
    depot: Annotated[str, Query(description="only units of this depot, by its code")] = "",
    limit: Limit = 100,
    offset: Offset = 0,
) -> Any:
    """Every unit and packed form that one conveyance can take, the likeliest first. The carrier decides."""
    form = FindForm(typed_of(ship_date, asked.dict()), system="si", conveyances=conveyance_choices())
    if not form.is_valid():
        return _refused(form)
    units = Unit.objects.in_service()
    if depot:
        units = units.filter(home__code__iexact=depot)
    found = find_of_form(list(units.order_by().values_list("pk", flat=True)), form, now=timezone.now())
    return found_answers(found, offset, limit)


@router.get("/units/{tag}/transport", auth=READ, response={200: TransportAnswer, **REFUSALS})
def show_transport(request: HttpRequest, tag: str, ship_date: ShipDate, asked: Query[TripOfUnit]) -> Any:
    """By which conveyance a unit may go, with margin, reason and source. Decision support: the carrier decides."""
    unit = Unit.objects.in_service().filter(tag__iexact=tag).select_related("design", "home").first()
    if unit is None:
        return Status(404, {"key": "unit.unknown", "message": f"No unit in service bears the tag '{tag}'."})
    form = SheetForm(typed_of(ship_date, asked.dict()), system="si")
    if not form.is_valid():
        return _refused(form)
    terms = terms_on(ship_date)
    trip = form.trip(clearances_of(terms), terms.rigging_kg)
    return unit_answers(
        [unit], ship_date, trip, now=timezone.now(), mission_days=asked.days, truck=form.truck()
    )[0]
