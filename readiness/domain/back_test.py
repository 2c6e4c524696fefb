"""What the forecasts were worth: every reading of the past against what had been predicted 30, 60 and 90 days before it.

Each prediction uses the records up to its own day only; temperatures that were logged later are kept from it. A reading
counts when it was usable and when nothing was charged, used, moved or connected between the prediction and it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from readiness.domain.bank_records import BankArrays, EventArrays, EventKind
from readiness.domain.charge_state import estimate
from readiness.domain.fusion import PESSIMISTIC_SIGMAS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.learning import noise_of_fleet, predict
from readiness.domain.learning_course import DEFAULT_TERMS, LearningTerms
from readiness.domain.reading_values import values_of_readings
from readiness.domain.thermal import Sites

HORIZONS_DAYS = (30.0, 60.0, 90.0)
ROWS_AT_ONCE = 4000


@dataclass(frozen=True)
class BackTest:
    """One row a reading and horizon: `event` its row in the events, `bank`, `horizon_days` [d], `measured` [1]; `value` and
    `sigma` predicted by the bank's own rate, `plain_value` and `plain_sigma` by the published one."""

    event: IntArray
    bank: IntArray
    horizon_days: FloatArray
    measured: FloatArray
    value: FloatArray
    sigma: FloatArray
    plain_value: FloatArray
    plain_sigma: FloatArray

    def __len__(self) -> int:
        return len(self.event)

    def take(self, at: BoolArray | IntArray) -> BackTest:
        return BackTest(**{name: getattr(self, name)[at] for name in self.__dataclass_fields__})

    def inside(self, *, learned: bool = True, sigmas: float = PESSIMISTIC_SIGMAS) -> BoolArray:
        """Whether each measured value fell inside the band predicted for it (1.28 sigma each way: 80 %).

        A reading is cut off at full. A band that reaches beyond it could only be missed below, and would hold more often
        than it says: there it begins where it holds just as much as it should.
        """
        value, sigma = (self.value, self.sigma) if learned else (self.plain_value, self.plain_sigma)
        one_sided = ndtri(2.0 * ndtr(sigmas) - 1.0)
        reaches_full = value + sigmas * sigma >= 1.0
        low = np.maximum(value - np.where(reaches_full, one_sided, sigmas) * sigma, 0.0)
        high = np.where(reaches_full, 1.0, value + sigmas * sigma)
        return (np.minimum(low, 1.0) <= self.measured + 1e-9) & (self.measured <= high + 1e-9)

    def summary(self) -> tuple[HorizonResult, ...]:
        """Per horizon: how many, how often inside, how wide and how far off, with and without learning."""
        rows = []
        for horizon in np.unique(self.horizon_days).tolist():
            at = self.horizon_days == horizon
            rows.append(
                HorizonResult(
                    horizon,
                    int(at.sum()),
                    float(self.inside()[at].mean()),
                    float(self.inside(learned=False)[at].mean()),
                    float(2.0 * PESSIMISTIC_SIGMAS * self.sigma[at].mean()),
                    float(2.0 * PESSIMISTIC_SIGMAS * self.plain_sigma[at].mean()),
                    float(np.abs(self.value - self.measured)[at].mean()),
                    float(np.abs(self.plain_value - self.measured)[at].mean()),
                )
            )
        return tuple(rows)


@dataclass(frozen=True, slots=True)
class HorizonResult:
    """Of `count` readings predicted `horizon_days` [d] ahead: the share inside the 80 % band, the band's width
    [1 of capacity] and the mean miss [1], by the bank's own rate and (`plain`) by the published one."""

    horizon_days: float
    count: int
    inside: float
    plain_inside: float
    width: float
    plain_width: float
    miss: float
    plain_miss: float


def back_test(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: float,
    *,
    horizons_days: Sequence[float] = HORIZONS_DAYS,
    terms: LearningTerms = DEFAULT_TERMS,
) -> BackTest:
    """Replay the records up to `as_of` (days since 1970-01-01 UTC): predict every reading from `horizons_days` before it."""
    order = events.in_order()
    order = order[events.time[order] <= as_of]
    events = events.take(order)
    values = values_of_readings(banks, events)
    noise = noise_of_fleet(banks, events, sites, as_of, terms=terms)
    refusal = estimate(banks, events, sites, as_of).refusal
    usable = (events.kind >= EventKind.VOLTAGE) & values.usable & (refusal == 0)
    usable &= ~values.only_up & ~values.only_down
    readings = np.flatnonzero(usable)
    horizon = np.tile(np.asarray(horizons_days, dtype=np.float64), readings.size)
    event = np.repeat(readings, len(horizons_days))
    asked = events.time[event] - horizon
    line = _line(events.bank, events.time)
    until = np.searchsorted(line, _line(events.bank[event], asked), side="right")
    start = np.searchsorted(events.bank, events.bank[event], side="left")
    disturbing = np.concatenate([[0], np.cumsum(events.kind < EventKind.VOLTAGE)])
    quiet = disturbing[event] - disturbing[until] == 0
    keep = np.flatnonzero((until > start) & quiet)
    event, start, until = event[keep], start[keep], until[keep]
    horizon, asked = horizon[keep], asked[keep]
    out = {name: np.full(event.size, np.nan) for name in ("value", "sigma", "plain_value", "plain_sigma")}
    for rows, known_sites in _batches(asked, sites):
        part, mine = _records_before(events, start[rows], until[rows])
        targets = event[rows]
        arguments = (
            banks.take(events.bank[targets]),
            replace(part, bank=mine),
            known_sites,
            asked[rows],
            events.time[targets],
            events.kind[targets] - int(EventKind.VOLTAGE),
            values.sigma[targets],
        )
        own = predict(*arguments, noise=noise, terms=terms)
        plain = predict(*arguments, terms=replace(terms, learns=False))
        out["value"][rows], out["sigma"][rows] = own.value, own.sigma
        out["plain_value"][rows], out["plain_sigma"][rows] = plain.value, plain.sigma
    told = np.flatnonzero(np.isfinite(out["value"]) & np.isfinite(out["plain_value"]))
    return BackTest(
        event=order[event[told]],
        bank=events.bank[event[told]],
        horizon_days=horizon[told],
        measured=values.soc[event[told]],
        **{name: column[told] for name, column in out.items()},
    )


def _line(bank: IntArray, at: FloatArray) -> FloatArray:
    """Banks one after the other on one line, further apart than any instant."""
    return bank * 1.0e6 + at


def _records_before(events: EventArrays, start: IntArray, until: IntArray) -> tuple[EventArrays, IntArray]:
    """For each target the records of its bank that were known: event rows `start` to `until`, and the target of each."""
    counts = until - start
    target = np.repeat(np.arange(start.size), counts)
    first = np.repeat(start - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
    return events.take(first + np.arange(counts.sum())), target


def _batches(asked: FloatArray, sites: Sites) -> Iterator[tuple[IntArray, Sites]]:
    """Rows to be predicted together, with what was logged of the temperature by then."""
    if not sites.log_day.size:
        for begin in range(0, asked.size, ROWS_AT_ONCE):
            yield np.arange(begin, min(begin + ROWS_AT_ONCE, asked.size)), sites
        return
    days = np.floor(asked)
    for day in np.unique(days):
        logged = sites.log_day < day
        known = replace(
            sites,
            log_site=sites.log_site[logged],
            log_day=sites.log_day[logged],
            log_mean_c=sites.log_mean_c[logged],
        )
        yield np.flatnonzero(days == day), known
