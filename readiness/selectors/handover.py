"""Hand-over of a depot between two times: what runs, what began, what was left, broke, was mended, was promised, moved."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import F, Q, QuerySet

from fleet.models import Absence, AuditEntry, BankStay, Place, UnitStay
from inventory.models import Movement
from inventory.selectors.pages import movements_of_depot
from readiness.models import Alert, Charge, Fault, Inspection, Reading, Task

MOST = 100
LEFT_AFTER = dt.timedelta(hours=36)


@dataclass(frozen=True)
class Part:
    """Rows of one heading, at most MOST, and how many there are."""

    rows: list[Any]
    total: int

    @property
    def more(self) -> int:
        return self.total - len(self.rows)


@dataclass(frozen=True)
class Handover:
    """All as it stood at `until`; `where` says in which unit each bank sits (by bank id)."""

    since: dt.datetime
    until: dt.datetime
    on_charge: Part
    begun: Part
    ended: Part
    left_open: Part
    faults: Part
    alerts: Part
    mended: Part
    cleared: Part
    tasks: Part
    taken: Part
    readings: Part
    inspections: Part
    stays: Part
    back: Part
    movements: Part
    put_right: Part
    where: dict[int, Any]

    @property
    def quiet(self) -> bool:
        parts = (value for value in vars(self).values() if isinstance(value, Part))
        return not any(part.total for part in parts)


def handover_of(depot: Place, *, since: dt.datetime, until: dt.datetime) -> Handover:
    """What happened at a depot in [since, until), or was written down in it. A fixed number of queries."""
    inside = (since, until)
    here = _banks_of(depot)
    charges = Charge.objects.counting().filter(here).select_related("bank", "recorded_by")
    running = _either(charges, Q(ended_at__isnull=True), Q(ended_at__gte=until)).filter(happened_at__lt=until)
    late = Q(planned_end_at__lt=until) | Q(planned_end_at__isnull=True, happened_at__lt=until - LEFT_AFTER)
    of_units = {"unit__home": depot}
    found = Handover(
        since=since,
        until=until,
        on_charge=_part(running.exclude(late).order_by("happened_at")),
        left_open=_part(running.filter(late).order_by("happened_at")),
        begun=_part(_during(charges, *inside).order_by("happened_at")),
        ended=_part(charges.filter(_within("ended_at", *inside)).order_by("ended_at")),
        faults=_part(_records(Fault, of_units, inside)),
        mended=_part(
            Fault.objects.counting()
            .filter(**of_units)
            .filter(_within("closed_at", *inside))
            .select_related("unit", "closed_by")
            .order_by("closed_at")
        ),
        alerts=_part(_alerts(depot).filter(_within("raised_at", *inside)).order_by("raised_at")),
        cleared=_part(_alerts(depot).filter(_within("cleared_at", *inside)).order_by("cleared_at")),
        taken=_part(
            _alerts(depot)
            .filter(Q(cleared_at__isnull=True) | Q(cleared_at__gte=until), taken_at__lt=until)
            .order_by(F("due_on").asc(nulls_last=True), "id")
        ),
        tasks=_part(_tasks(depot, until)),
        readings=_part(
            _during(Reading.objects.counting().filter(here), *inside)
            .select_related("bank", "recorded_by")
            .order_by("happened_at")
        ),
        inspections=_part(_records(Inspection, of_units, inside, "type")),
        stays=_part(_stays(depot, inside)),
        back=_part(_absences(depot, inside)),
        movements=_part(_movements(depot, inside)),
        put_right=_part(_corrections(depot, inside)),
        where={},
    )
    found.where.update(_where(found, depot))
    return found


def _part(rows: QuerySet[Any]) -> Part:
    first = list(rows[: MOST + 1])
    return Part(first, len(first)) if len(first) <= MOST else Part(first[:MOST], rows.count())


def _within(name: str, since: dt.datetime, until: dt.datetime) -> Q:
    return Q(**{f"{name}__gte": since, f"{name}__lt": until})


def _either(rows: QuerySet[Any], one: Q, other: Q) -> QuerySet[Any]:
    """Rows for which one or the other holds, each looked up in an index of its own."""
    every = rows.model._default_manager.order_by()
    return rows.filter(pk__in=every.filter(one).values("pk").union(every.filter(other).values("pk")))


def _during(rows: QuerySet[Any], since: dt.datetime, until: dt.datetime) -> QuerySet[Any]:
    """It happened then, or it was written down then."""
    return _either(rows, _within("happened_at", since, until), _within("recorded_at", since, until))


def _banks_of(depot: Place) -> Q:
    """Banks that sit in units of the depot or on its shelf."""
    stays = BankStay.objects.current().filter(Q(unit__home=depot) | Q(place=depot))
    return Q(bank__in=stays.order_by().values("bank"))


def _records(model: Any, of_units: dict[str, Any], inside: Any, *related: str) -> QuerySet[Any]:
    rows = _during(model.objects.counting().filter(**of_units), *inside)
    found: QuerySet[Any] = rows.select_related("unit", "recorded_by", *related).order_by("happened_at")
    return found


def _alerts(depot: Place) -> QuerySet[Alert]:
    return Alert.objects.filter(depot=depot).select_related(
        "about_unit", "taken_by", "bank", "item", "lot__item", "certificate", "place"
    )


def _tasks(depot: Place, until: dt.datetime) -> QuerySet[Task]:
    still_open = Q(ended_at__isnull=True) | Q(ended_at__gte=until)
    return (
        Task.objects.filter(still_open, unit__home=depot, created_at__lt=until)
        .select_related("unit", "taken_by", "created_by")
        .order_by(F("due_on").asc(nulls_last=True), "id")
    )


def _stays(depot: Place, inside: Any) -> QuerySet[UnitStay]:
    """Units that came to the depot or left it, whosever they are."""
    came = _within("started_at", *inside) & Q(place=depot)
    left = _within("ended_at", *inside) & Q(place=depot)
    return UnitStay.objects.filter(came | left).select_related("unit", "place").order_by("started_at", "id")


def _absences(depot: Place, inside: Any) -> QuerySet[Absence]:
    moved = _within("started_at", *inside) | _within("ended_at", *inside)
    return (
        Absence.objects.filter(moved, unit__home=depot, struck_at__isnull=True)
        .select_related("unit", "place")
        .order_by("started_at", "id")
    )


def _movements(depot: Place, inside: Any) -> QuerySet[Movement]:
    return (
        movements_of_depot(_during(Movement.objects.all(), *inside), depot)
        .select_related("lot__item", "from_place", "to_place", "from_unit", "to_unit", "recorded_by")
        .order_by("happened_at", "id")
    )


def _corrections(depot: Place, inside: Any) -> QuerySet[AuditEntry]:
    """What was struck out, superseded or moved: the next shift should not look for it in vain."""
    puts_right = (
        Q(action__endswith=".strike") | Q(action__endswith=".supersede") | Q(action__endswith=".move")
    )
    return (
        AuditEntry.objects.filter(_within("at", *inside), puts_right, unit__home=depot)
        .exclude(action__in=["unit.move", "bank.move", "block.move"])
        .select_related("actor", "unit")
        .order_by("at", "id")
    )


def _where(found: Handover, depot: Place) -> dict[int, Any]:
    parts = (found.on_charge, found.left_open, found.begun, found.ended, found.readings)
    banks = {row.bank_id for part in parts for row in part.rows}
    stays = BankStay.objects.current().filter(bank__in=banks).select_related("unit", "place")
    return {stay.bank_id: stay.unit or stay.place for stay in stays}
