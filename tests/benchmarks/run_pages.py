"""One measurement of the pages in a process of its own: fill a database, sweep it, open every list, print figures as JSON.

Arguments: number of units, `--only TEXT` for the pages whose name holds it, `--sql` to tell the slowest statement of each.
A data folder that holds the units already is taken as it is.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import sys
from typing import Any

TODAY = dt.date(2026, 11, 25)
NOW = dt.datetime(2026, 11, 25, 9, 30, tzinfo=dt.UTC)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("units", type=int)
    parser.add_argument("--only", default="")
    parser.add_argument("--sql", action="store_true")
    parser.add_argument("--no-services", action="store_true")
    options = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")
    import django
    import time_machine

    django.setup()
    from django.core.management import call_command

    call_command("migrate", interactive=False, verbosity=0)
    call_command("collectstatic", interactive=False, verbosity=0)
    with time_machine.travel(NOW, tick=True):
        json.dump(measure(options), sys.stdout)


def measure(options: argparse.Namespace) -> dict[str, Any]:
    from fleet.models import Unit, User
    from tests.benchmarks import page_yardsticks as yard
    from tests.benchmarks.fleet_of_size import build
    from tests.benchmarks.history_of_size import add_history
    from tests.benchmarks.sweep_yardsticks import sweep_day

    told: dict[str, Any] = {"units": options.units}
    if not Unit.objects.exists():
        build(options.units, TODAY)
    if not User.objects.exists():
        people = yard.make_people()
        told["rows"] = add_history(options.units, TODAY, people["administrator"])
        sweep_day(TODAY)
    told["pages"] = yard.pages(only=options.only, sql=options.sql)
    if not options.no_services:
        told["services"] = yard.services(only=options.only, sql=options.sql)
    return told


if __name__ == "__main__":
    main()
