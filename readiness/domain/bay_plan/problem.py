"""What a bay plan has to decide, in slots of equal length. Slot t covers [t, t + 1); slot 0 begins at the planning moment.

Source of the model: the slot formulation of charge scheduling with bays, a supply limit and closed slots; lead-acid is not
interrupted in its tail, because a part charge does not reset its sulphation clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fleet.lib.errors import DomainError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Need:
    """What one bank asks of a bay of one kind: slots at full power, then the tail that is never interrupted.

    `bulk_kw` is drawn in each bulk slot, `tail_kw[k]` in the k-th slot of the tail; wall power [kW].
    """

    bulk_slots: int
    bulk_kw: float
    tail_kw: tuple[float, ...]

    @property
    def slots(self) -> int:
        return self.bulk_slots + len(self.tail_kw)

    @property
    def profile_kw(self) -> tuple[float, ...]:
        return (self.bulk_kw,) * self.bulk_slots + self.tail_kw


@dataclass(frozen=True, slots=True)
class Booked:
    """Where a bank stands in a plan: kind of bay, and its first slot."""

    kind: str
    start: int


@dataclass(frozen=True, slots=True)
class Job:
    """One bank that wants a charge.

    needs       by kind of bay; a kind that is not named cannot charge it
    weight      what lateness costs, > 0
    release     first slot in which it can be connected
    due         it is late when it ends after this slot boundary; None: no date
    floor       last slot in which the charge must have begun, or the bank falls under its floor; None: not in sight
    leaves      slot boundary at which the bay must be free of it again, because the unit leaves
    may_pause   the bulk may be interrupted; the tail never
    unattended  the charger may run while nobody is there
    held        it is on a bay of that kind now and stays: its first slot is 0; `held_bay` is the number of that bay
    """

    key: str
    needs: Mapping[str, Need]
    weight: float = 1.0
    release: int = 0
    due: int | None = None
    floor: int | None = None
    leaves: int | None = None
    may_pause: bool = False
    unattended: bool = False
    held: str | None = None
    held_bay: int | None = None
    published: Booked | None = None


@dataclass(frozen=True)
class Problem:
    """A depot over a horizon.

    bays        number of bays by kind
    supply_kw   what the supply allows per slot, `base_kw` what is drawn anyway; shape (slots,), kW
    open        crew present, shape (slots,); banks are connected and disconnected only then
    handling    connections and disconnections the crew can do per slot, shape (slots,)
    least_slots shortest time a bank stays on a bay
    """

    jobs: tuple[Job, ...]
    bays: Mapping[str, int]
    supply_kw: FloatArray
    base_kw: FloatArray
    open: BoolArray
    handling: FloatArray
    slot_h: float = 1.0
    least_slots: int = 1
    days: Mapping[str, IntArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.slots < 1:
            raise DomainError("bay_plan.no_slots", "The horizon has no slot. Give it an end after its begin.")
        for name in ("base_kw", "open", "handling"):
            if len(getattr(self, name)) != self.slots:
                raise DomainError(
                    "bay_plan.lengths", "'{name}' must have one value for each slot.", name=name
                )
        if not np.all(np.isfinite(self.supply_kw)) or not np.all(np.isfinite(self.base_kw)):
            raise DomainError("bay_plan.supply", "The supply limit or the base load is not known for a slot.")
        if len({job.key for job in self.jobs}) != len(self.jobs):
            raise DomainError("bay_plan.twice", "A bank is named twice.")
        for job in self.jobs:
            _require_sound(job, self.bays)

    @property
    def slots(self) -> int:
        return len(self.supply_kw)

    @cached_property
    def free_kw(self) -> FloatArray:
        """Power left for charging in each slot; never under 0."""
        return np.maximum(0.0, self.supply_kw - self.base_kw)

    @cached_property
    def next_open(self) -> IntArray:
        """First open slot at or after each slot boundary 0..slots; `slots` where none follows."""
        following = np.full(self.slots + 1, self.slots, dtype=np.int64)
        for slot in range(self.slots - 1, -1, -1):
            following[slot] = slot if self.open[slot] else following[slot + 1]
        return following

    @cached_property
    def last_in_window(self) -> IntArray:
        """For each slot the boundary at which its open stretch ends; the slot itself where closed."""
        ends = np.arange(self.slots, dtype=np.int64)
        for slot in range(self.slots - 1, -1, -1):
            if self.open[slot]:
                ends[slot] = ends[slot + 1] if slot + 1 < self.slots and self.open[slot + 1] else slot + 1
        return ends

    def starts_of(self, job: Job, need: Need) -> IntArray:
        """Slots in which an uninterrupted charge can begin: crew there, released, ended within the horizon, off in time."""
        first = np.arange(max(0, job.release), self.slots - need.slots + 1, dtype=np.int64)
        if job.held is not None:
            first = first[first == 0] if job.release <= 0 else first[:0]
        else:
            first = first[self.open[first]]
        ends = first + need.slots
        keep = np.ones(len(first), dtype=bool)
        if not job.unattended:
            keep &= ends <= self.last_in_window[first]
        if job.leaves is not None:
            keep &= self.free_again(ends) <= job.leaves
        return first[keep]

    def free_again(self, ends: IntArray) -> IntArray:
        """Slot at which the bay is free after a charge that ends at the boundary: when the crew takes the bank off."""
        return self.next_open[ends]


def _require_sound(job: Job, bays: Mapping[str, int]) -> None:
    if not job.weight > 0 or not np.isfinite(job.weight):
        raise DomainError("bay_plan.weight", "{bank}: the weight must be more than 0.", bank=job.key)
    for kind, need in job.needs.items():
        if kind not in bays:
            raise DomainError(
                "bay_plan.kind", "{bank}: no bay of the kind '{kind}'.", bank=job.key, kind=kind
            )
        if need.bulk_slots < 0 or need.slots < 1:
            raise DomainError("bay_plan.slots", "{bank}: a charge takes at least one slot.", bank=job.key)
        if not all(np.isfinite(kw) and kw >= 0 for kw in need.profile_kw):
            raise DomainError("bay_plan.power", "{bank}: its power is not known.", bank=job.key)
        if job.may_pause and not need.tail_kw:
            raise DomainError(
                "bay_plan.tail",
                "{bank}: a charge that may pause needs a tail of one slot or more.",
                bank=job.key,
            )
    if job.held is not None and job.held not in job.needs:
        raise DomainError(
            "bay_plan.held", "{bank}: it is on a bay that is not said to charge it.", bank=job.key
        )
