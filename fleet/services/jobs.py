"""Background jobs: at least once, with effects exactly once. How a kind plugs in: `fleet.lib.jobs`.

The row is the truth. A broker message says only 'look at this row'; a lost or doubled message does no harm. A worker
claims by one conditional UPDATE, keeps a lease while it works, and writes only while it still has it. What is
waiting, or whose lease ran out, is announced again every few seconds by `job_requeue_waiting`.
"""

import datetime as dt
import logging
import os
import socket
import threading
import time
import uuid
from collections.abc import Mapping
from typing import Any

from celery import current_app
from django.conf import settings
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils import timezone
from django.utils.translation import gettext as _
from kombu.exceptions import OperationalError

from fleet.lib.errors import DomainError
from fleet.lib.faults import fault_point
from fleet.lib.jobs import JobCancelled, JobLost, handler_for, on_end_for
from fleet.models import Job, Place, User
from fleet.services.audit import audit_record

log = logging.getLogger(__name__)

ANNOUNCE_AGAIN_AFTER_S = 30
ANNOUNCE_AT_MOST = 50
PROGRESS_EVERY_S = 0.5
OPEN = (Job.State.QUEUED, Job.State.RUNNING)


def job_enqueue(
    *,
    kind: str,
    params: Mapping[str, Any] | None = None,
    unique_key: str = "",
    place: Place | None = None,
    requested_by: User | None = None,
    not_before: dt.datetime | None = None,
    max_attempts: int | None = None,
) -> Job:
    """Adds a job and announces it once the surrounding transaction is committed.

    With a `unique_key`, an open job of the same kind and key is returned instead of a second one.
    """
    try:
        with transaction.atomic():
            job = Job.objects.create(
                kind=kind,
                params=dict(params or {}),
                unique_key=unique_key,
                place=place,
                requested_by=requested_by,
                not_before=not_before,
                max_attempts=max_attempts or settings.JOB_MAX_ATTEMPTS,
            )
    except IntegrityError:
        there = Job.objects.filter(kind=kind, unique_key=unique_key, state__in=OPEN).first()
        if not unique_key or there is None:
            raise
        return there
    if not_before is None:
        transaction.on_commit(lambda: announce(job.id))
    return job


def announce(job_id: uuid.UUID) -> None:
    """Tells the workers to look at a row. A broker out of reach is no error: the row waits to be announced again."""
    fault_point("job:committed")
    Job.objects.filter(id=job_id, state__in=OPEN).update(enqueued_at=timezone.now())
    try:
        current_app.tasks["fleet.run_job"].apply_async(args=[str(job_id)], retry=False)
    except (OperationalError, OSError) as error:
        log.warning("Job %s could not be announced (%s); it is announced again later.", job_id, error)


def job_requeue_waiting(*, now: dt.datetime | None = None) -> int:
    """Announces again what waits or was lost, and closes what was lost too often. Returns how many were announced."""
    now = now or timezone.now()
    lost = Q(state=Job.State.RUNNING, lease_until__lt=now)
    for job in Job.objects.filter(lost, attempt__gte=F("max_attempts")):
        message = _("The work was cut off %(count)d times and is not tried again.") % {"count": job.attempt}
        close(job, Job.State.FAILED, still=lost, error=message)
    waiting = Q(state=Job.State.QUEUED) & (Q(not_before__isnull=True) | Q(not_before__lte=now))
    quiet = Q(enqueued_at__isnull=True) | Q(
        enqueued_at__lt=now - dt.timedelta(seconds=ANNOUNCE_AGAIN_AFTER_S)
    )
    due_since = Q(not_before__isnull=False, enqueued_at__lt=F("not_before"))
    lost_since = Q(enqueued_at__lt=F("lease_until"))
    to_announce = (waiting & (quiet | due_since)) | (lost & (quiet | lost_since))
    ids = list(
        Job.objects.filter(to_announce).order_by("created_at").values_list("id", flat=True)[:ANNOUNCE_AT_MOST]
    )
    for job_id in ids:
        announce(job_id)
    return len(ids)


def job_cancel(*, job: Job, actor: User | None) -> bool:
    """Asks for a stop. A waiting job ends now; a running one at its next check. False when it had ended already."""
    with transaction.atomic():
        asked = Job.objects.filter(id=job.id, state__in=OPEN).update(cancel_requested=True)
        if not asked:
            return False
        audit_record(actor=actor, action="job.cancel", subject=job, place=job.place)
        close(job, Job.State.CANCELLED, still=Q(state=Job.State.QUEUED))
    return True


def job_claim(*, job_id: uuid.UUID | str, now: dt.datetime | None = None) -> Job | None:
    """Takes a waiting or lost job for this process. None when it is not to be had.

    Steps: one conditional UPDATE that raises the attempt and writes a name no other claim has; then read the row.
    """
    now = now or timezone.now()
    claimer = f"{socket.gethostname()[:60]}:{os.getpid()}:{uuid.uuid4().hex[:12]}"
    waiting = Q(state=Job.State.QUEUED) & (Q(not_before__isnull=True) | Q(not_before__lte=now))
    lost = Q(state=Job.State.RUNNING, lease_until__lt=now)
    claimed = Job.objects.filter(waiting | lost, id=job_id, attempt__lt=F("max_attempts")).update(
        state=Job.State.RUNNING,
        attempt=F("attempt") + 1,
        worker=claimer,
        lease_until=now + lease(),
        started_at=Coalesce(F("started_at"), now),
        error="",
    )
    return Job.objects.get(id=job_id, worker=claimer) if claimed else None


def job_run(*, job_id: uuid.UUID | str, keep_lease: bool = True) -> Job | None:
    """Claims a job and runs its handler to the end. None when another worker has it or it has ended.

    `keep_lease` renews the lease from a thread while the handler works; tests on one connection switch it off.
    """
    job = job_claim(job_id=job_id)
    if job is None:
        return None
    context = RunningJob(job)
    mine = context.mine
    try:
        if job.cancel_requested:
            raise JobCancelled
        fault_point("job:claimed")
        if keep_lease:
            with LeaseKeeper(context):
                result = handler_for(job.kind)(context)
        else:
            result = handler_for(job.kind)(context)
        fault_point("job:handled")
        close(job, Job.State.DONE, still=mine, result=dict(result or {}))
    except JobCancelled:
        close(job, Job.State.CANCELLED, still=mine)
    except JobLost:
        log.warning("Job %s (%s) was lost to another worker.", job.id, job.kind)
    except DomainError as error:
        close(job, Job.State.FAILED, still=mine, error=error.sentence)
    except Exception as error:
        log.exception("Job %s (%s) failed on attempt %d.", job.id, job.kind, job.attempt)
        fail_or_wait(job, mine, error)
    job.refresh_from_db()
    return job


def fail_or_wait(job: Job, mine: Q, error: Exception) -> None:
    """After an unexpected error: tried again a little later, until the last attempt is used up."""
    message = f"{type(error).__name__}: {error}"[:2000]
    if job.attempt >= job.max_attempts or isinstance(error, LookupError):
        close(job, Job.State.FAILED, still=mine, error=message)
        return
    pause = dt.timedelta(seconds=min(2**job.attempt, 60))
    Job.objects.filter(mine, id=job.id).update(
        state=Job.State.QUEUED,
        not_before=timezone.now() + pause,
        enqueued_at=None,
        lease_until=None,
        error=message,
    )


def close(
    job: Job, state: Job.State, *, still: Q, result: Mapping[str, Any] | None = None, error: str = ""
) -> bool:
    """Ends a job if `still` holds for its row. True when this call ended it."""
    with transaction.atomic():
        ended = Job.objects.filter(still, id=job.id).update(
            state=state,
            finished_at=timezone.now(),
            lease_until=None,
            result=dict(result or {}),
            error=error,
        )
        if ended and state != Job.State.DONE and (on_end := on_end_for(job.kind)):
            job.refresh_from_db()
            on_end(job)
    return bool(ended)


def lease() -> dt.timedelta:
    return dt.timedelta(seconds=settings.JOB_LEASE_SECONDS)


class RunningJob:
    """What a handler is given (`fleet.lib.jobs.JobContext`)."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.lost = threading.Event()
        self._wrote_at = 0.0

    @property
    def job_id(self) -> str:
        return str(self.job.id)

    @property
    def params(self) -> Mapping[str, Any]:
        params: Mapping[str, Any] = self.job.params
        return params

    @property
    def attempt(self) -> int:
        return self.job.attempt

    @property
    def mine(self) -> Q:
        return Q(state=Job.State.RUNNING, worker=self.job.worker)

    def progress(self, done: int, total: int, note: str = "") -> None:
        """Kept to two writes a second, so that a handler may call it as often as it likes; the last one is written."""
        if done < total and time.monotonic() - self._wrote_at < PROGRESS_EVERY_S:
            return
        self._wrote_at = time.monotonic()
        self._write(progress_done=done, progress_total=total, progress_note=note[:200])

    def check_cancelled(self) -> None:
        if self.lost.is_set():
            raise JobLost
        row = Job.objects.filter(self.mine, id=self.job.id).values_list("cancel_requested", flat=True).first()
        if row is None:
            raise JobLost
        if row:
            raise JobCancelled

    def fence(self) -> None:
        if not connection.in_atomic_block:
            raise RuntimeError("fence() guards a transaction: call it first thing inside atomic().")
        self._write()

    def renew(self) -> bool:
        """Moves the lease on. False when the job is no longer ours."""
        try:
            self._write()
        except JobLost:
            self.lost.set()
            return False
        return True

    def fault_point(self, name: str) -> None:
        fault_point(name)

    def _write(self, **fields: Any) -> None:
        fields["lease_until"] = timezone.now() + lease()
        if not Job.objects.filter(self.mine, id=self.job.id).update(**fields):
            raise JobLost


class LeaseKeeper(threading.Thread):
    """Renews the lease from a connection of its own while the handler works."""

    def __init__(self, context: RunningJob) -> None:
        super().__init__(daemon=True, name=f"lease-{context.job_id}")
        self.context = context
        self.done = threading.Event()

    def __enter__(self) -> "LeaseKeeper":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.done.set()
        self.join()

    def run(self) -> None:
        try:
            while not self.done.wait(lease().total_seconds() / 3):
                try:
                    if not self.context.renew():
                        return
                except DatabaseError as error:  # a busy database: the next round may do it
                    log.warning("The lease of job %s was not renewed: %s", self.context.job_id, error)
        finally:
            connection.close()
