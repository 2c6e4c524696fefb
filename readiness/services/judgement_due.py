"""Units that wait to be judged again. The mark is written together with the change, so that no kill can lose it.

A pass takes away the marks it saw before it read the records, and no others: a change that came meanwhile has set its mark
anew, and waits for a pass of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence

from django.db import connection, transaction
from django.db.models import Q
from django.utils import timezone

from fleet.models import Job, Unit
from fleet.services.jobs import OPEN, job_enqueue
from readiness.models import JudgementDue

IDS_PER_JOB = 2000
# A mark this old was left by a process that ended before it could judge.
LOST_AFTER = dt.timedelta(seconds=20)
# What could not be judged is tried again, but not all the time.
AGAIN_AFTER = dt.timedelta(minutes=15)

Marks = Mapping[int, dt.datetime]


def judgement_due_mark(unit_ids: Collection[int], *, now: dt.datetime | None = None) -> None:
    """Mark units in the transaction of their change: until a pass has read it no page shows their last answer.

    Retired ones, too: what is open about them must be closed, even if whoever retired them is killed.
    """
    now = now or timezone.now()
    ids = list(Unit.objects.filter(pk__in=unit_ids).order_by("pk").values_list("pk", flat=True))
    JudgementDue.objects.bulk_create(
        [JudgementDue(unit_id=pk, since=now) for pk in ids],
        update_conflicts=True,
        unique_fields=["unit"],
        update_fields=["since"],
        batch_size=300,
    )


def judgement_due_seen(unit_ids: Sequence[int]) -> Marks:
    """The marks of these units, in order of key, as they stand before their records are read. One query."""
    if not unit_ids:
        return {}
    among = JudgementDue.objects.filter(unit__gte=unit_ids[0], unit__lte=unit_ids[-1])
    return dict(among.values_list("unit_id", "since"))


def judgement_due_settle(unit_ids: Collection[int], seen: Marks) -> None:
    """Take away what was seen of these units and has not been set anew. Call in the transaction that writes the answer."""
    settled = [pk for pk in unit_ids if pk in seen]
    if not settled:
        return
    # What another transaction holds is being set anew: it is left to the pass that follows, and nobody waits for anybody.
    free = JudgementDue.objects.select_for_update(
        skip_locked=connection.features.has_select_for_update_skip_locked
    )
    standing = free.filter(unit__in=settled).values_list("unit_id", "since")
    JudgementDue.objects.filter(unit__in=[pk for pk, since in standing if since == seen[pk]]).delete()


def judge_later(unit_ids: Sequence[int], *, now: dt.datetime | None = None, lost: bool = False) -> None:
    """Hand units to the workers; until these have judged them no page shows their last answer.

    `lost`: they were marked before, and whoever should have judged them did not.
    """
    for start in range(0, len(unit_ids), IDS_PER_JOB):
        asked = unit_ids[start : start + IDS_PER_JOB]
        with transaction.atomic():
            judgement_due_mark(asked, now=now)
            job_enqueue(kind="sweep_units", params={"units": list(asked), "waiting": True, "lost": lost})


def judge_lost(*, now: dt.datetime) -> int:
    """Hand to the workers what was marked and then forgotten, because a process was killed. Returns how many units.

    Asked every few seconds by beat. Not what such work is under way for, nor what it tried in vain a little while ago.
    """
    lost = set(JudgementDue.objects.filter(since__lt=now - LOST_AFTER).values_list("unit_id", flat=True))
    if not lost:
        return 0
    lately = Q(finished_at__gte=now - AGAIN_AFTER)
    tried = Job.objects.filter(kind="sweep_units").filter(
        Q(state__in=OPEN) | lately & (Q(state=Job.State.FAILED) | Q(params__lost=True))
    )
    for units in tried.values_list("params__units", flat=True):
        lost -= set(units or ())
    judge_later(sorted(lost), now=now, lost=True)
    return len(lost)
