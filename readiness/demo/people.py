"""The invented people: who keeps the records of which depot, and who may sign in as what."""

from __future__ import annotations

import datetime as dt
from typing import Any

from readiness.demo.rows import Rows
from readiness.demo.source import Source


class People:
    """Numbers of users by depot; the passwords are no part of the scenario."""

    def __init__(self, rows: Rows, source: Source, place_id: dict[str, int], joined_at: dt.datetime) -> None:
        self.crew: dict[str, int] = {}
        self.manager: dict[str, int] = {}
        self.by_name: dict[str, int] = {}
        for person in source["people"]:
            number = rows.add(
                "fleet.User",
                username=person["username"],
                first_name=person["first_name"],
                last_name=person["last_name"],
                email=f"{person['username']}@quaycommons.example",
                is_staff=person["role"] == "administrator",
                is_superuser=person["role"] == "administrator",
                is_active=bool(person["login"]),
                date_joined=joined_at,
            )
            self.by_name[person["username"]] = number
            if person["depot"]:
                (self.manager if person["login"] else self.crew)[person["depot"]] = number
            if person["login"]:
                depot = person["depot"] and place_id[person["depot"]]
                rows.add("fleet.Membership", user_id=number, role=person["role"], depot_id=depot)

    def written(self, depot: str, at: dt.datetime, *, hours: float = 0.4) -> dict[str, Any]:
        """Written down a little later, by the crew of that depot."""
        later = (at + dt.timedelta(hours=hours)).replace(microsecond=0)
        return {"recorded_at": later, "recorded_by_id": self.crew[depot]}
