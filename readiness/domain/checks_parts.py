"""Checks of what is aboard: the kit through the mission, lots that expire, parts in their positions and their life."""

from __future__ import annotations

import numpy as np

from inventory.domain.part_life import NO_TRAIN
from readiness.domain.check_rows import CheckOutcome, CheckRows
from readiness.domain.checks_charge import finite_day, later_turn, outcome_of
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.snapshot import FleetSnapshot, Frame

LOAD_LINE_H = 0.25
# A part that lasts one standard mission but not so many is to be thought of now.
AHEAD_MISSIONS = 2.0
BY_HOURS, BY_VOLUME = 1, 2


class Keys:
    """Pairs of whole numbers that can be looked up in one another, many at once."""

    def __init__(self, first: IntArray, second: IntArray) -> None:
        self.width = int(second.max(initial=0)) + 2
        self.codes = first * self.width + second
        self.order = np.argsort(self.codes, kind="stable")
        self.sorted = self.codes[self.order]

    def find(self, first: IntArray, second: IntArray) -> IntArray:
        """Row of each pair, -1 where there is none (the first row where there are several)."""
        if not len(self.sorted):
            return np.full(len(first), -1, dtype=np.int64)
        wanted = first * self.width + np.minimum(second, self.width - 1)
        place = np.minimum(np.searchsorted(self.sorted, wanted), len(self.sorted) - 1)
        return np.asarray(np.where(self.sorted[place] == wanted, self.order[place], -1), dtype=np.int64)


def last_mission_day(snapshot: FleetSnapshot) -> FloatArray:
    """Through which day everything must hold, per unit: the standard mission from today on (0 days where not stated)."""
    mission: FloatArray = np.nan_to_num(snapshot.units["mission_days"])
    return snapshot.as_of_day + mission


def _sums(keys: Keys, count: int, first: IntArray, second: IntArray, qty: FloatArray) -> FloatArray:
    row = keys.find(first, second)
    found = row >= 0
    return np.asarray(np.bincount(row[found], weights=qty[found], minlength=count), dtype=np.float64)


def stock_for(snapshot: FleetSnapshot, unit: IntArray, item: IntArray) -> FloatArray:
    """How much of an item the unit's depot holds that would last through the unit's mission."""
    stock, units = snapshot.stock, snapshot.units
    if not len(unit) or not len(stock):
        return np.zeros(len(unit))
    last = last_mission_day(snapshot)
    out = np.zeros(len(unit))
    for days in np.unique(last[unit]):
        mine = last[unit] == days
        good = stock["usable"] & (stock["expires"] >= days)
        pairs = np.unique(np.stack([stock["home"][good], stock["item"][good]], axis=1), axis=0)
        keys = Keys(pairs[:, 0], pairs[:, 1])
        held = _sums(keys, len(pairs), stock["home"][good], stock["item"][good], stock["qty"][good])
        row = keys.find(units["home"][unit[mine]], item[mine])
        out[mine] = np.where(row >= 0, held[np.maximum(row, 0)] if len(held) else 0.0, 0.0)
    return out


def aboard_for(snapshot: FleetSnapshot, unit: IntArray, item: IntArray) -> FloatArray:
    """How much of an item is aboard that lasts through the mission."""
    aboard = snapshot.aboard
    good = np.flatnonzero(
        aboard["usable"] & (aboard["expires"] >= last_mission_day(snapshot)[aboard["unit"]])
    )
    keys = Keys(unit, item)
    return _sums(keys, len(unit), aboard["unit"][good], aboard["item"][good], aboard["qty"][good])


def kit_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """The kit: enough of every line for the standard mission, in lots that last through its last day.

    A unit of which nothing was ever booked aboard was never counted: nothing is decided about its kit.
    """
    kit = snapshot.kit
    unit, item = kit["unit"], kit["item"]
    mission = np.nan_to_num(snapshot.units["mission_days"])[unit]
    per_days = kit["per_days"]
    with np.errstate(invalid="ignore"):
        rounds = np.where(np.isnan(per_days), 1.0, np.ceil(mission / per_days))
    needed = np.round(kit["qty"] * rounds, 3)
    good = np.round(aboard_for(snapshot, unit, item), 3)
    complete = good >= needed
    at_hand = np.where(complete, np.nan, np.round(stock_for(snapshot, unit, item), 3))
    mendable = at_hand >= needed - good
    runs_out = _runs_out(snapshot.aboard, unit, item, needed)
    booked = np.bincount(snapshot.aboard["unit"], minlength=len(snapshot.units)) > 0
    never = ~complete & ~booked[unit]
    return [
        CheckRows.of(
            "kit",
            unit,
            subject=item,
            gates=kit["grounds"],
            outcome=outcome_of(complete, never),
            missing=never,
            turns=later_turn(complete, runs_out - mission + 1),
            due=np.where(complete, finite_day(runs_out - mission), snapshot.as_of_day),
            mend_h=np.where(mendable, kit["load_h"], np.inf),
            takes_h=kit["load_h"],
            a=needed,
            b=good,
            c=at_hand,
        ),
        _lots_aboard(snapshot),
    ]


def _runs_out(aboard: Frame, unit: IntArray, item: IntArray, needed: FloatArray) -> FloatArray:
    """Last day on which what is aboard still makes up `needed` of an item; NaN where it does not today, inf without end."""
    keys = Keys(unit, item)
    row = keys.find(aboard["unit"], aboard["item"])
    use = np.flatnonzero((row >= 0) & aboard["usable"] & (aboard["qty"] > 0))
    last = np.full(len(unit), np.nan)
    if not len(use):
        return last
    order = use[np.lexsort((-aboard["expires"][use], row[use]))]
    line, qty = row[order], aboard["qty"][order]
    total = np.cumsum(qty)
    first = np.r_[True, line[1:] != line[:-1]]
    before = (total - qty)[first][np.cumsum(first) - 1]
    within = np.round(total - before, 3)
    reaches = (within >= needed[line]) & (np.round(within - qty, 3) < needed[line])
    last[line[reaches]] = aboard["expires"][order][reaches]
    return last


def _lots_aboard(snapshot: FleetSnapshot) -> CheckRows:
    """Lots aboard that are expired, in quarantine or recalled, to be taken off; the kit check says if they are missed."""
    aboard = snapshot.aboard
    held = np.flatnonzero(aboard["qty"] > 0)
    unit, expires, lot = aboard["unit"][held], aboard["expires"][held], aboard["lot"][held]
    today = float(snapshot.as_of_day)
    bad = (expires < today) | ~aboard["usable"][held]
    count = len(snapshot.units)
    number_bad = np.bincount(unit[bad], minlength=count)
    next_end = np.full(count, np.inf)
    np.minimum.at(next_end, unit[~bad], expires[~bad])
    first_lot = np.full(count, 0, dtype=np.int64)
    worst_first = np.lexsort((-expires, ~bad * -1, unit))
    first_lot[unit[worst_first]] = lot[worst_first]
    carries = np.bincount(unit, minlength=count) > 0
    at = np.flatnonzero(carries)
    clean = number_bad[at] == 0
    return CheckRows.of(
        "lots_aboard",
        at,
        gates=False,
        outcome=outcome_of(clean, np.zeros_like(clean)),
        turns=finite_day(next_end[at] + 1),
        due=np.where(clean, finite_day(next_end[at]), today),
        mend_h=LOAD_LINE_H,
        a=number_bad[at],
        b=first_lot[at],
    )


def part_checks(snapshot: FleetSnapshot) -> list[CheckRows]:
    """Every position of the bill: the right part is in it, and its life lasts. No part on record at all: undecided."""
    need, fitted = snapshot.positions, snapshot.fitted
    unit, item = need["unit"], need["item"]
    row = Keys(fitted["unit"], fitted["slot"]).find(unit, need["slot"])
    has = row >= 0
    safe = np.maximum(row, 0)
    right = has & (fitted["item"][safe] == item) if len(fitted) else np.zeros(len(need), dtype=bool)
    mend_h = _refit_hours(snapshot, need)
    recorded = np.bincount(fitted["unit"], minlength=len(snapshot.units)) > 0
    never = ~has & ~recorded[unit]
    rows = [
        CheckRows.of(
            "part_fitted",
            unit,
            subject=need["need"],
            gates=need["grounds"],
            outcome=outcome_of(right, never),
            missing=never,
            due=np.where(right, np.nan, snapshot.as_of_day),
            mend_h=mend_h,
            a=np.where(has & ~right, 1.0, 0.0),
            b=item,
        )
    ]
    at = np.flatnonzero(right)
    part = fitted.take(row[at])
    mission_end = last_mission_day(snapshot)[unit[at]]
    mission = mission_end - snapshot.as_of_day
    ends = part["last_day"]
    lapses = np.where(np.isnan(ends), False, ends < mission_end)
    takes_h, takes_m3 = _mission_use(snapshot, unit[at], part["train"])
    short_h = falls_short(part["left_h"], part["limit_h"], takes_h)
    short_m3 = falls_short(part["left_m3"], part["limit_m3"], takes_m3)
    spent = (part["outcome"] == CheckOutcome.FAIL) | lapses | short_h | short_m3 | ~part["usable"]
    unknown = (part["outcome"] == CheckOutcome.CANNOT_DECIDE) & ~spent
    rows.append(
        CheckRows.of(
            "part_life",
            unit[at],
            subject=need["need"][at],
            gates=need["grounds"][at],
            outcome=outcome_of(~spent & ~unknown, unknown),
            turns=later_turn(~spent, ends - mission + 1),
            due=np.where(spent & ~lapses, snapshot.as_of_day, finite_day(ends)),
            mend_h=np.where(spent, mend_h[at], 0.0),
            takes_h=need["fit_h"][at],
            a=np.round(part["left_h"], 1),
            b=np.round(part["left_m3"], 1),
            c=finite_day(ends),
        )
    )
    ahead_h = falls_short(part["left_h"], part["limit_h"], AHEAD_MISSIONS * takes_h)
    ahead_m3 = falls_short(part["left_m3"], part["limit_m3"], AHEAD_MISSIONS * takes_m3)
    near = np.flatnonzero((ahead_h | ahead_m3) & ~spent)
    by_h = ahead_h[near]
    rows.append(
        CheckRows.of(
            "part_ahead",
            unit[at][near],
            subject=need["need"][at][near],
            gates=False,
            outcome=CheckOutcome.FAIL,
            mend_h=mend_h[at][near],
            takes_h=need["fit_h"][at][near],
            a=np.round(np.where(by_h, part["left_h"][near], part["left_m3"][near]), 1),
            b=np.round(np.where(by_h, takes_h[near], takes_m3[near]), 1),
            c=np.where(by_h, BY_HOURS, BY_VOLUME),
        )
    )
    return rows


def _mission_use(snapshot: FleetSnapshot, unit: IntArray, train: IntArray) -> tuple[FloatArray, FloatArray]:
    """Hours [h] and volume [m3] that the standard mission takes of a part by the design's plan; NaN where none is stated."""
    days = np.nan_to_num(snapshot.units["mission_days"])[unit]
    hours, volume = planned_use_per_day(snapshot.units, unit, train)
    return days * hours, days * volume


def planned_use_per_day(units: Frame, unit: IntArray, train: IntArray) -> tuple[FloatArray, FloatArray]:
    """Hours [h/d] and volume [m3/d] that a working day takes of a part by the design's plan; NaN where none is stated.

    A part of no train (pump, inverter) works with both trains, as its use is counted: at most the hours of a day.
    """
    hours, volume = units["train_hours_day"][unit], units["train_m3_day"][unit]
    both = train == NO_TRAIN
    hours = np.where(both, np.minimum(2.0 * hours, np.maximum(24.0, hours)), hours)
    return hours, np.where(both, 2.0 * volume, volume)


def falls_short(left: FloatArray, limit: FloatArray, needed: FloatArray) -> BoolArray:
    """Whether what is left does not last for what is planned. A part whose whole life is shorter than that is changed on the
    way, from the kit, so it is not asked to last; nothing falls short where no limit or no plan is known (NaN)."""
    short: BoolArray = (left < needed) & (limit >= needed)
    return short


def _refit_hours(snapshot: FleetSnapshot, need: Frame) -> FloatArray:
    """Hours to fit a new part: the item's own when one is aboard or in the depot's stores, else not to be done here."""
    unit, item = need["unit"], need["item"]
    pairs, back = np.unique(np.stack([unit, item], axis=1), axis=0, return_inverse=True)
    spare = aboard_for(snapshot, pairs[:, 0], pairs[:, 1]) + stock_for(snapshot, pairs[:, 0], pairs[:, 1])
    there: BoolArray = (spare >= 1.0)[back.ravel()] if len(pairs) else np.zeros(0, dtype=bool)
    return np.where(there, need["fit_h"], np.inf)
