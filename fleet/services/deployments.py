"""A unit away on one call or exercise: its legs, its daily log, its return."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext_noop as _

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import Absence, DayLog, Deployment, Leg, Place, Unit, User
from fleet.services.corrections import check_for
from fleet.services.records import (
    birth_of_unit,
    check_finite,
    check_moment,
    check_row,
    facts,
    field_label,
    local_day,
    locked,
    moment_or_now,
    note_change,
    save_record,
    written_once,
)
from fleet.services.units import absence_end, absence_start


def deployment_start(
    *,
    unit: Unit,
    code: str,
    started_at: datetime,
    custodian: str,
    actor: User | None,
    site: Place | None = None,
    exercise: bool = False,
    due_back_on: date | None = None,
    recall_h: float | None = None,
    people: int | None = None,
    note: str = "",
    now: datetime | None = None,
) -> Deployment:
    """Sends a unit out: opens its absence (call or exercise) and the deployment. The same code twice is one start."""
    instant = moment_or_now(now)
    with transaction.atomic():
        there = Deployment.objects.filter(code__iexact=code.strip()).first()
        if there is not None:
            if there.unit_id == unit.pk and there.absence and there.absence.started_at == started_at:
                return there
            raise DomainError(
                "deployment.code_taken",
                _("A deployment with the code {code} is on file already ({unit}). Choose another."),
                code=there.code,
                unit=str(there.unit),
            )
        absence = absence_start(
            unit=unit,
            purpose=Absence.Purpose.EXERCISE if exercise else Absence.Purpose.CALL,
            custodian=custodian,
            started_at=started_at,
            actor=actor,
            place=site,
            due_back_on=due_back_on,
            recall_h=recall_h,
            note=note[:400],
            now=instant,
        )
        row = Deployment(
            code=code.strip(),
            unit=unit,
            absence=absence,
            exercise=exercise,
            site=site,
            started_on=local_day(started_at, unit.home.time_zone),
            people=people,
            note=note,
        )
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action="deployment.start", actor=actor, after=facts(row), place=unit.home)
        return row


def leg_record(
    *,
    deployment: Deployment,
    conveyance: str,
    origin: Place,
    destination: Place,
    actor: User | None,
    departed_at: datetime | None = None,
    arrived_at: datetime | None = None,
    now: datetime | None = None,
) -> Leg:
    """Adds the next leg; the same leg again with its arrival completes it."""
    instant = moment_or_now(now)
    with transaction.atomic():
        owner: Deployment = locked(deployment)
        last = owner.legs.order_by("sequence").last()
        if last is not None and _same_leg(last, conveyance, origin, destination, departed_at):
            return _complete_leg(last, departed_at, arrived_at, actor, instant)
        if last is not None and _told_twice(last, conveyance, origin, destination, departed_at, arrived_at):
            return last
        if last is not None and last.arrived_at and departed_at and departed_at < last.arrived_at:
            raise DomainError(
                "leg.departs_before_arrival",
                _("This leg departs before leg {number} has arrived. Check the times."),
                number=last.sequence,
            )
        highest = owner.legs.aggregate(top=Max("sequence"))["top"] or 0
        row = Leg(
            deployment=owner,
            sequence=highest + 1,
            conveyance=conveyance.strip(),
            origin=origin,
            destination=destination,
            departed_at=departed_at,
            arrived_at=arrived_at,
        )
        _check_leg(row, instant)
        row.save(force_insert=True)
        note_change(row, action="leg.record", actor=actor, after=facts(row))
        return row


def _same_leg(
    leg: Leg, conveyance: str, origin: Place, destination: Place, departed_at: datetime | None
) -> bool:
    here = (leg.conveyance, leg.origin_id, leg.destination_id)
    moments = leg.departed_at is None or departed_at is None or leg.departed_at == departed_at
    return here == (conveyance.strip(), origin.pk, destination.pk) and moments and leg.arrived_at is None


def _told_twice(
    leg: Leg,
    conveyance: str,
    origin: Place,
    destination: Place,
    departed_at: datetime | None,
    arrived_at: datetime | None,
) -> bool:
    """The leg as it is on file already, with its arrival: a second tap."""
    here = (leg.conveyance, leg.origin_id, leg.destination_id, leg.departed_at, leg.arrived_at)
    return arrived_at is not None and here == (
        conveyance.strip(),
        origin.pk,
        destination.pk,
        departed_at,
        arrived_at,
    )


def _complete_leg(
    leg: Leg, departed_at: datetime | None, arrived_at: datetime | None, actor: User | None, now: datetime
) -> Leg:
    before = facts(leg)
    leg.departed_at = departed_at or leg.departed_at
    leg.arrived_at = arrived_at
    if facts(leg) == before:
        return leg
    _check_leg(leg, now)
    leg.version += 1
    leg.save()
    note_change(leg, action="leg.complete", actor=actor, before=before, after=facts(leg))
    return leg


def _check_leg(row: Leg, now: datetime) -> None:
    birth = birth_of_unit(row.deployment.unit)
    for moment in (row.departed_at, row.arrived_at):
        if moment is not None:
            check_moment(moment, now=now, birth=birth)
    if row.departed_at and row.arrived_at and row.arrived_at < row.departed_at:
        raise DomainError(
            "leg.arrives_before_departure", _("The leg arrives before it departs. Check both times.")
        )
    check_row(row)


def day_log_record(
    *,
    deployment: Deployment,
    day: date,
    actor: User | None,
    hours_a_h: float | None = None,
    hours_b_h: float | None = None,
    starts_a: int | None = None,
    starts_b: int | None = None,
    volume_a_m3: float | None = None,
    volume_b_m3: float | None = None,
    turbidity_ntu: float | None = None,
    pressure_drop_bar: float | None = None,
    energy_kwh: float | None = None,
    note: str = "",
    token: UUID | None = None,
    now: datetime | None = None,
) -> DayLog:
    """Writes down one day on site. It counts from the end of that day there, or from now if the day is not over."""
    instant = moment_or_now(now)

    def write() -> DayLog:
        row = DayLog(
            deployment=deployment,
            day=day,
            happened_at=min(end_of_day(deployment, day), instant),
            hours_a_h=hours_a_h,
            hours_b_h=hours_b_h,
            starts_a=starts_a,
            starts_b=starts_b,
            volume_a_m3=volume_a_m3,
            volume_b_m3=volume_b_m3,
            turbidity_ntu=turbidity_ntu,
            pressure_drop_bar=pressure_drop_bar,
            energy_kwh=energy_kwh,
            note=note,
            token=token,
        )
        _check_day_log(row, instant)
        return save_record(row, action="day_log.record", actor=actor, now=instant)

    return written_once(DayLog, token, write)


def end_of_day(deployment: Deployment, day: date) -> datetime:
    """The midnight that ends `day` where the unit works: at the site, or by the clock of its home depot."""
    place = deployment.site or deployment.unit.home
    return datetime.combine(day + timedelta(days=1), time(0), tzinfo=find_zone(place.time_zone))


@check_for(DayLog)
def _check_day_log(row: DayLog, now: datetime) -> None:
    check_finite(row)
    place = row.deployment.site or row.deployment.unit.home
    if row.day > local_day(now, place.time_zone):
        raise DomainError(
            "day_log.in_future", _("{day} has not come yet. Check the date."), day=row.day.isoformat()
        )
    start, end = row.deployment.started_on, row.deployment.ended_on
    if row.day < start or (end is not None and row.day > end):
        raise DomainError(
            "day_log.outside",
            _("{day} is no day of deployment {code}, which runs from {start} to {end}. Check the day."),
            day=row.day.isoformat(),
            code=row.deployment.code,
            start=start.isoformat(),
            end=end.isoformat() if end else _("now"),
        )
    for name in ("turbidity_ntu", "pressure_drop_bar", "energy_kwh"):
        value = getattr(row, name)
        if value is not None and value < 0:
            label = field_label(row, name)
            raise DomainError("day_log.negative", _("{field}: this cannot be less than 0."), field=label)


def deployment_end(
    *,
    deployment: Deployment,
    ended_at: datetime,
    actor: User | None,
    to: Place | None = None,
    note: str = "",
    now: datetime | None = None,
) -> Deployment:
    """The unit is back: ends the deployment and its absence together. Ending it twice is one end."""
    instant = moment_or_now(now)
    with transaction.atomic():
        row: Deployment = locked(deployment)
        if row.ended_on is not None:
            return row
        ended_on = local_day(ended_at, row.unit.home.time_zone)
        late = row.day_logs.counting().filter(day__gt=ended_on).order_by("-day").first()
        if late is not None:
            raise DomainError(
                "deployment.log_after_end",
                _(
                    "The log of {day} is on file, after the day it is to end. Check the day of return, or strike the log."
                ),
                day=late.day.isoformat(),
            )
        if ended_on < row.started_on:
            raise DomainError("deployment.ends_before_start", _("The unit cannot be back before it left."))
        row.ended_on = ended_on
        row.version += 1
        row.save(update_fields=["ended_on", "version", "updated_at"])
        if row.absence is not None and row.absence.ended_at is None:
            absence_end(absence=row.absence, ended_at=ended_at, actor=actor, to=to, note=note, now=instant)
        note_change(
            row, action="deployment.end", actor=actor, before={"ended_on": None}, after={"ended_on": ended_on}
        )
        return row
