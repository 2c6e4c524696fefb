"""A draft of a bay plan that a worker improves and proves, killed on the way: nothing lost, nothing doubled."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from fleet.models import Job, Place
from readiness.domain.bay_plan.verify import faults_of
from readiness.models import BayPlan
from readiness.services.bay_plans import bay_plan_compute, kept_plan, kept_problem
from tests.factories.bay_depot import bay_depot, charged_bank
from tests.factories.fleet import NOW

TOKEN = UUID(int=8130)


class BayPlanScenario:
    kind = "bay_plan"
    steps = 1
    fault_points = ("bay_plan:saving", "bay_plan:proved")
    further_points = ("bay_plan:loaded", "bay_plan:saved")

    def prepare(self) -> None:
        depot = bay_depot(bays=1, code="BAYS", terms__reading_max_age_days=720)
        for number in range(5):
            charged_bank(depot, 97.0 - number, maker_interval_days=100, floor_soc=0.2)

    def start(self, step: int) -> list[Job]:
        plan = bay_plan_compute(place=Place.objects.get(code="BAYS"), actor=None, token=TOKEN, now=NOW)
        return [plan.job] if plan.job is not None else []

    def digest(self) -> Mapping[str, Any]:
        plan = BayPlan.objects.get()
        charges = kept_plan(plan).charges
        return {
            "state": plan.state,
            "proven": plan.proven,
            "levels": [[row["name"], round(row["value"], 3)] for row in plan.frozen["levels"]],
            "asked what to give up": plan.frozen["ways_asked"],
            "faults": faults_of(kept_problem(plan), charges),
            "lines": sorted(
                [line.bank.serial, line.bay.name] for line in plan.lines.select_related("bank", "bay")
            )
            == sorted([key, "B1"] for key in charges),
            "banks": plan.lines.count(),
        }
