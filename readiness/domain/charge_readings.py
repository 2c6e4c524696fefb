"""What a reading does to the charge state of a bank, and how an unexplained loss is opened and settled.

A step of `charge_state`, which says by which rules.
"""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_belief import BankBelief, note, put_where
from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import READING_REFUSALS, Anchor, Note
from readiness.domain.fusion import PESSIMISTIC_SIGMAS, UNEXPLAINED_SIGMAS, combine
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.reading_values import LOADED_SIGMA_FACTOR, ReadingValues, still_busy

HELD_DAYS = 1.0
_NOT_RESTED = READING_REFUSALS.index("not_rested")
_PLATEAU = READING_REFUSALS.index("plateau")


def apply_reading(
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
    note(state, loaded, Note.READING_LOADED, off=use)
    refused = where & ~use
    note(state, refused & (values.refusal[at] > 0), Note.READING_REFUSED, off=use)
    note(state, refused & rates.nickel[bank], Note.VOLTAGE_SAYS_NOTHING)
    note(state, refused & (values.refusal[at] == _PLATEAU), Note.PLATEAU, off=use)
    up, down = values.only_up[at], values.only_down[at]
    first = use & ~state.known
    fuse = use & state.known
    best, best_band = combine(state.soc, state.sigma, soc, sigma)
    worst, worst_band = combine(state.low_soc, state.low_sigma, soc, sigma)
    on_best, on_low = (fuse & _adds(column, soc, up, down) for column in (state.soc, state.low_soc))
    gap = state.soc - soc
    band = UNEXPLAINED_SIGMAS * np.hypot(state.sigma, sigma)
    lost, gained = on_best & (gap > band), on_best & (-gap > band) & ~up
    note(state, gained, Note.UNEXPLAINED_GAIN, off=use)
    disproved = _follow_alarm(state, lost, use & ~down, soc, sigma, now)
    adopt = first | lost
    for column, value in ((state.soc, best), (state.sigma, best_band)):
        put_where(column, on_best, value)
    for column, value in ((state.low_soc, worst), (state.low_sigma, worst_band)):
        put_where(column, on_low, value)
    if disproved.any():
        held, held_band = combine(state.held_soc, state.held_sigma, soc, sigma)
        put_where(state.soc, disproved, held)
        put_where(state.sigma, disproved, held_band)
    for column, value in ((state.soc, soc), (state.sigma, sigma)):
        put_where(column, adopt, value)
    for column, value in ((state.low_soc, soc), (state.low_sigma, sigma)):
        put_where(column, first, value)
    calm = use & ~state.alarmed
    put_where(state.low_soc, calm, np.fmin(state.low_soc, state.soc))
    put_where(state.low_sigma, calm, np.fmax(state.low_sigma, state.sigma))
    # Never above the best estimate's own low end: after a loss that nothing explains that one takes over the reading.
    ceiling = state.soc - PESSIMISTIC_SIGMAS * state.sigma
    put_where(state.cap, use, np.where(up, ceiling, np.minimum(cap, ceiling)))
    state.known |= first
    put_where(state.reasons, first, 0)
    put_where(state.anchor_kind, adopt, int(Anchor.READING))
    put_where(state.anchor_at, adopt, now)
    put_where(state.evidence_at, use, now)
    put_where(state.reading_at, use, now)
    state.readings += use
    note(state, values.surface[at] & where, Note.SURFACE_CHARGE, off=use)
    note(state, values.deep[at] & where, Note.DEEP_DISCHARGE, off=use)
    _apply_block(state, use, values, at, now)


def _apply_block(
    state: BankBelief, use: BoolArray, values: ReadingValues, at: IntArray, now: FloatArray
) -> None:
    """What the lowest block says holds until a block is measured again; a reading of the bank alone changes none of it."""
    measured = use & values.block_measured[at]
    if not measured.any():
        return
    put_where(state.block_cap, measured, values.block_cap[at])
    put_where(state.block_at, measured & values.block_judged[at], now)
    note(state, measured & values.weak[at], Note.WEAK_BLOCK, off=measured)


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
    put_where(state.held_soc, new, state.soc)
    put_where(state.held_sigma, new, state.sigma)
    charged = state.charged_at > state.alarm_at
    near = soc >= state.held_soc - PESSIMISTIC_SIGMAS * sigma
    nearer = soc - state.soc > state.held_soc - soc
    in_turn = np.where(charged, now >= state.charged_at + HELD_DAYS, nearer)
    settled = use & alarmed & ~lost & near & in_turn
    put_where(state.alarm_at, settled, np.nan)
    put_where(state.alarm_at, lost, now)
    return settled


def _adds(column: FloatArray, soc: FloatArray, up: BoolArray, down: BoolArray) -> BoolArray:
    """Whether a reading says anything new about a charge state; a one-sided bound that is kept already does not."""
    return ~(up & (soc <= column)) & ~(down & (soc >= column))
