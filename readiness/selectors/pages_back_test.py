"""The back-tests that were asked for: the one under way, and the latest one done."""

from __future__ import annotations

from fleet.models import Job, Place

KIND = "back_test"


def back_test_jobs(depot: Place | None) -> tuple[Job | None, Job | None]:
    """Of a depot, or of all of them (None): the job that waits, runs or failed last, and the latest that was done."""
    found = Job.objects.filter(kind=KIND, place=depot).order_by("-created_at")
    done = found.filter(state=Job.State.DONE).first()
    other = found.exclude(state=Job.State.DONE).first()
    if other is not None and done is not None and other.created_at < done.created_at:
        other = None
    return other, done
