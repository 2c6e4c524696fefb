"""A fleet of the demo's making, swept as of a stated day by one job a depot."""

import datetime as dt
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from django.conf import settings

from fleet.models import Job, Unit
from inventory.models import Lot, Movement
from readiness.demo.scenario import build
from readiness.demo.source import read_source
from readiness.demo.write import Writer
from readiness.models import Alert, BankState, SetAside, Sweep, Verdict
from readiness.services.sweeps import sweep_request

TODAY = dt.date(2026, 11, 25)
NOON = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
SEED = 20261125
SCALE = int(os.environ.get("FAULT_SCALE", "1"))  # the storm takes more, so that there is time to be killed in
UNITS = 200 * SCALE


def load_fleet(units: int) -> None:
    """The stores as they were the day before: a pass would judge what rests on a change of the last minute once more, by
    the clock, and how much that is would hang on how soon after this the pass begins.
    """
    Writer(build(read_source(Path(settings.BASE_DIR) / "fixtures"), TODAY, SEED, units)).write()
    yesterday = NOON - dt.timedelta(days=1)
    Lot.objects.update(updated_at=yesterday)
    assert not Movement.objects.filter(recorded_at__gt=NOON).exists()


class SweepScenario:
    kind = "sweep"
    steps = 1
    fault_points = ("sweep:writing", "sweep:units-done")
    further_points = ("sweep:started", "sweep:loading", "sweep:chunk-written", "sweep:finished")

    def prepare(self) -> None:
        load_fleet(UNITS)
        assert not Verdict.objects.exists()

    def start(self, step: int) -> list[Job]:
        return sweep_request(depot=None, actor=None, now=NOON)

    def digest(self) -> Mapping[str, Any]:
        verdicts = Verdict.objects.order_by("unit__tag", "from_day").values_list(
            "unit__tag", "from_day", "last_confirmed_day", "outcome", "time_to_ready_h", "digest", "current"
        )
        alerts = (
            Alert.objects.filter(cleared_at=None)
            .order_by("subject_key", "rule")
            .values_list("subject_key", "rule", "due_on", "too_late_on", "cost_of_delay")
        )
        states = BankState.objects.order_by("bank__serial").values_list(
            "bank__serial", "as_of", "soc", "due_day"
        )
        sweeps = Sweep.objects.order_by("depot__code").values_list(
            "depot__code",
            "state",
            "units_total",
            "units_done",
            "units_changed",
            "alerts_raised",
            "alerts_cleared",
        )
        return {
            "units": Unit.objects.in_service().count(),
            "verdicts": [list(row) for row in verdicts],
            "alerts": [list(row) for row in alerts],
            "bank states": [list(row) for row in states],
            "set aside": SetAside.objects.count(),
            "sweeps": [list(row) for row in sweeps],
        }
