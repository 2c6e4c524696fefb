"""A person at a form while a sweep runs: writes readings down by the form's service until its input closes.

Arguments: number of units, day. Prints how long each save took [s] as JSON.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import select
import sys
import time


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")
    import django

    django.setup()
    from fleet.models import BatteryBank
    from readiness.services.upkeep import reading_record

    units, day = int(sys.argv[1]), dt.date.fromisoformat(sys.argv[2])
    at = dt.datetime.combine(day, dt.time(10), tzinfo=dt.UTC)
    waits = []
    print("ready", flush=True)
    while not select.select([sys.stdin], [], [], 0.25)[0]:
        number = len(waits) + 1
        bank = BatteryBank.objects.get(pk=number * 37 % units + 1)
        moment = at + dt.timedelta(seconds=number)
        started = time.perf_counter()
        reading_record(
            bank=bank, happened_at=moment, actor=None, volts_v=25.4, temp_c=14.0, rest_h=60.0, now=moment
        )
        waits.append(time.perf_counter() - started)
    json.dump(waits, sys.stdout)


if __name__ == "__main__":
    main()
