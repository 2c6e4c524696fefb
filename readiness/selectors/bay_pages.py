"""Bay plans as their pages, the API and the calendar read them."""

from __future__ import annotations

import datetime as dt

from django.db.models import QuerySet

from fleet.models import Place
from readiness.models import BayCalendar, BayPlan, BayPlanLine, Charge, ChargerBay


def plan_published(place: Place) -> BayPlan | None:
    found = BayPlan.objects.filter(place=place, state=BayPlan.State.PUBLISHED)
    return found.select_related("published_by", "created_by", "accepted_by", "job").first()


def plan_draft(place: Place) -> BayPlan | None:
    found = BayPlan.objects.filter(place=place, state=BayPlan.State.DRAFT).order_by("-created_at")
    return found.select_related("created_by", "job").first()


def plan_lines(plan: BayPlan) -> list[BayPlanLine]:
    """Lines with bank, bay and charge, in the order of the day."""
    found = BayPlanLine.objects.filter(plan=plan).select_related("bank", "bay", "charge")
    return list(found.order_by("starts_at", "bay__name", "pk"))


def plans_of(place: Place) -> QuerySet[BayPlan]:
    """Every plan of a depot, the latest first; without what each keeps, which is long."""
    return (
        BayPlan.objects.filter(place=place)
        .select_related("created_by", "published_by", "accepted_by")
        .defer("frozen")
        .order_by("-created_at", "-pk")
    )


def open_charges_here(place: Place) -> list[Charge]:
    """What is on charge in a depot now, by bay."""
    found = Charge.objects.counting().filter(place=place, ended_at__isnull=True)
    return list(found.select_related("bank").order_by("bay", "happened_at"))


def bays_here(place: Place, *, today: dt.date) -> list[ChargerBay]:
    return list(ChargerBay.objects.valid_on(today).filter(place=place).order_by("name"))


def calendar_of(place: Place) -> BayCalendar | None:
    return BayCalendar.objects.filter(place=place).select_related("made_by").first()


def calendar_by_hash(hash_: str) -> BayCalendar | None:
    return BayCalendar.objects.filter(hash=hash_).select_related("place").first()


def depots_charging() -> list[Place]:
    """Every open depot, by name."""
    return list(Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("name"))
