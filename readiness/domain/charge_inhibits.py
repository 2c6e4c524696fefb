"""What forbids charging a bank now: frozen acid, a cell too cold or too hot, damage, a lithium pack that was run flat.

Of the temperature band both ends count: the coldest cell must be warm enough and the warmest cool enough. Limits are
inclusive. What is not known does not pass: it cannot be decided, and the answer names what to find out.

References: temperature limits in `tables/battery_chemistries.csv` (VRLA product literature for lead-acid; no lithium
charge below 0 degC, plating; nickel from memory); freezing of acid US Army TM 5-1185 Table III; deep-discharged
lithium, under 2.0 V a cell, is discarded: pack product literature.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Any

import numpy as np

from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import chemistry, chemistry_column, chemistry_index
from readiness.domain.gravity import SG_EMPTY, SG_FULL, freeze_point
from readiness.domain.inputs import (
    SG_MAX,
    SG_MIN,
    TEMP_MAX_C,
    TEMP_MIN_C,
    BoolArray,
    FloatArray,
    IntArray,
    as_array,
    require_sg,
    require_temp,
)
from readiness.domain.reading_values import is_flooded
from readiness.domain.rest_voltage import is_lead, is_lithium

SOURCE = (
    "Limits of cell temperature by chemistry: VRLA product literature for lead-acid, lithium 0 to 45 °C (plating below), "
    "nickel from memory; freezing of acid: US Army TM 5-1185 Table III; lithium under 2.0 V a cell: pack product literature"
)
WATER_FREEZES_C = 0.0
LITHIUM_DEAD_V_CELL = 2.0
LITHIUM_LATCH_SOC = 0.10


class Condition(IntEnum):
    """How the bank looked when somebody last checked: swollen, soaked, dropped, leaking, hissing or hot is DAMAGED."""

    UNKNOWN = 0
    SOUND = 1
    DAMAGED = 2


class Inhibit(IntFlag):
    """Why a bank must not be charged, in the order in which the reason is told."""

    MAY_BE_FROZEN = 1
    TOO_COLD = 2
    TOO_HOT = 4
    DAMAGED = 8
    DEEPLY_DISCHARGED = 16


class Needed(IntFlag):
    """What must be found out before charging can be allowed. A temperature is also wanted when the band crosses a limit."""

    TEMPERATURE = 1
    CHARGE_STATE = 2
    CONDITION = 4
    REST_VOLTAGE = 8


INHIBIT_KEYS = {
    Inhibit.MAY_BE_FROZEN: "may_be_frozen",
    Inhibit.TOO_COLD: "too_cold",
    Inhibit.TOO_HOT: "too_hot",
    Inhibit.DAMAGED: "damaged",
    Inhibit.DEEPLY_DISCHARGED: "deeply_discharged",
}
NEEDED_KEYS = {
    Needed.TEMPERATURE: "cell_temp_c",
    Needed.CHARGE_STATE: "low_soc",
    Needed.CONDITION: "condition",
    Needed.REST_VOLTAGE: "rest_v_cell",
}


@dataclass(frozen=True)
class Inhibits:
    """Per bank: bits of `Inhibit` and `Needed`, and the outcome (`CheckOutcome` as integer).

    `cold_margin_k`, `hot_margin_k`, `frost_margin_k` [K]: how far the band stays inside each limit (negative: outside; NaN:
    not known, or no such limit). `freezes_c` [degC]: at which the acid may freeze; NaN without acid, or where nobody knows.
    """

    bits: IntArray
    needed: IntArray
    cold_margin_k: FloatArray
    hot_margin_k: FloatArray
    frost_margin_k: FloatArray
    freezes_c: FloatArray
    source: str = SOURCE

    @property
    def outcome(self) -> IntArray:
        doubt = np.where(self.needed > 0, int(CheckOutcome.CANNOT_DECIDE), int(CheckOutcome.PASS))
        return np.where(self.bits > 0, int(CheckOutcome.FAIL), doubt).astype(np.int64)

    def reasons(self, row: int) -> tuple[str, ...]:
        return tuple(key for bit, key in INHIBIT_KEYS.items() if self.bits[row] & int(bit))

    def missing(self, row: int) -> tuple[str, ...]:
        return tuple(key for bit, key in NEEDED_KEYS.items() if self.needed[row] & int(bit))


def charge_inhibits(
    chem: IntArray,
    temp_low_c: FloatArray,
    temp_high_c: FloatArray,
    *,
    low_soc: FloatArray | None = None,
    condition: IntArray | None = None,
    rest_v_cell: FloatArray | None = None,
    sg_full: FloatArray | None = None,
    sg_empty: FloatArray | None = None,
) -> Inhibits:
    """Judge n banks at once. Arrays of n; NaN means not known, an array left out that nobody knows any of it.

    `temp_low_c`, `temp_high_c` [degC] the coldest and the warmest that a cell may be; `low_soc` the low end of the charge (a
    discharged acid freezes early); `rest_v_cell` [V] the lowest block at rest; `sg_full`, `sg_empty` the nameplate.
    A temperature outside -40..70 degC is as good as none. A band wholly outside a limit forbids; one that reaches over it
    cannot be decided before the cell is measured. Frost is never waited for: acid that may be frozen forbids.
    """
    count = len(chem)

    def column(values: FloatArray | None) -> FloatArray:
        return np.full(count, np.nan) if values is None else as_array(values)

    low_c, high_c = _measurable(column(temp_low_c)), _measurable(column(temp_high_c))
    soc, volts = column(low_soc), column(rest_v_cell)
    state = np.zeros(count, dtype=np.int64) if condition is None else np.asarray(condition, dtype=np.int64)
    freezes_c = _freezes_c(is_lead(chem), soc, column(sg_full), column(sg_empty))
    cold_k = low_c - chemistry_column("charge_temp_min_c")[chem]
    hot_k = chemistry_column("charge_temp_max_c")[chem] - high_c
    frost_k = low_c - freezes_c
    too_cold = high_c < chemistry_column("charge_temp_min_c")[chem]
    too_hot = low_c > chemistry_column("charge_temp_max_c")[chem]
    reaches_over = ((cold_k < 0.0) & ~too_cold) | ((hot_k < 0.0) & ~too_hot)
    lead, lithium = is_lead(chem), is_lithium(chem)
    frozen = lead & (frost_k <= 0.0)
    # Acid whose strength nobody knows can be as weak as water.
    perhaps = lead & np.isnan(freezes_c) & ~(low_c > WATER_FREEZES_C)
    flat = lithium & (volts < LITHIUM_DEAD_V_CELL)
    untold = lithium & np.isnan(volts) & ~(soc > LITHIUM_LATCH_SOC)
    bits = _bits(
        (frozen, Inhibit.MAY_BE_FROZEN),
        (too_cold, Inhibit.TOO_COLD),
        (too_hot, Inhibit.TOO_HOT),
        (state == int(Condition.DAMAGED), Inhibit.DAMAGED),
        (flat, Inhibit.DEEPLY_DISCHARGED),
    )
    needed = _bits(
        (np.isnan(low_c) | np.isnan(high_c) | reaches_over, Needed.TEMPERATURE),
        (perhaps & np.isfinite(low_c), Needed.CHARGE_STATE),
        (state == int(Condition.UNKNOWN), Needed.CONDITION),
        (untold, Needed.REST_VOLTAGE),
    )
    return Inhibits(bits, needed, cold_k, hot_k, np.where(lead, frost_k, np.nan), freezes_c)


def charge_allowed(code: str, cell_temp_c: Any, *, sg: Any = None) -> str:
    """By temperature alone: 'yes', 'cannot decide', or 'no:' with may_be_frozen, too_cold or too_hot, in that order.

    `sg` [1 at 25 degC] is the gravity of flooded cells; without it a flooded bank at or below 0 degC cannot be decided.
    Raises RejectedInput: unknown_chemistry, temp_out_of_range, sg_out_of_range.
    """
    record = chemistry(code)
    temp_c = float(require_temp(cell_temp_c, "cell_temp_c"))
    chem = np.array([chemistry_index()[record.code]])
    flooded = bool(is_flooded(chem)[0])
    known_sg = sg is not None and flooded
    frozen = known_sg and temp_c <= float(freeze_point(require_sg(sg)))
    if frozen:
        return "no:may_be_frozen"
    if temp_c < record.charge_temp_min_c:
        return "no:too_cold"
    if temp_c > record.charge_temp_max_c:
        return "no:too_hot"
    if flooded and not known_sg and temp_c <= WATER_FREEZES_C:
        return "cannot decide"
    return "yes"


def _measurable(temp_c: FloatArray) -> FloatArray:
    return np.where((temp_c >= TEMP_MIN_C) & (temp_c <= TEMP_MAX_C), temp_c, np.nan)


def _freezes_c(lead: BoolArray, soc: FloatArray, sg_full: FloatArray, sg_empty: FloatArray) -> FloatArray:
    full = np.where(np.isnan(sg_full), SG_FULL, sg_full)
    empty = np.where(np.isnan(sg_empty), SG_EMPTY, sg_empty)
    told = lead & np.isfinite(soc)
    gravity = np.where(told, empty + np.clip(np.where(told, soc, 0.0), 0.0, 1.0) * (full - empty), np.nan)
    out = np.full(len(soc), np.nan)
    out[told] = freeze_point(np.clip(gravity[told], SG_MIN, SG_MAX))
    return out


def _bits(*pairs: tuple[BoolArray, IntFlag]) -> IntArray:
    total = np.zeros(len(pairs[0][0]), dtype=np.int64)
    for where, bit in pairs:
        total |= np.where(where, int(bit), 0)
    return total
