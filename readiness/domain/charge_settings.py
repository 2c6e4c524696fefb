"""What a charger is set to for one bank: absorption, float, equalising and current, at the battery's temperature.

The voltage per cell at 25 degC is shifted by the compensation [mV/K] times the battery's distance from 25 degC, held between
0 and 40 degC. Of a temperature band the warm end counts: it asks for the lowest voltage, and too high a voltage is
what ruins a warm battery.

References: voltages, compensation and currents per chemistry in `tables/battery_chemistries.csv` (S3, S7; flooded, nickel
and lithium rows from memory). The maker's manual for the exact model overrides them, except that a gel battery and a lithium
pack are never equalised from outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from readiness.domain.charge_checks import ChargeCheck, all_missing, at_most, known, worst
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import Chemistry, chemistry
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    as_array,
    as_given,
    require_capacity,
    require_current,
    require_positive,
    require_temp,
)
from readiness.domain.plausible import has_gravity
from readiness.domain.rest_voltage import TABLE_TEMP_C

CLAMP_LOW_C = 0.0
CLAMP_HIGH_C = 40.0
EQUALISE_SG_SPREAD = 0.025
FLOODED_ABSORB_MAX_V_CELL = 2.45

SOURCE = (
    "Charging voltages and currents by chemistry: VRLA and battery product literature, EN IEC 62485-2 table of voltages; "
    "flooded, nickel and lithium values from memory; the maker's manual for the exact model overrides them"
)


def charge_voltage(
    v_cell_25c: Any,
    cells: Any,
    temp_c: Any,
    *,
    comp_mv_cell_k: Any = 0.0,
    clamp_low_c: Any = CLAMP_LOW_C,
    clamp_high_c: Any = CLAMP_HIGH_C,
) -> Any:
    """Voltage [V] of `cells` in series at `temp_c` [degC]: `n (V25 + c (T - 25)/1000)`, T held between the clamps.

    Example of the reference: 12 gel cells, 2.37 V, -4 mV/K, 10 degC give 29.16 V.
    """
    cell_v = require_positive(v_cell_25c, "voltage_not_positive", "v_cell_25c")
    number = require_positive(cells, "cells_not_positive", "cells")
    low_c, high_c = require_temp(clamp_low_c, "clamp_low_c"), require_temp(clamp_high_c, "clamp_high_c")
    held_c = as_array(require_temp(temp_c)).clip(low_c, high_c)
    return as_given(number * (cell_v + as_array(comp_mv_cell_k) * (held_c - TABLE_TEMP_C) / 1000.0))


@dataclass(frozen=True, slots=True)
class MakerSettings:
    """What the maker's manual for this model states; None: the chemistry's row counts. Volts per cell at 25 degC."""

    absorb_v_cell: float | None = None
    absorb_v_cell_max: float | None = None
    float_v_cell: float | None = None
    comp_mv_cell_k: float | None = None
    i_charge_max_c: float | None = None
    equalise: bool | None = None


@dataclass(frozen=True, slots=True)
class ChargeSettings:
    """What to set, for the whole bank [V], [A]; None where this chemistry has no such setting or the temperature is missing.

    `absorb_v`, `float_v`, `absorb_max_v`, `equalise_v` at the warm end of the band; `absorb_cold_v` what a charger with a
    sensor will show at the cold end; `absorb_25c_v` what is set on a charger that compensates by itself (`comp_mv_k` of the
    whole bank). `clamped`: an end of the band lies outside 0..40 degC, where the voltage is no longer shifted.
    `by_current`: the charge is ended by -dV, temperature or timer, not by a voltage. `equalise` 'never', 'maker_only' or
    'yes'. `floats` says whether it may stay on float at all.
    """

    chemistry: str
    cells: float
    absorb_v: float | None
    absorb_cold_v: float | None
    absorb_max_v: float | None
    absorb_25c_v: float | None
    float_v: float | None
    float_25c_v: float | None
    comp_mv_k: float | None
    clamped: bool
    by_current: bool
    floats: bool
    equalise: str
    equalise_v: float | None
    current_typ_a: float
    current_max_a: float
    checks: tuple[ChargeCheck, ...]
    missing: tuple[str, ...]
    source: str

    @property
    def outcome(self) -> CheckOutcome:
        return worst(self.checks) if not self.missing else max_with_doubt(self.checks)


def max_with_doubt(checks: tuple[ChargeCheck, ...]) -> CheckOutcome:
    """The outcome when something is missing besides: a failure stays one, the rest cannot be decided."""
    return CheckOutcome.FAIL if worst(checks) == CheckOutcome.FAIL else CheckOutcome.CANNOT_DECIDE


def equalise_rule(record: Chemistry, maker: MakerSettings | None = None) -> str:
    """Whether this chemistry is equalised: 'never', 'maker_only' or 'yes'. No manual makes it 'yes' for gel or lithium."""
    stated = None if maker is None else maker.equalise
    if record.equalise_allowed == "no":
        return "never"
    if stated is not None:
        return "yes" if stated else "never"
    return record.equalise_allowed


def charge_settings(
    code: str,
    cells: float,
    capacity_ah: float,
    *,
    temp_low_c: float | None = None,
    temp_high_c: float | None = None,
    maker: MakerSettings | None = None,
    charger_a: float | None = None,
    charger_v: float | None = None,
) -> ChargeSettings:
    """Settings for a bank of chemistry `code`, `cells` in series, actual `capacity_ah` [Ah], between two cell temperatures.

    `charger_a` [A] and `charger_v` [V, absorption as set now] are what the charger gives, checked against the most that the
    bank may get; what is not stated cannot be decided. Raises RejectedInput: unknown_chemistry, cells_not_positive,
    capacity_not_positive, current_not_positive, temp_out_of_range, temp_band_crossed, voltage_not_positive.
    """
    record = chemistry(code)
    number = float(require_positive(cells, "cells_not_positive", "cells"))
    capacity = float(require_capacity(capacity_ah))
    told = maker or MakerSettings()
    low_c, high_c = _band(temp_low_c, temp_high_c)
    comp = _either(told.comp_mv_cell_k, record.comp_mv_cell_k)
    absorb = _either(told.absorb_v_cell, record.absorb_v_cell_25c)
    top = _most_at_absorption(told, record)
    equalising = _either(told.absorb_v_cell_max, record.absorb_v_cell_max)
    floating = _either(told.float_v_cell, record.float_v_cell_25c)
    rule = equalise_rule(record, maker)
    shift = 0.0 if comp is None else comp

    def at(v_cell: float | None, temp_c: float | None) -> float | None:
        """A known voltage at a known temperature; one that does not shift needs no temperature."""
        if v_cell is None or (temp_c is None and shift != 0.0):
            return None
        where = TABLE_TEMP_C if temp_c is None else temp_c
        return float(charge_voltage(v_cell, number, where, comp_mv_cell_k=shift))

    # Shifts are negative, so the warm end has the lowest voltage; a row that shifts upwards would have it at the cold end.
    safe_c, far_c = (high_c, low_c) if shift <= 0.0 else (low_c, high_c)
    allowed_v = at(top, safe_c)
    largest = (told.i_charge_max_c if told.i_charge_max_c is not None else record.i_charge_max_c) * capacity
    given_a = None if charger_a is None else float(require_current(charger_a, "charger_a"))
    checks = [
        at_most(
            "charger_current",
            given_a,
            largest,
            "A",
            SOURCE,
            missing=() if given_a is not None else ("charger_a",),
        )
    ]
    if absorb is not None:
        lacking = tuple(
            name for name, value in (("charger_v", charger_v), ("temp_c", allowed_v)) if value is None
        )
        checks.append(at_most("charger_voltage", charger_v, allowed_v, "V", SOURCE, missing=lacking))
    needs_temp = absorb is not None and shift != 0.0 and (low_c is None or high_c is None)
    missing = tuple(dict.fromkeys((*(("temp_c",) if needs_temp else ()), *all_missing(checks))))
    return ChargeSettings(
        chemistry=code,
        cells=number,
        absorb_v=at(absorb, safe_c),
        absorb_cold_v=at(absorb, far_c),
        absorb_max_v=allowed_v,
        absorb_25c_v=None if absorb is None else number * absorb,
        float_v=at(floating, safe_c),
        float_25c_v=None if floating is None else number * floating,
        comp_mv_k=None if absorb is None else number * shift,
        clamped=any(end is not None and not CLAMP_LOW_C <= end <= CLAMP_HIGH_C for end in (low_c, high_c)),
        by_current=absorb is None,
        floats=floating is not None,
        equalise=rule,
        equalise_v=at(equalising, safe_c) if rule == "yes" else None,
        current_typ_a=min(record.i_charge_typ_c * capacity, largest),
        current_max_a=largest,
        checks=tuple(checks),
        missing=missing,
        source=SOURCE,
    )


def wants_equalising(
    code: str, sg_spread: float | None, *, maker: MakerSettings | None = None
) -> bool | None:
    """Whether an equalising charge is called for: flooded cells over 0.025 apart (TM 9-6140-200-14 para 4-7).

    None: the chemistry is equalised and nobody measured the cells. A chemistry that is never equalised never wants it.
    """
    if equalise_rule(chemistry(code), maker) != "yes":
        return False
    spread = known(sg_spread)
    return None if spread is None else spread > EQUALISE_SG_SPREAD


def _band(low_c: float | None, high_c: float | None) -> tuple[float | None, float | None]:
    low, high = known(low_c), known(high_c)
    for end in (low, high):
        if end is not None:
            require_temp(end)
    if low is not None and high is not None and low > high:
        raise RejectedInput("temp_band_crossed", temp_low_c=low, temp_high_c=high)
    return low, high


def _either(stated: float | None, table: float | None) -> float | None:
    return stated if stated is not None else table


def _most_at_absorption(told: MakerSettings, record: Chemistry) -> float | None:
    """Highest absorption voltage per cell at 25 degC. For flooded cells the table's highest is for equalising only."""
    if told.absorb_v_cell_max is not None:
        return told.absorb_v_cell_max
    if told.absorb_v_cell is not None:
        return told.absorb_v_cell
    if has_gravity(record.code):
        return FLOODED_ABSORB_MAX_V_CELL
    return record.absorb_v_cell_max
