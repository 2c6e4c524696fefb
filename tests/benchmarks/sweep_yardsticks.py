"""What the sweep is measured against: itself day by day, its pure calculation, the bare driver, a decent per-object loop."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any
from unittest import mock

from django.db import connection, transaction

from fleet.models import BankStay, Certificate, Unit, WetState
from inventory.models import Balance, FittedPart
from readiness.domain.charge_state import estimate
from readiness.domain.checks import assess
from readiness.domain.chemistry import chemistry
from readiness.domain.fusion import fuse_soc
from readiness.domain.rest_voltage import ocv_to_soc
from readiness.domain.self_discharge import days_to_floor, soc_after
from readiness.domain.upkeep import days_until_due, interval_days, interval_used
from readiness.models import Inspection, Reading, Verdict
from readiness.selectors import columns
from readiness.selectors.snapshot import CHUNK_UNITS, load_snapshot
from readiness.services.sweep import SLICE_UNITS, sweep_units

# Ratios are of processor seconds, so that other work on the machine does not weigh; wall time is told beside them.
CLOCK = time.process_time


def depot_ids() -> list[list[int]]:
    """Units by depot, as the nightly sweep takes them."""
    by_home: dict[int, list[int]] = {}
    for pk, home in Unit.objects.order_by("pk").values_list("pk", "home_id"):
        by_home.setdefault(home, []).append(pk)
    return list(by_home.values())


def sweep_day(day: dt.date) -> dict[str, Any]:
    now = dt.datetime.combine(day, dt.time(2), tzinfo=dt.UTC)
    wall, started = time.perf_counter(), CLOCK()
    units = changed = raised = 0
    for ids in depot_ids():
        written = sweep_units(unit_ids=ids, as_of=day, now=now)
        units, changed, raised = units + written.units, changed + written.changed, raised + written.raised
    return {
        "cpu_s": round(CLOCK() - started, 2),
        "wall_s": round(time.perf_counter() - wall, 2),
        "units": units,
        "changed": changed,
        "raised": raised,
    }


def forms_saved_meanwhile(work: Callable[[], dict[str, Any]], *, day: dt.date) -> dict[str, Any]:
    """Do the work while another process saves readings by the service of the form; how long each save took [s]."""
    command = [sys.executable, "-m", "tests.benchmarks.save_forms", day.isoformat()]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as forms:
        assert forms.stdout is not None
        assert forms.stdout.readline() == "ready\n"
        told = work()
        answer, _ = forms.communicate()
    waits = sorted(json.loads(answer))
    told["forms_saved"] = len(waits)
    told["form_p95_s"] = round(waits[int(0.95 * (len(waits) - 1))], 2) if waits else None
    return told


def change(units: int, *, share: float, day: dt.date) -> None:
    """New readings for a share of the banks."""
    step = max(1, round(1 / share))
    at = dt.datetime.combine(day, dt.time(9), tzinfo=dt.UTC)
    Reading.objects.bulk_create(
        (
            Reading(
                bank_id=n,
                kind="voltage",
                volts_v=25.35,
                temp_c=14.0,
                rest_h=60.0,
                happened_at=at,
                recorded_at=at,
            )
            for n in range(1, units + 1, step)
        ),
        batch_size=2000,
    )


def calculation(day: dt.date) -> tuple[float, float]:
    """Seconds of the pure calculation, and of the bare kernel (the charge state on arrays in memory), chunk by chunk."""
    whole = kernel = 0.0
    for ids in depot_ids():
        for start in range(0, len(ids), CHUNK_UNITS):
            snapshot = load_snapshot(ids[start : start + CHUNK_UNITS], day)
            asked = snapshot.units["as_of"][snapshot.banks["unit"]]
            clock = CLOCK()
            assess(snapshot)
            whole += CLOCK() - clock
            clock = CLOCK()
            estimate(snapshot.bank_arrays, snapshot.events, snapshot.sites, asked)
            kernel += CLOCK() - clock
    return round(whole, 2), round(kernel, 2)


def driver(day: dt.date) -> float:
    """Seconds to read the same rows by the bare driver and write the same results by executemany, with nothing between."""
    statements: list[str] = []
    real = columns.fetch

    def listen(chosen: Any, tail: str) -> Any:
        statements.append(f"SELECT {', '.join(sql for sql, _ in chosen.values())} {tail}")
        return real(chosen, tail)

    spent = 0.0
    names = ("snapshot", "snapshot_banks", "snapshot_papers", "snapshot_parts")
    for ids in depot_ids():
        for start in range(0, len(ids), CHUNK_UNITS):
            statements.clear()
            patches = [mock.patch(f"readiness.selectors.{name}.fetch", listen) for name in names]
            for patch in patches:
                patch.start()
            chunk = ids[start : start + CHUNK_UNITS]
            load_snapshot(chunk, day)
            for patch in patches:
                patch.stop()
            clock = CLOCK()
            for sql in statements:
                with connection.cursor() as cursor:
                    cursor.execute(sql)
                    cursor.fetchall()
            _write_alike(chunk, day)
            spent += CLOCK() - clock
    return round(spent, 2)


def _write_alike(ids: list[int], day: dt.date) -> None:
    """One line per verdict and one per bank state, in slices of the sweep's own size."""
    verdicts = [(day.isoformat(), pk) for pk in ids]
    states = [(day.isoformat(), "[]", 0.9, 0.02, 0.87, 0.95, 0.1, pk) for pk in ids]
    for start in range(0, len(ids), SLICE_UNITS):
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.executemany(
                f"UPDATE {Verdict._meta.db_table} SET last_confirmed_day = %s WHERE unit_id = %s AND current",
                verdicts[start : start + SLICE_UNITS],
            )
            cursor.executemany(
                "UPDATE readiness_bankstate SET as_of = %s, reasons = %s, soc = %s, sigma = %s, low_soc = %s, high_soc = %s,"
                " interval_used = %s WHERE bank_id = %s",
                states[start : start + SLICE_UNITS],
            )


def per_object_loop(day: dt.date) -> float:
    """A decent loop over objects: everything prefetched, scalar calculation, one verdict and one bank state saved a unit.

    It answers the larger part of what the sweep answers: charge state and due day, kit, parts with their age, papers,
    inspections, frost. Alerts, hours to ready, and loans, debts and wear by use are left out, in the loop's favour.
    """
    started = CLOCK()
    homes = ("home__climate", "home__terms", "design__bill__item")
    units = list(Unit.objects.select_related("design", "home").prefetch_related(*homes))
    of_bank = ("bank__readings", "bank__charges", "bank__supply_states", "bank__state")
    stays = BankStay.objects.current().select_related("bank").prefetch_related(*of_bank)
    banks = {stay.unit_id: stay.bank for stay in stays}
    balances, parts, papers, inspections, wet = (
        _grouped(rows)
        for rows in (
            Balance.objects.filter(unit__isnull=False).select_related("lot__item"),
            FittedPart.objects.filter(removed_at=None).select_related("lot__item"),
            Certificate.objects.counting(),
            Inspection.objects.counting().select_related("type"),
            WetState.objects.counting(),
        )
    )
    verdicts = {verdict.unit_id: verdict for verdict in Verdict.objects.filter(current=True)}
    for unit in units:
        bank = banks[unit.pk]
        result = _charge(unit, bank, day)
        state = bank.state
        state.as_of, state.low_soc, state.due_day = day, result["low"], dt.date.fromisoformat(result["due"])
        state.save()
        aboard = {balance.lot.item_id: balance for balance in balances[unit.pk]}
        fitted = {part.position: part for part in parts[unit.pk]}
        for line in unit.design.bill.all():
            if line.purpose == "kit":
                held = aboard.get(line.item_id)
                result[f"kit {line.item.name}"] = bool(
                    held and held.qty >= line.qty and held.lot.expires_on and held.lot.expires_on >= day
                )
            else:
                part = fitted.get(line.position)
                months = line.item.service_life_months
                aged = part and months and part.fitted_at.date() + dt.timedelta(days=30.44 * months) < day
                result[f"part {line.position}"] = bool(part) and not aged
        result["paper"] = all(not paper.expires_on or paper.expires_on >= day for paper in papers[unit.pk])
        result["inspection"] = all(
            row.passed and row.happened_at.date() + dt.timedelta(days=row.type.interval_days) >= day
            for row in inspections[unit.pk]
        )
        coldest = min(normal.record_low_c for normal in unit.home.climate.all())
        result["frost"] = (
            coldest + (unit.design.enclosure_heat_c or 0.0) > 0 or wet[unit.pk][-1].kind == "dry"
        )
        verdict = verdicts[unit.pk]
        verdict.last_confirmed_day, verdict.result = day, result
        verdict.save()
    return round(CLOCK() - started, 2)


def _charge(unit: Unit, bank: Any, day: dt.date) -> dict[str, Any]:
    """Low charge state and due day by the scalar functions, month by month since the charge, readings fused on the way."""
    kind = chemistry(bank.chemistry)
    charge = max(bank.charges.all(), key=lambda row: row.ended_at)
    climate = {normal.month: normal.mean_c for normal in unit.home.climate.all()}
    heat_k = unit.design.enclosure_heat_c or 5.0
    soc, sigma, since = 1.0, 0.02, charge.ended_at.date()
    readings = sorted(
        (row for row in bank.readings.all() if row.happened_at > charge.ended_at), key=lambda r: r.happened_at
    )
    for row in [*readings, None]:
        until = row.happened_at.date() if row else day
        days, temps = _months(since, until, climate, heat_k)
        later = soc_after(soc, days, temps, pct_per_month_ref=kind.sd_pct_month_ref, ref_c=kind.sd_ref_c)
        soc, sigma, since = later, sigma + 0.5 * (soc - later), until
        if row:
            said = ocv_to_soc(
                bank.chemistry, row.volts_v, bank.cells_in_series, temp_c=row.temp_c, rest_h=row.rest_h
            )
            soc, sigma = fuse_soc(soc, sigma, said, kind.ocv_sigma_soc)
    low = float(soc - 1.28 * sigma)
    days, temps = _months(charge.ended_at.date(), day, climate, heat_k)
    terms = {"base_days": kind.interval_base_days, "base_c": kind.interval_base_c}
    to_floor = days_to_floor(
        max(low, 0.0),
        kind.store_soc_min,
        temps[-1],
        pct_per_month_ref=kind.sd_pct_month_high,
        ref_c=kind.sd_ref_c,
        doubling_k=kind.sd_doubling_k,
    )
    left = days_until_due(
        to_floor, min(1.0, interval_used(days, temps, **terms)), interval_days(temps[-1], **terms)
    )
    return {"low": low, "due": (day + dt.timedelta(days=float(left))).isoformat()}


def _months(
    since: dt.date, until: dt.date, climate: dict[int, float], heat_k: float
) -> tuple[list[float], list[float]]:
    """A period cut into about a month each: days and mean temperatures."""
    span = max((until - since).days, 0)
    steps = [since + dt.timedelta(days=n) for n in range(0, max(span, 1), 30)]
    return [span / len(steps)] * len(steps), [climate[step.month] + heat_k for step in steps]


def _grouped(rows: Any) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in rows:
        found.setdefault(row.unit_id, []).append(row)
    return found
