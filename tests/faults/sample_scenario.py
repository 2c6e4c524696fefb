"""A post of samples whose process is killed in the middle: whole batches are on file, the same post adds the rest."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np

from fleet.models import BatteryBank, Job
from readiness.domain.sample_days import sample_days
from readiness.domain.sample_files import SampleFile
from readiness.models import BankLogger, JudgementDue, Sample, SampleDay
from readiness.selectors.samples import bank_columns, days_where, samples_between
from readiness.services.samples import samples_take
from tests.faults.sweep_scenario import load_fleet

UNITS = 20
HOURS = 24 * 60
BANKS = 4
FIRST = dt.datetime(2026, 9, 1, tzinfo=dt.UTC)


class SampleScenario:
    kind = "samples"
    steps = 1
    fault_points = ()
    further_points = ()

    def prepare(self) -> None:
        load_fleet(UNITS)

    def banks(self) -> list[BatteryBank]:
        found = BatteryBank.objects.filter(
            chemistry="vrla_gel", stays__unit__isnull=False, stays__ended_at=None
        )
        return list(found.order_by("pk")[:BANKS])

    def start(self, step: int) -> list[Job]:
        rows = [
            {
                "bank": bank.serial,
                "at": (FIRST + dt.timedelta(hours=hour)).isoformat(),
                "temp_c": 10 + hour % 7,
                "volts_v": 2.1 * bank.cells_in_series,
                "current_a": 0.0,
            }
            for bank in self.banks()
            for hour in range(HOURS)
        ]
        samples_take(file=SampleFile(rows), how="command", actor=None, rights=None)
        return []

    def digest(self) -> Mapping[str, Any]:
        """`days as the samples say`: nothing half-written, whatever was killed."""
        ids = [bank.pk for bank in self.banks()]
        first = (FIRST - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)).days
        series = samples_between([(pk, first, first + HOURS) for pk in ids])
        worked_out = sample_days(series, bank_columns(ids))
        there = days_where("1 = 1")
        same = len(worked_out) == len(there) and all(
            np.array_equal(getattr(worked_out, name), getattr(there, name), equal_nan=True)
            for name in ("bank", "day", "samples", "mean_c", "rest_v", "rest_h")
        )
        kept = dict(BankLogger.objects.order_by("bank__serial").values_list("bank__serial", "kept"))
        return {
            "samples": Sample.objects.count(),
            "days": SampleDay.objects.count(),
            "days as the samples say": bool(same),
            "counts are those of the samples": sum(kept.values()) == Sample.objects.count(),
            "waiting": JudgementDue.objects.count(),
        }
