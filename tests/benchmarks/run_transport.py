"""One measurement of the transport class from records in the database, in a process of its own; prints figures as JSON.

Arguments: number of units; how many of them are also asked one by one.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

TODAY = dt.date(2026, 11, 25)
NOW = dt.datetime(2026, 11, 25, 6, tzinfo=dt.UTC)


def main() -> None:
    units, sample = int(sys.argv[1]), int(sys.argv[2])
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")
    import django

    django.setup()
    from django.core.management import call_command

    from tests.benchmarks.fleet_of_size import build
    from tests.benchmarks.transport_of_size import add_transport

    call_command("migrate", interactive=False, verbosity=0)
    build(units, TODAY)
    add_transport(TODAY)
    json.dump(measure(sample), sys.stdout)


def timed(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """What the work returns, seconds by the clock, seconds of processor."""
    wall, cpu = time.perf_counter(), time.process_time()
    found = work()
    return found, time.perf_counter() - wall, time.process_time() - cpu


def measure(sample: int) -> dict[str, Any]:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from fleet.domain.fit.answers import Conveyances, held_conveyances
    from fleet.domain.fit.helicopters import hook
    from fleet.domain.fit.trip import Trip
    from fleet.domain.transport.answers import ALWAYS_ASKED, Carried, class_of_fleet
    from fleet.models import Unit
    from readiness.selectors.transport import load_fleet, load_transport

    trip = Trip(asked=ALWAYS_ASKED, alt_m=1900.0, elevation_m=1900.0, isa_dev_c=0.0, sling_leg_mm=5000.0)
    ids = list(Unit.objects.values_list("pk", flat=True))
    with CaptureQueriesContext(connection) as seen:
        fleet, load_s, load_cpu_s = timed(lambda: load_fleet(ids, ship_date=TODAY, now=NOW))
    under_hook, hook_s, hook_cpu_s = timed(
        lambda: fleet.answer(trip, TODAY, conveyances=Conveyances.only(helicopters=hook(2800.0)))
    )
    held_conveyances.cache_clear()
    together, all_s, all_cpu_s = timed(lambda: fleet.answer(trip, TODAY))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    by_id = {unit.pk: unit for unit in Unit.objects.select_related("design", "home")}
    chosen = [by_id[pk] for pk in ids[:: max(len(ids) // sample, 1)]]

    def one_by_one() -> list[Any]:
        answers = []
        for unit in chosen:
            (record,) = load_transport([unit], ship_date=TODAY, now=NOW)
            answers.append((record, class_of_fleet([record], trip, TODAY)))
        return answers

    alone, _alone_s, alone_cpu_s = timed(one_by_one)
    pure, _pure_s, pure_cpu_s = timed(
        lambda: [class_of_fleet([record], trip, TODAY) for record, _answer in alone]
    )
    place = {tag: n for n, tag in enumerate(together.tags)}
    unequal = 0
    for (record, answer), again in zip(alone, pure, strict=True):
        n = place[record.tag]
        unequal += fleet.records[n] != record
        unequal += int((together.law[n] != answer.law[0]).sum())
        for form in range(len(record.forms)):
            row = together.row(n, form)
            unequal += int((together.carried[row] != answer.carried[form]).sum())
            unequal += int((answer.carried[form] != again.carried[form]).sum())
            unequal += sum(
                together.fit.answer(row, key) != answer.fit.answer(form, key) for key in together.fit.keys
            )
    share = len(ids) / len(chosen)
    return {
        "units": len(ids),
        "forms": len(together.form_of),
        "conveyances": len(together.fit.keys),
        "lines": len(fleet.columns.line_unit),
        "kinds_of_goods": len(fleet.columns.items),
        "queries": len(seen),
        "load_s": round(load_s, 2),
        "load_cpu_s": round(load_cpu_s, 2),
        "search_s": round(load_s + hook_s, 2),
        "search_cpu_s": round(load_cpu_s + hook_cpu_s, 2),
        "all_conveyances_s": round(all_s, 2),
        "all_conveyances_cpu_s": round(all_cpu_s, 2),
        "peak_mb": round(peak_mb),
        "one_by_one_cpu_s": round(alone_cpu_s * share, 1),
        "ratio": round(alone_cpu_s * share / (load_cpu_s + all_cpu_s), 1),
        "ratio_of_answers": round(pure_cpu_s * share / all_cpu_s, 1),
        "asked_one_by_one": len(chosen),
        "unequal": unequal,
        "carried": {word.word: int((together.carried == int(word)).sum()) for word in Carried},
        "go_under_the_hook": int((under_hook.carried[:, 0] <= int(Carried.YES_WITH_CONDITIONS)).sum()),
    }


if __name__ == "__main__":
    main()
