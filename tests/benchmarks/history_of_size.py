"""A past for the fleet of `fleet_of_size`: the ledger behind its balances, absences, day logs, faults, cleared alerts.

What lies in a place or aboard is what the movements say (parts in positions are taken as found). All of it is in
proportion to the units.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from decimal import Decimal
from itertools import islice
from typing import Any

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, models

from fleet.models import Absence, AuditEntry, DayLog, Deployment, Place, UnitStay, User
from inventory.models import Balance, Movement
from readiness.models import Alert, Fault, Sweep, Task
from tests.benchmarks.fleet_of_size import DEPOTS, LOTS, PARTS, SHARED_LOTS

ABOARD, USED, SPARE = Decimal(50), Decimal(10), Decimal(40)
STRIDE = SHARED_LOTS // (LOTS + PARTS)
DAYS_BACK = 800
AWAY_EVERY, FAULT_EVERY, TASK_EVERY = 20, 10, 25
DAY_LOGS = 10


def add_history(units: int, today: dt.date, actor: User) -> dict[str, int]:
    """Fill a database made by `build`, before its first sweep; tells how many rows of what it wrote."""
    now = dt.datetime.combine(today, dt.time(6), tzinfo=dt.UTC)
    ids = range(1, units + 1)
    _count_on()
    told = {
        "movements": _keep(Movement, _movements(ids, now, actor)),
        "balances": _keep(Balance, _in_places(ids)),
        "audit": _keep(AuditEntry, _audit(ids, now, actor)),
    }
    _send_away(ids, now)
    deployments = (
        Deployment(pk=n, code=f"M{n}", unit_id=n, started_on=day, ended_on=day + dt.timedelta(days=DAY_LOGS))
        for n in ids
        for day in [today - dt.timedelta(days=200 + n % 400)]
    )
    told["deployments"] = _keep(Deployment, deployments)
    told["day_logs"] = _keep(DayLog, _day_logs(ids, today))
    told["faults"] = _keep(Fault, _faults(ids, now, actor))
    _keep(
        Task,
        (Task(unit_id=n, title="Look at the hinges", created_at=now, version=1) for n in ids[::TASK_EVERY]),
    )
    told["cleared_alerts"] = _keep(Alert, _cleared(ids, now))
    _keep(Sweep, _sweeps(today, now))
    _count_on()
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    return told


def _count_on() -> None:
    """Where keys come from a sequence, it goes on after those that were given."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), apps.get_models()):
            cursor.execute(statement)


def _keep(model: type[models.Model], rows: Iterable[Any]) -> int:
    source, count = iter(rows), 0
    while batch := list(islice(source, 5000)):
        model._default_manager.bulk_create(batch, batch_size=500)
        count += len(batch)
    return count


def home_of(n: int) -> int:
    """The depot of unit `n`, as `build` gave it."""
    return n % DEPOTS + 1


def lots_of(n: int) -> Iterator[int]:
    """The lots aboard unit `n`, as `build` gave them."""
    return ((n % STRIDE) * (LOTS + PARTS) + k + 1 for k in range(LOTS))


def _issued(k: int) -> Decimal:
    """How much of its k-th lot a unit was given; of the first it used some."""
    return ABOARD + (USED if k == 0 else 0)


def _taken(ids: range) -> dict[tuple[int, int], Decimal]:
    """How much of each lot left each depot for its units."""
    taken: dict[tuple[int, int], Decimal] = {}
    for n in ids:
        for k, lot in enumerate(lots_of(n)):
            key = (lot, home_of(n))
            taken[key] = taken.get(key, Decimal(0)) + _issued(k)
    return taken


def _movements(ids: range, now: dt.datetime, actor: User) -> Iterator[Movement]:
    first = now - dt.timedelta(days=DAYS_BACK)
    for (lot, depot), taken in _taken(ids).items():
        yield _line("receipt", lot, taken + SPARE, first, actor, to_place_id=depot)
    for n in ids:
        home = home_of(n)
        for k, lot in enumerate(lots_of(n)):
            at = first + dt.timedelta(days=1 + (n * 7 + k * 71) % (DAYS_BACK - 3), minutes=n % 600)
            yield _line("issue", lot, _issued(k), at, actor, from_place_id=home, to_unit_id=n)
            if k == 0:
                yield _line("use", lot, USED, at + dt.timedelta(days=1), actor, from_unit_id=n)


def _line(kind: str, lot: int, qty: Decimal, at: dt.datetime, actor: User, **ends: int) -> Movement:
    return Movement(kind=kind, lot_id=lot, qty=qty, happened_at=at, recorded_at=at, recorded_by=actor, **ends)


def _in_places(ids: range) -> Iterator[Balance]:
    """What the movements left in the depots; aboard, `build` wrote it."""
    return (Balance(lot_id=lot, place_id=depot, qty=SPARE) for lot, depot in _taken(ids))


def _audit(ids: range, now: dt.datetime, actor: User) -> Iterator[AuditEntry]:
    actions = ("reading.record", "charge.start", "charge.stop", "unit.update", "reading.strike")
    for number in range(len(ids) * 5 // 2):
        n = number % len(ids) + 1
        yield AuditEntry(
            at=now - dt.timedelta(minutes=(number * 613) % (DAYS_BACK * 1440)),
            actor=actor,
            action=actions[number % len(actions)],
            subject_kind="reading",
            subject_id=str(number),
            unit_id=n,
            place_id=home_of(n),
        )


def _send_away(ids: range, now: dt.datetime) -> None:
    gone = list(ids[::AWAY_EVERY])
    at = now - dt.timedelta(days=12)
    purposes = ("loan", "exercise", "workshop", "call")
    UnitStay.objects.filter(unit__in=gone, ended_at__isnull=True).update(ended_at=at)
    _keep(
        Absence,
        (
            Absence(
                pk=n,
                unit_id=n,
                purpose=purposes[k % 4],
                custodian="A neighbour",
                started_at=at,
                due_back_on=(now + dt.timedelta(days=k % 20 - 5)).date(),
            )
            for k, n in enumerate(gone)
        ),
    )
    _keep(UnitStay, (UnitStay(unit_id=n, absence_id=n, started_at=at) for n in gone))


def _day_logs(ids: range, today: dt.date) -> Iterator[DayLog]:
    for n in ids:
        first = today - dt.timedelta(days=200 + n % 400)
        for k in range(DAY_LOGS):
            day = first + dt.timedelta(days=k)
            at = dt.datetime.combine(day, dt.time(23, 59), tzinfo=dt.UTC)
            yield DayLog(
                deployment_id=n,
                day=day,
                hours_a_h=6.0,
                hours_b_h=5.0,
                volume_a_m3=9.0,
                happened_at=at,
                recorded_at=at,
            )


def _faults(ids: range, now: dt.datetime, actor: User) -> Iterator[Fault]:
    for n in ids:
        if n % 2 and n % FAULT_EVERY:
            continue
        at = now - dt.timedelta(days=10 + n % 300)
        closed = None if n % FAULT_EVERY == 0 else at + dt.timedelta(days=2)
        yield Fault(
            unit_id=n,
            description="A hinge is stiff",
            severity="minor",
            mend_h=1.0,
            happened_at=at,
            recorded_at=at,
            recorded_by=actor,
            closed_at=closed,
        )


def _cleared(ids: range, now: dt.datetime) -> Iterator[Alert]:
    for n in ids:
        for k in range(2):
            raised = now - dt.timedelta(days=30 + n % 300 + 200 * k)
            yield Alert(
                rule="reading_stale",
                subject_key=f"bank:{n}",
                bank_id=n,
                about_unit_id=n,
                depot_id=home_of(n),
                cost_of_delay=5,
                raised_at=raised,
                updated_at=raised,
                cleared_at=raised + dt.timedelta(days=3),
                cleared_by="reading",
            )


def _sweeps(today: dt.date, now: dt.datetime) -> Iterator[Sweep]:
    for depot in Place.objects.filter(kind=Place.Kind.DEPOT):
        for k in range(1, 366):
            at = now - dt.timedelta(days=k)
            yield Sweep(
                depot=depot,
                as_of=today - dt.timedelta(days=k),
                cause="nightly",
                state="done",
                started_at=at,
                finished_at=at,
            )
