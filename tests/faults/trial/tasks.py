"""A job that writes in steps, each a transaction, and can be killed before, in and after each."""

import threading
from typing import Any

from django.db import transaction
from django.db.models import F

from fleet.lib.jobs import JobContext, job_handler
from tests.faults.trial.models import Step, Tally


@job_handler("trial")
def run(ctx: JobContext) -> dict[str, Any]:
    total = ctx.params["steps"]
    for number in range(1, total + 1):
        ctx.check_cancelled()
        threading.Event().wait(ctx.params["work_s"])  # stands for a calculation
        ctx.fault_point("trial:before-write")
        with transaction.atomic():
            ctx.fence()
            _, new = Step.objects.get_or_create(job_id=ctx.job_id, number=number)
            if new:
                Tally.objects.filter(name="steps").update(value=F("value") + 1)
            ctx.fault_point("trial:in-write")
        ctx.fault_point("trial:written")
        ctx.progress(number, total)
    return {"steps": total}
