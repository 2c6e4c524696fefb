"""The one place where learning and charge state meet: sweep, pages, forecast and chart all ask here.

`learn` says what each bank's own records tell of its loss, `with_learning` gives the banks those rates, `estimate` works out
the charge state and its dates with them. What the fleet teaches (`FleetHabits`) comes in from outside: it is the same for
one bank as for thousands.

An alarm that either of them sees stays open: a low reading is not explained away by the rate that was learnt from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from readiness.domain.bank_flags import Peers
from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, Note
from readiness.domain.charge_state import Judge, estimate
from readiness.domain.chemistry import chemistry_index
from readiness.domain.inputs import FloatArray
from readiness.domain.learning import Learned, learn, with_learning
from readiness.domain.reading_noise import NoiseHistory
from readiness.domain.thermal import Sites


@dataclass(frozen=True)
class FleetHabits:
    """What the whole fleet teaches: how readings scatter (None: as published), and how the banks of each chemistry lose
    (by index of the chemistry)."""

    noise: NoiseHistory | None
    peers: Peers

    @classmethod
    def none(cls) -> FleetHabits:
        return cls(None, Peers.none(len(chemistry_index())))


@dataclass(frozen=True)
class Forecast:
    """What is believed of n banks: what was learnt, the banks with their own rates, and the charge states by these."""

    learned: Learned
    banks: BankArrays
    estimates: BankEstimates


def forecast(
    banks: BankArrays, events: EventArrays, sites: Sites, as_of: Any, *, noise: NoiseHistory | None = None
) -> Forecast:
    """Learn from the records up to `as_of` (days since 1970-01-01 UTC, one or per bank), and forecast with it."""
    learned = learn(banks, events, sites, as_of, noise=noise)
    own = with_learning(banks, learned)
    found = estimate(own, events, sites, as_of)
    return Forecast(learned, own, _with_alarms(banks, found, learned.alarm_at, as_of))


def judge_with(noise: NoiseHistory | None) -> Judge:
    """`forecast` in the shape of `estimate`, for `charge_state.path`."""
    return partial(_estimates, noise=noise)


def _estimates(
    banks: BankArrays, events: EventArrays, sites: Sites, as_of: Any, *, noise: NoiseHistory | None
) -> BankEstimates:
    return forecast(banks, events, sites, as_of, noise=noise).estimates


def _with_alarms(banks: BankArrays, found: BankEstimates, alarm_at: FloatArray, as_of: Any) -> BankEstimates:
    """The alarms of the charge state and those of the learning, unless a capacity test came after."""
    asked = np.asarray(as_of, dtype=np.float64)
    tested = (banks.tested_at > alarm_at) & (banks.tested_at <= asked)
    opened = np.isfinite(alarm_at) & ~tested
    return replace(
        found,
        alarm_at=np.where(opened, np.fmax(found.alarm_at, alarm_at), found.alarm_at),
        notes=found.notes | np.where(opened, int(Note.UNEXPLAINED_LOSS), 0),
    )
