"""What time does to the charge of a bank: its loss, its interval used up, and when a limit is met on the way.

A step of `charge_state`, which says by which rules.
"""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_belief import BankBelief, forget, put_where
from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import Reason
from readiness.domain.inputs import BoolArray, FloatArray, IntArray


def advance(state: BankBelief, rates: BankRates, bank: IntArray, until: FloatArray) -> None:
    """Let time pass up to `until`: what is lost, what of the interval is used, and when a limit was met on the way."""
    believed = state.floating & (until <= state.float_until)
    since = np.where(believed, until, state.loss_from)
    passing = until > since
    if passing.any():
        _spend_interval(state, rates, bank, since, until, passing)
        _lose_charge(state, rates, bank, since, until, passing)
    put_where(state.loss_from, ~believed, until)
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
        state.interval_at[at] = np.minimum(np.fmax(due, not_before(state, at)), until[at])
    state.used = after


def not_before(state: BankBelief, at: IntArray) -> FloatArray:
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
    forget(state, blind, Reason.LOAD_UNKNOWN)
    forget(state, passing & state.known & (rates.row(bank, state.site) < 0), Reason.NO_CLIMATE)
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
        state.floor_at[at] = np.minimum(level_time(state, rates, bank, at, since, rates.floor_soc), until[at])
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


def level_time(
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
    return np.fmax(met, not_before(state, at))


def _broken_time(
    state: BankBelief, rates: BankRates, bank: IntArray, at: IntArray, since: FloatArray
) -> FloatArray:
    room = np.maximum(state.soc[at] - rates.floor_soc[bank[at]], 0.0)
    load = rates.load(bank[at], state.supply[at])
    met = rates.time_of_loss(
        bank[at], state.site[at], since[at], room, state.soc[at], load, pessimistic=False
    )
    return np.fmax(met, not_before(state, at))
