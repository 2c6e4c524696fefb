"""The charge state of every bank of a fleet at once, from its records; the page of one bank calls the same with one row.

Two estimates run side by side through the records of a bank. The best estimate uses each chemistry's own temperature law;
the pessimistic one lets rates double per 8 K above 25 degC. Each carries a band that starts at 0.02 after a completed charge
and grows by half of every predicted loss, or by what its own records leave in doubt of it. Readings are fused by inverse
variance. The low end is the pessimistic estimate less 1.28 of its band, never above what the latest usable reading says, and
never above the best estimate less 1.28 of its own band; so a reading that is too low is planned on until another one
disproves it.

Dates follow from the last record, never from the day on which one asks, so they do not drift while nothing happens.

References: state equation, laws, fusion and trigger as documented in `tables/SOURCES.md`; the 0.02, the half of the loss
and the meter bands are engineering assumptions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from readiness.domain.bank_belief import BankBelief, put_where
from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import (
    BankArrays,
    BankEstimates,
    DueBy,
    EventArrays,
    Note,
    Reason,
    Supply,
    ranks,
)
from readiness.domain.charge_loss import advance, level_time, not_before
from readiness.domain.charge_records import apply
from readiness.domain.fusion import PESSIMISTIC_SIGMAS, SIGMA_PER_LOSS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.reading_values import ReadingValues, values_of_readings
from readiness.domain.thermal import Sites

# How much of a predicted loss the low end falls by while nothing was learnt of the bank.
LOSS_WEIGHT = 1.0 + PESSIMISTIC_SIGMAS * SIGMA_PER_LOSS
HORIZON_DAYS = 1500
FAR_DAYS = 1095.0


def estimate(banks: BankArrays, events: EventArrays, sites: Sites, as_of: Any) -> BankEstimates:
    """Charge state, band, ends, due dates and reasons of every bank at `as_of` (days since 1970-01-01 UTC, one or per bank).

    Later events are left out. Work grows with the most eventful bank, not with a loop over banks.
    """
    asked = np.ascontiguousarray(np.broadcast_to(np.asarray(as_of, dtype=np.float64), (len(banks),)))
    values = values_of_readings(banks, events)
    order = events.in_order()
    order = order[events.time[order] <= asked[events.bank[order]]]
    first = asked.copy()
    np.minimum.at(first, events.bank[order], events.time[order])
    rates = BankRates.build(banks, events, sites, first, asked, HORIZON_DAYS)
    state = BankBelief.unknown(banks, first)
    if order.size:
        by_rank, edges = ranks(events.bank[order])
        rows = order[by_rank]
        for begin, end in pairwise(edges.tolist()):
            at = rows[begin:end]
            bank = events.bank[at]
            part = state.take(bank)
            advance(part, rates, bank, events.time[at])
            apply(part, rates, events, values, at)
            state.put(bank, part)
    return _answer(banks, rates, state, values, asked)


def _answer(
    banks: BankArrays, rates: BankRates, state: BankBelief, values: ReadingValues, asked: FloatArray
) -> BankEstimates:
    everyone = np.arange(len(banks), dtype=np.int64)
    floor_at, depart_at, top_up_at, interval_at = _limits_ahead(state, rates, everyone)
    now = state.take(everyone)
    advance(now, rates, everyone, asked)
    stale_at = state.evidence_at + banks.stale_days
    stale = now.known & (asked > stale_at)
    reasons = now.reasons | np.where(stale, int(Reason.STALE), 0)
    undecided = ~now.known
    floor_at = np.where(undecided, np.nan, floor_at)
    due_at = np.fmin(floor_at, interval_at)
    due_by = np.where(
        np.isfinite(due_at),
        np.where(
            floor_at <= np.where(np.isnan(interval_at), np.inf, interval_at),
            int(DueBy.FLOOR),
            int(DueBy.INTERVAL),
        ),
        int(DueBy.NONE),
    )
    bound = np.clip(now.bound, 0.0, 1.0)
    return BankEstimates(
        soc=np.where(undecided, np.nan, now.soc),
        sigma=np.where(undecided, np.nan, now.sigma),
        low=np.where(undecided, 0.0, bound),
        high=_high_end(now, undecided),
        floor_soc=rates.floor_soc,
        depart_soc=rates.depart_soc,
        top_up_soc=rates.top_up_soc,
        floor_at=floor_at,
        depart_at=np.where(undecided, np.nan, depart_at),
        top_up_at=np.where(undecided, np.nan, top_up_at),
        interval_at=interval_at,
        due_at=due_at,
        due_by=due_by,
        used=np.where(now.charged, now.used, np.nan),
        stale_at=stale_at,
        broken_at=now.broken_at,
        anchor_kind=state.anchor_kind,
        anchor_at=state.anchor_at,
        alarm_at=state.alarm_at,
        block_at=state.block_at,
        evidence_at=state.evidence_at,
        reading_at=state.reading_at,
        charged_at=state.charged_at,
        float_until=np.where(state.floating, state.float_until, np.nan),
        supply=state.supply,
        readings_used=state.readings,
        reasons=reasons,
        notes=_all_notes(now, banks, asked),
        refusal=values.refusal.astype(np.int64),
        completed=values.completed,
    )


def _limits_ahead(
    state: BankBelief, rates: BankRates, bank: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """When floor, charge to leave, owner's level and interval are met if nothing is done: from the last record on."""
    load = rates.load(bank, state.supply)
    can_tell = state.known & np.isfinite(load) & (rates.row(bank, state.site) >= 0)
    floor_at, depart_at, top_up_at, interval_at = (
        state.floor_at.copy(),
        np.full_like(state.t, np.nan),
        np.full_like(state.t, np.nan),
        state.interval_at.copy(),
    )
    levels = ((rates.floor_soc, floor_at), (rates.depart_soc, depart_at), (rates.top_up_soc, top_up_at))
    for level_soc, at in levels:
        asked = can_tell & np.isfinite(level_soc)
        under = asked & np.isnan(at) & (state.bound <= level_soc)
        put_where(at, under, state.t)
        ahead = np.flatnonzero(asked & np.isnan(at))
        met = level_time(state, rates, bank, ahead, state.loss_from, level_soc)
        at[ahead] = np.where(met > state.t[ahead] + FAR_DAYS, np.inf, met)
    ahead = np.flatnonzero(state.charged & np.isnan(interval_at))
    due = rates.interval_end(ahead, state.site[ahead], state.loss_from[ahead], 1.0 - state.used[ahead])
    interval_at[ahead] = np.where(np.isnan(due), np.nan, np.fmax(due, not_before(state, ahead)))
    return floor_at, depart_at, top_up_at, interval_at


def _high_end(now: BankBelief, undecided: BoolArray) -> FloatArray:
    """The most charge that may be in it: what counts where a limit must not be exceeded. A connected bank may be full."""
    best = now.soc + PESSIMISTIC_SIGMAS * now.sigma
    other = now.low_soc + PESSIMISTIC_SIGMAS * now.low_sigma
    open_ended = undecided | now.floating
    return np.where(open_ended, 1.0, np.clip(np.fmax(best, other), 0.0, 1.0))


def _all_notes(now: BankBelief, banks: BankArrays, asked: FloatArray) -> IntArray:
    believed = now.floating & (asked <= now.float_until)
    tested = (banks.tested_at > now.alarm_at) & (banks.tested_at <= asked)
    pairs = (
        (now.alarmed & ~tested, Note.UNEXPLAINED_LOSS),
        (now.supply == Supply.UNKNOWN, Note.SUPPLY_UNKNOWN),
        (believed, Note.FLOAT_BELIEVED),
        (now.floating & ~believed, Note.FLOAT_EXPIRED),
        (~np.isfinite(banks.made_day) | ~(banks.life_days > 0), Note.AGE_UNKNOWN),
        (~now.charged, Note.NO_COMPLETED_CHARGE),
    )
    notes = now.notes.copy()
    for where, note in pairs:
        notes |= np.where(where, int(note), 0)
    return notes


@dataclass(frozen=True)
class ChargePath:
    """The course of one bank for a chart: a value per asked instant."""

    at: FloatArray
    soc: FloatArray
    low: FloatArray
    high: FloatArray
    floor_soc: float
    decided: BoolArray


Judge = Callable[[BankArrays, EventArrays, Sites, Any], BankEstimates]


def path(
    banks: BankArrays, events: EventArrays, sites: Sites, row: int, at: Any, *, judge: Judge = estimate
) -> ChargePath:
    """What is believed of one bank at each instant of `at`, from the records up to then (the last ones, for later days).

    The same calculation as `estimate` (or as `judge`), with the bank repeated once per instant.
    """
    instants = np.atleast_1d(np.asarray(at, dtype=np.float64))
    mine = np.flatnonzero(events.bank == row)
    times = np.arange(instants.size, dtype=np.int64)
    repeated = events.take(np.tile(mine, instants.size))
    repeated = replace(repeated, bank=np.repeat(times, mine.size))
    answer = judge(banks.take(np.full(instants.size, row)), repeated, sites, instants)
    return ChargePath(
        at=instants,
        soc=answer.soc,
        low=answer.low,
        high=answer.high,
        floor_soc=float(answer.floor_soc[0]),
        decided=answer.decided,
    )
