"""What the workers do for this app, by kind of job."""

from __future__ import annotations

from typing import Any

from celery import shared_task
from django.utils import timezone

from fleet.lib.jobs import JobContext, job_handler
from readiness.services.digest import send_digest
from readiness.services.judgement_due import judge_lost
from readiness.services.sweeps import judge_open_charges, run_sweep, run_sweep_units, sweep_cancelled


@job_handler("sweep", on_end=sweep_cancelled)
def sweep(ctx: JobContext) -> dict[str, Any]:
    return run_sweep(ctx)


@job_handler("sweep_units")
def sweep_units(ctx: JobContext) -> dict[str, Any]:
    return run_sweep_units(ctx)


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
