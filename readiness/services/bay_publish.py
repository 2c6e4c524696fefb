"""A draft becomes the plan of its depot, or is taken back. What it rests on is looked at once more before it counts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import User
from fleet.services.audit import audit_record
from fleet.services.jobs import job_cancel
from fleet.services.records import locked, said
from readiness.models import BayPlan
from readiness.selectors.bay_plan import Said, bay_facts, changed_facts
from readiness.services.bay_plans import kept_plan, plan_end, require_sound

# A draft this old is made anew: banks have gone on emptying, and people have gone home.
OLDEST_DRAFT = dt.timedelta(hours=24)
SHORTEST_REASON = 10


class FactsChanged(DomainError):
    """What the draft rests on is otherwise now: `changes`, one line each."""

    def __init__(self, changes: Sequence[Said]) -> None:
        super().__init__(
            "bay_plan.facts_changed",
            _("Since this draft was made {count} things have changed that it rests on. Plan anew."),
            count=len(changes),
        )
        self.changes = tuple(changes)

    def __reduce__(self) -> tuple[Any, ...]:
        return (FactsChanged, (self.changes,))


def bay_plan_publish(
    *,
    plan: BayPlan,
    actor: User,
    accepted_name: str = "",
    accepted_reason: str = "",
    now: dt.datetime | None = None,
) -> BayPlan:
    """Makes a draft the one published plan of its depot; the plan before it is replaced, what has begun goes on.

    Refused: a draft that is too old or whose first charges should have begun; one that rests on facts which have changed
    (FactsChanged names them); one that breaks a floor without the name of who publishes it and a reason.
    """
    now = now or timezone.now()
    with transaction.atomic():
        locked(plan.place)
        row: BayPlan = locked(plan)
        if row.state == BayPlan.State.PUBLISHED:
            return row
        if row.state != BayPlan.State.DRAFT:
            raise DomainError(
                "bay_plan.ended",
                _("This plan is {state} and cannot be published. Plan anew."),
                state=row.get_state_display(),
            )
        _require_fresh(row, now)
        accepted = _accepted(row, actor, accepted_name, accepted_reason)
        frozen = row.frozen
        facts = bay_facts(
            row.place,
            now=now,
            starts_at=dt.datetime.fromisoformat(frozen["starts_at"]),
            slot_h=frozen["slot_h"],
            slots=frozen["slots"],
        )
        changes = [*facts.stops, *changed_facts(frozen["facts"], facts.facts)]
        if changes or facts.problem is None:
            raise FactsChanged(changes)
        require_sound(facts.problem, kept_plan(row).charges)
        for old in BayPlan.objects.select_for_update().filter(place=row.place, state=BayPlan.State.PUBLISHED):
            plan_end(old, BayPlan.State.REPLACED, now, f"plan {row.pk}")
        row.state, row.published_at, row.published_by = BayPlan.State.PUBLISHED, now, actor
        if accepted:
            row.accepted_by, row.accepted_at, row.accepted_reason = actor, now, accepted
        row.version += 1
        row.save()
        if row.job is not None:
            job_cancel(job=row.job, actor=actor)
        audit_record(
            actor=actor,
            action="bayplan.publish",
            subject=row,
            before={"state": BayPlan.State.DRAFT.value},
            after={
                "state": row.state,
                "proven": row.proven,
                "floors_broken": row.floors_broken,
                "accepted_reason": row.accepted_reason,
            },
            place=row.place,
        )
    return row


def _require_fresh(plan: BayPlan, now: dt.datetime) -> None:
    zone = plan.place.time_zone
    if now - plan.created_at > OLDEST_DRAFT:
        raise DomainError(
            "bay_plan.stale",
            _("This draft is of {made}; after a day it is not published any more. Plan anew."),
            made=said(plan.created_at, zone),
        )
    latest = now - dt.timedelta(hours=plan.frozen["slot_h"])
    missed = (
        plan.lines.filter(charge__isnull=True, starts_at__lt=latest)
        .select_related("bank", "bay")
        .order_by("starts_at")
        .first()
    )
    if missed is not None:
        raise DomainError(
            "bay_plan.missed",
            _("Bank {bank} should have begun on bay {bay} at {start} and has not. Plan anew."),
            bank=missed.bank.serial,
            bay=missed.bay.name,
            start=said(missed.starts_at, zone),
        )


def _accepted(plan: BayPlan, actor: User, name: str, reason: str) -> str:
    """The signed reason, '' where none is needed."""
    if not plan.floors_broken:
        return ""
    if " ".join(name.split()).casefold() != str(actor).casefold():
        raise DomainError(
            "bay_plan.sign_name",
            _(
                "This plan lets {count} banks fall under their floor. Sign with your name, '{name}', or plan anew."
            ),
            count=plan.floors_broken,
            name=str(actor),
        )
    if len(reason.strip()) < SHORTEST_REASON:
        raise DomainError("bay_plan.sign_reason", _("Say in a sentence why a floor may be broken."))
    return reason.strip()[:400]


def bay_plan_withdraw(
    *, plan: BayPlan, actor: User | None, reason: str = "", now: dt.datetime | None = None
) -> BayPlan:
    """Takes a draft or the published plan back. Charges that run go on; their records stay."""
    now = now or timezone.now()
    with transaction.atomic():
        row: BayPlan = locked(plan)
        if row.state in (BayPlan.State.WITHDRAWN, BayPlan.State.REPLACED):
            return row
        if row.state == BayPlan.State.PUBLISHED and not reason.strip():
            raise DomainError(
                "bay_plan.withdraw_reason", _("Say why the plan is withdrawn: others work by it.")
            )
        before = row.state
        plan_end(row, BayPlan.State.WITHDRAWN, now, reason.strip())
        if row.job is not None:
            job_cancel(job=row.job, actor=actor)
        audit_record(
            actor=actor,
            action="bayplan.withdraw",
            subject=row,
            before={"state": before},
            after={"state": row.state},
            note=reason,
            place=row.place,
        )
    return row
