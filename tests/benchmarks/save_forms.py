"""Saves a reading again and again, as a form would, until a line comes in; prints how long each save waited, as JSON.

Started as a process of its own by the benchmarks, with the database of the test run in the environment.
"""

import json
import os
import select
import sys
import time


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    import django
    from django.conf import settings

    given = json.loads(os.environ["BENCH_DATABASE"])
    django.setup()
    settings.DATABASES["default"].update(given)

    import datetime as dt

    from fleet.models import BatteryBank
    from fleet.services import changes
    from readiness.services.upkeep import reading_record

    changes._listeners.clear()  # the wait for the database is measured, not the computation after it
    bank = BatteryBank.objects.get(pk=os.environ["BENCH_BANK"])
    begin = dt.datetime(2025, 11, 1, tzinfo=dt.UTC)
    print("ready", flush=True)
    waits = []
    while not select.select([sys.stdin], [], [], 0.1)[0]:
        start = time.monotonic()
        moment = begin + dt.timedelta(seconds=len(waits))
        reading_record(bank=bank, happened_at=moment, actor=None, volts_v=25.1)
        waits.append(time.monotonic() - start)
    print(json.dumps(waits), flush=True)


if __name__ == "__main__":
    main()
