"""A person at a form while something large runs: writes readings down by the form's service until its input closes.

Argument: the day. BENCH_DATABASE names another database than the settings' own, as JSON. Prints `ready`, and at the end how
long each save took [s] as JSON, the judging of the unit afterwards included.
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
    from django.conf import settings

    django.setup()
    settings.DATABASES["default"].update(json.loads(os.environ.get("BENCH_DATABASE") or "{}"))
    from fleet.models import BatteryBank
    from readiness.services.upkeep import reading_record

    at = dt.datetime.combine(dt.date.fromisoformat(sys.argv[1]), dt.time(10), tzinfo=dt.UTC)
    ids = list(BatteryBank.objects.order_by("pk").values_list("pk", flat=True))
    waits: list[float] = []
    print("ready", flush=True)
    while not select.select([sys.stdin], [], [], 0.25)[0]:
        number = len(waits) + 1
        bank = BatteryBank.objects.get(pk=ids[number * 37 % len(ids)])
        moment = at + dt.timedelta(seconds=number)
        started = time.perf_counter()
        reading_record(
            bank=bank, happened_at=moment, actor=None, volts_v=25.4, temp_c=14.0, rest_h=60.0, now=moment
        )
        waits.append(time.perf_counter() - started)
    print(json.dumps(waits), flush=True)


if __name__ == "__main__":
    main()
