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

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from readiness.domain.bank_belief import BankBelief
from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import (
    READING_REFUSALS,
    Anchor,
    BankArrays,
    BankEstimates,
    DueBy,
    EventArrays,
    EventKind,
    Note,
    Reason,
    Supply,
)
from readiness.domain.charging import fleet_charge_hours
from readiness.domain.chemistry import chemistry_column
from readiness.domain.fusion import (
    PESSIMISTIC_SIGMAS,
    SIGMA_AFTER_CHARGE,
    SIGMA_PER_LOSS,
    UNEXPLAINED_SIGMAS,
    combine,
)
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.reading_values import LOADED_SIGMA_FACTOR, ReadingValues, still_busy, values_of_readings
from readiness.domain.rest_voltage import is_lithium
from readiness.domain.thermal import Sites

# How much of a predicted loss the low end falls by while nothing was learnt of the bank.
LOSS_WEIGHT = 1.0 + PESSIMISTIC_SIGMAS * SIGMA_PER_LOSS
HOURS_TOLERANCE = 0.9
UNKNOWN_START_SOC = 0.0
SLOWEST_CHARGER_SHARE = 0.5
HORIZON_DAYS = 1500
FAR_DAYS = 1095.0
HELD_DAYS = 1.0
_NOT_RESTED = READING_REFUSALS.index("not_rested")
_PLATEAU = READING_REFUSALS.index("plateau")


def _set(target: Any, where: BoolArray, value: Any) -> None:
    np.copyto(target, value, where=where, casting="unsafe")


def _note(state: BankBelief, where: BoolArray, note: Note, *, off: BoolArray | None = None) -> None:
    if off is not None:
        state.notes[off] &= ~int(note)
    state.notes[where] |= int(note)


def _forget(state: BankBelief, where: BoolArray, reason: Reason) -> None:
    """The charge state is not known any more."""
    if not where.any():
        return
    state.known &= ~where
    state.reasons[where] = int(reason)
    for column in (
        state.soc,
        state.sigma,
        state.low_soc,
        state.low_sigma,
        state.floor_at,
        state.held_soc,
        state.held_sigma,
    ):
        _set(column, where, np.nan)
    _set(state.cap, where, np.inf)
    _set(state.block_cap, where & ~_weak(state), np.inf)


def _weak(state: BankBelief) -> BoolArray:
    return (state.notes & int(Note.WEAK_BLOCK)) > 0


def _advance(state: BankBelief, rates: BankRates, bank: IntArray, until: FloatArray) -> None:
    """Let time pass up to `until`: what is lost, what of the interval is used, and when a limit was met on the way."""
    believed = state.floating & (until <= state.float_until)
    since = np.where(believed, until, state.loss_from)
    passing = until > since
    if passing.any():
        _spend_interval(state, rates, bank, since, until, passing)
        _lose_charge(state, rates, bank, since, until, passing)
    _set(state.loss_from, ~believed, until)
    state.t = until.copy()


def _spend_interval(
    state: BankBelief,
    rates: BankRates,
    bank: IntArray,
    since: FloatArray,
    until: FloatArray,
    passing: BoolArray,
) -> None:
    spent = np.where(passing, rates.interval_share(bank, state.site, since, until), 0.0)
    after = state.used + spent
    meets = state.charged & np.isnan(state.interval_at) & (after >= 1.0) & passing
    if meets.any():
        at = np.flatnonzero(meets)
        due = rates.interval_end(bank[at], state.site[at], since[at], 1.0 - state.used[at])
        state.interval_at[at] = np.minimum(np.fmax(due, _not_before(state, at)), until[at])
    state.used = after


def _not_before(state: BankBelief, at: IntArray) -> FloatArray:
    """While a float charge is believed, nothing falls due before that belief ends."""
    return np.where(state.floating[at], state.float_until[at], -np.inf)


def _lose_charge(
    state: BankBelief,
    rates: BankRates,
    bank: IntArray,
    since: FloatArray,
    until: FloatArray,
    passing: BoolArray,
) -> None:
    load = rates.load(bank, state.supply)
    blind = passing & state.known & ~np.isfinite(load)
    _forget(state, blind, Reason.LOAD_UNKNOWN)
    _forget(state, passing & state.known & (rates.row(bank, state.site) < 0), Reason.NO_CLIMATE)
    losing = np.flatnonzero(passing & state.known)
    if not losing.size:
        return
    b, site, t0, t1, drain = bank[losing], state.site[losing], since[losing], until[losing], load[losing]
    best = rates.loss(b, site, t0, t1, state.soc[losing], drain, pessimistic=False)
    worst = rates.loss(b, site, t0, t1, state.low_soc[losing], drain, pessimistic=True)
    floor = rates.floor_soc[b]
    doubt, weight = rates.loss_sigma[b], rates.loss_weight(b)
    before, at_floor = state.bound[losing], np.isnan(state.floor_at[losing])
    crosses = at_floor & (before - weight * worst <= floor)
    if crosses.any():
        at = losing[crosses]
        state.floor_at[at] = np.minimum(
            _level_time(state, rates, bank, at, since, rates.floor_soc), until[at]
        )
    falls = ~state.broken[losing] & (state.soc[losing] - best <= floor)
    if falls.any():
        at = losing[falls]
        state.broken_at[at] = np.minimum(_broken_time(state, rates, bank, at, since), until[at])
        state.broken[at] = True
    state.soc[losing] = np.maximum(state.soc[losing] - best, 0.0)
    state.sigma[losing] += doubt * best
    state.low_soc[losing] -= worst
    state.low_sigma[losing] += doubt * worst
    state.cap[losing] -= weight * worst
    state.block_cap[losing] -= weight * worst
    state.held_soc[losing] = np.maximum(state.held_soc[losing] - best, 0.0)
    state.held_sigma[losing] += doubt * best


def _level_time(
    state: BankBelief,
    rates: BankRates,
    bank: IntArray,
    at: IntArray,
    since: FloatArray,
    level_soc: FloatArray,
) -> FloatArray:
    """When the pessimistic path meets a level (`level_soc`, by bank), counted from `since`."""
    room = (state.bound[at] - level_soc[bank[at]]) / rates.loss_weight(bank[at])
    load = rates.load(bank[at], state.supply[at])
    met = rates.time_of_loss(
        bank[at], state.site[at], since[at], np.maximum(room, 0.0), state.low_soc[at], load, pessimistic=True
    )
    return np.fmax(met, _not_before(state, at))


def _broken_time(
    state: BankBelief, rates: BankRates, bank: IntArray, at: IntArray, since: FloatArray
) -> FloatArray:
    room = np.maximum(state.soc[at] - rates.floor_soc[bank[at]], 0.0)
    load = rates.load(bank[at], state.supply[at])
    met = rates.time_of_loss(
        bank[at], state.site[at], since[at], room, state.soc[at], load, pessimistic=False
    )
    return np.fmax(met, _not_before(state, at))


def _apply(
    state: BankBelief, rates: BankRates, events: EventArrays, values: ReadingValues, at: IntArray
) -> None:
    """Take in one record per bank (`at` are rows of the events; `state` holds those banks)."""
    kind = events.kind[at]
    bank = events.bank[at]
    now = events.time[at]
    if (kind == EventKind.SITE).any():
        _apply_site(state, kind == EventKind.SITE, events.site[at], now)
    if (kind == EventKind.SUPPLY).any():
        _apply_supply(state, kind == EventKind.SUPPLY, events.supply[at], events.check_days[at], now)
    if (kind == EventKind.USED).any():
        _apply_use(state, rates, bank, kind == EventKind.USED, events.ah[at])
    if (kind == EventKind.CHARGE).any():
        done = _apply_charge(state, rates, bank, kind == EventKind.CHARGE, events, at, now)
        values.completed[at[done]] = True
    reading = kind >= EventKind.VOLTAGE
    if reading.any():
        _apply_reading(state, rates, reading, values, bank, at, now, kind == EventKind.VOLTAGE)
    _mark_limits(state, rates, bank, now)


def _apply_site(state: BankBelief, where: BoolArray, site: IntArray, now: FloatArray) -> None:
    """A bank that was moved is not on its charger any more until someone says so."""
    cut = where & state.floating
    _set(state.site, where, site)
    _set(state.supply, cut, int(Supply.UNKNOWN))
    for column in (state.loss_from, state.busy_until):
        _set(column, cut, now)


def _apply_supply(
    state: BankBelief, where: BoolArray, supply: IntArray, check_days: FloatArray, now: FloatArray
) -> None:
    connected = (supply == Supply.FLOAT) | (supply == Supply.OWN_ARRAY)
    proven = where & connected & state.floating & state.known & (now <= state.float_until)
    _set(state.evidence_at, proven, now)
    _set(state.busy_until, where & state.floating, now)
    _set(state.supply, where, supply)
    _set(state.float_until, where, now + np.where(np.isnan(check_days), 0.0, check_days))
    _set(state.loss_from, where, now)


def _apply_use(state: BankBelief, rates: BankRates, bank: IntArray, where: BoolArray, ah: FloatArray) -> None:
    share = ah / rates.capacity_ah[bank]
    counted = where & state.known & np.isfinite(share)
    for column in (state.soc, state.low_soc, state.cap, state.block_cap, state.held_soc):
        _set(column, counted, column - share)
    for column in (state.soc, state.held_soc):
        _set(column, counted, np.maximum(column, 0.0))
    _forget(state, where & ~counted, Reason.USED)


def _apply_charge(
    state: BankBelief,
    rates: BankRates,
    bank: IntArray,
    where: BoolArray,
    events: EventArrays,
    at: IntArray,
    now: FloatArray,
) -> BoolArray:
    """Take in charges; returns which of them count as completed."""
    start = np.where(state.known, np.clip(state.bound, 0.0, 1.0), UNKNOWN_START_SOC)
    to_soc = events.to_soc[at]
    target = np.where(np.isnan(to_soc), 1.0, to_soc)
    needed_h = _needed_hours(rates, bank, start, target)
    complete = where & events.end_sign[at] & (events.hours[at] >= HOURS_TOLERANCE * needed_h)
    # Only lithium is put away less than full: for any other bank a charge to less has left out tail and hold.
    complete &= (target >= 1.0) | is_lithium(rates.chem[bank])
    partial = where & ~complete
    _set(state.busy_until, where, now)
    credit = events.ah[at] / (rates.charge_factor[bank] * rates.capacity_ah[bank])
    credit = np.where(np.isfinite(credit), credit, 0.0)
    for column in (state.soc, state.low_soc, state.cap, state.block_cap, state.held_soc):
        _set(column, partial & state.known & np.isfinite(column), np.minimum(column + credit, 1.0))
    # The charge runs through all blocks alike: a weak one gains what went in and stays behind until it is measured again.
    gained = np.where(_weak(state), np.minimum(state.block_cap + credit, 1.0), np.inf)
    _set(state.block_cap, complete, gained)
    _note(state, partial, Note.PARTIAL_CHARGE, off=complete)
    drop = rates.initial_drop[bank]
    for column, there in (
        (state.soc, complete),
        (state.low_soc, complete),
        (state.held_soc, complete & state.alarmed),
    ):
        _set(column, there, target * (1.0 - drop))
    for column, there in (
        (state.sigma, complete),
        (state.low_sigma, complete),
        (state.held_sigma, complete & state.alarmed),
    ):
        _set(column, there, SIGMA_AFTER_CHARGE + SIGMA_PER_LOSS * drop * target)
    _set(state.cap, complete, np.inf)
    _set(state.used, complete, 0.0)
    _set(state.interval_at, complete, np.nan)
    state.known |= complete
    state.charged |= complete
    _set(state.reasons, complete, 0)
    _set(state.anchor_kind, complete, int(Anchor.CHARGE))
    for column in (state.anchor_at, state.evidence_at, state.charged_at, state.loss_from):
        _set(column, complete, now)
    _set(state.readings, complete, 0)
    _note(state, np.zeros_like(complete), Note.DEEP_DISCHARGE, off=complete)
    return complete


def _needed_hours(rates: BankRates, bank: IntArray, start: FloatArray, target: FloatArray) -> FloatArray:
    """Hours a charge must have lasted to be believed complete, counted from the low end `start` (unknown: from empty).

    Where charger or capacity is not known, the hours must cover the slowest charger that is usual for the chemistry: taken
    as SLOWEST_CHARGER_SHARE of the typical current in its row of `tables/battery_chemistries.csv` (0.05 C for lead-acid,
    about 25 h from empty). Half of the typical, because depots do charge large banks with the charger of a smaller one, and
    seldom with a weaker one than that; a charge that was in truth faster counts as partial, which errs to the safe side.
    Lithium that is put away at less than full needs the way up to there, and never less than its least time.
    """
    chem, capacity, charger = rates.chem[bank], rates.capacity_ah[bank], rates.charger_a[bank]
    known = (capacity > 0.0) & (charger > 0.0)
    capacity = np.where(known, capacity, 1.0)
    charger = np.where(known, charger, SLOWEST_CHARGER_SHARE * chemistry_column("i_charge_typ_c")[chem])
    full = fleet_charge_hours(chem, capacity, start, charger)
    part = np.maximum(np.maximum(target - start, 0.0) * capacity / charger, rates.min_refresh_h[bank])
    return np.where(target < 1.0, part, full)


def _apply_reading(
    state: BankBelief,
    rates: BankRates,
    where: BoolArray,
    values: ReadingValues,
    bank: IntArray,
    at: IntArray,
    now: FloatArray,
    volts: BoolArray,
) -> None:
    soc, sigma, cap = values.soc[at], values.sigma[at], values.cap[at]
    use = where & values.usable[at]
    busy = use & volts & still_busy(rates.chem[bank], state.floating, 24.0 * (now - state.busy_until))
    values.refusal[at[busy]] = _NOT_RESTED
    use &= ~busy
    loaded = use & volts & ~(rates.load(bank, state.supply) == 0.0)
    sigma = np.where(loaded, LOADED_SIGMA_FACTOR * sigma, sigma)
    _note(state, loaded, Note.READING_LOADED, off=use)
    refused = where & ~use
    _note(state, refused & (values.refusal[at] > 0), Note.READING_REFUSED, off=use)
    _note(state, refused & rates.nickel[bank], Note.VOLTAGE_SAYS_NOTHING)
    _note(state, refused & (values.refusal[at] == _PLATEAU), Note.PLATEAU, off=use)
    up, down = values.only_up[at], values.only_down[at]
    first = use & ~state.known
    fuse = use & state.known
    best, best_band = combine(state.soc, state.sigma, soc, sigma)
    worst, worst_band = combine(state.low_soc, state.low_sigma, soc, sigma)
    on_best, on_low = (fuse & _adds(column, soc, up, down) for column in (state.soc, state.low_soc))
    gap = state.soc - soc
    band = UNEXPLAINED_SIGMAS * np.hypot(state.sigma, sigma)
    lost, gained = on_best & (gap > band), on_best & (-gap > band) & ~up
    _note(state, gained, Note.UNEXPLAINED_GAIN, off=use)
    disproved = _follow_alarm(state, lost, use & ~down, soc, sigma, now)
    adopt = first | lost
    for column, value in ((state.soc, best), (state.sigma, best_band)):
        _set(column, on_best, value)
    for column, value in ((state.low_soc, worst), (state.low_sigma, worst_band)):
        _set(column, on_low, value)
    if disproved.any():
        held, held_band = combine(state.held_soc, state.held_sigma, soc, sigma)
        _set(state.soc, disproved, held)
        _set(state.sigma, disproved, held_band)
    for column, value in ((state.soc, soc), (state.sigma, sigma)):
        _set(column, adopt, value)
    for column, value in ((state.low_soc, soc), (state.low_sigma, sigma)):
        _set(column, first, value)
    calm = use & ~state.alarmed
    _set(state.low_soc, calm, np.fmin(state.low_soc, state.soc))
    _set(state.low_sigma, calm, np.fmax(state.low_sigma, state.sigma))
    # Never above the best estimate's own low end: after a loss that nothing explains that one takes over the reading.
    ceiling = state.soc - PESSIMISTIC_SIGMAS * state.sigma
    _set(state.cap, use, np.where(up, ceiling, np.minimum(cap, ceiling)))
    state.known |= first
    _set(state.reasons, first, 0)
    _set(state.anchor_kind, adopt, int(Anchor.READING))
    _set(state.anchor_at, adopt, now)
    _set(state.evidence_at, use, now)
    _set(state.reading_at, use, now)
    state.readings += use
    _note(state, values.surface[at] & where, Note.SURFACE_CHARGE, off=use)
    _note(state, values.deep[at] & where, Note.DEEP_DISCHARGE, off=use)
    _apply_block(state, use, values, at, now)


def _apply_block(
    state: BankBelief, use: BoolArray, values: ReadingValues, at: IntArray, now: FloatArray
) -> None:
    """What the lowest block says holds until a block is measured again; a reading of the bank alone changes none of it."""
    measured = use & values.block_measured[at]
    if not measured.any():
        return
    _set(state.block_cap, measured, values.block_cap[at])
    _set(state.block_at, measured & values.block_judged[at], now)
    _note(state, measured & values.weak[at], Note.WEAK_BLOCK, off=measured)


def _follow_alarm(
    state: BankBelief, lost: BoolArray, use: BoolArray, soc: FloatArray, sigma: FloatArray, now: FloatArray
) -> BoolArray:
    """An unexplained loss opens, or is settled (returned) by a reading that confirms the prediction it contradicted.

    A second reading as low as the first agrees with what was taken over, so it settles nothing. What confirms lies no more
    than 1.28 of the reading's own sigma under the held prediction, which runs on without the low readings, and nearer to it
    than to what was taken over. After a completed charge the held prediction is that of the charge, and the reading must
    come at least HELD_DAYS later: on the same day it only shows that the charger worked.
    """
    alarmed = state.alarmed
    if not (lost | alarmed).any():
        return lost
    new = lost & ~(alarmed & np.isfinite(state.held_soc))
    _set(state.held_soc, new, state.soc)
    _set(state.held_sigma, new, state.sigma)
    charged = state.charged_at > state.alarm_at
    near = soc >= state.held_soc - PESSIMISTIC_SIGMAS * sigma
    nearer = soc - state.soc > state.held_soc - soc
    in_turn = np.where(charged, now >= state.charged_at + HELD_DAYS, nearer)
    settled = use & alarmed & ~lost & near & in_turn
    _set(state.alarm_at, settled, np.nan)
    _set(state.alarm_at, lost, now)
    return settled


def _adds(column: FloatArray, soc: FloatArray, up: BoolArray, down: BoolArray) -> BoolArray:
    """Whether a reading says anything new about a charge state; a one-sided bound that is kept already does not."""
    return ~(up & (soc <= column)) & ~(down & (soc >= column))


def _mark_limits(state: BankBelief, rates: BankRates, bank: IntArray, now: FloatArray) -> None:
    """After a record: whether the bank stands at its floor, and since when."""
    floor = rates.floor_soc[bank]
    under = state.known & (state.bound <= floor)
    _set(state.floor_at, ~under, np.nan)
    _set(state.floor_at, under & np.isnan(state.floor_at), now)
    broken = state.known & (state.soc <= floor)
    _set(state.broken_at, broken & ~state.broken, now)
    state.broken = broken


def ranks(bank: IntArray) -> tuple[IntArray, IntArray]:
    """Rows of bank-sorted events, the first of every bank before the second of any, and where each rank starts."""
    starts = np.flatnonzero(np.r_[True, bank[1:] != bank[:-1]])
    counts = np.diff(np.r_[starts, bank.size])
    rank = np.arange(bank.size) - np.repeat(starts, counts)
    small = rank.astype(np.int16) if counts.max(initial=0) < 2**15 else rank
    order = np.argsort(small, kind="stable")
    return order, np.searchsorted(rank[order], np.arange(counts.max(initial=0) + 1))


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
            _advance(part, rates, bank, events.time[at])
            _apply(part, rates, events, values, at)
            state.put(bank, part)
    return _answer(banks, rates, state, values, asked)


def _answer(
    banks: BankArrays, rates: BankRates, state: BankBelief, values: ReadingValues, asked: FloatArray
) -> BankEstimates:
    everyone = np.arange(len(banks), dtype=np.int64)
    floor_at, depart_at, interval_at = _limits_ahead(state, rates, everyone)
    now = state.take(everyone)
    _advance(now, rates, everyone, asked)
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
        floor_at=floor_at,
        depart_at=np.where(undecided, np.nan, depart_at),
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
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """When floor, charge to leave, and interval are met if nothing more is done: from the last record, not from today."""
    load = rates.load(bank, state.supply)
    can_tell = state.known & np.isfinite(load) & (rates.row(bank, state.site) >= 0)
    floor_at, depart_at, interval_at = (
        state.floor_at.copy(),
        np.full_like(state.t, np.nan),
        state.interval_at.copy(),
    )
    for level_soc, at in ((rates.floor_soc, floor_at), (rates.depart_soc, depart_at)):
        under = can_tell & np.isnan(at) & (state.bound <= level_soc)
        _set(at, under, state.t)
        ahead = np.flatnonzero(can_tell & np.isnan(at))
        met = _level_time(state, rates, bank, ahead, state.loss_from, level_soc)
        at[ahead] = np.where(met > state.t[ahead] + FAR_DAYS, np.inf, met)
    ahead = np.flatnonzero(state.charged & np.isnan(interval_at))
    due = rates.interval_end(ahead, state.site[ahead], state.loss_from[ahead], 1.0 - state.used[ahead])
    interval_at[ahead] = np.where(np.isnan(due), np.nan, np.fmax(due, _not_before(state, ahead)))
    return floor_at, depart_at, interval_at


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


def path(banks: BankArrays, events: EventArrays, sites: Sites, row: int, at: Any) -> ChargePath:
    """What is believed of one bank at each instant of `at`, from the records up to then (the last ones, for later days).

    The same calculation as `estimate`, with the bank repeated once per instant.
    """
    instants = np.atleast_1d(np.asarray(at, dtype=np.float64))
    mine = np.flatnonzero(events.bank == row)
    times = np.arange(instants.size, dtype=np.int64)
    repeated = events.take(np.tile(mine, instants.size))
    repeated = replace(repeated, bank=np.repeat(times, mine.size))
    answer = estimate(banks.take(np.full(instants.size, row)), repeated, sites, instants)
    return ChargePath(
        at=instants,
        soc=answer.soc,
        low=answer.low,
        high=answer.high,
        floor_soc=float(answer.floor_soc[0]),
        decided=answer.decided,
    )
