"""Loads what a verdict rests on for some thousand units: a fixed number of queries whatever the number of units."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection
from zoneinfo import ZoneInfo

import numpy as np

from fleet.lib.dates import find_zone
from fleet.models.away import Absence
from readiness.domain.bank_records import BankArrays, EventArrays
from readiness.domain.snapshot import FleetSnapshot, Frame
from readiness.domain.thermal import Sites
from readiness.selectors.columns import RowOf, day, fetch, id_list, instant, mapped, moment, standing
from readiness.selectors.fleet_habits import fleet_habits
from readiness.selectors.snapshot_banks import load_banks
from readiness.selectors.snapshot_papers import load_papers
from readiness.selectors.snapshot_parts import load_parts

EPOCH = dt.date(1970, 1, 1)
EPOCH_AT = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
# How many units are loaded at a time: bounds the memory and the length of one write.
CHUNK_UNITS = 4000
AWAY_CODES: dict[str, int] = {
    Absence.Purpose.CALL: 1,
    Absence.Purpose.EXERCISE: 2,
    Absence.Purpose.LOAN: 3,
    Absence.Purpose.WORKSHOP: 4,
}


def day_number(value: dt.date) -> int:
    return (value - EPOCH).days


def date_of(number: float | None) -> dt.date | None:
    """The date of a day number; None for NaN, None and what lies beyond the calendar."""
    if number is None or not np.isfinite(number) or number > 2_900_000:
        return None
    return EPOCH + dt.timedelta(days=int(number))


def standard_offset_days(zone: ZoneInfo, year: int) -> float:
    """Local time less UTC outside summer time: days do not jump when the clocks do, and the earlier day is the safe one."""
    offsets = [dt.datetime(year, month, 1, tzinfo=zone).utcoffset() or dt.timedelta(0) for month in (1, 7)]
    return min(offsets) / dt.timedelta(days=1)


def load_snapshot(
    unit_ids: Collection[int], as_of: dt.date, *, now: dt.datetime | None = None
) -> FleetSnapshot:
    """Everything recorded about these units that counts, as known now, as of the end of `as_of` at each unit's home.

    `now`: what is looked at by the clock is judged as of that instant when it comes before the end of the day.
    """
    ids = id_list(sorted(set(unit_ids)))
    today = day_number(as_of)
    units = load_units(ids, as_of, today)
    seen = math.inf if now is None else (now - EPOCH_AT) / dt.timedelta(days=1)
    units = units.with_columns(seen_at=np.minimum(units["as_of"], seen))
    rows = RowOf(units["id"])
    until = moment(float(units["as_of"].max(initial=today + 1.0)))
    units = units.with_columns(**_whereabouts(units, rows, ids, until))
    units = units.with_columns(away_at=_last_away(units, rows, ids, until))
    banks, arrays, events, sites, had_bank = load_banks(units, rows, ids, until, today)
    units = units.with_columns(had_bank=had_bank)
    papers = load_papers(units, rows, ids, until, as_of)
    parts = load_parts(units, rows, ids, until, as_of, today)
    return FleetSnapshot(
        as_of_day=today,
        units=units,
        banks=banks,
        bank_arrays=arrays,
        events=events,
        sites=sites,
        habits=fleet_habits(),
        low_c=_record_lows(units),
        **papers,
        **parts,
    )


def load_all_banks(
    unit_ids: Collection[int], as_of: dt.date
) -> tuple[Frame, BankArrays, EventArrays, Sites, np.ndarray]:
    """The banks of these units with all their records, and the instant of the end of the day at the home of each.

    A fixed number of queries.
    """
    ids = id_list(sorted(set(unit_ids)))
    today = day_number(as_of)
    units = load_units(ids, as_of, today)
    until = moment(float(units["as_of"].max(initial=today + 1.0)))
    banks, arrays, events, sites, _had = load_banks(units, RowOf(units["id"]), ids, until, today)
    return banks, arrays, events, sites, units["as_of"][banks["unit"]]


def load_units(ids: str, as_of: dt.date, today: int) -> Frame:
    """Units with their design, home and terms. Places of terms and zones are those of the home depot. Two queries."""
    frame = fetch(
        {
            "id": ("u.id", "i"),
            "design": ("u.design_id", "i"),
            "home": ("u.home_id", "i"),
            "heat_c": ("COALESCE(u.enclosure_heat_c, d.enclosure_heat_c)", "f"),
            "swing_c": ("d.enclosure_swing_c", "f"),
            "survey_min": ("d.survey_min", "f"),
            "train_hours_day": ("d.train_hours_day", "f"),
            "train_m3_day": ("d.train_m3_day", "f"),
            "zone": ("p.time_zone", "s"),
        },
        "FROM fleet_unit u JOIN fleet_design d ON d.id = u.design_id JOIN fleet_place p ON p.id = u.home_id"
        f" WHERE u.id IN {ids} ORDER BY u.id",
    )
    zones = {name: standard_offset_days(find_zone(name), as_of.year) for name in set(frame["zone"].tolist())}
    offset = np.array([zones[name] for name in frame["zone"].tolist()], dtype=np.float64)
    return frame.with_columns(
        offset_days=offset,
        as_of=today + 1.0 - offset,
        **_terms(frame, as_of),
    )


def _whereabouts(units: Frame, rows: RowOf, ids: str, until: str) -> dict[str, np.ndarray]:
    """In which place or absence each unit is, with what an absence says. One query."""
    frame = mapped(
        fetch(
            {
                "unit_id": ("s.unit_id", "i"),
                "place": ("COALESCE(s.place_id, a.place_id, 0)", "i"),
                "purpose": ("COALESCE(a.purpose, '')", "s"),
                "recall_h": ("a.recall_h", "f"),
                "due_back": (day("a.due_back_on"), "f"),
                "since": (instant("s.started_at"), "f"),
            },
            "FROM fleet_unitstay s LEFT JOIN fleet_absence a ON a.id = s.absence_id"
            f" WHERE s.unit_id IN {ids} AND {standing(until, 's.started_at', 's.ended_at')} ORDER BY s.started_at",
        ),
        "unit_id",
        rows,
        into="unit",
    )
    count = len(units)
    known, away, where = (
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=np.int64),
        np.zeros(count, dtype=np.int64),
    )
    recall_h, due_back, since = (np.full(count, np.nan) for _column in range(3))
    unit = frame["unit"]
    known[unit], where[unit] = True, frame["place"]
    away[unit] = np.array(
        [AWAY_CODES.get(purpose, 0) for purpose in frame["purpose"].tolist()], dtype=np.int64
    )
    recall_h[unit], due_back[unit], since[unit] = frame["recall_h"], frame["due_back"], frame["since"]
    return {
        "known_place": known,
        "away": away,
        "where": where,
        "recall_h": recall_h,
        "due_back": due_back,
        "here_since": since,
    }


def _last_away(units: Frame, rows: RowOf, ids: str, until: str) -> np.ndarray:
    """When each unit last came back from an absence, or went on the one it is on; NaN where it never was away. One query."""
    ended = mapped(
        fetch(
            {"unit_id": ("unit_id", "i"), "at": (instant("MAX(ended_at)"), "f")},
            f"FROM fleet_unitstay WHERE unit_id IN {ids} AND absence_id IS NOT NULL AND ended_at <= {until}"
            " GROUP BY unit_id",
        ),
        "unit_id",
        rows,
        into="unit",
    )
    back_at = np.full(len(units), np.nan)
    back_at[ended["unit"]] = ended["at"]
    return np.where(units["away"] > 0, units["here_since"], back_at)


def _terms(units: Frame, as_of: dt.date) -> dict[str, np.ndarray]:
    """The terms in force at each unit's home; NaN where a depot states none."""
    homes = np.unique(units["home"])
    names = ("notice_h", "mission_days", "reading_max_age_days", "lookahead_days")
    frame = fetch(
        {"place": ("place_id", "i"), **{name: (name, "f") for name in names}},
        f"FROM fleet_depotterms WHERE place_id IN {id_list(homes.tolist())}"
        f" AND valid_from <= '{as_of.isoformat()}' AND (valid_to IS NULL OR valid_to >= '{as_of.isoformat()}')",
    )
    row = RowOf(frame["place"])(units["home"])
    return {
        name: np.where(row >= 0, frame[name][np.maximum(row, 0)] if len(frame) else np.nan, np.nan)
        for name in names
    }


def _record_lows(units: Frame) -> np.ndarray:
    """Record low of each month where each unit is; NaN where it is not on file."""
    places = np.unique(units["where"][units["where"] > 0])
    frame = fetch(
        {"place": ("place_id", "i"), "month": ("month", "i"), "low_c": ("record_low_c", "f")},
        f"FROM fleet_climatenormal WHERE place_id IN {id_list(places.tolist())}",
    )
    table = np.full((len(places) + 1, 12), np.nan)
    row = RowOf(places)
    table[row(frame["place"]), frame["month"] - 1] = frame["low_c"]
    return table[np.where(units["where"] > 0, row(units["where"]), len(places))]
