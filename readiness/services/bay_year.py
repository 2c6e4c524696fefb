"""How many bays a depot needs: the year is played by the workers, and its answer kept with what it was played with."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.lib.jobs import JobContext
from fleet.models import Job, Place, User
from fleet.services.jobs import job_enqueue
from readiness.domain.bay_plan.year import YearAnswer, play_year
from readiness.selectors.bay_year import YearQuestion, year_question

JOB = "bay_year"
SCHEMA = 1
RUNS = 8
SEED = 20
MOST_CALLS = 52.0


def bay_year_start(
    *, place: Place, calls_per_year: float, actor: User | None, now: dt.datetime | None = None
) -> Job:
    """Has a year played in the background; the same question asked twice is one job. Raises DomainError."""
    now = now or timezone.now()
    if not math.isfinite(calls_per_year) or not 0 <= calls_per_year <= MOST_CALLS:
        raise DomainError(
            "bay_year.calls",
            _("Type how often a unit goes on a call in a year: 0 to {most}."),
            most=f"{MOST_CALLS:g}",
        )
    question = year_question(place, now=now, calls_per_year=calls_per_year)
    if question.stops or question.banks is None:
        raise DomainError("bay_year.stops", _("The year cannot be played before what is missing is on file."))
    return job_enqueue(
        kind=JOB,
        params={
            "place": place.pk,
            "calls_per_year": calls_per_year,
            "first_day": question.inputs["first_day"],
            "seed": SEED,
            "runs": RUNS,
        },
        unique_key=f"{place.pk}:{calls_per_year:.3f}:{question.mark}",
        place=place,
        requested_by=actor,
    )


def run_bay_year(ctx: JobContext) -> dict[str, Any]:
    """The job. A second run of the same row gives the same answer."""
    place = Place.objects.get(pk=ctx.params["place"])
    question = year_question(
        place,
        now=timezone.now(),
        calls_per_year=ctx.params["calls_per_year"],
        first_day=dt.date.fromisoformat(ctx.params["first_day"]),
    )
    if question.banks is None or question.hours is None:
        raise DomainError("bay_year.stops", _("The year cannot be played before what is missing is on file."))

    def told(done: int, total: int) -> None:
        ctx.check_cancelled()
        ctx.progress(done, total)

    answer = play_year(
        question.banks,
        question.hours,
        question.choices,
        seed=ctx.params["seed"],
        runs=ctx.params["runs"],
        told=told,
    )
    return kept(question, answer) | {"seed": ctx.params["seed"], "runs": ctx.params["runs"]}


def kept(question: YearQuestion, answer: YearAnswer) -> dict[str, Any]:
    """The answer as it is stored: by choice the mean and the band of the runs."""
    return {
        "schema": SCHEMA,
        "mark": question.mark,
        "inputs": question.inputs,
        "choices": [
            {
                "name": choice.name,
                "more_kw": choice.more_kw,
                "late_h": round(float(answer.late_h[row].mean()), 1),
                "late_low_h": round(float(np.quantile(answer.late_h[row], 0.1)), 1),
                "late_high_h": round(float(np.quantile(answer.late_h[row], 0.9)), 1),
                "late": round(float(answer.late[row].mean()), 1),
                "charges": round(float(answer.charges[row].mean()), 1),
                "left": round(float(answer.left[row].mean()), 1),
                "use": round(float(answer.use[row].mean()), 3),
                "peak_kw": round(float(answer.peak_kw[row].max()), 2),
            }
            for row, choice in enumerate(answer.choices)
        ],
    }


def latest_year(place: Place) -> Job | None:
    """The question asked last. One query."""
    return Job.objects.filter(kind=JOB, place=place).order_by("-created_at").first()


def latest_answer(place: Place) -> Job | None:
    """The last one that was answered. One query."""
    return Job.objects.filter(kind=JOB, place=place, state=Job.State.DONE).order_by("-finished_at").first()
