"""Dated looks at the goods of many units, and the most their banks can hold when they are offered."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from fleet.domain.dangerous_goods.records import fresh
from fleet.domain.transport.columns import FloatArray, IntArray
from fleet.lib.dates import find_zone
from fleet.models import SupplyState, TransportTerms
from readiness.domain.checks_charge import local_day
from readiness.domain.snapshot import Frame
from readiness.models import Reading
from readiness.selectors.columns import (
    RowOf,
    among,
    as_exact,
    day,
    exact,
    fetch,
    flag,
    id_list,
    instant,
    instant_text,
)
from readiness.selectors.snapshot import EPOCH
from readiness.selectors.snapshot_papers import COUNTS

HARMFUL = frozenset({"damaged", "recalled", "critical", "no"})
# When the bank of a check was put in where it is.
_STAY = (
    "SELECT MAX(s.started_at) FROM fleet_bankstay s"
    " WHERE s.bank_id = inventory_goodscheck.bank_id AND s.ended_at IS NULL"
)
# The unit a check is about: for a bank that it is in now, wherever it was when somebody looked at it.
_UNIT = (
    "SELECT s.unit_id FROM fleet_bankstay s"
    " WHERE s.bank_id = inventory_goodscheck.bank_id AND s.ended_at IS NULL"
)
_FEEDING = (SupplyState.Kind.FLOAT, SupplyState.Kind.OWN_ARRAY)


@dataclass(frozen=True, slots=True)
class Looked:
    """The latest check of a kind on one subject: what was found, on which day; of a tank how full [%], and the fuel [L]."""

    check_id: int
    answer: str
    on: dt.date
    fill_pct: float | None
    fuel_l: float | None


_Row = tuple[int, str, int, float | None, float | None]


class Checks:
    """The latest counting check of each kind by bank and by line. One query."""

    def __init__(
        self, ids: Sequence[int], offset_days: FloatArray, ship_date: dt.date, terms: TransportTerms
    ) -> None:
        """`offset_days` (n,): local time less UTC at the home of each unit, whose calendar the days are counted by."""
        self.ship_date = ship_date
        self.days = {
            "condition": terms.condition_days,
            "terminals": terms.terminals_days,
            "tank": terms.tanks_days,
        }
        self.other_days = terms.fixing_days
        frame = fetch(
            {
                "id": ("id", "i"),
                "subject": ("CASE WHEN bank_id IS NULL THEN 'line' ELSE 'bank' END", "s"),
                "of": ("COALESCE(bank_id, line_id)", "i"),
                "kind": ("kind", "s"),
                "answer": ("answer", "s"),
                "unit_id": (f"CASE WHEN bank_id IS NULL THEN unit_id ELSE ({_UNIT}) END", "i"),
                "at": (instant("happened_at"), "f"),
                "since": (instant(f"({_STAY})"), "f"),
                "fill_pct": ("fill_pct", "s"),
                "fuel_l": ("fuel_l", "s"),
            },
            f"FROM inventory_goodscheck WHERE (bank_id IS NULL AND unit_id IN {id_list(ids)} OR bank_id IN"
            f" (SELECT bank_id FROM fleet_bankstay WHERE ended_at IS NULL AND unit_id IN {id_list(ids)})) AND {COUNTS}"
            " ORDER BY happened_at, id",
        )
        on = days_at_home(frame["at"], offset_days[RowOf(ids)(frame["unit_id"])]).tolist()
        self._latest: dict[tuple[str, int, str], _Row] = {
            (subject, of, kind): (pk, answer, day, fill_pct, fuel_l)
            for (pk, subject, of, kind, answer, _unit, at, since, fill_pct, fuel_l), day in zip(
                rows_of(frame), on, strict=True
            )
            # what was found before a bank was put in where it is now tells nothing good of it
            if answer in HARMFUL or not at < since
        }

    @property
    def latest(self) -> dict[tuple[str, int, str], Looked]:
        """By subject (bank, line), its id, and the kind of check."""
        return {key: _looked(row) for key, row in self._latest.items()}

    def answer(self, subject: str, pk: int, kind: str) -> str | None:
        """What was found, while it counts on the ship date; what is harmful counts until somebody finds otherwise."""
        row = self._latest.get((subject, pk, kind))
        if row is None:
            return None
        _id, answer, on, _fill, _fuel = row
        if answer in HARMFUL:
            return answer
        return fresh(answer, date_on(on), self.ship_date, self.days.get(kind, self.other_days))

    def yes(self, subject: str, pk: int, kind: str) -> bool | None:
        found = self.answer(subject, pk, kind)
        return None if found is None else found == "yes"

    def tank(self, pk: int) -> Looked | None:
        if self.answer("line", pk, "tank") is None:
            return None
        return _looked(self._latest["line", pk, "tank"])


def days_at_home(at: FloatArray, offset_days: FloatArray) -> IntArray:
    """Whole day numbers of instants by the calendar of the home; in summer time the day that ends first."""
    return local_day(at, offset_days).astype(np.int64)


def _looked(row: _Row) -> Looked:
    pk, answer, on, fill_pct, fuel_l = row
    return Looked(pk, answer, date_on(on), fill_pct, fuel_l)


@cache
def date_on(number: int) -> dt.date:
    """The date of a whole day number."""
    return EPOCH + dt.timedelta(days=number)


def charges_pct(
    ids: Sequence[int], zones: Sequence[str], ship_date: dt.date, now: dt.datetime, hours: int
) -> dict[int, float | None]:
    """The most each bank can hold [% of rated] when it is offered: measured on its meter within the hours, else the upper
    end of its computed band; full when it may be charging. `zones` (n,) are those of the homes: the ship date begins at
    midnight there. Six queries.
    """
    held = fetch(
        {"bank": ("bank_id", "i"), "unit": ("unit_id", "i")},
        f"FROM fleet_bankstay WHERE ended_at IS NULL AND unit_id IN {id_list(ids)}",
    )
    banks = dict(zip(held["bank"].tolist(), held["unit"].tolist(), strict=True))
    waiting = set(
        fetch({"unit": ("unit_id", "i")}, f"FROM readiness_judgementdue WHERE unit_id IN {id_list(ids)}")[
            "unit"
        ].tolist()
    )
    since, offered = _window(zones, ship_date, now, hours)
    first, last = min(since.values(), default=now), max(offered.values(), default=now)
    counts = {zone: (as_exact(since[zone]), as_exact(offered[zone])) for zone in offered}
    zone_of = dict(zip(ids, zones, strict=True))
    fed_until, charging = _charged(banks, first)
    fed = charging | _feeding(banks, fed_until)
    found: dict[int, float | None] = {}
    states = fetch(
        {"bank": ("bank_id", "i"), "high": ("high_soc", "s"), "as_of": (day("as_of"), "i")},
        f"FROM readiness_bankstate WHERE bank_id IN {id_list(banks)}",
    )
    yesterday = (now.date() - EPOCH).days - 1
    for bank, high, as_of in rows_of(states):
        current = high is not None and as_of >= yesterday and banks[bank] not in waiting
        found[bank] = 100.0 * min(1.0, high) if current else None
    for bank in fed:
        found[bank] = 100.0
    meter = fetch(
        {"bank": ("bank_id", "i"), "soc": ("meter_soc", "s"), "at": (exact("happened_at"), "s")},
        f"FROM readiness_reading WHERE {among('bank_id', banks)} AND kind = '{Reading.Kind.METER.value}' AND {COUNTS}"
        f" AND happened_at >= {instant_text(first)} AND happened_at <= {instant_text(last)}"
        " ORDER BY happened_at, id",
    )
    for bank, soc, at in rows_of(meter):
        from_, to = counts[zone_of[banks[bank]]]
        if bank not in fed and soc is not None and from_ <= at <= to and at >= fed_until.get(bank, at):
            found[bank] = 100.0 * soc
    return found


def line_charges_pct(
    ids: Sequence[int], zones: Sequence[str], ship_date: dt.date, now: dt.datetime, hours: int
) -> dict[int, float]:
    """The charge [% of rated] of batteries on lines of their own, by line: the latest that was measured within the hours
    before it is offered. Arguments as for `charges_pct`. One query.
    """
    since, offered = _window(zones, ship_date, now, hours)
    counts = {zone: (as_exact(since[zone]), as_exact(offered[zone])) for zone in offered}
    zone_of = dict(zip(ids, zones, strict=True))
    looks = fetch(
        {
            "line": ("line_id", "i"),
            "unit": ("unit_id", "i"),
            "soc_pct": ("soc_pct", "f"),
            "at": (exact("happened_at"), "s"),
        },
        f"FROM inventory_goodscheck WHERE line_id IS NOT NULL AND unit_id IN {id_list(ids)} AND kind = 'charge' AND {COUNTS}"
        f" AND happened_at <= {instant_text(max(offered.values(), default=now))} ORDER BY happened_at, id",
    )
    found: dict[int, float] = {}
    for line, unit, soc_pct, at in rows_of(looks):
        from_, to = counts[zone_of[unit]]
        if from_ <= at <= to:
            found[line] = soc_pct
    return found


def _window(
    zones: Sequence[str], ship_date: dt.date, now: dt.datetime, hours: int
) -> tuple[dict[str, dt.datetime], dict[str, dt.datetime]]:
    """(first, last) instant at which a charge must have been measured, by zone: within the hours before it is offered."""
    offered = {zone: max(now, dt.datetime.combine(ship_date, dt.time(0), find_zone(zone))) for zone in zones}
    return {zone: at - dt.timedelta(hours=hours) for zone, at in offered.items()}, offered


def _charged(banks: Collection[int], since: dt.datetime) -> tuple[dict[int, Any], set[int]]:
    """When the last charge of each bank ended, if after `since`, as the database spells instants; and which are charging.

    By the instant, not bank by bank: of some hundred thousand charges few ended lately.
    """
    charges = fetch(
        {
            "bank": ("bank_id", "i"),
            "ended": (exact("MAX(ended_at)"), "s"),
            "open": (f"MAX({flag('ended_at IS NULL')})", "b"),
        },
        f"FROM readiness_charge WHERE {among('bank_id', banks)} AND {COUNTS}"
        f" AND (ended_at IS NULL OR ended_at > {instant_text(since)}) GROUP BY bank_id",
    )
    rows = rows_of(charges)
    return (
        {bank: ended for bank, ended, _open in rows if ended is not None},
        {bank for bank, _ended, is_open in rows if is_open},
    )


def _feeding(banks: Collection[int], fed_until: dict[int, Any]) -> set[int]:
    """Which banks hang on a feed now; `fed_until` is moved on to when each was last taken off one."""
    supply: dict[int, str] = {}
    states = fetch(
        {"bank": ("bank_id", "i"), "kind": ("kind", "s"), "at": (exact("happened_at"), "s")},
        f"FROM fleet_supplystate WHERE bank_id IN {id_list(banks)} AND {COUNTS} ORDER BY happened_at, id",
    )
    for bank, kind, at in rows_of(states):
        if supply.get(bank) in _FEEDING:  # until it was connected otherwise
            fed_until[bank] = max(at, fed_until.get(bank, at))
        supply[bank] = kind
    return {bank for bank, kind in supply.items() if kind in _FEEDING}


def rows_of(frame: Frame) -> list[tuple[Any, ...]]:
    """A frame line by line, as plain Python values."""
    return list(zip(*(frame[name].tolist() for name in frame.names), strict=True))
