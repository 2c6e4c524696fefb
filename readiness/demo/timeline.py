"""The span of the scenario and instants in it: 730 days that end the day before the stated today."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

HISTORY_DAYS = 730


@dataclass(frozen=True)
class Timeline:
    today: dt.date

    @property
    def first(self) -> dt.date:
        return self.today - dt.timedelta(days=HISTORY_DAYS)

    @property
    def days(self) -> int:
        return HISTORY_DAYS

    def day(self, index: int) -> dt.date:
        """Day 0 is the first of the history; day `days` is today."""
        return self.first + dt.timedelta(days=int(index))

    def index(self, day: dt.date) -> int:
        return (day - self.first).days

    def ago(self, days: float) -> dt.date:
        return self.today - dt.timedelta(days=int(days))

    def at(self, index: float, zone: str, hour: float = 9.0) -> dt.datetime:
        """That hour of that day's clock in a place, as an instant in UTC. Nothing happens on today itself."""
        day = self.day(int(index))
        local = dt.datetime.combine(day, dt.time(), tzinfo=ZoneInfo(zone)) + dt.timedelta(hours=hour)
        instant = local.astimezone(dt.UTC)
        latest = dt.datetime.combine(self.today, dt.time(), tzinfo=dt.UTC) - dt.timedelta(minutes=5)
        return min(instant, latest)


def months_later(day: dt.date, months: int) -> dt.date:
    """The same day some months later, or that month's last."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = (dt.date(year + (month == 11), (month + 1) % 12 + 1, 1) - dt.timedelta(days=1)).day
    return dt.date(year, month + 1, min(day.day, last))
