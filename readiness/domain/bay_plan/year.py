"""A year of charging in a depot, played through: how many hours banks stand late, against bays and kilowatts.

All choices of bays and power are played at the same time with the same dice, so that they differ by the choice alone. Banks
wear down at the rate of the month, some come home empty from a call; whoever is due first goes on the next bay that can take
it, while the crew is there and the supply bears it. Every charge draws its greatest power to its end, which is safe.

It asks what the depot can carry, not which bank goes where: that is the plan's. Own model; the steady state it must agree
with is the sizing rule of `sizing.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fleet.lib.errors import DomainError
from readiness.domain.bay_plan.problem import BoolArray, FloatArray, IntArray

NEVER = np.int64(2**31)
# A crew charges in the last fifth of the time a bank has, not on its last day.
RELEASE_SHARE = 0.8
# What a bank's own wear may differ from the reckoned one, as the sigma of a logarithm (own assumption).
WEAR_SIGMA = 0.15
PROGRESS_EVERY = 500


@dataclass(frozen=True)
class YearBanks:
    """n banks. `per_day` what a day takes of the time a bank has before it must be charged [1/d], shape (days, n).

    `slots`, `kw` of a charge that keeps it, `back_slots` of one from empty, by way to charge it, shape (n, ways): a way is a
    kind of bay at one setting of its charger, `of_kind` (ways,) the kind; 0 slots: not that way. `unattended` it may run
    while nobody is there. `calls_per_year` how often it comes home empty [1/y].
    """

    per_day: FloatArray
    slots: IntArray
    back_slots: IntArray
    kw: FloatArray
    unattended: BoolArray
    calls_per_year: FloatArray
    of_kind: IntArray

    def __len__(self) -> int:
        return len(self.unattended)


@dataclass(frozen=True)
class YearHours:
    """Slots of `slot_h` hours, arrays of (slots,): crew there, power for charging [kW], connections the crew can do."""

    open: BoolArray
    free_kw: FloatArray
    handling: FloatArray
    slot_h: float
    back_due_h: float = 72.0

    @property
    def slots_a_day(self) -> int:
        return round(24.0 / self.slot_h)


@dataclass(frozen=True, slots=True)
class Choice:
    """Bays by kind, and what is added to the power of every slot [kW], which may be negative."""

    name: str
    bays: tuple[int, ...]
    more_kw: float = 0.0


@dataclass(frozen=True)
class YearAnswer:
    """By choice and seed, arrays (choices, seeds): hours late of all banks together, charges, late ones, and not done at the
    end; share of bay hours in use; greatest power [kW]. `late_by_month` (choices, seeds, 12) hours.
    """

    choices: tuple[Choice, ...]
    late_h: FloatArray
    charges: IntArray
    late: IntArray
    left: IntArray
    use: FloatArray
    peak_kw: FloatArray
    late_by_month: FloatArray


def play_year(
    banks: YearBanks,
    hours: YearHours,
    choices: Sequence[Choice],
    *,
    seed: int,
    runs: int,
    told: Callable[[int, int], None] | None = None,
) -> YearAnswer:
    """Plays every choice `runs` times. The same seed gives the same answer. Raises DomainError for what cannot be played."""
    _require(banks, hours, choices, runs)
    game = _Game(banks, hours, choices, seed, runs)
    for slot in range(game.slots):
        if told is not None and slot % PROGRESS_EVERY == 0:
            told(slot, game.slots)
        game.step(slot)
    return game.answer()


def _require(banks: YearBanks, hours: YearHours, choices: Sequence[Choice], runs: int) -> None:
    if not len(banks):
        raise DomainError("year.no_banks", "No bank is at home in this depot: there is nothing to charge.")
    if not hours.open.any():
        raise DomainError("year.no_hours", "The crew has no hours: no charge can begin in the whole year.")
    if runs < 1 or not choices:
        raise DomainError("year.no_runs", "Give at least one choice and one run.")
    if not np.isfinite(hours.free_kw).all() or not np.isfinite(banks.per_day).all():
        raise DomainError(
            "year.unknown", "The supply or the wear of a bank is not known for a part of the year."
        )
    if banks.per_day.shape[0] * hours.slots_a_day < len(hours.open):
        raise DomainError("year.lengths", "The days of the banks are fewer than those of the hours.")
    for choice in choices:
        if len(choice.bays) != int(banks.of_kind.max()) + 1:
            raise DomainError("year.kinds", "A choice must give a number of bays for each kind.")


class _Game:
    """State of (choices x runs) depots with n banks each, a step a slot."""

    def __init__(
        self, banks: YearBanks, hours: YearHours, choices: Sequence[Choice], seed: int, runs: int
    ) -> None:
        self.banks, self.hours, self.choices, self.runs = banks, hours, tuple(choices), runs
        self.slots = len(hours.open)
        n, worlds = len(banks), len(choices) * runs
        rng = np.random.default_rng(seed)
        # The same dice for every choice: shape (runs, n), laid out choice by choice.
        used = np.tile(rng.random((runs, n)) * RELEASE_SHARE, (len(choices), 1))
        wear = np.tile(rng.lognormal(0.0, WEAR_SIGMA, (runs, n)), (len(choices), 1))
        days = -(-self.slots // hours.slots_a_day)
        chance = 1.0 - np.exp(-banks.calls_per_year / 365.0)
        self.comes_back = rng.random((days, runs, n)) < chance  # on that day
        self.used, self.wear = used, wear
        self.due = np.full((worlds, n), NEVER)
        self.back = np.zeros((worlds, n), dtype=bool)
        self.ends = np.full((worlds, n), NEVER)  # boundary at which a running charge is done
        self.kind = np.full((worlds, n), -1)  # kind of bay it stands on
        self.free = np.repeat(np.array([choice.bays for choice in choices]), runs, axis=0)
        self.more_kw = np.repeat(np.array([choice.more_kw for choice in choices]), runs)
        longest = int(max(banks.slots.max(initial=1), banks.back_slots.max(initial=1)))
        self.room = np.concatenate([hours.free_kw, np.full(longest, hours.free_kw[-1])])
        self.load = np.zeros((worlds, self.slots + longest))
        self.ahead = longest
        self.window = _window_ends(hours.open)
        self.late_slots = np.zeros((worlds, 12))
        self.charges = np.zeros(worlds, dtype=np.int64)
        self.late_charges = np.zeros(worlds, dtype=np.int64)
        self.busy = np.zeros(worlds)

    def step(self, slot: int) -> None:
        day, first = divmod(slot, self.hours.slots_a_day)
        if first == 0:
            self._home_today(day, slot)
        self._wear(day, slot)
        self._finish(slot)
        if self.hours.open[slot]:
            handled = self._take_off(slot)
            self._start(slot, handled)
        late = self.due <= slot
        month = min(11, day * 12 // 365)
        self.late_slots[:, month] += late.sum(axis=1)
        self.busy += (self.kind >= 0).sum(axis=1)

    def _home_today(self, day: int, slot: int) -> None:
        """Banks that came home empty want a charge from empty, and soon."""
        came = np.tile(self.comes_back[day], (len(self.choices), 1)) & (self.kind < 0)
        due = slot + round(self.hours.back_due_h / self.hours.slot_h)
        self.due = np.where(came, np.minimum(self.due, due), self.due)
        self.back |= came

    def _wear(self, day: int, slot: int) -> None:
        idle = self.kind < 0
        rate = self.banks.per_day[day][None, :] * self.wear / self.hours.slots_a_day
        self.used = np.where(idle, self.used + rate, self.used)
        asks = idle & (self.used >= RELEASE_SHARE) & (self.due == NEVER)
        if asks.any():
            left = np.ceil(np.maximum(1.0 - self.used[asks], 0.0) / np.maximum(rate[asks], 1e-12))
            self.due[asks] = slot + np.minimum(left, 10.0**8).astype(np.int64)

    def _finish(self, slot: int) -> None:
        done = self.ends <= slot
        if not done.any():
            return
        self.charges += done.sum(axis=1)
        self.late_charges += (done & (self.due < slot)).sum(axis=1)
        self.used = np.where(done, 0.0, self.used)
        self.due = np.where(done, NEVER, self.due)
        self.back &= ~done
        self.ends = np.where(done, NEVER, self.ends)

    def _take_off(self, slot: int) -> FloatArray:
        """Takes what is done off its bay; returns how many times the crew's hands were needed so far."""
        waiting = (self.kind >= 0) & (self.ends == NEVER)
        limit = self.hours.handling[slot]
        order = np.cumsum(waiting, axis=1)
        off = waiting & (order <= limit)
        world, bank = np.nonzero(off)
        np.add.at(self.free, (world, self.kind[world, bank]), 1)
        self.kind = np.where(off, -1, self.kind)
        return np.asarray(off.sum(axis=1), dtype=np.float64)

    def _start(self, slot: int, handled: FloatArray) -> None:
        """Round by round, each world's bank that is due first goes on a bay, until nothing more fits.

        The shortest way is taken that is free, ends in time and that the supply bears: low settings come after full ones.
        """
        wants = (self.due < NEVER) & (self.kind < 0)
        at = np.flatnonzero(wants.any(axis=1) & (handled < self.hours.handling[slot]))
        while len(at):
            need, fits = self._fits(slot, at)
            fits &= wants[at][:, :, None]
            can = np.asarray(fits.any(axis=2))
            some = np.asarray(can.any(axis=1))
            at, need, fits, can = at[some], need[some], fits[some], can[some]
            if not len(at):
                return
            each = np.arange(len(at))
            bank = np.argmin(np.where(can, self.due[at], NEVER), axis=1)
            way = np.argmin(np.where(fits[each, bank], need[each, bank], NEVER), axis=1)
            slots, kind = need[each, bank, way], self.banks.of_kind[way]
            wants[at, bank] = False
            self.kind[at, bank] = kind
            self.ends[at, bank] = slot + slots
            self.free[at, kind] -= 1
            power = self.banks.kw[bank, way]
            drawn = np.where(np.arange(self.ahead)[None, :] < slots[:, None], power[:, None], 0.0)
            self.load[at, slot : slot + self.ahead] += drawn
            handled[at] += 1.0
            at = at[handled[at] < self.hours.handling[slot]]

    def _fits(self, slot: int, at: IntArray) -> tuple[IntArray, BoolArray]:
        """Slots of each bank by each way in these worlds, and whether it fits now; shape (worlds, n, ways)."""
        banks = self.banks
        need = np.where(self.back[at][:, :, None], banks.back_slots[None], banks.slots[None])
        free = self.free[at][:, banks.of_kind] > 0
        in_time = banks.unattended[None, :, None] | (slot + need <= self.window[slot])
        room = self.room[slot : slot + self.ahead][None, :] + self.more_kw[at][:, None]
        # What is left through every slot up to the one in which a charge would end.
        spare = np.minimum.accumulate(room - self.load[at, slot : slot + self.ahead], axis=1)
        left = spare[np.arange(len(at))[:, None, None], np.maximum(need - 1, 0)]
        return need, (need > 0) & free[:, None, :] & in_time & (banks.kw[None] <= left + 1e-9)

    def answer(self) -> YearAnswer:
        shape = (len(self.choices), self.runs)
        bays = np.array([max(1, sum(choice.bays)) for choice in self.choices])
        late = self.late_slots * self.hours.slot_h
        left = (self.due < self.slots).sum(axis=1)
        return YearAnswer(
            choices=self.choices,
            late_h=late.sum(axis=1).reshape(shape),
            charges=self.charges.reshape(shape),
            late=self.late_charges.reshape(shape),
            left=left.reshape(shape),
            use=self.busy.reshape(shape) / (bays[:, None] * self.slots),
            peak_kw=self.load[:, : self.slots].max(axis=1).reshape(shape),
            late_by_month=late.reshape(*shape, 12),
        )


def _window_ends(present: BoolArray) -> IntArray:
    """For each slot the boundary at which the crew leaves; the slot itself where nobody is there."""
    ends = np.arange(len(present), dtype=np.int64)
    for slot in range(len(present) - 1, -1, -1):
        if present[slot]:
            ends[slot] = ends[slot + 1] if slot + 1 < len(present) and present[slot + 1] else slot + 1
    return ends
