"""The loggers and what is believed of each now, their keys, and what came in: a fixed number of queries each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Q, QuerySet

from fleet.models import BankStay, BatteryBank, ClimateNormal, Place, UnitStay
from readiness.domain.loggers import LoggedDays, LoggerState, logger_states
from readiness.domain.sample_days import DAY_US, SampleDays
from readiness.domain.samples import EPOCH, micros
from readiness.domain.thermal import DEFAULT_HEAT_C
from readiness.models import BankLogger, LoggerKey, Sample, SamplePost
from readiness.selectors.columns import id_list
from readiness.selectors.samples import days_where
from readiness.selectors.snapshot_loggers import month_of

DAYS_SHOWN = 60


@dataclass(frozen=True)
class DayLine:
    """A logged day: its values, what was expected, and why it does not count (empty: it does)."""

    day: dt.date
    samples: int
    mean_c: float | None
    low_c: float | None
    high_c: float | None
    expected_c: float | None
    rest_v: float | None
    counter_soc: float | None
    why_not: str


@dataclass(frozen=True)
class LoggerView:
    """A logger with where its bank is and what is believed of it. `instead_c` what climate and allowance come to now."""

    logger: BankLogger
    stay: BankStay | None
    state: LoggerState
    since: dt.datetime | None
    value_c: float | None
    heat_c: float
    instead_c: float | None
    days: tuple[DayLine, ...] = ()

    @property
    def bank(self) -> BatteryBank:
        return self.logger.bank

    @property
    def depot(self) -> Place | None:
        if self.stay is None:
            return None
        return self.stay.unit.home if self.stay.unit else self.stay.place


def loggers_listed(depot: Place | None) -> QuerySet[BankLogger]:
    """Loggers of banks in service, those of one depot or all, by bank."""
    found = BankLogger.objects.filter(bank__retired_on__isnull=True)
    if depot is not None:
        here = BankStay.objects.current().filter(Q(unit__home=depot) | Q(place=depot))
        found = found.filter(bank__in=here.values("bank"))
    return found.select_related("bank").order_by("bank__serial")


def loggers_now(
    loggers: Sequence[BankLogger], *, now: dt.datetime, with_days: bool = False
) -> list[LoggerView]:
    """What is believed of these loggers. Four queries."""
    bank_ids = [logger.bank_id for logger in loggers]
    row_of = {bank: row for row, bank in enumerate(bank_ids)}
    stays = {
        stay.bank_id: stay
        for stay in BankStay.objects.current()
        .filter(bank__in=bank_ids)
        .select_related("unit__design", "unit__home", "place")
    }
    where, heat = _where(bank_ids, stays)
    means = _means(set(where.values()))
    seen = micros(now) / DAY_US
    since = np.datetime64(now.date() - dt.timedelta(days=DAYS_SHOWN))
    found = days_where(f"bank_id IN {id_list(bank_ids)} AND day >= '{since}'")
    row = np.array([row_of[bank] for bank in found.bank.tolist()], dtype=np.int64)
    order = np.lexsort((found.day, row))
    order = order[found.day[order] <= np.floor(seen)]
    found, row = found.take(order), row[order]
    table = np.array([means.get(where.get(bank, 0), [np.nan] * 12) for bank in bank_ids]).reshape(-1, 12)
    allowance = np.array([heat[bank] for bank in bank_ids], dtype=np.float64)
    days = LoggedDays(
        row,
        found.day,
        found.quarters,
        found.mean_c,
        found.low_c,
        found.high_c,
        table[row, month_of(found.day)] + allowance[row],
    )
    told = logger_states(
        days,
        last_temp=_days_of([logger.last_temp_at for logger in loggers], now),
        expected_min=np.array([logger.expected_min for logger in loggers], dtype=np.float64),
        off=_days_of([logger.off_at for logger in loggers], now),
        seen=np.full(len(loggers), seen),
    )
    instead = table[:, now.month - 1] + allowance if len(loggers) else allowance
    lines = _lines(days, found, seen, len(loggers)) if with_days else [()] * len(loggers)
    return [
        LoggerView(
            logger=logger,
            stay=stays.get(logger.bank_id),
            state=LoggerState(int(told.state[n])),
            since=_moment(told.since[n]),
            value_c=_number(told.value_c[n]),
            heat_c=float(allowance[n]),
            instead_c=_number(instead[n]),
            days=tuple(lines[n]),
        )
        for n, logger in enumerate(loggers)
    ]


def logger_of_bank(bank: BatteryBank, *, now: dt.datetime) -> LoggerView | None:
    """What is believed of the logger of one bank; None where it has none. One query, five with a logger."""
    loggers = list(BankLogger.objects.filter(bank=bank).select_related("bank"))
    return loggers_now(loggers, now=now)[0] if loggers else None


def _where(bank_ids: Collection[int], stays: dict[int, BankStay]) -> tuple[dict[int, int], dict[int, float]]:
    """The place of each bank (as the charge state reads it: that of its unit, or its shelf) and the allowance there."""
    units = [stay.unit_id for stay in stays.values() if stay.unit_id]
    place_of = {
        stay.unit_id: stay.place_id or (stay.absence.place_id if stay.absence else None)
        for stay in UnitStay.objects.current().filter(unit__in=units).select_related("absence")
    }
    where: dict[int, int] = {}
    heat = dict.fromkeys(bank_ids, DEFAULT_HEAT_C)
    for bank, stay in stays.items():
        where[bank] = (place_of.get(stay.unit_id or 0) if stay.unit_id else stay.place_id) or 0
        if stay.unit is not None:
            own = stay.unit.enclosure_heat_c
            allowed = own if own is not None else stay.unit.design.enclosure_heat_c
            heat[bank] = DEFAULT_HEAT_C if allowed is None else float(allowed)
    return where, heat


def _means(places: Collection[int]) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {}
    rows = ClimateNormal.objects.filter(place__in=places).values_list("place", "month", "mean_c")
    for place, month, mean in rows:
        found.setdefault(place, [np.nan] * 12)[month - 1] = mean
    return found


def _days_of(instants: Sequence[dt.datetime | None], now: dt.datetime) -> np.ndarray:
    return np.array(
        [np.nan if at is None else min(micros(at), micros(now)) / DAY_US for at in instants], dtype=np.float64
    )


def _moment(at_day: float) -> dt.datetime | None:
    return None if np.isnan(at_day) else EPOCH + dt.timedelta(days=round(float(at_day) * 86_400) / 86_400)


def _number(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)


def _lines(days: LoggedDays, found: SampleDays, seen: float, count: int) -> list[list[DayLine]]:
    """The days of each logger, the latest first."""
    out: list[list[DayLine]] = [[] for _ in range(count)]
    stuck, far, sparse = days.stuck, days.implausible, days.sparse
    for n in range(len(days.bank) - 1, -1, -1):
        why = next(
            (
                word
                for bad, word in (
                    (np.isnan(days.mean_c[n]), "no_temperature"),
                    (stuck[n], "stuck"),
                    (far[n], "implausible"),
                    (days.day[n] >= np.floor(seen), "not_over"),
                    (sparse[n], "sparse"),
                )
                if bad
            ),
            "",
        )
        out[int(days.bank[n])].append(
            DayLine(
                day=(EPOCH + dt.timedelta(days=int(days.day[n]))).date(),
                samples=int(found.samples[n]),
                mean_c=_number(days.mean_c[n]),
                low_c=_number(days.low_c[n]),
                high_c=_number(days.high_c[n]),
                expected_c=_number(days.expected_c[n]),
                rest_v=_number(found.rest_v[n]),
                counter_soc=_number(found.counter_soc[n]),
                why_not=why,
            )
        )
    return out


def keys_listed() -> QuerySet[LoggerKey]:
    """Keys made for loggers, the latest first."""
    return LoggerKey.objects.select_related("token__user", "bank").order_by("-token__created_at", "-token_id")


def posts_listed() -> QuerySet[SamplePost]:
    return SamplePost.objects.select_related("received_by", "key", "taken_back_by").order_by(
        "-received_at", "-id"
    )


def posts_about(bank: BatteryBank, *, since: dt.datetime) -> QuerySet[SamplePost]:
    """Arrivals that brought samples of a bank about the time since then, the latest first."""
    samples = Sample.objects.filter(bank=bank, struck=False, at__gte=since)
    return posts_listed().filter(pk__in=samples.values("post"))


def posts_with_faults() -> QuerySet[SamplePost]:
    """Arrivals of which something was not taken, the latest first."""
    return posts_listed().filter(Q(refused__gt=0) | Q(conflicts__gt=0))


def banks_of_post(post: SamplePost) -> list[BatteryBank]:
    """The banks about which an arrival brought samples. One query."""
    return list(BatteryBank.objects.filter(pk__in=post.samples.values("bank")).order_by("serial"))
