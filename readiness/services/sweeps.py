"""Sweeps as pieces of work: the nightly one of each depot, one asked for, one after a change; and what follows them."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Collection, Mapping
from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from fleet.lib.dates import find_zone
from fleet.lib.jobs import JobContext
from fleet.models import Job, Place, Unit, User
from fleet.services.jobs import job_enqueue
from inventory.services.store_changes import StoreChange, changed_since
from readiness.models import Sweep
from readiness.selectors.open_charges import units_with_charges_past_end
from readiness.selectors.store_needs import units_resting_on
from readiness.services.digest import digest_enqueue, digests_again
from readiness.services.fleet_learning import fleet_learning_or_older
from readiness.services.judgement_due import judge_later, judgement_due_mark
from readiness.services.sweep import retire_units, sweep_units
from readiness.services.sweep_stores import sweep_stores
from readiness.services.sweep_writes import Written

log = logging.getLogger(__name__)
NIGHT_HOUR = 2
# More units than this after one change (an import, new terms of a depot) are computed by the workers.
AT_ONCE_UNITS = 100
# After a change of the stores, which a person waits for.
AT_ONCE_STORES = 50
# How long a change may have been written down before others could see it.
BEFORE_COMMIT = dt.timedelta(minutes=1)


def today_of(place: Place, now: dt.datetime) -> dt.date:
    return now.astimezone(find_zone(place.time_zone)).date()


def due_nightly(*, now: dt.datetime) -> int:
    """Enqueue the nightly sweep of every depot where it is past 02:00 and today's is not done. Asking twice adds none.

    Mails of today that could not be sent after their night are asked for again. Returns how many sweeps were started.
    """
    started = 0
    for depot in Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("pk"):
        local = now.astimezone(find_zone(depot.time_zone))
        if local.hour < NIGHT_HOUR:
            continue
        day = local.date()
        key = f"nightly:{depot.pk}:{day.isoformat()}"
        done = Sweep.objects.filter(depot=depot, as_of=day, cause=Sweep.Cause.NIGHTLY).exclude(
            state=Sweep.State.RUNNING
        )
        if done.exists() or Job.objects.filter(kind="sweep", unique_key=key).exists():
            continue
        params = {"depot": depot.pk, "as_of": day.isoformat(), "cause": Sweep.Cause.NIGHTLY.value}
        job_enqueue(kind="sweep", params=params, unique_key=key, place=depot)
        started += 1
    digests_again(now=now)
    return started


def sweep_request(*, depot: Place | None, actor: User | None, now: dt.datetime | None = None) -> list[Job]:
    """Ask for a sweep of one depot, or of each depot, as of today there. One that is waiting already is not doubled."""
    now = now or timezone.now()
    depots = [depot] if depot else list(Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True))
    jobs = []
    for place in depots:
        day = today_of(place, now)
        params = {"depot": place.pk, "as_of": day.isoformat(), "cause": Sweep.Cause.ASKED.value}
        job = job_enqueue(
            kind="sweep", params=params, unique_key=f"asked:{place.pk}:{day}", place=place, requested_by=actor
        )
        jobs.append(job)
    return jobs


def run_sweep(ctx: JobContext) -> dict[str, Any]:
    """The work of a job of kind `sweep`: a depot's units, resumed after the last unit that was written."""
    depot = Place.objects.get(pk=ctx.params["depot"])
    as_of = dt.date.fromisoformat(ctx.params["as_of"])
    sweep = _sweep_row(ctx, depot, as_of)
    if sweep.state == Sweep.State.DONE:
        return _told(sweep)
    units = Unit.objects.in_service().filter(home=depot).order_by("pk")
    ids = list(units.values_list("pk", flat=True))
    waiting = [pk for pk in ids if pk > sweep.last_unit_id]
    Sweep.objects.filter(pk=sweep.pk).update(units_total=len(ids))
    ctx.fault_point("sweep:started")
    fleet_learning_or_older(as_of=as_of)

    def inside(written: Written, last_unit_id: int) -> None:
        ctx.fence()
        _count(sweep, written, last_unit_id)
        ctx.fault_point("sweep:writing")

    def after(written: Written, last_unit_id: int) -> None:
        ctx.fault_point("sweep:chunk-written")
        ctx.progress(sum(1 for pk in ids if pk <= last_unit_id), len(ids), depot.name)

    def before() -> None:
        ctx.check_cancelled()
        ctx.fault_point("sweep:loading")

    sweep_units(unit_ids=waiting, as_of=as_of, sweep=sweep, inside=inside, after=after, before_chunk=before)
    _stores_meanwhile(depot, sweep)
    ctx.fault_point("sweep:units-done")
    with transaction.atomic():
        ctx.fence()
        raised, cleared = sweep_stores(depot=depot, as_of=as_of)
        Sweep.objects.filter(pk=sweep.pk).update(
            state=Sweep.State.DONE,
            finished_at=timezone.now(),
            alerts_raised=F("alerts_raised") + raised,
            alerts_cleared=F("alerts_cleared") + cleared,
        )
        if sweep.cause == Sweep.Cause.NIGHTLY and depot.mail:
            digest_enqueue(depot, as_of)
    ctx.fault_point("sweep:finished")
    sweep.refresh_from_db()
    return _told(sweep)


def sweep_at_once(*, depot: Place, as_of: dt.date, now: dt.datetime | None = None) -> Sweep:
    """Judge a depot's units here and now, without a job. `now`: when the records count as read; the clock's if not given."""
    ids = list(Unit.objects.in_service().filter(home=depot).order_by("pk").values_list("pk", flat=True))
    fleet_learning_or_older(as_of=as_of, now=now)
    sweep = Sweep.objects.create(depot=depot, as_of=as_of, cause=Sweep.Cause.ASKED, units_total=len(ids))
    written = sweep_units(unit_ids=ids, as_of=as_of, now=now, sweep=sweep)
    raised, cleared = sweep_stores(depot=depot, as_of=as_of, now=now)
    sweep.state, sweep.finished_at = Sweep.State.DONE, timezone.now()
    sweep.units_done, sweep.units_changed = written.units, written.changed
    sweep.units_set_aside = written.set_aside
    sweep.alerts_raised, sweep.alerts_cleared = written.raised + raised, written.cleared + cleared
    sweep.last_unit_id = max(ids, default=0)
    sweep.save()
    return sweep


def told_of(sweep: Sweep) -> str:
    """What a sweep did, in one line."""
    return (
        f"{sweep.units_done} units judged, {sweep.units_changed} changed, {sweep.units_set_aside} set aside, "
        f"{sweep.alerts_raised} alerts raised, {sweep.alerts_cleared} cleared"
    )


def _sweep_row(ctx: JobContext, depot: Place, as_of: dt.date) -> Sweep:
    cause = ctx.params.get("cause", Sweep.Cause.ASKED)
    if cause == Sweep.Cause.NIGHTLY:
        sweep, _ = Sweep.objects.get_or_create(
            depot=depot, as_of=as_of, cause=cause, defaults={"job_id": ctx.job_id}
        )
    else:
        sweep, _ = Sweep.objects.get_or_create(
            job_id=ctx.job_id, defaults={"depot": depot, "as_of": as_of, "cause": cause}
        )
    return sweep


def _count(sweep: Sweep, written: Written, last_unit_id: int) -> None:
    Sweep.objects.filter(pk=sweep.pk).update(
        last_unit_id=last_unit_id,
        units_done=F("units_done") + written.units,
        units_changed=F("units_changed") + written.changed,
        units_set_aside=F("units_set_aside") + written.set_aside,
        alerts_raised=F("alerts_raised") + written.raised,
        alerts_cleared=F("alerts_cleared") + written.cleared,
    )


def _told(sweep: Sweep) -> dict[str, Any]:
    return {
        "sweep": sweep.pk,
        "units": sweep.units_done,
        "changed": sweep.units_changed,
        "set_aside": sweep.units_set_aside,
        "raised": sweep.alerts_raised,
        "cleared": sweep.alerts_cleared,
    }


def sweep_cancelled(job: Job) -> None:
    """A sweep whose job ended otherwise than done is not running any more."""
    Sweep.objects.filter(job_id=job.pk, state=Sweep.State.RUNNING).update(
        state=Sweep.State.CANCELLED, finished_at=timezone.now()
    )


def sweep_now(*, unit_ids: Collection[int], now: dt.datetime | None = None) -> Written:
    """Judge these units at once as of today at their homes: what a page shows after a reading, a fault, a movement."""
    now = now or timezone.now()
    total = Written()
    by_day: dict[dt.date, list[int]] = {}
    units = Unit.objects.filter(pk__in=unit_ids).values_list("pk", "home__time_zone", "retired_on")
    for pk, zone, retired in units:
        if retired is None:
            by_day.setdefault(now.astimezone(find_zone(zone)).date(), []).append(pk)
    for day, ids in sorted(by_day.items()):
        total.add(sweep_units(unit_ids=ids, as_of=day))
    retire_units(unit_ids=unit_ids, now=now)
    return total


def after_change(unit_ids: Collection[int]) -> None:
    """Listener of `fleet.services.changes`: at once for a few units, by the workers for many. Never raises."""
    ids = sorted(unit_ids)
    _judge(ids, at_once=len(ids) if len(ids) <= AT_ONCE_UNITS else 0)


def after_stores_change(changes: Collection[StoreChange], told: Collection[int]) -> None:
    """Listener of `inventory.services.store_changes`. Never raises.

    Units that rest on what changed in the stores of their depot are judged again, the first ones at once; matters of the
    lots follow. `told`: units that another listener judges because of the same change.
    """
    items, lots = _items_by_place(changes), _lots_by_place(changes)
    _lots_changed(lots)
    try:
        ids = [pk for pk in units_resting_on(items) if pk not in told]
    except Exception:
        log.exception(
            "What rests on the stores of places %s could not be found: all of it is.", sorted(items)
        )
        _judge_all(items)
        return
    _judge(ids, at_once=AT_ONCE_STORES)


def mark_stores(changes: Collection[StoreChange]) -> None:
    """Marker of `inventory.services.store_changes`: the units that rest on these stores wait from now on. Never raises."""
    items = _items_by_place(changes)
    try:
        with transaction.atomic():
            ids = units_resting_on(items)
    except Exception:
        log.exception(
            "What rests on the stores of places %s could not be found: all of it waits.", sorted(items)
        )
        ids = list(Unit.objects.in_service().filter(home__in=items).values_list("pk", flat=True))
    judgement_due_mark(ids)


def _items_by_place(changes: Collection[StoreChange]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for change in changes:
        found.setdefault(change.place, set()).add(change.item)
    return found


def _lots_by_place(changes: Collection[StoreChange]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for change in changes:
        found.setdefault(change.place, set()).add(change.lot)
    return found


def _stores_meanwhile(depot: Place, sweep: Sweep) -> None:
    """Judge again what began to rest on the stores with this very pass and was not there to be found when they changed."""
    changes = changed_since(depot, sweep.started_at - BEFORE_COMMIT)
    if changes:
        items = {depot.pk: {change.item for change in changes}}
        _judge(units_resting_on(items, since=sweep.started_at), at_once=AT_ONCE_STORES)


def _lots_changed(lots: Mapping[int, Collection[int]]) -> None:
    """Matters of these lots by place, at once; where that fails the whole depot is swept by the workers."""
    for depot in Place.objects.filter(pk__in=lots, kind=Place.Kind.DEPOT):
        try:
            with transaction.atomic():
                sweep_stores(depot=depot, as_of=today_of(depot, timezone.now()), lots=lots[depot.pk])
        except Exception:
            log.exception("Lots in %s could not be looked at after a change; a sweep will.", depot)
            sweep_request(depot=depot, actor=None)


def _judge(ids: list[int], *, at_once: int) -> None:
    """The first `at_once` units here and now, the rest by the workers; so are those that fail here."""
    later, now = ids[at_once:], ids[:at_once]
    try:
        judge_later(later)
    except Exception:
        log.exception("%d units could not be handed to the workers.", len(later))
    if not now:
        return
    try:
        sweep_now(unit_ids=now)
    except Exception:
        log.exception("Units %s could not be judged after a change; the workers will.", now[:20])
        try:
            judge_later(now)
        except Exception:
            log.exception("Units %s could not be handed to the workers either.", now[:20])


def _judge_all(depot_ids: Collection[int]) -> None:
    try:
        judge_later(list(Unit.objects.in_service().filter(home__in=depot_ids).values_list("pk", flat=True)))
    except Exception:
        log.exception("The units of places %s could not be handed to the workers.", sorted(depot_ids))


def judge_open_charges(*, now: dt.datetime) -> int:
    """Judge units in which a charge is open past its end and that nobody has judged since: it was left open.

    Asked every quarter of an hour, by the clock; the night looks at days. Returns how many units were judged.
    """
    units = units_with_charges_past_end(now=now)
    after_change(units)
    return len(units)


def run_sweep_units(ctx: JobContext) -> dict[str, Any]:
    """The work of a job of kind `sweep_units`. Units that were judged since they were handed over are not judged again."""
    ctx.fault_point("sweep:units-loading")
    units = ctx.params["units"]
    if ctx.params.get("waiting"):
        still = Q(judgement_due__isnull=False) | Q(retired_on__isnull=False)
        units = list(Unit.objects.filter(still, pk__in=units).values_list("pk", flat=True))
    written = sweep_now(unit_ids=units)
    return {"units": written.units, "changed": written.changed, "set_aside": written.set_aside}
