"""kill -9 at named points: nothing is lost, nothing is doubled, the work completes by itself."""

import socket
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from tests.faults.scenarios import SCENARIOS
from tests.faults.world import ROOT, Stage, wait_until

pytestmark = [pytest.mark.kills, pytest.mark.db_both]

Stages = Callable[[str], Stage]
# Every other kill takes the whole worker with it ('group'); the others only the pool process at work.
SCOPES = ("group", "process")


def points(attribute: str) -> list[Any]:
    return [
        pytest.param(kind, point, SCOPES[number % 2], id=f"{kind}-{point}")
        for kind, scenario in SCENARIOS.items()
        for number, point in enumerate(getattr(scenario, attribute))
    ]


@cache
def expected(stage: Stage) -> object:
    digest, _seconds = stage.undisturbed()
    return digest


@pytest.mark.parametrize(("kind", "point", "scope"), points("fault_points"))
def test_a_worker_killed_at_a_point_completes_the_work_once(
    stage: Stages, kind: str, point: str, scope: str
) -> None:
    kill_at_a_point(stage(kind), point, scope)


@pytest.mark.storm
@pytest.mark.parametrize(("kind", "point", "scope"), points("further_points"))
def test_a_worker_killed_at_a_further_point(stage: Stages, kind: str, point: str, scope: str) -> None:
    kill_at_a_point(stage(kind), point, scope)


def kill_at_a_point(stage: Stage, point: str, scope: str) -> None:
    wanted = expected(stage)
    with stage.world() as world:
        world.start(fault=f"{point}:1", scope=scope)
        world.work()
        assert world.once.exists(), f"nothing passed through {point}"
        assert world.act("digest") == wanted
        assert max(attempt for _kind, _state, attempt in world.jobs()) == 2


@pytest.mark.parametrize("kind", SCENARIOS)
def test_a_process_killed_before_it_announces_its_job_loses_nothing(stage: Stages, kind: str) -> None:
    """The web (here: the process that asks) dies after its commit; beat finds the row."""
    wanted = expected(stage(kind))
    with stage(kind).world() as world:
        world.act("start", fault="job:committed:1", dies=True)
        assert world.jobs(), "the row was committed"
        world.act("start")  # the person asks again: the open job is found, not doubled
        world.start()
        world.finish()
        world.work(first=1)
        assert world.act("digest") == wanted


def test_a_form_killed_after_its_commit_is_judged_all_the_same(stage: Stages) -> None:
    """Between the record and the verdict: no page shows the old verdict, and beat has the unit judged."""
    with stage("form").world() as world:
        before = world.act("digest")
        world.act("start", fault="units:committed:1", dies=True)
        assert world.act("digest") == {**before, "readings": before["readings"] + 1, "waiting": 1}
        world.start()
        wanted = {"readings": before["readings"] + 1, "waiting": 0, "judged since": True}
        wait_until("the unit was judged", lambda: world.act("digest") == wanted)


@pytest.mark.parametrize(("point", "whole"), [("samples:batch-written:2", 4000), ("samples:writing:2", 2000)])
def test_a_post_of_samples_killed_half_way_leaves_whole_batches(
    stage: Stages, point: str, whole: int
) -> None:
    """Between two batches and inside one; the machine sends it again, and beat has the units judged."""
    with stage("samples").world() as world:
        world.act("start", fault=point, dies=True)
        left = world.act("digest")
        assert left["samples"] == whole
        assert left["days as the samples say"]
        assert left["counts are those of the samples"]
        assert left["waiting"] > 0
        world.start()
        world.act("start")
        wait_until("the units were judged", lambda: world.act("digest")["waiting"] == 0)
        done = world.act("digest")
        assert done["samples"] == 4 * 24 * 60
        assert done["days as the samples say"]
        assert done["counts are those of the samples"]


def test_everything_killed_at_once_goes_on_after_the_next_start(stage: Stages) -> None:
    wanted = expected(stage("trial"))
    with stage("trial").world() as world:
        world.start()
        world.act("start")
        wait_until(
            "a step was written",
            lambda: world.store.rows(world.name, world.folder, "SELECT 1 FROM trial_step"),
        )
        world.kill("all")
        assert {state for _kind, state, _attempt in world.jobs()} & {"queued", "running"}
        world.start()
        world.finish()
        assert world.act("digest") == wanted


def test_processes_killed_while_they_wait_for_work_take_nothing_along(stage: Stages) -> None:
    """What waits holds whatever the processes share to take the next job."""
    wanted = expected(stage("trial"))
    with stage("trial").world() as world:
        world.start()
        idle = set(world.processes("worker")[1:])
        world.kill("idle")
        wait_until(
            "others took their place", lambda: world.is_up() and not idle & set(world.processes("worker"))
        )
        world.work()
        assert world.act("digest") == wanted


def test_killed_parts_are_started_again_and_the_stop_leaves_nothing(stage: Stages) -> None:
    with stage("trial").world() as world:
        world.start(web=True)
        old = {role: set(world.processes(role)) for role in ("web", "worker", "beat")}
        for role in old:
            world.kill(role)
        for role, gone in old.items():
            wait_until(f"{role} is back", lambda role=role, gone=gone: set(world.processes(role)) - gone)
            assert not gone & set(world.processes(role))
        wait_until("the web answers", world.web_answers)
        world.stop_all()


def test_a_taken_port_is_said_in_a_sentence(stage: Stages) -> None:
    with stage("trial").world() as world, socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "manage.py", "up", "--port", str(port)],
            cwd=ROOT,
            env=world.env(),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 1
        assert f"Port {port} on 127.0.0.1 is still in use." in done.stderr
