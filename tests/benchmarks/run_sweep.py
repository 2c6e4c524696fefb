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
    parser.add_argument(
        "--short", action="store_true", help="only the first sweep, a quiet day and the yardsticks"
    )
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
    figures |= measure(options.units, loop=options.loop, short=options.short)
    figures["peak_mb"] = round(peak_mb())
    json.dump(figures, sys.stdout)


def measure(units: int, *, loop: bool, short: bool) -> dict[str, Any]:
    from tests.benchmarks import sweep_yardsticks as yard

    figures: dict[str, Any] = {}
    figures["first"] = yard.sweep_day(TODAY)
    figures["day_later"] = yard.sweep_day(TODAY + dt.timedelta(days=1))
    figures["peak_sweep_mb"] = round(peak_mb())
    if not short:
        figures |= changed_days(units)
        figures["peak_sweep_mb"] = round(peak_mb())
    figures["assess_s"], figures["kernel_s"] = yard.calculation(TODAY + dt.timedelta(days=5))
    figures["driver_s"] = yard.driver(TODAY + dt.timedelta(days=5))
    if loop:
        figures["loop_s"] = yard.per_object_loop(TODAY + dt.timedelta(days=5))
    return figures


def changed_days(units: int) -> dict[str, Any]:
    """A day with 5 % of the units changed, one with all, and one with all while a person saves forms."""
    from tests.benchmarks import sweep_yardsticks as yard

    figures: dict[str, Any] = {}
    yard.change(units, share=0.05, day=TODAY + dt.timedelta(days=1))
    figures["five_percent"] = yard.sweep_day(TODAY + dt.timedelta(days=2))
    yard.change(units, share=1.0, day=TODAY + dt.timedelta(days=2))
    figures["all_changed"] = yard.sweep_day(TODAY + dt.timedelta(days=3))
    yard.change(units, share=1.0, day=TODAY + dt.timedelta(days=3))
    fourth = TODAY + dt.timedelta(days=4)
    figures["with_forms"] = yard.forms_saved_meanwhile(lambda: yard.sweep_day(fourth), day=fourth)
    return figures


if __name__ == "__main__":
    main()
