"""kill -9 at random moments, KILLS a kind (20), repeatable by SEED. `make storm` runs it."""

import os
import random
import threading
import time
from collections.abc import Callable

import pytest

from tests.faults.scenarios import SCENARIOS
from tests.faults.world import Background, Stage, World, wait_until

pytestmark = pytest.mark.storm

KILLS = int(os.environ.get("KILLS", "20"))
ROLES = ("worker", "worker", "pool", "pool", "all", "beat", "web")


def strike(world: World, role: str, moment_s: float) -> None:
    """Kills `role` so long after the first job is there; what was killed altogether is started again."""
    wait_until("a job is there", world.jobs)
    threading.Event().wait(moment_s)  # the random moment is what this test is about
    world.kill(role)
    if role == "all":
        world.start(web=True)


@pytest.mark.parametrize("kind", SCENARIOS)
def test_random_kills_lose_and_double_nothing(stage: Callable[[str], Stage], kind: str) -> None:
    seed = int(os.environ.get("SEED") or time.time_ns() % 1_000_000)
    chance = random.Random(f"{seed} {kind}")
    wanted, seconds = stage(kind).undisturbed()
    print(f"\n{kind} on {stage(kind).store.label}: SEED={seed}, {KILLS} kills, undisturbed {seconds:.1f} s")
    again = 0
    for number in range(1, KILLS + 1):
        role, moment_s = chance.choice(ROLES), chance.uniform(0, seconds)
        with stage(kind).world() as world:
            world.start(web=True)
            striking = Background(lambda w=world, r=role, m=moment_s: strike(w, r, m))
            world.work()
            striking.answer()
            extra = sum(attempt - 1 for _kind, _state, attempt in world.jobs())
            assert world.act("digest") == wanted, f"kill {number}: {role} at {moment_s:.2f} s, SEED={seed}"
        again += extra
        print(f"  {number:2d} {role:6s} at {moment_s:5.2f} s: complete, {extra} attempts more", flush=True)
    print(f"  {KILLS} kills, {again} attempts cut off and taken up again, nothing lost, nothing doubled")
