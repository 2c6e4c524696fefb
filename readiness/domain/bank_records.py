"""What is known of many banks at once: the banks, the events recorded about them, and the words for the answers."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum, IntFlag
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from readiness.domain.fusion import SIGMA_PER_LOSS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray


class EventKind(IntEnum):
    """Kinds of events, in the order in which simultaneous ones are taken."""

    SITE = 0
    SUPPLY = 1
    USED = 2
    CHARGE = 3
    VOLTAGE = 4
    GRAVITY = 5
    METER = 6


class Supply(IntEnum):
    """How a bank is connected. Without any record it counts as having its standby loads on."""

    UNKNOWN = 0
    ISOLATED = 1
    STANDBY = 2
    FLOAT = 3
    OWN_ARRAY = 4


class Anchor(IntEnum):
    NONE = 0
    CHARGE = 1
    READING = 2


class DueBy(IntEnum):
    NONE = 0
    FLOOR = 1
    INTERVAL = 2


class Reason(IntFlag):
    """Why the charge state cannot be decided (any bit set)."""

    NO_STATE = 1
    STALE = 2
    USED = 4
    LOAD_UNKNOWN = 8
    NO_CLIMATE = 16


class Note(IntFlag):
    """What the answer has to say besides its numbers."""

    UNEXPLAINED_LOSS = 1
    UNEXPLAINED_GAIN = 2
    SURFACE_CHARGE = 4
    DEEP_DISCHARGE = 8
    WEAK_BLOCK = 16
    PLATEAU = 32
    VOLTAGE_SAYS_NOTHING = 64
    PARTIAL_CHARGE = 128
    SUPPLY_UNKNOWN = 256
    FLOAT_BELIEVED = 512
    FLOAT_EXPIRED = 1024
    AGE_UNKNOWN = 2048
    READING_REFUSED = 4096
    NO_COMPLETED_CHARGE = 8192
    READING_LOADED = 16384


# Refusals of a recorded reading, by code; the first ones are those of `rest_voltage.REFUSALS`.
READING_REFUSALS: tuple[str, ...] = (
    "",
    "ocv_not_usable",
    "temp_out_of_range",
    "not_rested",
    "ocv_implausible",
    "sg_out_of_range",
    "sg_not_usable",
    "soc_out_of_range",
    "plateau",
)


def _filled(value: Any, count: int, default: Any, dtype: Any) -> NDArray[Any]:
    source = default if value is None else value
    return np.ascontiguousarray(np.broadcast_to(np.asarray(source, dtype=dtype), (count,)))


@dataclass(frozen=True)
class BankArrays:
    """One row a bank; NaN means not known. Build with `BankArrays.of`.

    `chem` indexes the chemistry table; `capacity_ah` actual capacity [Ah]; `cells` in series; `standby_ma` measured draw
    [mA]; `charger_a` [A]; `made_day` (days since 1970) and `life_days` for ageing; `floor_soc`, `pct_month`,
    `interval_cap_days` override the chemistry's own values; `rate_scale` what its own records say of its loss [1],
    `loss_sigma` the doubt of a predicted loss as its share [1], `hidden_per_day` a draw that nobody wrote down [1/d];
    `depart_soc` what it must have to leave; `kept_soc` what the owner chose to keep it at (NaN: no choice);
    `tested_at` last capacity test (days since 1970);
    `sg_full`, `sg_empty` nameplate; `stale_days` how long evidence counts [d];
    `site` where it stood at first (-1 unknown).
    """

    chem: IntArray
    capacity_ah: FloatArray
    cells: FloatArray
    standby_ma: FloatArray
    charger_a: FloatArray
    made_day: FloatArray
    life_days: FloatArray
    floor_soc: FloatArray
    pct_month: FloatArray
    interval_cap_days: FloatArray
    rate_scale: FloatArray
    loss_sigma: FloatArray
    hidden_per_day: FloatArray
    sg_full: FloatArray
    sg_empty: FloatArray
    stale_days: FloatArray
    depart_soc: FloatArray
    kept_soc: FloatArray
    tested_at: FloatArray
    site: IntArray

    @classmethod
    def of(cls, chem: Any, **columns: Any) -> Self:
        """Arrays of equal length from what is given; the rest is not known (scale 1, half of a loss in doubt,
        no hidden draw, evidence never stale, site -1)."""
        count = len(np.atleast_1d(np.asarray(chem)))
        defaults: dict[str, float] = {
            "rate_scale": 1.0,
            "loss_sigma": SIGMA_PER_LOSS,
            "hidden_per_day": 0.0,
            "stale_days": np.inf,
        }
        values: dict[str, NDArray[Any]] = {"chem": _filled(chem, count, 0, np.int64)}
        values["site"] = _filled(columns.pop("site", None), count, -1, np.int64)
        for column in fields(cls):
            if column.name not in values:
                default = defaults.get(column.name, np.nan)
                values[column.name] = _filled(columns.pop(column.name, None), count, default, np.float64)
        if columns:
            raise TypeError(f"unknown columns of banks: {', '.join(sorted(columns))}")
        return cls(**values)

    def __len__(self) -> int:
        return len(self.chem)

    def take(self, index: Any) -> Self:
        return type(self)(**{column.name: getattr(self, column.name)[index] for column in fields(self)})


@dataclass(frozen=True)
class EventArrays:
    """One row an event, in any order; build with `EventArrays.of`. Struck-out and superseded events are not passed in.

    `bank` row of the bank; `time` days since 1970-01-01 UTC (a charge at its end); `kind` an `EventKind`; `value` volts of
    the bank, gravity, or meter charge state; `temp_c`, `rest_h` at the reading; `low_cell_v` the lowest block's volts per
    cell; `hours`, `end_sign`, `to_soc`, `ah` of a charge (`ah` also what use took out); `supply`, `check_days` of a supply
    state; `site` moved to.
    """

    bank: IntArray
    time: FloatArray
    kind: IntArray
    value: FloatArray
    temp_c: FloatArray
    rest_h: FloatArray
    low_cell_v: FloatArray
    hours: FloatArray
    to_soc: FloatArray
    ah: FloatArray
    check_days: FloatArray
    supply: IntArray
    site: IntArray
    end_sign: BoolArray

    @classmethod
    def of(cls, bank: Any = (), time: Any = (), kind: Any = (), **columns: Any) -> Self:
        count = len(np.asarray(bank))
        values: dict[str, NDArray[Any]] = {
            "bank": _filled(bank, count, 0, np.int64),
            "time": _filled(time, count, 0, np.float64),
            "kind": _filled(kind, count, 0, np.int64),
            "supply": _filled(columns.pop("supply", None), count, Supply.UNKNOWN, np.int64),
            "site": _filled(columns.pop("site", None), count, -1, np.int64),
            "end_sign": _filled(columns.pop("end_sign", None), count, False, np.bool_),
        }
        for column in fields(cls):
            if column.name not in values:
                values[column.name] = _filled(columns.pop(column.name, None), count, np.nan, np.float64)
        if columns:
            raise TypeError(f"unknown columns of events: {', '.join(sorted(columns))}")
        return cls(**values)

    def __len__(self) -> int:
        return len(self.bank)

    def take(self, index: Any) -> Self:
        return type(self)(**{column.name: getattr(self, column.name)[index] for column in fields(self)})

    def in_order(self) -> IntArray:
        """The order by bank, time and kind; events alike in all of these go by their content: input order says nothing."""
        step = np.diff(self.bank)
        if np.all((step > 0) | ((step == 0) & (np.diff(self.time) > 0.0))):
            return np.arange(len(self), dtype=np.int64)
        order = np.lexsort((self.time, self.bank))
        bank, time = self.bank[order], self.time[order]
        if not np.any((bank[1:] == bank[:-1]) & (time[1:] == time[:-1])):
            return order
        keys = (
            self.ah,
            self.hours,
            self.low_cell_v,
            self.rest_h,
            self.temp_c,
            self.value,
            self.supply,
            self.kind,
            self.time,
            self.bank,
        )
        return np.lexsort(keys)


@dataclass(frozen=True)
class BankEstimates:
    """The answer for each bank (rows as in `BankArrays`), and for each event whether it could be used.

    `soc`, `sigma` best estimate and its band (NaN when not known); `low`, `high` the ends that count where low or high does
    harm; `floor_soc`, `depart_soc`, `top_up_soc` (below it the owner's choice asks for a charge; NaN: no choice);
    `floor_at`, `depart_at`, `top_up_at`, `interval_at`, `due_at`, `stale_at` in days since 1970 UTC
    (NaN not known, inf beyond the horizon) depend on the evidence only, not on the day asked; `due_by` a `DueBy`; `used`
    part of the interval; `alarm_at` when a reading last fell unexplained below the prediction, NaN when none is open;
    `block_at` when the lowest block was last measured;
    `broken_at` when the best estimate was last seen to fall to the floor; `reasons` and `notes` bits
    of `Reason` and `Note`; `refusal` per event, index into `READING_REFUSALS`; `completed` per event, whether it was
    a charge that counts as completed.
    """

    soc: FloatArray
    sigma: FloatArray
    low: FloatArray
    high: FloatArray
    floor_soc: FloatArray
    depart_soc: FloatArray
    top_up_soc: FloatArray
    floor_at: FloatArray
    interval_at: FloatArray
    depart_at: FloatArray
    top_up_at: FloatArray
    due_at: FloatArray
    due_by: IntArray
    used: FloatArray
    stale_at: FloatArray
    broken_at: FloatArray
    anchor_kind: IntArray
    anchor_at: FloatArray
    alarm_at: FloatArray
    block_at: FloatArray
    evidence_at: FloatArray
    reading_at: FloatArray
    charged_at: FloatArray
    float_until: FloatArray
    supply: IntArray
    readings_used: IntArray
    reasons: IntArray
    notes: IntArray
    refusal: IntArray
    completed: BoolArray

    @property
    def decided(self) -> BoolArray:
        return np.equal(self.reasons, 0)

    def evidence_age_days(self, as_of: Any) -> FloatArray:
        return np.asarray(as_of, dtype=np.float64) - self.evidence_at


def ranks(bank: IntArray) -> tuple[IntArray, IntArray]:
    """Rows of bank-sorted events, the first of every bank before the second of any, and where each rank starts."""
    starts = np.flatnonzero(np.r_[True, bank[1:] != bank[:-1]])
    counts = np.diff(np.r_[starts, bank.size])
    rank = np.arange(bank.size) - np.repeat(starts, counts)
    small = rank.astype(np.int16) if counts.max(initial=0) < 2**15 else rank
    order = np.argsort(small, kind="stable")
    return order, np.searchsorted(rank[order], np.arange(counts.max(initial=0) + 1))
