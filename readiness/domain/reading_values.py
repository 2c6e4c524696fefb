"""What each recorded reading says about the charge state: a value with its band, a bound, or nothing (with the reason)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from readiness.domain.bank_records import READING_REFUSALS, BankArrays, EventArrays, EventKind
from readiness.domain.chemistry import chemistries, chemistry_column
from readiness.domain.gravity import SG_EMPTY, SG_FULL, sg_correct, sg_to_soc
from readiness.domain.inputs import SG_MAX, SG_MIN, TEMP_MAX_C, TEMP_MIN_C, BoolArray, FloatArray, IntArray
from readiness.domain.rest_voltage import (
    LEAD_DEEP_V_CELL,
    LEAD_SURFACE_CHARGE_V_CELL,
    LFP_FULL_SOC,
    LFP_FULL_V_CELL,
    LFP_LOW_SOC,
    LFP_LOW_V_CELL,
    at_table_temp,
    is_lead,
    is_lfp,
    is_lithium,
    refusals,
    soc_from_cell_volts,
)

# A reading without a temperature is taken at the temperature that makes it say the least charge.
HARMFUL_TEMP_VOLTAGE_C = 40.0
HARMFUL_TEMP_GRAVITY_C = 0.0
METER_SIGMA_LITHIUM = 0.05
METER_SIGMA_OTHER = 0.10
LFP_LOW_SIGMA = 0.10
LFP_FULL_SIGMA = 0.05
# The voltage of a bank whose standby loads are on is not quite that of a bank at rest: its band is this much wider.
LOADED_SIGMA_FACTOR = 1.5
WEAK_BLOCK_V_CELL = 0.15 / 6.0
_PLATEAU = READING_REFUSALS.index("plateau")
_SG_OUT = READING_REFUSALS.index("sg_out_of_range")
_SG_NOT = READING_REFUSALS.index("sg_not_usable")
_SOC_OUT = READING_REFUSALS.index("soc_out_of_range")
_TEMP_OUT = READING_REFUSALS.index("temp_out_of_range")


@dataclass(frozen=True)
class ReadingValues:
    """Per event: `soc` with `sigma`; `cap` limits the pessimistic bound; `only_up`, `only_down` one-sided bounds.

    `block_measured`: the lowest block was measured and says how much there is at most (`block_cap`); `block_judged`: and it
    can be told whether it is `weak`. `completed`: a charge that counts as completed, told while the
    records are read.
    """

    usable: BoolArray
    soc: FloatArray
    sigma: FloatArray
    cap: FloatArray
    only_up: BoolArray
    only_down: BoolArray
    surface: BoolArray
    deep: BoolArray
    weak: BoolArray
    block_cap: FloatArray
    block_measured: BoolArray
    block_judged: BoolArray
    refusal: NDArray[np.int8]
    completed: BoolArray


_BANKS_APART_DAYS = 1.0e6


def still_busy(chem: IntArray, connected: BoolArray, idle_h: FloatArray) -> BoolArray:
    """Whether a rest voltage cannot count because the bank was being charged, whatever rest was written down.

    `connected`: on float or on its own array then; `idle_h` hours since it last came off a charge or such a supply (NaN: no
    such record). What was read is then the charger's voltage or the surface charge that it left.
    """
    return connected | (idle_h < chemistry_column("ocv_rest_min_h")[chem] - 1e-6)


def rest_beside_charges(
    bank: IntArray,
    at: FloatArray,
    rest_h: FloatArray,
    *,
    of_bank: IntArray,
    started: FloatArray,
    ended: FloatArray,
) -> FloatArray:
    """Hours at rest [h] of n readings: as written down, but 0 where the bank was on charge, whatever was written down.

    `bank`, `at`: of the readings, n; `of_bank`, `started`, `ended`: of the charges, m, any order (`ended` NaN: still on).
    Instants are days since 1970-01-01. A reading of the very moment at which a charge begins was taken before it.
    """
    if not len(of_bank) or not len(bank):
        return rest_h
    order = np.lexsort((started, of_bank))
    # Banks one after the other on one line, further apart than any instant.
    line = (of_bank * _BANKS_APART_DAYS + started)[order]
    before = np.searchsorted(line, bank * _BANKS_APART_DAYS + at, side="left") - 1
    latest = order[np.maximum(before, 0)]
    end = np.where(np.isnan(ended), np.inf, ended)
    on_charge = (before >= 0) & (of_bank[latest] == bank) & (at < end[latest])
    return np.where(on_charge, 0.0, rest_h)


def is_flooded(chem: IntArray) -> BoolArray:
    return np.array([code.startswith("flooded") for code in chemistries()])[chem]


def values_of_readings(banks: BankArrays, events: EventArrays) -> ReadingValues:
    """Judge every reading by itself, without knowing what was predicted for its bank."""
    count = len(events)
    soc, sigma = np.full(count, np.nan), np.full(count, np.nan)
    cap = np.full(count, np.inf)
    flags = {
        name: np.zeros(count, dtype=bool)
        for name in (
            "usable",
            "only_up",
            "only_down",
            "surface",
            "deep",
            "weak",
            "block_measured",
            "block_judged",
            "completed",
        )
    }
    out = ReadingValues(
        soc=soc,
        sigma=sigma,
        cap=cap,
        block_cap=cap.copy(),
        refusal=np.zeros(count, dtype=np.int8),
        **flags,
    )
    _judge_voltages(banks, events, np.flatnonzero(events.kind == EventKind.VOLTAGE), out)
    _judge_gravities(banks, events, np.flatnonzero(events.kind == EventKind.GRAVITY), out)
    _judge_meters(banks, events, np.flatnonzero(events.kind == EventKind.METER), out)
    return out


def _judge_voltages(banks: BankArrays, events: EventArrays, at: IntArray, out: ReadingValues) -> None:
    if not at.size:
        return
    bank = events.bank[at]
    chem = banks.chem[bank]
    lead, lfp = is_lead(chem), is_lfp(chem)
    v_cell = events.value[at] / banks.cells[bank]
    refusal = refusals(chem, v_cell, events.temp_c[at], events.rest_h[at])
    refusal = np.where(
        (refusal == 0) & ~np.isfinite(v_cell), np.int8(READING_REFUSALS.index("ocv_implausible")), refusal
    )
    temp = np.where(np.isnan(events.temp_c[at]), HARMFUL_TEMP_VOLTAGE_C, events.temp_c[at])
    volts = at_table_temp(v_cell, temp, lead)
    soc = soc_from_cell_volts(chem, volts)
    sigma = chemistry_column("ocv_sigma_soc")[chem]
    low_lfp, full_lfp = lfp & (volts <= LFP_LOW_V_CELL), lfp & (volts >= LFP_FULL_V_CELL)
    refusal = np.where((refusal == 0) & lfp & ~low_lfp & ~full_lfp, np.int8(_PLATEAU), refusal)
    soc = np.where(low_lfp, np.minimum(soc, LFP_LOW_SOC), np.where(full_lfp, LFP_FULL_SOC, soc))
    sigma = np.where(low_lfp, LFP_LOW_SIGMA, np.where(full_lfp, LFP_FULL_SIGMA, sigma))
    low_volts = at_table_temp(events.low_cell_v[at], temp, lead)
    has_low = np.isfinite(low_volts) & ~lfp
    low_soc = np.where(has_low, soc_from_cell_volts(chem, np.where(has_low, low_volts, volts)), np.inf)
    usable = refusal == 0
    out.soc[at], out.sigma[at] = soc, sigma
    out.cap[at] = np.where(full_lfp, np.inf, soc)
    out.block_cap[at] = low_soc
    out.block_measured[at] = usable & has_low
    out.block_judged[at] = usable & has_low & lead
    out.usable[at] = usable
    out.only_up[at], out.only_down[at] = full_lfp, low_lfp
    out.surface[at] = usable & lead & (volts > LEAD_SURFACE_CHARGE_V_CELL)
    out.deep[at] = usable & lead & (np.fmin(volts, low_volts) < LEAD_DEEP_V_CELL)
    out.weak[at] = usable & lead & (v_cell - events.low_cell_v[at] > WEAK_BLOCK_V_CELL)
    out.refusal[at] = refusal


def _judge_gravities(banks: BankArrays, events: EventArrays, at: IntArray, out: ReadingValues) -> None:
    if not at.size:
        return
    bank = events.bank[at]
    chem = banks.chem[bank]
    observed, given_c = events.value[at], events.temp_c[at]
    temp = np.where(np.isnan(given_c), HARMFUL_TEMP_GRAVITY_C, given_c)
    full = np.where(np.isnan(banks.sg_full[bank]), SG_FULL, banks.sg_full[bank])
    empty = np.where(np.isnan(banks.sg_empty[bank]), SG_EMPTY, banks.sg_empty[bank])
    plausible = (
        (observed >= SG_MIN) & (observed <= SG_MAX) & (full > empty) & (empty >= SG_MIN) & (full <= SG_MAX)
    )
    measurable = (temp >= TEMP_MIN_C) & (temp <= TEMP_MAX_C)
    good = plausible & measurable
    # What the correction lifts out of the range that acid can have is as empty or as full as can be.
    corrected = np.clip(sg_correct(observed[good], temp[good]), SG_MIN, SG_MAX)
    soc = np.full(at.size, np.nan)
    soc[good] = sg_to_soc(corrected, sg_full=full[good], sg_empty=empty[good])
    refusal = np.zeros(at.size, dtype=np.int8)
    refusal[~plausible] = _SG_OUT
    refusal[~measurable] = _TEMP_OUT
    refusal[~is_flooded(chem)] = _SG_NOT
    out.soc[at], out.sigma[at], out.cap[at] = soc, chemistry_column("ocv_sigma_soc")[chem], soc
    out.usable[at] = refusal == 0
    out.refusal[at] = refusal


def _judge_meters(banks: BankArrays, events: EventArrays, at: IntArray, out: ReadingValues) -> None:
    if not at.size:
        return
    soc = events.value[at]
    refusal = np.where((soc >= 0.0) & (soc <= 1.0), 0, _SOC_OUT).astype(np.int8)
    lithium = is_lithium(banks.chem[events.bank[at]])
    out.soc[at], out.cap[at] = soc, soc
    out.sigma[at] = np.where(lithium, METER_SIGMA_LITHIUM, METER_SIGMA_OTHER)
    out.usable[at] = refusal == 0
    out.refusal[at] = refusal
