"""One load over the API: the same answer as the page, with every reason and source."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from django.http import HttpRequest
from django.utils import timezone
from ninja import Field, Router, Schema
from ninja.responses import Status

from readiness.api import READ, REFUSALS
from readiness.forms.transport import faults_in_words
from readiness.forms.transport_load import question_of, typed_of
from readiness.web.transport_load import MOST_KITS, MOST_PIECES, MOST_UNITS
from readiness.web.transport_load_plan import plan_load
from readiness.web.transport_load_words import plan_answer

router = Router(tags=["readiness"])


class KitIn(Schema):
    """Kit pallets of one kind; the mass lies in the middle of each."""

    name: str = Field(default="kit pallet", max_length=60)
    length_mm: float = Field(gt=0, le=60_000)
    width_mm: float = Field(gt=0, le=60_000)
    height_mm: float = Field(gt=0, le=60_000)
    mass_kg: float = Field(gt=0, le=100_000, description="of one")
    count: int = Field(default=1, ge=1, le=MOST_PIECES)
    holds: Literal["", "none", "listed"] = Field(
        default="",
        description="none: no dangerous goods; listed: only what stands on the lists of these units; empty: nobody has said",
    )


class AxlesIn(Schema):
    """Where the axles of a deck stand, from its front (negative: ahead of it), and what each may bear of the load."""

    front_mm: float = Field(ge=-10_000, le=60_000)
    rear_mm: float = Field(gt=0, le=60_000)
    front_kg: float = Field(gt=0, le=100_000)
    rear_kg: float = Field(gt=0, le=100_000)


class LoadIn(Schema):
    ship_date: dt.date
    conveyance: str = Field(description="a key of the tables; a pallet in a freighter as b763f+pmc")
    units: list[str] = Field(default=[], max_length=MOST_UNITS, description="TAG, or TAG:FORM")
    kits: list[KitIn] = Field(default=[], max_length=MOST_KITS)
    days: int | None = Field(
        default=None, ge=1, le=3650, description="mission length; empty: the depot's usual one"
    )
    from_above: bool = Field(default=False, description="open tops only: by crane, not by the door")
    gap_mm: float | None = Field(default=None, ge=0, le=2000, description="empty: the owner's")
    axles: AxlesIn | None = None
    floor_kg_m2: float | None = Field(
        default=None,
        gt=0,
        le=100_000,
        description="what the floor of an aircraft bears, by its loading manual",
    )


class PlacedRow(Schema):
    number: int
    name: str
    form: str
    x_mm: float = Field(description="of the corner nearest the far end, or the front of a deck, from there")
    y_mm: float = Field(description="of the same corner, from the left wall")
    along_mm: float
    across_mm: float
    height_mm: float
    mass_kg: float
    turned: bool
    answer: str
    outcome: str
    why: list[str]


class BehindRow(Schema):
    name: str
    form: str
    outcome: str = Field(description="fail, or cannot_decide where a fact is missing")
    answer: str
    why: list[str]


class LimitRow(Schema):
    key: str
    label: str
    used: float | None
    limit: float | None
    spare: float | None
    unit: str
    outcome: str


class RulingRow(Schema):
    outcome: str
    sentence: str
    conditions: list[str]
    missing: str
    source: str
    verify_before_use: bool


class UnitLawRow(Schema):
    name: str
    verdict: str
    outcome: str
    why: list[str]


class PointRow(Schema):
    unit: str
    label: str
    un: str
    counted: bool
    category: int | None
    quantity: float | None
    quantity_unit: str
    points: float | None


class PairRow(Schema):
    first: str
    second: str
    outcome: str
    sentence: str
    conditions: list[str]
    source: str
    verify_before_use: bool


class LoadLawRow(Schema):
    mode: str
    verdict: str
    outcome: str
    edition: str
    units: list[UnitLawRow]
    points: RulingRow | None = Field(description="ADR 1.1.3.6; null where nothing is counted")
    points_total: float | None
    points_limit: float | None
    point_lines: list[PointRow]
    materials_of_trade: RulingRow | None = Field(description="49 CFR 173.6; null where nothing is counted")
    pairs: list[PairRow] = Field(description="goods that must be kept apart, or whose pair cannot be decided")
    pairs_without_conflict: int
    single_load_lost: list[str] = Field(
        description="batteries that lose 49 CFR 173.159(e) beside other goods"
    )


class LoadAnswer(Schema):
    conveyance: str
    name: str
    ship_date: dt.date
    answer: str = Field(
        description="of the load as a whole: yes, with_conditions, with_approval, cannot_decide or no"
    )
    outcome: str
    said: str
    proven_most: bool = Field(description="whether it is proven that no more pieces can go")
    most: int
    gap_mm: float
    mass_kg: float
    cg_from_far_end_mm: float | None
    placed: list[PlacedRow]
    left_behind: list[BehindRow]
    limits: list[LimitRow]
    law: LoadLawRow | None
    not_asked: str


@router.post("/transport/load", auth=READ, response={200: LoadAnswer, **REFUSALS})
def plan_one_load(request: HttpRequest, body: LoadIn) -> Any:
    """Units and kit pallets in one hold, container or on one deck; nothing is written down. The carrier decides."""
    asked = body.dict()
    kits = asked.pop("kits")
    typed = typed_of(**asked, kits=kits)
    question, form = question_of(typed, system="si", today=body.ship_date)
    if question is None:
        return Status(422, {"key": "load.refused", "message": " ".join(faults_in_words(form))})
    return plan_answer(plan_load(question, now=timezone.now()))
