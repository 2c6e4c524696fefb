"""What a person waits for: seconds and queries of every page, and of the services behind the forms.

Seconds are the processor's (see CLOCK), so that other work on the machine does not weigh; the database works in the
same process.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from statistics import median
from typing import Any

from django.db import connection
from django.test import Client
from django.utils import timezone

from fleet.models import Absence, BatteryBank, Membership, Place, Unit, User
from fleet.models.office import Role
from fleet.services.units import absence_end, absence_start
from inventory.models import Balance, FittedPart, Lot, Movement
from inventory.services.parts import part_fit, part_remove
from inventory.services.reversal import movement_reverse
from inventory.services.stock import stock_count, stock_issue, stock_receive, stock_transfer, stock_use
from readiness.models import Alert, Charge, InspectionType
from readiness.services import alerts as alert_work
from readiness.services import upkeep
from tests.benchmarks.history_of_size import AWAY_EVERY, home_of
from tests.benchmarks.sweep_yardsticks import CLOCK

TIMES, LONG_S = 3, 0.3  # a page is opened again until this much is spent
TAG, DEPOT = "U100", "D5"

# By the person who opens them: everything in view, and one depot.
EVERYBODYS = {
    "today": "/",
    "today, for everyone": "/?for=everyone",
    "today, last page": "/?page=999999",
    "horizon": "/horizon/",
    "horizon, by end": "/horizon/?order=end",
    "horizon, a year, not ready": "/horizon/?days=365&verdict=after_work",
    "units": "/units/",
    "units, last page": "/units/?page=999999",
    "units, search a tag": "/units/?q=U19&page=1",
    "units, search finds none": "/units/?q=zebra&page=1",
    "units, ready": "/units/?verdict=ready",
    "units, after work": "/units/?verdict=after_work",
    "units, cannot decide": "/units/?verdict=cannot_decide",
    "units, of a design": "/units/?design=T2",
    "units, here": "/units/?where=here",
    "units, on loan": "/units/?where=loan",
    "units, by verdict": "/units/?sort=verdict",
    "units, by hours": "/units/?sort=-hours",
    "units, by charge": "/units/?sort=charge",
    "units, by due day": "/units/?sort=due",
    "units, by design": "/units/?sort=design",
    "units, by home": "/units/?sort=depot",
    "alerts": "/alerts/",
    "alerts, last page": "/alerts/?page=999999",
    "alerts, search a tag": "/alerts/?q=U19",
    "alerts, of a rule": "/alerts/?rule=charge_due",
    "alerts, for procurement": "/alerts/?owner=procurement",
    "alerts, mine": "/alerts/?state=mine",
    "alerts, put off": "/alerts/?state=snoozed",
    "alerts, cleared": "/alerts/?state=cleared",
    "alerts, by unit": "/alerts/?sort=unit",
    "alerts, by matter": "/alerts/?sort=matter",
    "alerts, by due day": "/alerts/?sort=due",
    "alerts, by late day": "/alerts/?sort=late",
    "alerts, by hours": "/alerts/?sort=hours",
    "alerts, by taker": "/alerts/?sort=taken",
    "stores": "/stores/",
    "stores, last page": "/stores/?page=999999",
    "stores, aboard": "/stores/?where=aboard",
    "stores, both": "/stores/?where=all",
    "stores, search": "/stores/?where=all&q=L19",
    "stores, search a tag": "/stores/?where=all&q=U19",
    "stores, usable": "/stores/?where=all&status=usable",
    "stores, expired": "/stores/?where=all&status=expired",
    "stores, expiring": "/stores/?where=all&within=30",
    "stores, by item": "/stores/?where=all&sort=item",
    "stores, by place": "/stores/?where=all&sort=where",
    "stores, by quantity": "/stores/?where=all&sort=-qty",
    "stores, by status": "/stores/?where=all&sort=status",
    "items": "/stores/?by=item",
    "items, some usable": "/stores/?by=item&stock=usable",
    "items, by what is aboard": "/stores/?by=item&sort=-aboard",
    "one item": "/stores/items/I3/",
    "one item, all lots": "/stores/items/I3/?empty=1",
    "one lot": "/stores/lots/{lot}/",
    "movements": "/stores/movements/",
    "movements, last page": "/stores/movements/?page=999999",
    "movements, search": "/stores/movements/?q=L19",
    "movements, search finds none": "/stores/movements/?q=zebra",
    "movements, of a kind": "/stores/movements/?kind=use",
    "movements, of a place": "/stores/movements/?place=D5",
    "movements, of a week": "/stores/movements/?first=2026-03-02&last=2026-03-08",
    "movements, what counts": "/stores/movements/?standing=counts",
    "movements, reversed": "/stores/movements/?standing=reversed",
    "movements, by item": "/stores/movements/?sort=item",
    "movements, by quantity": "/stores/movements/?sort=qty",
    "hand-over": "/hand-over/?depot=D5",
    "hand-over, a week": "/hand-over/?depot=D5&since=2026-11-17T06:00&until=2026-11-24T06:00",
    "first weeks": "/first-weeks/?depot=D5",
    "survey sheet": "/first-weeks/sheet/?depot=D5",
    "survey entry": "/first-weeks/entry/?depot=D5",
    "sweeps": "/sweeps/",
    "sweep progress": "/sweeps/progress/",
    "imports": "/fleet/imports/",
    "find a unit": "/fleet/find/?q=U19",
    "find by the middle": "/fleet/find/?q=99",
    "find nothing": "/fleet/find/?q=zebra",
    "settings": "/fleet/settings/",
}
ADMINISTRATORS = {
    "admin, units": "/admin/fleet/unit/",
    "admin, movements": "/admin/inventory/movement/",
    "admin, verdicts": "/admin/readiness/verdict/",
    "admin, audit": "/admin/fleet/auditentry/",
}
UNIT_PAGES = (
    "",
    "edit/",
    "reading/",
    "charge/start/",
    "charge/end/",
    "inspection/",
    "fault/",
    "fault/close/",
    "parts/fit/",
    "parts/remove/",
    "wet/",
    "connection/",
    "certificate/",
    "bank/test/",
    "bank/in/",
    "bank/out/",
    "change/",
    "tasks/",
    "leave/",
    "move/",
    "deployment/",
)
STOCK_PAGES = ("issue", "return", "transfer", "use", "count", "scrap", "receive", "edit", "quarantine")


def make_people() -> dict[str, User]:
    """An administrator, and the manager of one depot."""
    ada = User.objects.create_superuser("ada", "ada@example.org", "bench")
    mona = User.objects.create_user("mona", "mona@example.org", "bench")
    depot = Place.objects.get(code=DEPOT)
    Membership.objects.create(user=mona, role=Role.DEPOT_MANAGER, depot=depot)
    return {"administrator": ada, "manager": mona}


def pages(*, only: str = "", sql: bool = False) -> list[dict[str, Any]]:
    """Every page as the administrator (all depots) and as the manager of one depot: seconds, queries, bytes."""
    lot = Lot.objects.order_by("pk").first()
    assert lot is not None
    told = []
    for login in ("ada", "mona"):
        client = Client()
        client.force_login(User.objects.get(username=login))
        client.get("/healthz", secure=True)
        for name, address in _addresses(login):
            if only in f"{login} {name}":
                told.append({"who": login, "page": name, **_opened(client, address.format(lot=lot.pk), sql)})
                if sql:
                    print(told[-1], file=sys.stderr, flush=True)
    return told


def _addresses(login: str) -> Iterator[tuple[str, str]]:
    yield from EVERYBODYS.items()
    if login == "ada":
        yield from ADMINISTRATORS.items()
        return
    for part in UNIT_PAGES:
        yield f"unit {part}".strip(), f"/units/{TAG}/{part}"
    for part in STOCK_PAGES:
        yield f"lot {part}", f"/stores/lots/{{lot}}/{part}/"
    yield "receive", "/stores/receive/"
    yield "take a part", f"/stores/take/{TAG}/"


def _opened(client: Client, address: str, sql: bool) -> dict[str, Any]:
    client.get(address, secure=True)
    tries: list[tuple[float, list[tuple[float, str]]]] = []
    while len(tries) < TIMES and sum(spent for spent, _ in tries) < LONG_S:
        with listening() as heard:
            started = CLOCK()
            response = client.get(address, secure=True)
            tries.append((CLOCK() - started, heard))
    assert response.status_code in (200, 302), f"{address}: {response.status_code}"
    seconds = min(spent for spent, _ in tries)
    slowest, statement = max(tries[-1][1], default=(0.0, ""))
    told = {
        "seconds": round(seconds, 3),
        "queries": len(tries[-1][1]),
        "slowest_s": round(slowest, 3),
        "kb": round(len(response.content) / 1024),
    }
    return told | ({"sql": statement} if sql else {})


@contextmanager
def listening() -> Iterator[list[tuple[float, str]]]:
    """Seconds and text of every statement."""
    heard: list[tuple[float, str]] = []

    def hear(execute: Any, statement: str, params: Any, many: bool, context: Any) -> Any:
        started = CLOCK()
        try:
            return execute(statement, params, many, context)
        finally:
            heard.append((CLOCK() - started, statement))

    with connection.execute_wrapper(hear):
        yield heard


def services(*, only: str = "", sql: bool = False) -> list[dict[str, Any]]:
    """The services behind the forms, each for some units, with the new verdict that a form waits for."""
    mona = User.objects.get(username="mona")
    told = []
    units = _units()
    for name, act in _acts(mona).items():
        if only and only not in name:
            continue
        tries = []
        for n in units:
            with listening() as heard:
                started = CLOCK()
                act(n)
                tries.append((CLOCK() - started, heard))
        slowest, statement = max(tries[-1][1], default=(0.0, ""))
        line = {
            "service": name,
            "seconds": round(median(spent for spent, _ in tries), 3),
            "queries": len(tries[-1][1]),
            "slowest_s": round(slowest, 3),
        }
        told.append(line | ({"sql": statement} if sql else {}))
        if sql:
            print(told[-1], file=sys.stderr, flush=True)
    return told


def _units() -> list[int]:
    """Units of the manager's depot that are at home."""
    depot = Place.objects.get(code=DEPOT).pk
    gone = set(Absence.objects.filter(ended_at__isnull=True).values_list("unit_id", flat=True))
    return [n for n in range(1, 1000) if home_of(n) == depot and n not in gone and n % AWAY_EVERY != 1][:5]


def _acts(mona: User) -> dict[str, Callable[[int], object]]:
    depot = Place.objects.get(code=DEPOT)
    other = Place.objects.exclude(pk=depot.pk).order_by("pk")[0]
    frame = InspectionType.objects.get()

    def by(**more: Any) -> dict[str, Any]:
        return {"actor": mona, "happened_at": timezone.now(), **more}

    def aboard(n: int) -> Lot:
        return Balance.objects.filter(unit_id=n, qty__gt=1).select_related("lot__item").order_by("pk")[0].lot

    def in_stores() -> Lot:
        usable = Balance.objects.filter(place=depot, qty__gt=20, lot__expires_on__gt=timezone.now())
        return usable.select_related("lot__item").order_by("pk")[0].lot

    def part(n: int) -> FittedPart:
        return FittedPart.objects.filter(unit_id=n, removed_at=None).select_related("unit", "lot__item")[0]

    def fit_again(n: int) -> object:
        old = FittedPart.objects.filter(unit_id=n, removed_at__isnull=False).order_by("-removed_at")[0]
        return part_fit(
            lot=old.lot,
            unit=old.unit,
            position=old.position,
            used_part=old,
            actor=mona,
            happened_at=timezone.now(),
        )

    def away(n: int) -> object:
        return absence_start(
            unit=Unit.objects.get(pk=n),
            purpose="loan",
            custodian="A neighbour",
            started_at=timezone.now(),
            actor=mona,
        )

    def back(n: int) -> object:
        gone = Absence.objects.get(unit_id=n, ended_at=None)
        return absence_end(absence=gone, ended_at=timezone.now(), actor=mona, to=depot)

    def stop(n: int) -> object:
        running = Charge.objects.get(bank_id=n, ended_at=None)
        return upkeep.charge_stop(charge=running, ended_at=timezone.now(), actor=mona)

    def alert(n: int) -> Alert:
        return Alert.objects.filter(depot=depot, cleared_at=None, snoozed_until=None).order_by("pk")[n % 50]

    def snooze(n: int) -> object:
        today = timezone.now().date()
        open_ones = Alert.objects.filter(depot=depot, cleared_at=None, snoozed_until=None, too_late_on=None)
        one = open_ones.order_by("pk")[n % 50]
        return alert_work.alert_snooze(alert=one, actor=mona, until=today + dt.timedelta(days=2), today=today)

    def last_receipt(n: int) -> object:
        line = Movement.objects.filter(kind="receipt", reversed_by=None).order_by("-pk")[0]
        return movement_reverse(movement=line, reason="Counted wrong", actor=mona)

    return {
        "reading": lambda n: upkeep.reading_record(
            bank=BatteryBank.objects.get(pk=n), volts_v=25.4, temp_c=14.0, rest_h=60.0, **by()
        ),
        "charge start": lambda n: upkeep.charge_start(bank=BatteryBank.objects.get(pk=n), **by()),
        "charge stop": stop,
        "inspection": lambda n: upkeep.inspection_record(
            unit=Unit.objects.get(pk=n), type=frame, passed=True, **by()
        ),
        "fault": lambda n: upkeep.fault_open(
            unit=Unit.objects.get(pk=n), description="A dent", severity="minor", mend_h=1.0, **by()
        ),
        "part removed": lambda n: part_remove(part=part(n), **by()),
        "part fitted": fit_again,
        "receive": lambda n: stock_receive(lot=in_stores(), qty=40, place=depot, **by()),
        "receipt reversed": last_receipt,
        "transfer": lambda n: stock_transfer(
            lot=in_stores(), qty=1, from_place=depot, to_place=other, **by()
        ),
        "issue": lambda n: stock_issue(
            lot=in_stores(), qty=1, place=depot, unit=Unit.objects.get(pk=n), **by()
        ),
        "use": lambda n: stock_use(lot=aboard(n), qty=1, unit=Unit.objects.get(pk=n), **by()),
        "count": lambda n: stock_count(
            lot=in_stores(), counted_qty=38, place=depot, reason="Counted", **by()
        ),
        "absence start": away,
        "absence end": back,
        "alert taken": lambda n: alert_work.alert_take(alert=alert(n), actor=mona),
        "alert put off": snooze,
    }
