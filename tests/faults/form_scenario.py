"""A person saves a reading and their process is killed before the unit is judged: beat finds the mark."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django.db.models import Max
from django.utils import timezone

from fleet.models import BatteryBank, Job
from readiness.models import JudgementDue, Reading, Verdict
from readiness.services.sweeps import sweep_now
from readiness.services.upkeep import reading_record
from tests.faults.sweep_scenario import load_fleet

UNITS = 20
VOLTS_V = 24.0


class FormScenario:
    kind = "form"
    steps = 1
    fault_points = ()
    further_points = ()

    def prepare(self) -> None:
        load_fleet(UNITS)
        unit = self.bank().stays.current().get().unit_id
        assert unit is not None
        sweep_now(unit_ids=[unit])

    def bank(self) -> BatteryBank:
        banks = BatteryBank.objects.filter(
            chemistry="vrla_gel", stays__unit__isnull=False, stays__ended_at=None
        )
        return banks.order_by("pk")[0]

    def start(self, step: int) -> list[Job]:
        reading_record(
            bank=self.bank(),
            happened_at=timezone.now() - dt.timedelta(hours=1),
            actor=None,
            volts_v=VOLTS_V,
            temp_c=15.0,
            rest_h=48.0,
        )
        return []

    def digest(self) -> Mapping[str, Any]:
        readings = Reading.objects.filter(bank=self.bank(), volts_v=VOLTS_V)
        verdicts = Verdict.objects.filter(unit__bank_stays__bank=self.bank(), current=True)
        written = readings.aggregate(at=Max("recorded_at"))["at"]
        return {
            "readings": readings.count(),
            "waiting": JudgementDue.objects.count(),
            "judged since": bool(written) and verdicts.filter(confirmed_at__gt=written).exists(),
        }
