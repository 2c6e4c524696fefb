"""A fleet of any size for the benchmarks: per unit one bank, 20 readings, 10 lots aboard, 10 fitted parts, and its papers.

Written by the plain driver; the same seed gives the same fleet.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from django.db import connection, transaction

from fleet.models import ClimateNormal, DepotTerms, Design, Place
from fleet.models.designs import CertificateRule
from inventory.models import DesignItem, Item
from readiness.models import InspectionType

READINGS, LOTS, PARTS = 20, 10, 10
DEPOTS, DESIGNS, SHARED_LOTS = 8, 4, 2000
MEANS_C = (3, 4, 7, 10, 14, 17, 19, 19, 16, 12, 7, 4)
BATCH = 20_000


def text(moment: dt.datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S.%f") + ("" if connection.vendor == "sqlite" else "+00:00")


def write(table: str, columns: str, rows: Iterable[tuple[Any, ...]]) -> None:
    marks = ", ".join(["%s"] * len(columns.split(",")))
    sql = f"INSERT INTO {table} ({columns}) VALUES ({marks})"
    source = iter(rows)
    while batch := list(islice(source, BATCH)):
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.executemany(sql, batch)


def build(units: int, today: dt.date, seed: int = 7) -> None:
    """Fill an empty database. Ids are given, so that rows can point to each other without being read back."""
    rng = random.Random(seed)
    now = dt.datetime.combine(today, dt.time(6), tzinfo=dt.UTC)
    first = now - dt.timedelta(days=800)
    _frame(today)
    stamp, start = text(now), text(first)
    write(
        "inventory_lot",
        "id, version, updated_at, code, serial, made_on, expires_on, no_expiry, status, note, item_id",
        (
            (
                n + 1,
                1,
                stamp,
                f"L{n}",
                "",
                None,
                (today + dt.timedelta(days=60 + (n * 37) % 900)).isoformat(),
                False,
                "good",
                "",
                n % (LOTS + PARTS) + 1,
            )
            for n in range(SHARED_LOTS)
        ),
    )
    ids = range(1, units + 1)
    write(
        "fleet_unit",
        "id, version, updated_at, tag, serial, commissioned_on, yard_place, note, design_id, home_id",
        (
            (n, 1, stamp, f"U{n}", "", first.date().isoformat(), "", "", n % DESIGNS + 1, n % DEPOTS + 1)
            for n in ids
        ),
    )
    write("fleet_unitstay", "id, started_at, place_id, unit_id", ((n, start, n % DEPOTS + 1, n) for n in ids))
    write(
        "fleet_batterybank",
        "id, version, updated_at, serial, chemistry, capacity_ah, cells_in_series, strings, made_on, design_life_years,"
        " standby_ma, charger_a",
        (
            (
                n,
                1,
                stamp,
                f"B{n}",
                ("vrla_gel", "vrla_agm", "flooded_ca")[n % 3],
                200.0,
                12,
                1,
                first.date().isoformat(),
                10.0,
                5.0,
                30.0,
            )
            for n in ids
        ),
    )
    write(
        "fleet_bankstay",
        "id, position, started_at, bank_id, unit_id",
        ((n, "main", start, n, n) for n in ids),
    )
    record = "id, happened_at, recorded_at, struck_reason"
    event = "happened_at, recorded_at, struck_reason"
    write(
        "fleet_supplystate", f"{record}, kind, bank_id", ((n, start, start, "", "isolated", n) for n in ids)
    )
    write("fleet_wetstate", f"{record}, kind, unit_id", ((n, start, start, "", "dry", n) for n in ids))
    write(
        "readiness_reading",
        f"{event}, kind, volts_v, temp_c, rest_h, note, bank_id",
        _readings(ids, now, rng),
    )
    write(
        "readiness_charge",
        f"{event}, purpose, ended_at, end_sign, bay, tripped, note, bank_id",
        _charges(ids, now),
    )
    write(
        "fleet_certificate",
        f"{record}, kind, number, issuer, issued_on, expires_on, unit_id",
        (
            (
                n,
                start,
                start,
                "",
                "lifting_exam",
                f"C{n}",
                "",
                first.date().isoformat(),
                (today + dt.timedelta(days=40 + n % 300)).isoformat(),
                n,
            )
            for n in ids
        ),
    )
    write(
        "readiness_inspection",
        f"{record}, passed, note, unit_id, type_id",
        ((n, text(now - dt.timedelta(days=n % 150)), stamp, "", True, "", n, 1) for n in ids),
    )
    stride = SHARED_LOTS // (LOTS + PARTS)
    write(
        "inventory_balance",
        "qty, unit_id, lot_id",
        ((50, n, (n % stride) * (LOTS + PARTS) + k + 1) for n in ids for k in range(LOTS)),
    )
    write(
        "inventory_fittedpart",
        "version, updated_at, position, train, fitted_at, first_fitted_at, carried_h, carried_m3, carried_starts, use_known,"
        " void, unit_id, lot_id",
        (
            (
                1,
                stamp,
                f"P{k}",
                "",
                start,
                start,
                0.0,
                0.0,
                0,
                True,
                False,
                n,
                (n % stride) * (LOTS + PARTS) + LOTS + k + 1,
            )
            for n in ids
            for k in range(PARTS)
        ),
    )
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")


def _readings(ids: range, now: dt.datetime, rng: random.Random) -> Iterator[tuple[Any, ...]]:
    moments = [text(now - dt.timedelta(days=20 + 36 * k, minutes=7)) for k in range(READINGS)]
    for n in ids:
        for moment in moments:
            yield moment, moment, "", "voltage", 25.2 + 0.6 * rng.random(), 15.0, 48.0, "", n


def _charges(ids: range, now: dt.datetime) -> Iterator[tuple[Any, ...]]:
    for n in ids:
        for k in range(3):
            begun = now - dt.timedelta(days=20 + n % 60 + 180 * k, hours=3)
            yield (
                text(begun),
                text(begun),
                "",
                "maintenance",
                text(begun + dt.timedelta(hours=16)),
                "current_steady",
                "",
                False,
                "",
                n,
            )


def _frame(today: dt.date) -> None:
    """Depots, designs and bills: few rows, by the models."""
    since = today - dt.timedelta(days=900)
    for n in range(1, DEPOTS + 1):
        place = Place.objects.create(pk=n, code=f"D{n}", name=f"Depot {n}", kind=Place.Kind.DEPOT)
        DepotTerms.objects.create(
            place=place, valid_from=since, notice_h=24.0, mission_days=30, reading_max_age_days=90
        )
        ClimateNormal.objects.bulk_create(
            ClimateNormal(
                place=place, month=m, mean_c=mean + n, record_low_c=mean - 15, record_high_c=mean + 18
            )
            for m, mean in enumerate(MEANS_C, start=1)
        )
    items = [
        Item.objects.create(
            pk=n + 1, code=f"I{n}", name=f"Item {n}", fit_h=0.5, service_life_months=60 if n >= LOTS else None
        )
        for n in range(LOTS + PARTS)
    ]
    for n in range(1, DESIGNS + 1):
        design = Design.objects.create(
            pk=n, code=f"T{n}", name=f"Type {n}", enclosure_heat_c=3.0, enclosure_swing_c=4.0
        )
        CertificateRule.objects.create(design=design, kind="lifting_exam", renew_h=2.0, valid_from=since)
        for k in range(LOTS):
            DesignItem.objects.create(design=design, item=items[k], purpose="kit", qty=20, valid_from=since)
        for k in range(PARTS):
            DesignItem.objects.create(
                design=design, item=items[LOTS + k], purpose="fitted", position=f"P{k}", valid_from=since
            )
    InspectionType.objects.create(
        pk=1, code="frame", name="Frame", interval_days=365, work_h=1.0, active_from=since
    )
