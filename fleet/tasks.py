"""Doors for the workers. Work itself is registered by kind: see `fleet.lib.jobs`."""

import logging

from celery import Task, shared_task
from django.conf import settings
from django.utils import timezone
from django.utils.module_loading import import_string

import fleet.services.imports.runs  # noqa: F401  (registers the handler of the kind `import`)
from fleet.services import jobs

log = logging.getLogger(__name__)


@shared_task(name="fleet.run_job", bind=True)
def run_job(self: Task, job_id: str) -> str:
    """Looks at one row of the job table and does its work if it is to be done."""
    job = jobs.job_run(job_id=job_id, keep_lease=not self.request.is_eager)
    return job.state if job else "not to be had"


@shared_task(name="fleet.requeue_jobs")
def requeue_jobs() -> int:
    """Every 3 s by beat: announces again what waits or was lost."""
    return jobs.job_requeue_waiting()


@shared_task(name="fleet.start_due_nightly")
def start_due_nightly() -> None:
    """Every minute by beat: asks settings.NIGHTLY_HOOK, `hook(*, now)`, to enqueue what each depot's night is due for.

    The hook itself knows which nights were done, so that asking twice, or an hour late, starts nothing twice.
    """
    import_string(settings.NIGHTLY_HOOK)(now=timezone.now())
