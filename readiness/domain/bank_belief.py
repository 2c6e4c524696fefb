"""What is believed of each bank after its latest record: the columns that the estimate carries from record to record."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np

from readiness.domain.bank_records import BankArrays, Note, Reason, Supply
from readiness.domain.fusion import PESSIMISTIC_SIGMAS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray


@dataclass
class BankBelief:
    """What is believed of each bank after its latest record.

    `soc`, `sigma` the best estimate; `low_soc`, `low_sigma` the pessimistic one; `cap` and `block_cap` what the latest
    reading, and the latest measured block, allow at most. `alarm_at` when a reading last fell unexplained below the
    prediction (NaN: no such matter is open); `held_soc`, `held_sigma` the prediction that it contradicted, running on;
    `busy_until` when it last came off a charge or a supply that charges it.
    """

    t: FloatArray
    loss_from: FloatArray
    soc: FloatArray
    sigma: FloatArray
    low_soc: FloatArray
    low_sigma: FloatArray
    cap: FloatArray
    block_cap: FloatArray
    block_at: FloatArray
    alarm_at: FloatArray
    held_soc: FloatArray
    held_sigma: FloatArray
    used: FloatArray
    known: BoolArray
    charged: BoolArray
    supply: IntArray
    float_until: FloatArray
    busy_until: FloatArray
    site: IntArray
    anchor_kind: IntArray
    anchor_at: FloatArray
    evidence_at: FloatArray
    reading_at: FloatArray
    charged_at: FloatArray
    readings: IntArray
    notes: IntArray
    reasons: IntArray
    floor_at: FloatArray
    interval_at: FloatArray
    broken: BoolArray
    broken_at: FloatArray

    @classmethod
    def unknown(cls, banks: BankArrays, first: FloatArray) -> Self:
        n = len(banks)
        nan, no, zero = np.full(n, np.nan), np.zeros(n, dtype=bool), np.zeros(n, dtype=np.int64)
        return cls(
            t=first.copy(),
            loss_from=first.copy(),
            soc=nan.copy(),
            sigma=nan.copy(),
            low_soc=nan.copy(),
            low_sigma=nan.copy(),
            cap=np.full(n, np.inf),
            block_cap=np.full(n, np.inf),
            block_at=nan.copy(),
            alarm_at=nan.copy(),
            held_soc=nan.copy(),
            held_sigma=nan.copy(),
            used=np.zeros(n),
            known=no.copy(),
            charged=no.copy(),
            supply=zero.copy(),
            float_until=nan.copy(),
            busy_until=nan.copy(),
            site=banks.site.copy(),
            anchor_kind=zero.copy(),
            anchor_at=nan.copy(),
            evidence_at=nan.copy(),
            reading_at=nan.copy(),
            charged_at=nan.copy(),
            readings=zero.copy(),
            notes=zero.copy(),
            reasons=np.full(n, int(Reason.NO_STATE), dtype=np.int64),
            floor_at=nan.copy(),
            interval_at=nan.copy(),
            broken=no.copy(),
            broken_at=nan.copy(),
        )

    def take(self, index: IntArray) -> Self:
        return type(self)(**{part.name: getattr(self, part.name)[index] for part in fields(self)})

    def put(self, index: IntArray, part: Self) -> None:
        for column in fields(self):
            getattr(self, column.name)[index] = getattr(part, column.name)

    @property
    def bound(self) -> FloatArray:
        """The low end: of the pessimistic path, of the best estimate, and of what the readings allow, the lowest."""
        low = self.low_soc - PESSIMISTIC_SIGMAS * self.low_sigma
        best = self.soc - PESSIMISTIC_SIGMAS * self.sigma
        return np.minimum(np.minimum(low, best), np.minimum(self.cap, self.block_cap))

    @property
    def alarmed(self) -> BoolArray:
        """Whether a loss that nothing explains is an open matter."""
        return np.isfinite(self.alarm_at)

    @property
    def floating(self) -> BoolArray:
        return np.equal(self.supply, Supply.FLOAT) | np.equal(self.supply, Supply.OWN_ARRAY)


def put_where(target: Any, where: BoolArray, value: Any) -> None:
    np.copyto(target, value, where=where, casting="unsafe")


def note(state: BankBelief, where: BoolArray, note: Note, *, off: BoolArray | None = None) -> None:
    if off is not None:
        state.notes[off] &= ~int(note)
    state.notes[where] |= int(note)


def weak(state: BankBelief) -> BoolArray:
    return (state.notes & int(Note.WEAK_BLOCK)) > 0


def forget(state: BankBelief, where: BoolArray, reason: Reason) -> None:
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
        put_where(column, where, np.nan)
    put_where(state.cap, where, np.inf)
    put_where(state.block_cap, where & ~weak(state), np.inf)
