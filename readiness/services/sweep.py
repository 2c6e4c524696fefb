"""The one door through which units are judged: the nightly job, the page, the command, and a change of one unit."""

from __future__ import annotations

import datetime as dt
import logging
import traceback
from collections.abc import Callable, Collection, Iterator

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet.models import Unit
from readiness.domain.checks import Assessment, assess
from readiness.domain.snapshot import FleetSnapshot
from readiness.models import Alert, JudgementDue, SetAside, Sweep, Verdict
from readiness.selectors.snapshot import CHUNK_UNITS, load_snapshot
from readiness.services.judgement_due import Marks, judgement_due_seen, judgement_due_settle
from readiness.services.sweep_writes import Written, prepared_texts, write_slice

log = logging.getLogger(__name__)
# Units written in one transaction: on an ordinary disk well under half a second, so that a form saves in between.
SLICE_UNITS = 250
AfterSlice = Callable[[Written, int], None]


def _nothing(written: Written, last_unit_id: int) -> None:
    return None


def sweep_units(
    *,
    unit_ids: Collection[int],
    as_of: dt.date,
    now: dt.datetime | None = None,
    sweep: Sweep | None = None,
    inside: AfterSlice = _nothing,
    after: AfterSlice = _nothing,
    before_chunk: Callable[[], None] = lambda: None,
) -> Written:
    """Judge these units as of the end of `as_of` and store what came out. Running it again changes nothing.

    `inside` is called in each writing transaction (a fence, counters), `after` when it is committed; both get what the slice
    wrote and its last unit. A unit that cannot be computed is set aside with its reason and does not stop the others.
    """
    total = Written()
    ids = sorted(set(unit_ids))
    for start in range(0, len(ids), CHUNK_UNITS):
        before_chunk()
        chunk = ids[start : start + CHUNK_UNITS]
        seen = judgement_due_seen(chunk)
        loaded_at = now or timezone.now()
        for snapshot, found, failed in judged(chunk, as_of, loaded_at):
            for part in _slices(snapshot, found, failed, as_of, loaded_at, seen, sweep, inside, after):
                total.add(part)
    return total


def judged(
    ids: list[int], as_of: dt.date, now: dt.datetime | None = None
) -> Iterator[tuple[FleetSnapshot | None, Assessment | None, dict[int, str]]]:
    """Snapshots with their assessment in order of ids; where one unit cannot be computed the rest is tried in halves."""
    try:
        snapshot = load_snapshot(ids, as_of, now=now)
        yield snapshot, assess(snapshot), {}
    except Exception as error:
        if len(ids) == 1:
            log.exception("Unit %s cannot be judged as of %s.", ids[0], as_of)
            yield None, None, {ids[0]: _reason(error)}
            return
        half = len(ids) // 2
        yield from judged(ids[:half], as_of, now)
        yield from judged(ids[half:], as_of, now)


def _reason(error: Exception) -> str:
    where = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({where.name}, line {where.lineno})"[:2000]


def _slices(
    snapshot: FleetSnapshot | None,
    found: Assessment | None,
    failed: dict[int, str],
    as_of: dt.date,
    loaded_at: dt.datetime,
    seen: Marks,
    sweep: Sweep | None,
    inside: AfterSlice,
    after: AfterSlice,
) -> Iterator[Written]:
    if snapshot is None or found is None:
        with transaction.atomic():
            written = _set_aside(failed, as_of, loaded_at, sweep)
            judgement_due_settle(failed, seen)
            inside(written, max(failed))
        after(written, max(failed))
        yield written
        return
    everyone = np.arange(len(snapshot.units))
    for start in range(0, len(everyone), SLICE_UNITS):
        rows = everyone[start : start + SLICE_UNITS]
        last = int(snapshot.units["id"][rows[-1]])
        texts = prepared_texts(snapshot, found, rows)
        with transaction.atomic():
            written = write_slice(snapshot, found, rows, texts, as_of=as_of, loaded_at=loaded_at, seen=seen)
            inside(written, last)
        after(written, last)
        yield written


def _set_aside(failed: dict[int, str], as_of: dt.date, at: dt.datetime, sweep: Sweep | None) -> Written:
    """The unit shows 'cannot decide' until a later pass computes it; its old verdict stays as history."""
    sweep = sweep or Sweep.objects.create(
        as_of=as_of, cause=Sweep.Cause.CHANGE, state=Sweep.State.DONE, started_at=at
    )
    for unit_id, reason in failed.items():
        SetAside.objects.update_or_create(
            unit_id=unit_id, cleared_at=None, defaults={"sweep": sweep, "reason": reason, "at": at}
        )
    return Written(units=len(failed), set_aside=len(failed), reasons=list(failed.values()))


def retire_units(*, unit_ids: Collection[int], now: dt.datetime | None = None) -> None:
    """Units out of service have no verdict and no open matters any more."""
    now = now or timezone.now()
    gone = Unit.objects.filter(pk__in=unit_ids, retired_on__isnull=False).values_list("pk", flat=True)
    ids = list(gone)
    with transaction.atomic():
        Verdict.objects.filter(unit_id__in=ids, current=True).update(current=False)
        JudgementDue.objects.filter(unit__in=ids).delete()
        Alert.objects.filter(about_unit_id__in=ids, cleared_at__isnull=True).update(
            cleared_at=now, cleared_by="unit retired"
        )
