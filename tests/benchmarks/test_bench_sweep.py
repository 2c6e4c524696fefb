"""The sweep at 1,000, 10,000 and 100,000 units: after a quiet day, after a day with 5 % and with all units changed.

Each size runs in a process of its own on a fresh SQLite file, so that seconds and peak memory are its own. BENCH_UNITS names
other sizes (`BENCH_UNITS=1000,10000`).
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.bench

ROOT = Path(__file__).parents[2]
SIZES = tuple(int(part) for part in os.environ.get("BENCH_UNITS", "1000,10000,100000").split(","))
MOST_MB = 2048
LONGEST_WAIT_S = 2.0
# Below the aims of the issue by what a shared machine needs; the figures themselves are printed and kept in DEVELOPERS.md.
MOST_GROWTH = 1.15
MOST_OVER_DRIVER = 3.5
MOST_OVER_KERNEL = 2.0
LEAST_OVER_LOOP = 8.0


@cache
def figures(units: int) -> dict[str, Any]:
    """Measure one size once."""
    with tempfile.TemporaryDirectory(prefix="sweep-bench-") as folder:
        environment = {
            **os.environ,
            "MUSTERWELL_DATA_DIR": folder,
            "DEBUG": "0",
            "SECRET_KEY": "bench",
            "ALLOWED_HOSTS": "localhost",
        }
        environment.pop("DJANGO_SETTINGS_MODULE", None)
        environment.pop("DATABASE_URL", None)
        command = [sys.executable, "-m", "tests.benchmarks.run_sweep", str(units)]
        command += ["--loop"] if units == min(SIZES) else []
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    answer: dict[str, Any] = json.loads(done.stdout)
    print(json.dumps(answer))
    return answer


@pytest.mark.parametrize("units", SIZES)
def test_every_unit_is_judged_and_a_quiet_day_changes_few(units: int) -> None:
    found = figures(units)
    for day in ("first", "day_later", "five_percent", "all_changed"):
        assert found[day]["units"] == units, "every unit is computed again"
    assert found["first"]["changed"] == units
    assert found["day_later"]["changed"] < 0.05 * units
    assert found["peak_sweep_mb"] < MOST_MB


@pytest.mark.parametrize("units", SIZES)
def test_a_form_saved_during_a_sweep_does_not_wait_long(units: int) -> None:
    found = figures(units)["with_forms"]
    assert found["forms_saved"] > 0
    assert found["form_p95_s"] < LONGEST_WAIT_S


@pytest.mark.parametrize("units", [size for size in SIZES if size >= 10_000])
def test_the_sweep_costs_little_more_than_reading_and_writing(units: int) -> None:
    found = figures(units)
    assert found["day_later"]["cpu_s"] < MOST_OVER_DRIVER * found["driver_s"]
    assert found["assess_s"] < MOST_OVER_KERNEL * found["kernel_s"]


def test_it_leaves_a_loop_over_objects_behind() -> None:
    small, large = figures(min(SIZES)), figures(max(SIZES))
    loop_a_unit = small["loop_s"] / small["units"]
    assert large["day_later"]["cpu_s"] / large["units"] < loop_a_unit / LEAST_OVER_LOOP


def test_the_work_grows_with_the_units_and_no_faster() -> None:
    if len(SIZES) < 2:
        pytest.skip("needs two sizes")
    small, large = figures(SIZES[-2]), figures(SIZES[-1])
    growth = math.log(large["day_later"]["cpu_s"] / small["day_later"]["cpu_s"]) / math.log(
        SIZES[-1] / SIZES[-2]
    )
    print(f"growth exponent {growth:.2f}")
    assert growth < MOST_GROWTH
