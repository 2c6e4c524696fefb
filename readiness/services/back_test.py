"""The past replayed: how often a reading fell into the band that had been predicted for it, over a depot or all of them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from fleet.lib.jobs import JobContext
from fleet.models import Job, Place, Unit, User
from fleet.services.jobs import job_enqueue
from readiness.domain.back_test import BackTest, HorizonResult, back_test
from readiness.domain.chemistry import chemistry_index
from readiness.selectors.pages_back_test import KIND
from readiness.selectors.snapshot import load_all_banks

LEAST_READINGS = 10


def back_test_run(*, depot: Place | None, as_of: dt.date) -> dict[str, Any]:
    """Replay the records of the banks of a depot (None: of all) up to the end of `as_of`. A fixed number of queries.

    Returned as plain values: `banks`, `readings` (predictions tried), and by 'all' and by chemistry a row a horizon.
    """
    units = Unit.objects.in_service().order_by("pk")
    if depot is not None:
        units = units.filter(home=depot)
    _rows, banks, events, sites, asked = load_all_banks(list(units.values_list("pk", flat=True)), as_of)
    found = back_test(banks, events, sites, float(asked.max(initial=0.0)))
    groups: dict[str, list[dict[str, Any]]] = {"all": _told(found)}
    codes = {number: code for code, number in chemistry_index().items()}
    for number in np.unique(banks.chem[found.bank]).tolist():
        groups[codes[number]] = _told(found.take(banks.chem[found.bank] == number))
    return {
        "as_of": as_of.isoformat(),
        "depot": depot.code if depot else "",
        "banks": len(banks),
        "readings": len(np.unique(found.event)),
        "groups": {name: rows for name, rows in groups.items() if rows},
    }


def _told(found: BackTest) -> list[dict[str, Any]]:
    return [_plain(row) for row in found.summary() if row.count >= LEAST_READINGS]


def _plain(row: HorizonResult) -> dict[str, Any]:
    return {name: getattr(row, name) for name in row.__slots__}


def back_test_request(*, depot: Place | None, as_of: dt.date, actor: User | None) -> Job:
    """Ask for a back-test. One that is waiting or running already is not doubled."""
    key = f"back_test:{depot.pk if depot else 0}:{as_of}"
    params = {"depot": depot.pk if depot else None, "as_of": as_of.isoformat()}
    return job_enqueue(kind=KIND, params=params, unique_key=key, place=depot, requested_by=actor)


def run_back_test(ctx: JobContext) -> dict[str, Any]:
    """The work of a job of kind `back_test`."""
    depot = Place.objects.get(pk=ctx.params["depot"]) if ctx.params["depot"] else None
    ctx.check_cancelled()
    return back_test_run(depot=depot, as_of=dt.date.fromisoformat(ctx.params["as_of"]))
