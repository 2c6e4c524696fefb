"""Where the demo's depots charge: bays, terms, crew, supply by the hour, room, and what their owner chose for storage."""

from __future__ import annotations

import datetime as dt

from readiness.demo.base_rows import Keys
from readiness.demo.people import People
from readiness.demo.rows import Rows
from readiness.demo.source import Source
from readiness.demo.timeline import Timeline

LONG_AGO = 1100


def write_bays(rows: Rows, source: Source, keys: Keys, timeline: Timeline, people: People) -> None:
    since = timeline.ago(LONG_AGO)
    for bay in source["charger_bays"]:
        rows.add(
            "readiness.ChargerBay",
            place_id=keys.place[bay["place"]],
            **{name: bay[name] for name in ("name", "max_a", "max_v", "max_kw")},
            profiles=words(bay["profiles"]),
            valid_from=timeline.ago(bay["from_days_ago"]),
            valid_to=None if bay["to_days_ago"] is None else timeline.ago(bay["to_days_ago"]),
            note=bay["note"] or "",
        )
    for terms in source["bay_terms"]:
        row = dict(terms)
        place, unattended = row.pop("place"), words(row.pop("unattended"))
        rows.add(
            "readiness.BayTerms",
            place_id=keys.place[place],
            valid_from=since,
            unattended=unattended,
            **row,
        )
    for hours in source["crew_hours"]:
        for weekday in weekdays(str(hours["weekdays"])):
            rows.add(
                "readiness.CrewHours",
                place_id=keys.place[hours["place"]],
                valid_from=since,
                weekday=weekday,
                opens=clock(hours["opens"]),
                closes=clock(hours["closes"]),
            )
    for odd in source["crew_days"]:
        rows.add(
            "readiness.CrewDay",
            place_id=keys.place[odd["place"]],
            day=next_weekday(timeline.ago(-odd["days_ahead"]), odd["weekday"]),
            opens=None if odd["opens"] is None else clock(odd["opens"]),
            closes=None if odd["closes"] is None else clock(odd["closes"]),
            reason=odd["reason"],
        )
    for supply in source["supply_hours"]:
        rows.add(
            "readiness.SupplyHours",
            place_id=keys.place[supply["place"]],
            valid_from=since,
            weekday=supply["weekday"],
            starts=clock(supply["starts"]),
            ends=clock(supply["ends"]),
            limit_kw=supply["limit_kw"],
            reason=supply["reason"],
        )
    for room in source["charging_rooms"]:
        row = dict(room)
        place, interlocked = keys.place[row.pop("place")], row.pop("fan_interlocked")
        rows.add("readiness.ChargingRoom", place_id=place, fan_interlocked=interlocked == "yes", **row)
    for policy in source["storage_policies"]:
        rows.add(
            "readiness.StoragePolicy",
            place_id=keys.place[policy["place"]],
            chemistry=policy["chemistry"],
            store_soc=float(policy["store_soc"]),
            valid_from=timeline.ago(policy["from_days_ago"]),
            chosen_by_id=people.manager[policy["place"]],
            reason=policy["reason"],
        )


def words(text: str) -> list[str]:
    return [word.strip() for word in text.split(";") if word.strip()]


def weekdays(text: str) -> range:
    """`0-4` is Monday through Friday, `5` Saturday."""
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def clock(text: str) -> dt.time:
    return dt.time.fromisoformat(text)


def next_weekday(day: dt.date, weekday: int) -> dt.date:
    return day + dt.timedelta(days=(weekday - day.weekday()) % 7)
