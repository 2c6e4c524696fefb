"""Three banks of the scenario with a battery monitor: one that is heard, one that fell silent, one whose sensor is stuck.

They send what a real one sends, through the same door: hourly samples as a post, some rows of which cannot be true.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
from django.utils import timezone

from fleet.models import BankStay, ClimateNormal, User
from fleet.permissions import rights_of
from readiness.domain.charge_state import estimate
from readiness.domain.loggers import STUCK_DAYS
from readiness.domain.rest_voltage import soc_to_ocv
from readiness.domain.sample_files import SampleFile
from readiness.models import BankLogger, SamplePost
from readiness.selectors.snapshot import load_snapshot
from readiness.services.loggers import logger_key_create
from readiness.services.samples import samples_take

DAYS = 40
SILENT_DAYS = 9
STUCK_SINCE_DAYS = STUCK_DAYS + 8
LOSS_PER_DAY = 0.0008
SEED = 20
LABELS = ("monitor, heard every hour", "monitor, hall 2", "monitor, trailer park")


def reading_moment(today: dt.date) -> dt.datetime:
    """Now, if the scenario ends today; else noon of its last day."""
    now = timezone.now()
    noon = dt.datetime.combine(today, dt.time(12), tzinfo=dt.UTC)
    return now if abs(now - noon) < dt.timedelta(days=1) else noon


def loggers_at_work(today: dt.date) -> list[str]:
    """Sends the samples of three monitors up to the moment at which the scenario is read; returns the serials."""
    now = reading_moment(today)
    stays = list(
        BankStay.objects.current()
        .filter(
            unit__isnull=False,
            bank__chemistry="vrla_gel",
            unit__stays__ended_at=None,
            unit__stays__absence=None,
        )
        .select_related("bank", "unit__design", "unit__home")
        .order_by("unit__tag", "position")[:3]
    )
    rng = np.random.default_rng(SEED)
    serials = []
    for stay, label, send in zip(stays, LABELS, (_heard, _silent, _stuck), strict=False):
        rows = send(_Bank(stay, today), now, rng)
        keeper = User.objects.filter(
            memberships__role="depot_manager", memberships__depot=stay.unit.home if stay.unit else None
        ).first()
        samples_take(
            file=SampleFile(rows),
            how=SamplePost.How.API,
            actor=keeper,
            rights=rights_of(keeper) if keeper else None,
            name="gateway in the yard",
            now=now,
        )
        BankLogger.objects.filter(bank=stay.bank).update(label=label, expected_min=60)
        if keeper is not None:
            logger_key_create(
                user=keeper, name=f"monitor of {stay.bank.serial}", bank=stay.bank, actor=keeper
            )
        serials.append(stay.bank.serial)
    return serials


class _Bank:
    """Where a bank stands and what it should show there."""

    def __init__(self, stay: BankStay, today: dt.date) -> None:
        unit = stay.unit
        if unit is None:
            raise ValueError("a bank on a shelf has no enclosure")
        self.serial, self.cells, self.chemistry = (
            stay.bank.serial,
            stay.bank.cells_in_series,
            stay.bank.chemistry,
        )
        own = unit.enclosure_heat_c
        self.heat_c = float(own if own is not None else unit.design.enclosure_heat_c or 0.0)
        self.swing_c = float(unit.design.enclosure_swing_c or 3.0)
        normals = ClimateNormal.objects.filter(place=unit.home).values_list("month", "mean_c")
        self.mean_c = dict(normals)
        snapshot = load_snapshot([unit.pk], today)
        row = snapshot.banks["id"].tolist().index(stay.bank_id)
        asked = snapshot.units["as_of"][snapshot.banks["unit"]]
        soc = float(estimate(snapshot.bank_arrays, snapshot.events, snapshot.sites, asked).soc[row])
        self.soc = soc if math.isfinite(soc) else None

    def temp_c(self, at: dt.datetime, weather_k: float) -> float:
        day = math.sin(2.0 * math.pi * (at.hour - 9) / 24.0)
        return float(self.mean_c.get(at.month, 12.0)) + self.heat_c + self.swing_c * day + weather_k

    def row(
        self, at: dt.datetime, temp_c: float, days_back: float, rng: np.random.Generator
    ) -> dict[str, Any]:
        row = {"bank": self.serial, "at": at.isoformat(), "temp_c": round(temp_c, 1), "current_a": -0.02}
        if self.soc is not None:
            volts = self.cells * float(
                soc_to_ocv(self.chemistry, min(1.0, self.soc + LOSS_PER_DAY * days_back))
            )
            row["volts_v"] = round(volts + float(rng.normal(0.0, 0.01)), 2)
        return row


def _hours(now: dt.datetime, days: float, until_days_ago: float = 0.0) -> list[dt.datetime]:
    last = now.replace(minute=0, second=0, microsecond=0) - dt.timedelta(days=until_days_ago)
    return [last - dt.timedelta(hours=n) for n in range(int((days - until_days_ago) * 24), -1, -1)]


def _heard(bank: _Bank, now: dt.datetime, rng: np.random.Generator, until_days_ago: float = 0.0) -> list[Any]:
    rows: list[Any] = []
    weather_k = 0.0
    for at in _hours(now, DAYS, until_days_ago):
        weather_k = 0.97 * weather_k + float(rng.normal(0.0, 0.5))
        rows.append(bank.row(at, bank.temp_c(at, weather_k), (now - at) / dt.timedelta(days=1), rng))
    return rows


def _silent(bank: _Bank, now: dt.datetime, rng: np.random.Generator) -> list[Any]:
    """Its last words could not be true."""
    rows = _heard(bank, now, rng, SILENT_DAYS)
    last = dt.datetime.fromisoformat(rows[-1]["at"])
    wild = [
        {**rows[-1], "at": (last + dt.timedelta(minutes=10 * n)).isoformat(), "volts_v": 240.0}
        for n in (1, 2)
    ]
    return [*rows, *wild, {**rows[-1], "at": (last + dt.timedelta(minutes=30)).isoformat(), "temp_c": 400.0}]


def _stuck(bank: _Bank, now: dt.datetime, rng: np.random.Generator) -> list[Any]:
    rows = _heard(bank, now, rng)
    since = now - dt.timedelta(days=STUCK_SINCE_DAYS)
    fixed = next(row["temp_c"] for row in rows if dt.datetime.fromisoformat(row["at"]) >= since)
    return [
        {**row, "temp_c": fixed} if dt.datetime.fromisoformat(row["at"]) >= since else row for row in rows
    ]
