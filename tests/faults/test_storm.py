"""kill -9 at random moments, KILLS a kind (20), reproducible by SEED. `make storm` runs it."""

import os
import random
import threading
import time
from collections.abc import Callable

import pytest

from tests.faults.scenarios import SCENARIOS
from tests.faults.world import Stage

pytestmark = pytest.mark.storm

KILLS = int(os.environ.get("KILLS", "20"))
ROLES = ("worker", "worker", "pool", "pool", "all", "beat", "web")


@pytest.mark.parametrize("kind", SCENARIOS)
def test_random_kills_lose_and_double_nothing(stage: Callable[[str], Stage], kind: str) -> None:
    seed = int(os.environ.get("SEED") or time.time_ns() % 1_000_000)
    chance = random.Random(f"{seed} {kind}")
    wanted, seconds = stage(kind).undisturbed()
    print(f"\n{kind} on {stage(kind).store.label}: SEED={seed}, {KILLS} kills, undisturbed {seconds:.1f} s")
    for number in range(1, KILLS + 1):
        role, moment_s = chance.choice(ROLES), chance.uniform(0, seconds)
        with stage(kind).world() as world:
            world.start(web=True)
            world.act("start")
            threading.Event().wait(moment_s)  # the random moment is the input of this test
            world.kill(role)
            if role == "all":
                world.start()
            world.finish()
            attempts = sum(attempt for _kind, _state, attempt in world.jobs())
            assert world.act("digest") == wanted, f"kill {number}: {role} at {moment_s:.2f} s, SEED={seed}"
        print(f"  {number:2d} {role:6s} at {moment_s:5.2f} s: complete, {attempts} attempts")
