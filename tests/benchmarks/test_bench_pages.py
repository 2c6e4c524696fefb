"""Every page, and the services behind the forms, at 2,000 and 20,000 units with their history: seconds and queries.

Each size runs in a process of its own on a fresh SQLite file. BENCH_PAGE_UNITS names other sizes
(`BENCH_PAGE_UNITS=500,5000`).
"""

from __future__ import annotations

import json
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
SMALL, LARGE = (int(part) for part in os.environ.get("BENCH_PAGE_UNITS", "2000,20000").split(","))
# What the pages reach on a quiet machine is in DEVELOPERS.md; a shared one needs room.
LONGEST_PAGE_S = 1.0
LONGEST_SERVICE_S = 0.2
# Below this the fixed part of a page (templates, rights, session) is all there is to see.
WORTH_COMPARING_S = 0.1
SHARE_OF_LINEAR = 0.65
# They add up or look through the whole stock, the whole ledger or all that is undecided: bounded in seconds, not in growth.
WHOLE = ("items", "one item", "stores, ", "movements, ", "admin", "first weeks", "survey", "horizon")


@cache
def figures(units: int) -> dict[str, Any]:
    """Measure one size once."""
    with tempfile.TemporaryDirectory(prefix="pages-bench-") as folder:
        environment = {
            **os.environ,
            "MUSTERWELL_DATA_DIR": folder,
            "DEBUG": "0",
            "SECRET_KEY": "bench",
            "ALLOWED_HOSTS": "testserver",
        }
        environment.pop("DJANGO_SETTINGS_MODULE", None)
        environment.pop("DATABASE_URL", None)
        command = [sys.executable, "-m", "tests.benchmarks.run_pages", str(units)]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def pairs(kind: str) -> list[tuple[str, dict[str, Any], dict[str, Any]]]:
    """(name, at the small size, at the large size) of every page or service."""
    small, large = figures(SMALL)[kind], figures(LARGE)[kind]
    names = [f"{row.get('who', '')} {row.get('page') or row['service']}".strip() for row in large]
    return list(zip(names, small, large, strict=True))


def test_the_figures() -> None:
    for kind in ("pages", "services"):
        print(f"\n{kind:34} {SMALL:>7} {LARGE:>8}  growth queries")
        for name, small, large in pairs(kind):
            growth = large["seconds"] / max(small["seconds"], 0.001)
            queries = f"{small['queries']}/{large['queries']}"
            print(f"{name:34} {small['seconds']:7.3f} {large['seconds']:8.3f} {growth:7.1f} {queries}")


def test_the_ledger_behind_the_pages_is_large() -> None:
    rows = figures(LARGE)["rows"]
    assert rows["movements"] > 10 * LARGE
    assert rows["audit"] > 2 * LARGE


def test_a_larger_fleet_asks_no_more_queries() -> None:
    """Fewer where a list gives way to a box to type in; matters that name stock need up to three of their own, and the rows
    of a page one that a page without rows does not ask."""
    for name, small, large in pairs("pages"):
        of_matters = 3 if "today" in name or "alerts" in name else 0
        of_rows = 1 if small["kb"] < large["kb"] else 0
        assert large["queries"] <= small["queries"] + of_matters + of_rows, name


def test_no_page_and_no_form_keeps_a_person_waiting() -> None:
    for name, _small, large in pairs("pages"):
        assert large["seconds"] < LONGEST_PAGE_S, name
    for name, _small, large in pairs("services"):
        assert large["seconds"] < LONGEST_SERVICE_S, name


def test_what_is_paged_grows_far_slower_than_the_fleet() -> None:
    for name, small, large in pairs("pages"):
        page = name.partition(" ")[2]
        if page.startswith(WHOLE) or large["seconds"] < WORTH_COMPARING_S:
            continue
        growth = large["seconds"] / small["seconds"]
        assert growth < SHARE_OF_LINEAR * LARGE / SMALL, f"{name}: {growth:.1f} times"
