"""A depot's bay plan over the API: the same plan, words and proof as on the board."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from django.http import HttpRequest
from django.utils import timezone
from ninja import Field, Router, Schema
from ninja.responses import Status

from fleet.models import Place
from readiness.api import READ, REFUSALS
from readiness.selectors.bay_pages import plan_draft, plan_lines, plan_published
from readiness.web.bay_board import plan_view

router = Router(tags=["readiness"])


class BayLineRow(Schema):
    bank: str
    unit: str = Field(description="empty: on a shelf")
    bay: str
    stretch: int = Field(description="0, and more where a charge pauses")
    starts_at: dt.datetime
    ends_at: dt.datetime = Field(description="the charger is done")
    off_at: dt.datetime = Field(description="the crew takes it off")
    set_a: float | None = Field(description="current to set at the charger [A]")
    most_kw: float = Field(description="from the wall [kW]")
    wall_kwh: float | None
    why: str
    state: str = Field(description="planned, late, running, over (past its planned end) or done")


class BayLevelRow(Schema):
    name: str = Field(
        description="in strict order: floors, undone, late, tardiness, peak_kw, finish, changes"
    )
    value: float = Field(description="late and undone weighted; tardiness and finish in slots")
    bound: float | None = Field(description="nothing below is possible; null: not known")
    gap: float | None = Field(description="absolute, in the level's own unit")
    proven: bool


class BaySaid(Schema):
    bank: str
    unit: str
    sentence: str


class BayPlanOut(Schema):
    id: int
    depot: str
    state: str
    made_at: dt.datetime
    published_at: dt.datetime | None
    starts_at: dt.datetime | None
    ends_at: dt.datetime | None
    slot_h: int
    time_zone: str
    proven: bool
    floors_broken: int
    accepted_reason: str
    lines: list[BayLineRow]
    levels: list[BayLevelRow]
    floors: list[BaySaid] = Field(
        description="banks under their floor, or that fall under it before this plan charges them"
    )
    no_place: list[BaySaid]
    late: list[BaySaid]
    cannot_be_planned: list[BaySaid]
    notes: list[str]
    ways_out: list[str] = Field(description="any one of these alone would keep every floor and every date")


@router.get("/depots/{code}/bay-plan", auth=READ, response={200: BayPlanOut, **REFUSALS})
def show_bay_plan(request: HttpRequest, code: str, state: Literal["published", "draft"] = "published") -> Any:
    """The plan that the crew works by, or the draft that waits. 404 where there is none."""
    place = Place.objects.filter(kind=Place.Kind.DEPOT, code__iexact=code).first()
    if place is None:
        return Status(404, {"key": "depot.unknown", "message": f"No depot has the code '{code}'."})
    plan = plan_published(place) if state == "published" else plan_draft(place)
    if plan is None:
        word = "plan is published" if state == "published" else "draft waits"
        return Status(404, {"key": "bay_plan.none", "message": f"No {word} for {place.name}."})
    return plan_answer(plan)


def plan_answer(plan: Any) -> dict[str, Any]:
    """One plan as plain values; used by the command, too."""
    view = plan_view(plan, plan_lines(plan), now=timezone.now())

    def said(rows: Any) -> list[dict[str, str]]:
        return [{"bank": row.bank, "unit": row.unit, "sentence": row.words} for row in rows]

    return {
        "id": plan.pk,
        "depot": plan.place.code,
        "state": plan.state,
        "made_at": plan.created_at,
        "published_at": plan.published_at,
        "starts_at": plan.starts_at,
        "ends_at": plan.ends_at,
        "slot_h": view.slot_h,
        "time_zone": view.zone,
        "proven": plan.proven,
        "floors_broken": plan.floors_broken,
        "accepted_reason": plan.accepted_reason,
        "lines": [
            {
                "bank": line.bank,
                "unit": line.unit,
                "bay": line.bay,
                "stretch": line.stretch,
                "starts_at": line.starts_at,
                "ends_at": line.ends_at,
                "off_at": line.off_at,
                "set_a": line.set_a,
                "most_kw": line.kw,
                "wall_kwh": line.kwh,
                "why": line.why,
                "state": line.state,
            }
            for line in view.lines
        ],
        "levels": [
            {
                **level,
                "gap": None if level["bound"] is None else max(0.0, level["value"] - level["bound"]),
            }
            for level in plan.frozen.get("levels", [])
        ],
        "floors": said(view.dangers),
        "no_place": said(view.undone),
        "late": said(view.late),
        "cannot_be_planned": said(view.left_out),
        "notes": list(view.notes),
        "ways_out": list(view.ways),
    }
