"""A deployment that is over when it is told: its absence and its stays are written as if it had been told in time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.domain.stays import Span, cut
from fleet.lib.errors import DomainError
from fleet.models import Absence, Deployment, Place, Unit, UnitStay, User
from fleet.services.records import (
    birth_of_unit,
    check_moment,
    check_row,
    facts,
    from_integrity,
    local_day,
    locked,
    moment_or_now,
    note_change,
)

NOT_RECORDED = _("not recorded")


def deployment_past(
    *,
    unit: Unit,
    code: str,
    started_at: datetime,
    ended_at: datetime,
    actor: User | None,
    custodian: str = "",
    site: Place | None = None,
    exercise: bool = False,
    due_back_on: date | None = None,
    people: int | None = None,
    note: str = "",
    trail: str = "",
    now: datetime | None = None,
) -> Deployment:
    """Writes a deployment that has ended, its absence, and where the unit was before, meanwhile and after.

    The stay in which the unit was on file is cut in two, so that the unit is where it is on file now. `trail` goes to
    the audit line. Raises DomainError when the unit was away or moved in that time, or did not exist yet.
    """
    instant = moment_or_now(now)
    try:
        with transaction.atomic():
            row: Unit = locked(unit)
            there = Deployment.objects.filter(code__iexact=code.strip()).first()
            if there is not None:
                raise DomainError(
                    "deployment.code_taken",
                    _("A deployment with the code {code} is on file already ({unit}). Choose another."),
                    code=there.code,
                    unit=str(there.unit),
                )
            for moment in (started_at, ended_at):
                check_moment(moment, now=instant, birth=birth_of_unit(row))
            absence = Absence(
                unit=row,
                purpose=Absence.Purpose.EXERCISE if exercise else Absence.Purpose.CALL,
                custodian=custodian.strip() or NOT_RECORDED,
                place=site,
                started_at=started_at,
                ended_at=ended_at,
                due_back_on=due_back_on,
                note=note[:400],
            )
            check_row(absence)
            _stays_around(row, absence, started_at, ended_at)
            deployment = Deployment(
                code=code.strip(),
                unit=row,
                absence=absence,
                exercise=exercise,
                site=site,
                started_on=local_day(started_at, row.home.time_zone),
                ended_on=local_day(ended_at, row.home.time_zone),
                people=people,
                note=note,
            )
            check_row(deployment)
            deployment.save(force_insert=True)
            note_change(absence, action="absence.past", actor=actor, after=facts(absence), place=row.home)
            note_change(
                deployment,
                action="deployment.past",
                actor=actor,
                after=facts(deployment),
                note=trail,
                place=row.home,
            )
            return deployment
    except IntegrityError as error:
        raise from_integrity(error) from error


def spans_of(stays: Sequence[UnitStay]) -> list[Span]:
    """Stays of one unit as the calculation takes them, the earliest first."""
    ordered = sorted(stays, key=lambda stay: (stay.started_at, stay.pk or 0))
    return [
        Span(
            stay.started_at,
            stay.ended_at,
            stay.absence_id is not None,
            str(stay.place or stay.absence),
            stay.place_id,
        )
        for stay in ordered
    ]


def _stays_around(unit: Unit, absence: Absence, start: datetime, end: datetime) -> None:
    stays = list(
        UnitStay.objects.select_for_update(of=("self",))
        .filter(unit=unit)
        .select_related("place", "absence__unit")
        .order_by("started_at", "pk")
    )
    room = cut(spans_of(stays), start, end)
    absence.save(force_insert=True)
    if room.split is not None:
        before = stays[room.split]
        until, place = before.ended_at, before.place
        before.ended_at = start
        before.save(update_fields=["ended_at"])
        UnitStay.objects.create(unit=unit, place=place, started_at=end, ended_at=until)
    elif room.later is not None:
        first = stays[room.later]
        first.started_at = end
        first.save(update_fields=["started_at"])
    elif room.fill:
        UnitStay.objects.create(unit=unit, place=unit.home, started_at=end, ended_at=room.fill_until)
    UnitStay.objects.create(unit=unit, absence=absence, started_at=start, ended_at=end)
