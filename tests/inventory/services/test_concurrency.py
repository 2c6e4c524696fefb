"""Several processes with several threads each move the same lots at once: nothing is lost, doubled or below zero."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

ROOT = Path(__file__).resolve().parents[3]
PROCESSES = 2


def environment(folder: Path) -> dict[str, str]:
    """The test's own database on PostgreSQL; a file on SQLite, as the product has it."""
    found = {**os.environ, "MUSTERWELL_DATA_DIR": str(folder), "DJANGO_SETTINGS_MODULE": "tests.settings"}
    if connection.vendor == "postgresql":
        base, _slash, _name = os.environ["DATABASE_URL"].rpartition("/")
        found["DATABASE_URL"] = f"{base}/{connection.settings_dict['NAME']}"
    return found


def start(folder: Path, command: str, argument: Any = None) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.inventory.services.storm_worker", command, json.dumps(argument)],
        cwd=ROOT,
        env=environment(folder),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def answer(process: subprocess.Popen[str]) -> Any:
    out, error = process.communicate(timeout=240)
    assert process.returncode == 0, error
    return json.loads(out)


@pytest.mark.db_both
@pytest.mark.django_db(transaction=True)
def test_processes_and_threads_on_the_same_lots(tmp_path: Path) -> None:
    stores = answer(start(tmp_path, "seed"))
    running = [
        start(tmp_path, "storm", {"stores": stores, "name": f"process {number}"})
        for number in range(PROCESSES)
    ]
    told: Counter[str] = Counter()
    for process in running:
        told.update(answer(process))
    unexpected = {
        what for what in told if what not in {"issued", "fitted", "scrapped", "used", "taken", "too little"}
    }
    assert unexpected <= {"refused stock.too_little"}, unexpected
    found = answer(start(tmp_path, "check", {"stores": stores}))
    assert found["differences"] == []
    assert found["below zero"] == 0
    # What the processes were told is what the ledger holds.
    for what in ("issued", "fitted", "scrapped", "used"):
        assert found[what] == told[what], what
    assert found["in position"] == told["fitted"] - told["scrapped"]
    assert found["once"] > 1
    assert told["issued"] > 20
    # All the stock is spoken for: what was not issued is still there, or there was too little.
    assert told["too little"] + told["refused stock.too_little"] > 0
