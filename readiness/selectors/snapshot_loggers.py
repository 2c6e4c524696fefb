"""What the machines that watch the banks say to a snapshot: logged days, the few readings that count, their state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from readiness.domain.bank_records import EventKind
from readiness.domain.loggers import LoggedDays, evidence, logger_states
from readiness.domain.sample_days import DAY_US
from readiness.domain.snapshot import Frame
from readiness.selectors.columns import NOBODY, RowOf, fetch, id_list, instant, mapped, spread
from readiness.selectors.samples import days_where

# How far back days are read: beyond it the monthly means stand in.
DAYS_BACK = 1100
NO_LOGGER = -1


def month_of(day: np.ndarray) -> np.ndarray:
    """Month of a day number, 0 for January."""
    months: np.ndarray = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12
    return months


class Loggers:
    """The loggers of the banks of a snapshot and their days, as far as they were over at `seen` (an instant per bank row).

    One query, and one more where any of the banks has a logger.
    """

    def __init__(self, bank_ids: str, bank_rows: RowOf, seen: np.ndarray, today: int) -> None:
        found = fetch(
            {
                "bank_id": ("bank_id", "i"),
                "expected_min": ("expected_min", "f"),
                "off": (instant("off_at"), "f"),
            },
            f"FROM readiness_banklogger WHERE bank_id IN {bank_ids}",
        )
        self._seen = seen
        ids = id_list(found["bank_id"].tolist())
        since = str(np.datetime64("1970-01-01") + (today - DAYS_BACK))
        days = days_where(f"bank_id IN {ids} AND day >= '{since}'" if ids != NOBODY else "1 = 0")
        days = replace(days, bank=bank_rows(days.bank))
        days = days.take(np.lexsort((days.day, days.bank)))
        begun = days.day <= np.floor(seen[days.bank]) if len(days) else np.zeros(0, dtype=bool)
        self.days = days.take(np.flatnonzero(begun))
        self._loggers = mapped(found, "bank_id", bank_rows, into="bank")
        self.watched = np.zeros(len(seen), dtype=bool)
        self.watched[self._loggers["bank"]] = True

    def readings(self) -> Frame:
        """The few days that count as readings, in the columns of recorded ones."""
        whole = np.flatnonzero(self.days.day < np.floor(self._seen[self.days.bank]))
        days = self.days.take(whole)
        chosen = evidence(
            days.bank,
            days.day,
            rest_v=days.rest_v,
            counter_us=days.counter_us,
            counter_soc=days.counter_soc,
            synced_us=days.synced_us,
        )
        volts, counter = days.take(chosen.voltage), days.take(chosen.counter)
        nan = np.full(len(counter), np.nan)
        return Frame(
            {
                "bank": np.concatenate([volts.bank, counter.bank]),
                "at": np.concatenate([volts.rest_us, counter.counter_us]) / DAY_US,
                "kind": np.repeat([int(EventKind.VOLTAGE), int(EventKind.METER)], [len(volts), len(counter)]),
                "value": np.concatenate([volts.rest_v, counter.counter_soc]),
                "temp_c": np.concatenate([volts.rest_c, nan]),
                "rest_h": np.concatenate([volts.rest_h, nan]),
                "low_v": np.full(len(volts) + len(counter), np.nan),
            }
        )

    def at_sites(self, site_bank: np.ndarray, month_mean_c: np.ndarray, heat_c: np.ndarray) -> LoggedDays:
        """The days of the bank of each site (`site_bank` a bank row, NO_LOGGER for none), beside what is expected there."""
        first = np.searchsorted(self.days.bank, site_bank, side="left")
        last = np.searchsorted(self.days.bank, site_bank, side="right")
        site, at = spread(first, np.where(site_bank == NO_LOGGER, 0, last - first))
        day = self.days.day[at]
        return LoggedDays(
            bank=site,
            day=day,
            quarters=self.days.quarters[at],
            mean_c=self.days.mean_c[at],
            low_c=self.days.low_c[at],
            high_c=self.days.high_c[at],
            expected_c=month_mean_c[site, month_of(day)] + heat_c[site],
        )

    def logged(self, days: LoggedDays, site_bank: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(site, day, mean) of the days that replace the climate there."""
        seen = self._seen[site_bank[days.bank]]
        good = np.flatnonzero(days.usable(seen)) if len(days.bank) else np.zeros(0, dtype=np.int64)
        return days.bank[good], days.day[good], days.mean_c[good]

    def states(self, days: LoggedDays, last_site: np.ndarray) -> dict[str, np.ndarray]:
        """What is believed of each bank's logger now: `logger` (LoggerState, NO_LOGGER: none) and `logger_since`, by bank.

        `last_site` the site where each bank stands.
        """
        count = len(self._seen)
        state, since = np.full(count, NO_LOGGER, dtype=np.int64), np.full(count, np.nan)
        bank = self._loggers["bank"]
        site = last_site[bank]
        row_of_site = np.full(int(site.max(initial=-1)) + 2, -1, dtype=np.int64)
        row_of_site[site] = np.arange(len(bank))
        row_of_site[-1] = -1
        of = row_of_site[np.minimum(days.bank, len(row_of_site) - 1)] if len(days.bank) else days.bank
        mine = np.flatnonzero(of >= 0)
        order = mine[np.lexsort((days.day[mine], of[mine]))]
        here = LoggedDays(
            of[order],
            days.day[order],
            days.quarters[order],
            days.mean_c[order],
            days.low_c[order],
            days.high_c[order],
            days.expected_c[order],
        )
        told = logger_states(
            here,
            last_temp=self._last_temp()[bank],
            expected_min=self._loggers["expected_min"],
            off=self._loggers["off"],
            seen=self._seen[bank],
        )
        state[bank], since[bank] = told.state, told.since
        return {"logger": state, "logger_since": since}

    def _last_temp(self) -> np.ndarray:
        last = np.full(len(self._seen), np.nan)
        hot = np.flatnonzero(self.days.last_temp_us >= 0)
        last[self.days.bank[hot]] = self.days.last_temp_us[hot] / DAY_US
        return last
