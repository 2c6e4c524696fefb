"""What the workers do for this app, by kind of job."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from celery import shared_task
from django.utils import timezone

from fleet.lib.jobs import JobContext, job_handler
from fleet.models import RuleEdition, User
from fleet.services.editions import edition_count, edition_release
from readiness.services.back_test import run_back_test
from readiness.services.bay_plans import run_bay_plan
from readiness.services.bay_year import run_bay_year
from readiness.services.digest import send_digest
from readiness.services.judgement_due import judge_lost
from readiness.services.sweeps import judge_open_charges, run_sweep, run_sweep_units, sweep_cancelled


@job_handler("sweep", on_end=sweep_cancelled)
def sweep(ctx: JobContext) -> dict[str, Any]:
    return run_sweep(ctx)


@job_handler("sweep_units")
def sweep_units(ctx: JobContext) -> dict[str, Any]:
    return run_sweep_units(ctx)


@job_handler("back_test")
def replay_the_past(ctx: JobContext) -> dict[str, Any]:
    return run_back_test(ctx)


@job_handler("bay_plan")
def prove_bay_plan(ctx: JobContext) -> dict[str, Any]:
    return run_bay_plan(ctx)


@job_handler("bay_year")
def play_bay_year(ctx: JobContext) -> dict[str, Any]:
    return run_bay_year(ctx)


@job_handler("edition_count")
def count_edition(ctx: JobContext) -> dict[str, Any]:
    """What an edition of the rules would change, kept on its row; a second run counts anew."""
    edition = edition_count(edition=RuleEdition.objects.get(pk=ctx.params["edition"]), progress=_told(ctx))
    return {"units_changed": edition.changes["units_changed"]}


@job_handler("edition_release")
def release_edition(ctx: JobContext) -> dict[str, Any]:
    """Released once: on a second run the row waits no longer, and by whom it was released shows whether this did it."""
    edition = RuleEdition.objects.get(pk=ctx.params["edition"])
    actor = User.objects.get(pk=ctx.params["actor"])
    if edition.state == RuleEdition.State.RELEASED and edition.released_by_id == actor.pk:
        return {"released": edition.pk}
    edition_release(edition=edition, seen=ctx.params["seen"], actor=actor, progress=_told(ctx))
    return {"released": edition.pk}


def _told(ctx: JobContext) -> Callable[[int, int], None]:
    def tell(done: int, total: int) -> None:
        ctx.check_cancelled()
        ctx.progress(done, total)

    return tell


@shared_task(name="readiness.judge_open_charges")
def open_charges() -> int:
    """Every 15 minutes by beat: charges that should have ended by now."""
    return judge_open_charges(now=timezone.now())


@shared_task(name="readiness.judge_lost")
def lost() -> int:
    """Every few seconds by beat: changes whose process was killed before it could judge."""
    return judge_lost(now=timezone.now())


@job_handler("digest")
def digest(ctx: JobContext) -> dict[str, Any]:
    return send_digest(depot_id=ctx.params["depot"], day=ctx.params["day"])
