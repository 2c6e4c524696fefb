"""The banks in the units, where they have stood, and everything recorded about them, as the charge state reads it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from readiness.domain.bank_records import BankArrays, EventArrays, EventKind, Supply
from readiness.domain.battery_life import LIFE_REF_C, capacity_pct_20c
from readiness.domain.chemistry import chemistry_index
from readiness.domain.reading_values import rest_beside_charges
from readiness.domain.snapshot import Frame
from readiness.domain.thermal import DEFAULT_HEAT_C, Sites
from readiness.models.upkeep import Reading
from readiness.selectors.columns import NOBODY, RowOf, day, fetch, flag, id_list, instant, mapped, standing
from readiness.selectors.snapshot_loggers import NO_LOGGER, Loggers

DEFAULT_SWING_C = 5.0
EPOCH = dt.date(1970, 1, 1)
_DAYS_APART = 1_000_000
COUNTS = "struck_at IS NULL AND superseded_by_id IS NULL"
_SUPPLY = {
    "isolated": Supply.ISOLATED,
    "standby": Supply.STANDBY,
    "float": Supply.FLOAT,
    "own_array": Supply.OWN_ARRAY,
}
_READING = {
    Reading.Kind.VOLTAGE: EventKind.VOLTAGE,
    Reading.Kind.GRAVITY: EventKind.GRAVITY,
    Reading.Kind.METER: EventKind.METER,
}


def load_banks(
    units: Frame, rows: RowOf, ids: str, until: str, today: int
) -> tuple[Frame, BankArrays, EventArrays, Sites, np.ndarray]:
    """Banks aboard now, their arrays, events and sites; and whether a unit ever held a bank. Twelve queries at
    most."""
    bank, had_bank = _banks_aboard(units, rows, ids, until, today)
    bank_ids = id_list(bank["id"].tolist())
    bank_rows = RowOf(bank["id"])
    seen = (units["seen_at"] if "seen_at" in units else units["as_of"])[bank["unit"]]
    loggers = Loggers(bank_ids, bank_rows, seen, today)
    places = _Places(bank, bank_rows, bank_ids, units, loggers)
    readings = _both(_readings(bank_ids, bank_rows), loggers.readings())
    charges, opened = _charges(bank_ids, bank_rows, until)
    supplies = _supplies(bank_ids, bank_rows)
    tests = _tests(bank_ids, bank_rows, until)
    told = _tests_told(bank, tests)
    started, planned = np.full(len(bank), np.nan), np.full(len(bank), np.nan)
    started[opened["bank"]], planned[opened["bank"]] = opened["started"], opened["planned_end"]
    unit = bank["unit"]
    index = chemistry_index()
    arrays = BankArrays.of(
        np.array([index[code] for code in bank["chemistry"].tolist()], dtype=np.int64).reshape(-1),
        capacity_ah=told.pop("capacity_ah"),
        cells=bank["cells"],
        standby_ma=bank["standby_ma"],
        charger_a=bank["charger_a"],
        made_day=bank["made_day"],
        life_days=bank["life_years"] * 365.25,
        floor_soc=bank["floor_soc"],
        depart_soc=bank["depart_soc"],
        kept_soc=bank["kept_soc"],
        pct_month=bank["pct_month"],
        interval_cap_days=bank["interval_cap"],
        sg_full=bank["sg_full"],
        sg_empty=bank["sg_empty"],
        tested_at=told["tested"],
        # Valid through the last day, so the count ends with the day after it.
        stale_days=np.where(
            np.isnan(units["reading_max_age_days"]), 0.0, units["reading_max_age_days"] + 1.0
        )[unit],
        site=places.first_site,
    )
    frame = Frame(
        {
            "id": bank["id"],
            "unit": unit,
            "chem": arrays.chem,
            "charge_started": started,
            "planned_end": planned,
            **told,
            **places.logger_states(),
        }
    )
    events = _events(_rested(readings, charges, opened), charges, supplies, places)
    return frame, arrays, events, places.sites, had_bank


def _banks_aboard(units: Frame, rows: RowOf, ids: str, until: str, today: int) -> tuple[Frame, np.ndarray]:
    stays = fetch(
        {"unit_id": ("unit_id", "i")},
        f"FROM fleet_bankstay WHERE unit_id IN {ids} AND started_at <= {until}",
    )
    had_bank = np.zeros(len(units), dtype=bool)
    had_bank[rows(stays["unit_id"])] = True
    bank = fetch(
        {
            "id": ("b.id", "i"),
            "unit_id": ("s.unit_id", "i"),
            "chemistry": ("b.chemistry", "s"),
            "capacity_ah": ("b.capacity_ah", "f"),
            "cells": ("b.cells_in_series", "f"),
            "made_day": (day("b.made_on"), "f"),
            "life_years": ("b.design_life_years", "f"),
            "standby_ma": ("b.standby_ma", "f"),
            "charger_a": ("b.charger_a", "f"),
            "floor_soc": ("b.floor_soc", "f"),
            "depart_soc": ("b.depart_soc", "f"),
            "pct_month": ("b.sd_pct_month", "f"),
            "interval_cap": ("b.maker_interval_days", "f"),
            "sg_full": ("b.sg_full", "f"),
            "sg_empty": ("b.sg_empty", "f"),
            "kept_soc": (_kept_soc(today), "f"),
        },
        "FROM fleet_bankstay s JOIN fleet_batterybank b ON b.id = s.bank_id JOIN fleet_unit u ON u.id = s.unit_id"
        f" WHERE s.unit_id IN {ids} AND {standing(until, 's.started_at', 's.ended_at')} ORDER BY b.id",
    )
    return mapped(bank, "unit_id", rows, into="unit"), had_bank


def _kept_soc(today: int) -> str:
    """SQL for the level at which the owner keeps a bank of this chemistry in the depot of its unit, as of a day."""
    on = (EPOCH + dt.timedelta(days=today)).isoformat()
    return (
        "(SELECT p.store_soc FROM readiness_storagepolicy p WHERE p.place_id = u.home_id AND p.chemistry = b.chemistry"
        f" AND p.valid_from <= '{on}' AND (p.valid_to IS NULL OR p.valid_to >= '{on}')"
        " ORDER BY p.valid_from DESC LIMIT 1)"
    )


def _readings(bank_ids: str, bank_rows: RowOf) -> Frame:
    frame = fetch(
        {
            "bank_id": ("bank_id", "i"),
            "at": (instant("happened_at"), "f"),
            "kind": ("kind", "s"),
            "volts": ("volts_v", "f"),
            "gravity": ("gravity_sg", "f"),
            "meter": ("meter_soc", "f"),
            "temp_c": ("temp_c", "f"),
            "rest_h": ("rest_h", "f"),
            "low_v": ("lowest_block_v", "f"),
        },
        f"FROM readiness_reading WHERE bank_id IN {bank_ids} AND {COUNTS} ORDER BY bank_id, happened_at",
    )
    kind = np.array([int(_READING[word]) for word in frame["kind"].tolist()], dtype=np.int64)
    value = np.select(
        [kind == EventKind.VOLTAGE, kind == EventKind.GRAVITY],
        [frame["volts"], frame["gravity"]],
        frame["meter"],
    )
    return mapped(frame.with_columns(kind=kind, value=value), "bank_id", bank_rows, into="bank")


def _both(recorded: Frame, logged: Frame) -> Frame:
    """Readings that people took, and those few of machines that count as such."""
    return Frame({name: np.concatenate([recorded[name], logged[name]]) for name in logged.names})


def _charges(bank_ids: str, bank_rows: RowOf, until: str) -> tuple[Frame, Frame]:
    frame = fetch(
        {
            "bank_id": ("bank_id", "i"),
            "started": (instant("happened_at"), "f"),
            "ended": (instant(f"CASE WHEN ended_at <= {until} THEN ended_at END"), "f"),
            "planned_end": (instant("planned_end_at"), "f"),
            "end_sign": (flag(f"end_sign <> '' AND NOT {flag('tripped')} = 1"), "b"),
            "to_soc": ("to_soc", "f"),
            "ah_in": ("ah_in", "f"),
        },
        f"FROM readiness_charge WHERE bank_id IN {bank_ids} AND happened_at <= {until} AND {COUNTS}",
    )
    frame = mapped(frame, "bank_id", bank_rows, into="bank")
    ended = np.isfinite(frame["ended"])
    return frame.take(np.flatnonzero(ended)), frame.take(np.flatnonzero(~ended))


def _rested(readings: Frame, charges: Frame, opened: Frame) -> Frame:
    """Readings with the rest that their bank can have had."""
    both = {name: np.concatenate([charges[name], opened[name]]) for name in ("bank", "started", "ended")}
    rest_h = rest_beside_charges(
        readings["bank"],
        readings["at"],
        readings["rest_h"],
        of_bank=both["bank"],
        started=both["started"],
        ended=both["ended"],
    )
    return readings.with_columns(
        rest_h=np.where(readings["kind"] == EventKind.VOLTAGE, rest_h, readings["rest_h"])
    )


def _supplies(bank_ids: str, bank_rows: RowOf) -> Frame:
    frame = fetch(
        {
            "bank_id": ("bank_id", "i"),
            "at": (instant("happened_at"), "f"),
            "kind": ("kind", "s"),
            "check_days": ("check_interval_days", "f"),
        },
        f"FROM fleet_supplystate WHERE bank_id IN {bank_ids} AND {COUNTS}",
    )
    supply = np.array([int(_SUPPLY[word]) for word in frame["kind"].tolist()], dtype=np.int64)
    return mapped(frame.with_columns(supply=supply), "bank_id", bank_rows, into="bank")


def _tests(bank_ids: str, bank_rows: RowOf, until: str) -> Frame:
    """Capacity and ohmic tests, oldest first, so that the latest one stays when they are written into one array."""
    frame = fetch(
        {
            "bank_id": ("bank_id", "i"),
            "at": (instant("happened_at"), "f"),
            "capacity_ah": ("capacity_ah", "f"),
            "ratio": ("worst_ratio", "f"),
            "temp_c": ("temp_c", "f"),
        },
        f"FROM readiness_banktest WHERE bank_id IN {bank_ids} AND {COUNTS}"
        f" AND happened_at <= {until} ORDER BY happened_at",
    )
    return mapped(frame, "bank_id", bank_rows, into="bank")


def _tests_told(bank: Frame, tests: Frame) -> dict[str, np.ndarray]:
    """What the latest tests say of each bank: capacity [Ah] and when, the last two [% of rated at 20 degC], ohmic ratio.

    A test without a temperature counts as one at 20 degC.
    """
    capacity = tests.take(np.flatnonzero(np.isfinite(tests["capacity_ah"])))
    ohmic = tests.take(np.flatnonzero(np.isfinite(tests["ratio"])))
    row, nan = capacity["bank"], np.full(len(bank), np.nan)
    temp_c = np.where(np.isnan(capacity["temp_c"]), LIFE_REF_C, np.clip(capacity["temp_c"], -40.0, 70.0))
    pct = capacity_pct_20c(capacity["capacity_ah"], bank["capacity_ah"][row], temp_c) if len(row) else nan[:0]
    columns = {"capacity_ah": bank["capacity_ah"].copy()}
    columns |= {name: nan.copy() for name in ("tested", "capacity_pct", "prev_pct", "ohmic_ratio")}
    columns["tested"][row], columns["capacity_ah"][row] = capacity["at"], capacity["capacity_ah"]
    columns["capacity_pct"][row] = pct
    columns["ohmic_ratio"][ohmic["bank"]] = ohmic["ratio"]
    # The last but one of each bank: by bank and time, those that another one follows.
    order = np.argsort(row, kind="stable")
    before = order[:-1][row[order[1:]] == row[order[:-1]]] if len(order) else order
    columns["prev_pct"][row[before]] = pct[before]
    return columns


class _Places:
    """Where each bank has stood: its stays in units and on shelves, joined with the stays of those units.

    `first_site` per bank; `moves` (bank, at, site) afterwards; `uses` (bank, at): instants at which it left or came back
    from an absence, after which its charge is not known until something shows it. `sites`: what the temperature was there.
    A bank with a logger has sites of its own.
    """

    def __init__(self, bank: Frame, bank_rows: RowOf, bank_ids: str, units: Frame, loggers: Loggers) -> None:
        self._loggers = loggers
        stays = mapped(
            fetch(
                {
                    "bank_id": ("bank_id", "i"),
                    "unit_id": ("COALESCE(unit_id, 0)", "i"),
                    "place": ("COALESCE(place_id, 0)", "i"),
                    "start": (instant("started_at"), "f"),
                    "end": (instant("ended_at"), "f"),
                },
                f"FROM fleet_bankstay WHERE bank_id IN {bank_ids}",
            ),
            "bank_id",
            bank_rows,
            into="bank",
        )
        in_units = stays.take(np.flatnonzero(stays["unit_id"] > 0))
        on_shelf = stays.take(np.flatnonzero(stays["place"] > 0))
        self._unit_stays = _unit_stays(in_units["unit_id"])
        spans = _overlaps(in_units, self._unit_stays)
        heat = np.where(np.isnan(spans["heat_c"]), DEFAULT_HEAT_C, spans["heat_c"])
        swing = np.where(np.isnan(spans["swing_c"]), DEFAULT_SWING_C, spans["swing_c"])
        shelf = len(on_shelf)
        self._spans = Frame(
            {
                "bank": np.concatenate([spans["bank"], on_shelf["bank"]]),
                "start": np.concatenate([spans["start"], on_shelf["start"]]),
                "place": np.concatenate([spans["place"], on_shelf["place"]]),
                "unit_id": np.concatenate([spans["unit_id"], np.zeros(shelf, dtype=np.int64)]),
                "heat_c": np.concatenate([heat, np.full(shelf, DEFAULT_HEAT_C)]),
                "swing_c": np.concatenate([swing, np.full(shelf, DEFAULT_SWING_C)]),
            }
        )
        away = np.flatnonzero(spans["absent"])
        ends = spans["end"][away]
        returned = np.isfinite(ends)
        self.uses = Frame(
            {
                "bank": np.concatenate([spans["bank"][away], spans["bank"][away][returned]]),
                "at": np.concatenate([spans["start"][away], ends[returned]]),
            }
        )
        self._logs = _logs(self._spans)
        self._site_of_spans(len(bank))
        self.sites = self._load_sites()

    def _site_of_spans(self, banks: int) -> None:
        spans = self._spans
        logged = np.isin(spans["unit_id"], self._logs["unit_id"][self._logs["unit_id"] > 0])
        watched = np.where(self._loggers.watched[spans["bank"]], spans["bank"], NO_LOGGER)
        keys = np.stack(
            [
                spans["place"],
                np.where(logged, spans["unit_id"], 0),
                spans["heat_c"],
                spans["swing_c"],
                watched,
            ],
            axis=1,
        ).astype(np.float64)
        self._keys, site = np.unique(keys, axis=0, return_inverse=True)
        site = np.where(spans["place"] > 0, site.ravel(), -1)
        order = np.lexsort((spans["start"], spans["bank"]))
        who, where, unit, at = (
            spans["bank"][order],
            site[order],
            spans["unit_id"][order],
            spans["start"][order],
        )
        new = np.r_[True, who[1:] != who[:-1]] if len(who) else np.zeros(0, dtype=bool)
        self.first_site = np.full(banks, -1, dtype=np.int64)
        self.first_site[who[new]] = where[new]
        self.last_site = np.full(banks, -1, dtype=np.int64)
        self.last_site[who] = where
        if len(who):
            moved = ~new & np.r_[False, (where[1:] != where[:-1]) | (unit[1:] != unit[:-1])]
        else:
            moved = new
        self.moves = Frame({"bank": who[moved], "at": at[moved], "site": where[moved]})

    def logger_states(self) -> dict[str, np.ndarray]:
        """What is believed of the logger of each bank (columns of banks)."""
        return self._loggers.states(self._machine_days, self.last_site)

    def _load_sites(self) -> Sites:
        """Climate of every site, and the days that were logged there. One query."""
        keys = self._keys
        places = np.unique(keys[:, 0].astype(np.int64)) if len(keys) else np.zeros(0, dtype=np.int64)
        normals = fetch(
            {"place": ("place_id", "i"), "month": ("month", "i"), "mean_c": ("mean_c", "f")},
            f"FROM fleet_climatenormal WHERE place_id IN {id_list(places.tolist())}",
        )
        table = np.full((len(places) + 1, 12), np.nan)
        row = RowOf(places)
        table[row(normals["place"]), normals["month"] - 1] = normals["mean_c"]
        means = table[row(keys[:, 0].astype(np.int64))] if len(keys) else np.zeros((0, 12))
        site_bank = keys[:, 4].astype(np.int64)
        self._machine_days = self._loggers.at_sites(site_bank, means, keys[:, 2])
        own = self._loggers.logged(self._machine_days, site_bank)
        # A bank's own logger knows better than one of its unit or place.
        told = self._logged_days()
        others = np.flatnonzero(~np.isin(told[0] * _DAYS_APART + told[1], own[0] * _DAYS_APART + own[1]))
        return Sites(
            means,
            keys[:, 2],
            keys[:, 3],
            *(np.concatenate([old[others], new]) for old, new in zip(told, own, strict=True)),
        )

    def _logged_days(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Logged days per site: those of a unit's own logger where it has one, else those of the place."""
        logs = self._logs
        sites, days, means = [], [], []
        for number, (place, unit, *_) in enumerate(self._keys.tolist()):
            mine = np.flatnonzero(
                logs["unit_id"] == unit if unit else (logs["unit_id"] == 0) & (logs["place"] == place)
            )
            sites.append(np.full(len(mine), number, dtype=np.int64))
            days.append(logs["day"][mine].astype(np.int64))
            means.append(logs["mean_c"][mine])
        if not sites:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
        return np.concatenate(sites), np.concatenate(days), np.concatenate(means)


def _unit_stays(unit_ids: np.ndarray) -> Frame:
    """All stays of the units that ever held these banks, by unit and start."""
    ids = id_list(np.unique(unit_ids).tolist())
    return fetch(
        {
            "unit_id": ("s.unit_id", "i"),
            "place": ("COALESCE(s.place_id, a.place_id, 0)", "i"),
            "absent": (flag("s.absence_id IS NOT NULL"), "b"),
            "start": (instant("s.started_at"), "f"),
            "end": (instant("s.ended_at"), "f"),
            "heat_c": ("COALESCE(u.enclosure_heat_c, d.enclosure_heat_c)", "f"),
            "swing_c": ("d.enclosure_swing_c", "f"),
        },
        "FROM fleet_unitstay s JOIN fleet_unit u ON u.id = s.unit_id JOIN fleet_design d ON d.id = u.design_id"
        f" LEFT JOIN fleet_absence a ON a.id = s.absence_id WHERE s.unit_id IN {ids}"
        " ORDER BY s.unit_id, s.started_at",
    )


def _overlaps(bank_stays: Frame, unit_stays: Frame) -> Frame:
    """Every stretch in which a bank was in a unit that was somewhere: the overlap of both stays."""
    first = np.searchsorted(unit_stays["unit_id"], bank_stays["unit_id"], side="left")
    last = np.searchsorted(unit_stays["unit_id"], bank_stays["unit_id"], side="right")
    count = last - first
    of_bank = np.repeat(np.arange(len(bank_stays)), count)
    of_unit = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    inner = bank_stays.take(of_bank)
    outer = unit_stays.take(of_unit)
    end = np.fmin(inner["end"], outer["end"])
    start = np.maximum(inner["start"], outer["start"])
    keep = np.flatnonzero(np.isnan(end) | (start < end))
    joined = Frame(
        {
            "bank": inner["bank"],
            "unit_id": inner["unit_id"],
            "place": outer["place"],
            "absent": outer["absent"],
            "start": start,
            "end": end,
            "heat_c": outer["heat_c"],
            "swing_c": outer["swing_c"],
        }
    )
    return joined.take(keep)


def _logs(spans: Frame) -> Frame:
    """Temperature logs of the places and units concerned. One query."""
    places = id_list(np.unique(spans["place"][spans["place"] > 0]).tolist())
    unit_ids = id_list(np.unique(spans["unit_id"][spans["unit_id"] > 0]).tolist())
    mine = f"unit_id IN {unit_ids}" if unit_ids != NOBODY else "1 = 0"
    return fetch(
        {
            "place": ("place_id", "i"),
            "unit_id": ("COALESCE(unit_id, 0)", "i"),
            "day": (day("day"), "f"),
            "mean_c": ("mean_c", "f"),
        },
        f"FROM fleet_temperaturelog WHERE (unit_id IS NULL AND place_id IN {places}) OR {mine}",
    )


def _per_cell(block_v: np.ndarray) -> np.ndarray:
    """Volts per cell of the lowest lead-acid block, which has one, three or six cells: the nearest one."""
    sizes = np.array([1.0, 3.0, 6.0])
    nearest = np.abs(block_v[:, None] / 2.0 - sizes[None, :]).argmin(axis=1) if len(block_v) else []
    return block_v / sizes[nearest] if len(block_v) else block_v


def _events(readings: Frame, charges: Frame, supplies: Frame, places: _Places) -> EventArrays:
    """All events of all banks as one set of columns, sorted by bank and time."""
    nan = np.nan
    parts: list[dict[str, Any]] = [
        {
            "bank": readings["bank"],
            "time": readings["at"],
            "kind": readings["kind"],
            "value": readings["value"],
            "temp_c": readings["temp_c"],
            "rest_h": readings["rest_h"],
            "low_cell_v": _per_cell(readings["low_v"]),
        },
        {
            "bank": charges["bank"],
            "time": charges["ended"],
            "kind": int(EventKind.CHARGE),
            "hours": (charges["ended"] - charges["started"]) * 24.0,
            "end_sign": charges["end_sign"],
            "to_soc": charges["to_soc"],
            "ah": charges["ah_in"],
        },
        {
            "bank": supplies["bank"],
            "time": supplies["at"],
            "kind": int(EventKind.SUPPLY),
            "supply": supplies["supply"],
            "check_days": supplies["check_days"],
        },
        {
            "bank": places.moves["bank"],
            "time": places.moves["at"],
            "kind": int(EventKind.SITE),
            "site": places.moves["site"],
        },
        {"bank": places.uses["bank"], "time": places.uses["at"], "kind": int(EventKind.USED)},
    ]
    blank: dict[str, Any] = {"supply": 0, "site": -1, "end_sign": False}
    names = (
        "bank",
        "time",
        "kind",
        "value",
        "temp_c",
        "rest_h",
        "low_cell_v",
        "hours",
        "to_soc",
        "ah",
        "check_days",
    )
    columns = {}
    for name in (*names, *blank):
        columns[name] = np.concatenate(
            [
                np.broadcast_to(np.asarray(part.get(name, blank.get(name, nan))), (len(part["bank"]),))
                for part in parts
            ]
        )
    events = EventArrays.of(columns.pop("bank"), columns.pop("time"), columns.pop("kind"), **columns)
    return events.take(np.lexsort((events.time, events.bank)))
