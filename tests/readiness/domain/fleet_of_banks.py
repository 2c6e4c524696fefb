"""Small fleets of banks for the tests of the charge state: one bank with a few records, or many."""

from __future__ import annotations

from typing import Any

import numpy as np

from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, EventKind, Supply
from readiness.domain.charge_state import estimate
from readiness.domain.chemistry import chemistry_index
from readiness.domain.thermal import Sites

DAY0 = 20000.0
TEMPERATE_C = [5.0, 6.0, 9.0, 13.0, 18.0, 24.0, 28.0, 27.0, 22.0, 16.0, 10.0, 6.0]


def steady_sites(*temps_c: float) -> Sites:
    """Sites that keep one temperature all the year."""
    count = len(temps_c)
    return Sites(np.repeat(np.array(temps_c)[:, None], 12, axis=1), np.zeros(count), np.zeros(count))


def temperate_site() -> Sites:
    return Sites(np.array([TEMPERATE_C]), np.zeros(1), np.zeros(1))


def bank(chemistry: str = "vrla_gel", **known: Any) -> BankArrays:
    """One new, isolated-looking bank of 12 cells and 600 Ah at site 0; give what differs."""
    given: dict[str, Any] = {
        "capacity_ah": 600.0,
        "cells": 12.0,
        "standby_ma": 0.0,
        "made_day": DAY0,
        "life_days": 1e9,
        "site": 0,
    }
    given.update(known)
    return BankArrays.of([chemistry_index()[chemistry]], **given)


def charge(day: float, **facts: Any) -> dict[str, Any]:
    """A charge that ended on `day`, completed unless told otherwise: long enough for any charger that is usual."""
    return {"time": DAY0 + day, "kind": EventKind.CHARGE, "hours": 48.0, "end_sign": True, **facts}


def volts(day: float, value: float, **facts: Any) -> dict[str, Any]:
    return {
        "time": DAY0 + day,
        "kind": EventKind.VOLTAGE,
        "value": value,
        "temp_c": 25.0,
        "rest_h": 48.0,
        **facts,
    }


def meter(day: float, value: float) -> dict[str, Any]:
    return {"time": DAY0 + day, "kind": EventKind.METER, "value": value}


def gravity(day: float, value: float, **facts: Any) -> dict[str, Any]:
    return {"time": DAY0 + day, "kind": EventKind.GRAVITY, "value": value, "temp_c": 25.0, **facts}


def supply(day: float, kind: Supply, **facts: Any) -> dict[str, Any]:
    return {"time": DAY0 + day, "kind": EventKind.SUPPLY, "supply": kind, **facts}


def used(day: float, **facts: Any) -> dict[str, Any]:
    return {"time": DAY0 + day, "kind": EventKind.USED, **facts}


def moved(day: float, site: int) -> dict[str, Any]:
    return {"time": DAY0 + day, "kind": EventKind.SITE, "site": site}


def records(*events: dict[str, Any], bank_row: int = 0) -> EventArrays:
    """Event arrays from plain dicts; a key that a record lacks is not known."""
    if not events:
        return EventArrays.of()
    keys = sorted({key for event in events for key in event} - {"time", "kind"})
    blank: dict[str, Any] = {"supply": int(Supply.UNKNOWN), "site": -1, "end_sign": False}
    columns = {key: [event.get(key, blank.get(key, np.nan)) for event in events] for key in keys}
    return EventArrays.of(
        columns.pop("bank", [bank_row] * len(events)),
        [event["time"] for event in events],
        [int(event["kind"]) for event in events],
        **columns,
    )


def one(banks: BankArrays, *events: dict[str, Any], day: float, sites: Sites | None = None) -> BankEstimates:
    """The estimate of one bank on `day` after these records."""
    return estimate(banks, records(*events), sites or steady_sites(20.0), DAY0 + day)
