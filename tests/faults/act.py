"""Runs one action of a scenario in this world's database and prints the answer.

`python -m tests.faults.act KIND ACTION [STEP]`
"""

import json
import os
import sys

import django


def main(kind: str, action: str, step: str = "0") -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.faults.settings")
    django.setup()
    from tests.faults.scenarios import OTHERS, SCENARIOS

    scenario = (SCENARIOS | OTHERS)[kind]
    if action == "prepare":
        scenario.prepare()
        answer = None
    elif action == "start":
        answer = [job.id.hex for job in scenario.start(int(step))]
    elif action == "digest":
        answer = scenario.digest()
    else:
        raise SystemExit(f"Unknown action {action}.")
    print(json.dumps(answer, default=str, sort_keys=True))


if __name__ == "__main__":
    main(*sys.argv[1:])
