"""The bay plan over the API and by the command: the same plan as on the board."""

import datetime as dt
import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from fleet.services import jobs
from fleet.services.tokens import token_create
from readiness.models import BayPlan
from readiness.services import bay_plans
from readiness.services.bay_plans import bay_plan_compute
from readiness.services.bay_publish import bay_plan_publish
from tests.at_noon import noon  # noqa: F401  (stands still for every test here)
from tests.factories.bay_depot import charged_bank, equip
from tests.factories.fleet import DepotFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_worker(monkeypatch):
    monkeypatch.setattr(jobs, "announce", lambda job_id: None)
    monkeypatch.setattr(bay_plans, "AT_ONCE_S", 0.1)
    monkeypatch.setattr(bay_plans, "PROOF_S", 5.0)


@pytest.fixture
def depot(cast):
    cast.north.terms.update(reading_max_age_days=720)
    equip(cast.north)
    for days in (98, 96):
        charged_bank(cast.north, days, maker_interval_days=100, floor_soc=0.2)
    return cast.north


def ask(cast, path):
    key = token_create(user=cast.vera, name="a screen", scopes=("read",), actor=cast.ada)[1]
    return Client().get(f"/api/{path}", headers={"Authorization": f"Bearer {key}"})


class TestApi:
    def test_the_published_plan_and_the_draft(self, cast, depot):
        assert ask(cast, "depots/NORTH/bay-plan").json()["key"] == "bay_plan.none"
        draft = bay_plan_compute(place=depot, actor=cast.nora)
        found = ask(cast, "depots/north/bay-plan?state=draft").json()
        assert (found["id"], found["state"], found["proven"]) == (draft.pk, "draft", draft.proven)
        bay_plan_publish(plan=draft, actor=cast.nora)
        found = ask(cast, "depots/NORTH/bay-plan").json()
        assert (found["state"], found["depot"], found["slot_h"], found["time_zone"]) == (
            "published",
            "NORTH",
            1,
            "Europe/Oslo",
        )
        lines = {line.bank.serial: line for line in draft.lines.select_related("bank", "bay")}
        assert {row["bank"] for row in found["lines"]} == set(lines)
        for row in found["lines"]:
            line = lines[row["bank"]]
            assert dt.datetime.fromisoformat(row["starts_at"]) == line.starts_at
            assert (row["bay"], row["state"]) == (line.bay.name, "planned")
        assert [level["name"] for level in found["levels"]] == [
            "floors",
            "undone",
            "late",
            "tardiness",
            "peak_kw",
            "finish",
            "changes",
        ]

    def test_who_cannot_be_planned_is_told(self, cast, depot):
        bank = charged_bank(depot, 99, maker_interval_days=100, chemistry="nimh", cells_in_series=20)
        bay_plan_publish(plan=bay_plan_compute(place=depot, actor=cast.nora), actor=cast.nora)
        told = ask(cast, "depots/NORTH/bay-plan").json()["cannot_be_planned"]
        assert [row["bank"] for row in told] == [bank.serial]
        assert told[0]["sentence"] == "No bay has a programme for nickel-metal hydride."

    def test_refusals(self, cast, depot):
        assert ask(cast, "depots/NOWHERE/bay-plan").json()["key"] == "depot.unknown"
        assert ask(cast, "depots/NORTH/bay-plan?state=other").status_code == 422
        assert Client().get("/api/depots/NORTH/bay-plan").status_code == 401


class TestCommand:
    def run(self, *args):
        out = io.StringIO()
        call_command("bay_plan", *args, stdout=out)
        return out.getvalue()

    def test_made_proved_and_published(self, cast, depot):
        told = self.run("--depot", "north")
        plan = BayPlan.objects.get()
        assert (plan.state, plan.proven) == (BayPlan.State.DRAFT, True)
        assert "Proven best at every level" in told
        assert all(line.bank.serial in told for line in plan.lines.select_related("bank"))
        told = self.run("--depot", "NORTH", "--publish", "--user", "nora")
        assert "published" in told
        assert BayPlan.objects.get(state=BayPlan.State.PUBLISHED).published_by == cast.nora

    def test_as_json(self, cast, depot):
        lines = json.loads(self.run("--depot", "NORTH", "--json", "--at-once"))
        assert len(lines) == 2
        assert set(lines[0]) == {"bank", "bay", "starts_at", "ends_at", "off_at", "kw"}

    @pytest.mark.parametrize(
        ("args", "words"),
        [
            (["--depot", "NOWHERE"], "no depot with the code 'NOWHERE'"),
            (["--depot", "NORTH", "--publish"], "--publish needs --user"),
            (["--depot", "NORTH", "--publish", "--user", "nobody"], "no active user 'nobody'"),
            (["--depot", "NORTH", "--publish", "--user", "silas"], "'silas' may not plan for North depot"),
        ],
    )
    def test_refused_with_a_sentence(self, cast, depot, args, words):
        with pytest.raises(CommandError, match=words):
            self.run(*args)
        assert not BayPlan.objects.exists()

    def test_what_has_to_be_written_down_first_is_said(self, cast):
        DepotFactory(code="BARE", name="Bare depot")
        with pytest.raises(CommandError, match="No charger bay is on file for Bare depot"):
            self.run("--depot", "BARE")
