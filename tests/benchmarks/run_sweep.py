"""One measurement of the sweep in a process of its own: fill a database, sweep four days, print figures as JSON.

Arguments: number of units, `--loop` to measure the per-object loop as well.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import resource
import sys
import time
from typing import Any

TODAY = dt.date(2026, 11, 25)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("units", type=int)
    parser.add_argument("--loop", action="store_true")
    options = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")
    import django

    django.setup()
    from django.core.management import call_command

    from tests.benchmarks.fleet_of_size import build

    call_command("migrate", interactive=False, verbosity=0)
    started = time.perf_counter()
    build(options.units, TODAY)
    figures: dict[str, Any] = {"units": options.units, "filled_s": round(time.perf_counter() - started, 1)}
    figures |= measure(options.units, loop=options.loop)
    figures["peak_mb"] = round(peak_mb())
    json.dump(figures, sys.stdout)


def measure(units: int, *, loop: bool) -> dict[str, Any]:
    from tests.benchmarks import sweep_yardsticks as yard

    figures: dict[str, Any] = {}
    figures["first"] = yard.sweep_day(TODAY)
    figures["day_later"] = yard.sweep_day(TODAY + dt.timedelta(days=1))
    yard.change(units, share=0.05, day=TODAY + dt.timedelta(days=1))
    figures["five_percent"] = yard.sweep_day(TODAY + dt.timedelta(days=2))
    yard.change(units, share=1.0, day=TODAY + dt.timedelta(days=2))
    figures["all_changed"] = yard.sweep_day(TODAY + dt.timedelta(days=3))
    figures["peak_sweep_mb"] = round(peak_mb())
    figures["assess_s"], figures["kernel_s"] = yard.calculation(TODAY + dt.timedelta(days=4))
    figures["driver_s"] = yard.driver(TODAY + dt.timedelta(days=4))
    if loop:
        figures["loop_s"] = yard.per_object_loop(TODAY + dt.timedelta(days=4))
    return figures


if __name__ == "__main__":
    main()
