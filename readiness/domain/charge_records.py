"""What a record does to the charge state of a bank: a move, a supply, Ah used, a charge; readings in `charge_readings`.

A step of `charge_state`, which says by which rules.
"""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_belief import BankBelief, forget, note, put_where, weak
from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import Anchor, EventArrays, EventKind, Note, Reason, Supply
from readiness.domain.charge_readings import apply_reading
from readiness.domain.charging import fleet_charge_hours
from readiness.domain.chemistry import chemistry_column
from readiness.domain.fusion import SIGMA_AFTER_CHARGE, SIGMA_PER_LOSS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.reading_values import ReadingValues
from readiness.domain.rest_voltage import is_lithium

HOURS_TOLERANCE = 0.9
UNKNOWN_START_SOC = 0.0
SLOWEST_CHARGER_SHARE = 0.5


def apply(
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
        apply_reading(state, rates, reading, values, bank, at, now, kind == EventKind.VOLTAGE)
    _mark_limits(state, rates, bank, now)


def _apply_site(state: BankBelief, where: BoolArray, site: IntArray, now: FloatArray) -> None:
    """A bank that was moved is not on its charger any more until someone says so."""
    cut = where & state.floating
    put_where(state.site, where, site)
    put_where(state.supply, cut, int(Supply.UNKNOWN))
    for column in (state.loss_from, state.busy_until):
        put_where(column, cut, now)


def _apply_supply(
    state: BankBelief, where: BoolArray, supply: IntArray, check_days: FloatArray, now: FloatArray
) -> None:
    connected = (supply == Supply.FLOAT) | (supply == Supply.OWN_ARRAY)
    proven = where & connected & state.floating & state.known & (now <= state.float_until)
    put_where(state.evidence_at, proven, now)
    put_where(state.busy_until, where & state.floating, now)
    put_where(state.supply, where, supply)
    put_where(state.float_until, where, now + np.where(np.isnan(check_days), 0.0, check_days))
    put_where(state.loss_from, where, now)


def _apply_use(state: BankBelief, rates: BankRates, bank: IntArray, where: BoolArray, ah: FloatArray) -> None:
    share = ah / rates.capacity_ah[bank]
    counted = where & state.known & np.isfinite(share)
    for column in (state.soc, state.low_soc, state.cap, state.block_cap, state.held_soc):
        put_where(column, counted, column - share)
    for column in (state.soc, state.held_soc):
        put_where(column, counted, np.maximum(column, 0.0))
    forget(state, where & ~counted, Reason.USED)


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
    put_where(state.busy_until, where, now)
    credit = events.ah[at] / (rates.charge_factor[bank] * rates.capacity_ah[bank])
    credit = np.where(np.isfinite(credit), credit, 0.0)
    for column in (state.soc, state.low_soc, state.cap, state.block_cap, state.held_soc):
        put_where(column, partial & state.known & np.isfinite(column), np.minimum(column + credit, 1.0))
    # The charge runs through all blocks alike: a weak one gains what went in and stays behind until it is measured again.
    gained = np.where(weak(state), np.minimum(state.block_cap + credit, 1.0), np.inf)
    put_where(state.block_cap, complete, gained)
    note(state, partial, Note.PARTIAL_CHARGE, off=complete)
    drop = rates.initial_drop[bank]
    for column, there in (
        (state.soc, complete),
        (state.low_soc, complete),
        (state.held_soc, complete & state.alarmed),
    ):
        put_where(column, there, target * (1.0 - drop))
    for column, there in (
        (state.sigma, complete),
        (state.low_sigma, complete),
        (state.held_sigma, complete & state.alarmed),
    ):
        put_where(column, there, SIGMA_AFTER_CHARGE + SIGMA_PER_LOSS * drop * target)
    put_where(state.cap, complete, np.inf)
    put_where(state.used, complete, 0.0)
    put_where(state.interval_at, complete, np.nan)
    state.known |= complete
    state.charged |= complete
    put_where(state.reasons, complete, 0)
    put_where(state.anchor_kind, complete, int(Anchor.CHARGE))
    for column in (state.anchor_at, state.evidence_at, state.charged_at, state.loss_from):
        put_where(column, complete, now)
    put_where(state.readings, complete, 0)
    note(state, np.zeros_like(complete), Note.DEEP_DISCHARGE, off=complete)
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


def _mark_limits(state: BankBelief, rates: BankRates, bank: IntArray, now: FloatArray) -> None:
    """After a record: whether the bank stands at its floor, and since when."""
    floor = rates.floor_soc[bank]
    under = state.known & (state.bound <= floor)
    put_where(state.floor_at, ~under, np.nan)
    put_where(state.floor_at, under & np.isnan(state.floor_at), now)
    broken = state.known & (state.soc <= floor)
    put_where(state.broken_at, broken & ~state.broken, now)
    state.broken = broken
