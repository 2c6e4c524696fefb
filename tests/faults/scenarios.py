"""One scenario a kind of job: how to set the scene, start the work, and say what came of it.

A scenario runs inside a Django process of the world that is being killed (`tests.faults.act`). `digest` returns plain
JSON that must come out the same however often the work was killed: no row ids, no times, no attempt numbers. To plug
in another kind, write a class like these and add it to SCENARIOS; the kill tests and the storm take it from there.
"""

from collections.abc import Mapping
from typing import Any, Protocol

from fleet.models import Job
from fleet.services.jobs import job_enqueue
from tests.faults.bay_plan_scenario import BayPlanScenario
from tests.faults.form_scenario import FormScenario
from tests.faults.import_scenario import ImportScenario, TakeBackScenario
from tests.faults.sample_scenario import SampleScenario
from tests.faults.sweep_scenario import SweepScenario


class Scenario(Protocol):
    kind: str
    steps: int  # each is started when the jobs of the one before have ended
    fault_points: tuple[str, ...]  # CI kills once at each
    further_points: tuple[str, ...]  # the storm kills once at each of these as well

    def prepare(self) -> None:
        """Fills the freshly migrated database."""

    def start(self, step: int) -> list[Job]:
        """Asks for the work of a step (from 0), as a page or command would. Asking again while it is open adds nothing."""

    def digest(self) -> Mapping[str, Any]:
        """What the work left behind."""


class Trial:
    kind = "trial"
    steps = 1
    fault_points = ("trial:in-write", "trial:written", "job:handled")
    further_points = ("job:claimed", "trial:before-write")

    def prepare(self) -> None:
        from tests.faults.trial.models import Tally

        Tally.objects.create(name="steps")

    def start(self, step: int) -> list[Job]:
        return [
            job_enqueue(kind="trial", params={"steps": 12, "work_s": 0.1}, unique_key=f"job {n}")
            for n in (1, 2)
        ]

    def digest(self) -> Mapping[str, Any]:
        from tests.faults.trial.models import Step, Tally

        return {"steps": Step.objects.count(), "tally": Tally.objects.get().value}


SCENARIOS: dict[str, Scenario] = {
    scenario.kind: scenario
    for scenario in (Trial(), SweepScenario(), ImportScenario(), TakeBackScenario(), BayPlanScenario())
}
# Killed by tests of their own.
OTHERS: dict[str, Scenario] = {scenario.kind: scenario for scenario in (FormScenario(), SampleScenario())}
