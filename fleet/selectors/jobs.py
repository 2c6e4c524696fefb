"""Reads about background jobs, for pages that show progress."""

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from fleet.models import Job


@dataclass(frozen=True)
class JobStatus:
    """One job as a page shows it. `percent` is None while the size of the work is not known."""

    id: uuid.UUID
    kind: str
    state: str
    state_label: str
    is_open: bool
    percent: int | None
    done: int
    total: int
    note: str
    attempt: int
    stop_asked: bool
    can_stop: bool
    created_at: dt.datetime
    started_at: dt.datetime | None
    finished_at: dt.datetime | None
    result: dict[str, Any]
    error: str


def job_status(job: Job) -> JobStatus:
    """No query."""
    is_open = job.state in (Job.State.QUEUED, Job.State.RUNNING)
    return JobStatus(
        id=job.id,
        kind=job.kind,
        state=job.state,
        state_label=job.get_state_display(),
        is_open=is_open,
        percent=min(100, 100 * job.progress_done // job.progress_total) if job.progress_total else None,
        done=job.progress_done,
        total=job.progress_total,
        note=job.progress_note,
        attempt=job.attempt,
        stop_asked=is_open and job.cancel_requested,
        can_stop=is_open and not job.cancel_requested,
        created_at=job.created_at,
        started_at=job.started_at,
        finished_at=job.finished_at,
        result=job.result,
        error=job.error,
    )


def job_list(*, kind: str = "", open_only: bool = False) -> QuerySet[Job]:
    """Jobs, newest first, with the person who asked and the place (no further query a row)."""
    jobs = Job.objects.select_related("requested_by", "place").order_by("-created_at")
    if kind:
        jobs = jobs.filter(kind=kind)
    if open_only:
        jobs = jobs.filter(state__in=[Job.State.QUEUED, Job.State.RUNNING])
    return jobs


def open_job(*, kind: str, unique_key: str) -> Job | None:
    """The waiting or running job with this key, if there is one."""
    return job_list(kind=kind, open_only=True).filter(unique_key=unique_key).first()
