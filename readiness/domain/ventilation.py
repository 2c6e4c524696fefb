"""The air that a charging room needs: flow, openings, free volume and the distance to any spark.

`Q = 0.05 n I_gas C / 1000` [m3/h] per battery: hydrogen diluted 24-fold below 4 %, with a safety of 5. All banks that charge
at once add up. Lithium packs give no charging gas. Natural ventilation needs an inlet and an outlet of `28 Q` cm2 each and a
free volume of `2.5 Q` m3.

References: EN IEC 62485-2 (formula and table of gas currents seen in three summaries), EN 50272-3 for charging above 2.40 V
a cell; distance from memory. The local code decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from readiness.domain.charge_checks import ChargeCheck, at_least, at_most, is_so, known, worst
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import Chemistry, chemistry
from readiness.domain.inputs import as_given, require_capacity, require_not_negative, require_positive

DILUTION = 0.05
OPENING_CM2_PER_M3_H = 28.0
FREE_VOLUME_H = 2.5
SPARK_MM = 28.8
TABLE_TEMP_MAX_C = 40.0
LEAD_BOOST_V_CELL = 2.40
NICKEL_BOOST_V_CELL = 1.55
# Above 2.40 V a cell: IUI traction chargers of EN 50272-3, 6 A (vented) and 1.5 A (valve-regulated) per 100 Ah.
IUI_VENTED_MA_AH = 60.0
IUI_VALVE_REGULATED_MA_AH = 15.0
SOURCE = (
    "EN IEC 62485-2: airflow, openings and gas currents (seen in three summaries); above 2.40 V a cell EN 50272-3; distance "
    "to sparks from memory; the local code decides"
)


def vent_flow(cells: Any, i_gas_ma_ah: Any, capacity_ah: Any) -> Any:
    """Airflow [m3/h] for `cells` in series whose strings have `capacity_ah` [Ah] together, gassing `i_gas_ma_ah` [mA/Ah].

    Example of the reference: 12 gel cells, 1000 Ah, boost at 8 mA/Ah: 4.8 m3/h.
    """
    number = require_positive(cells, "cells_not_positive", "cells")
    gas = require_not_negative(i_gas_ma_ah, "gas_current_negative", "i_gas_ma_ah")
    return as_given(DILUTION * number * gas * require_capacity(capacity_ah) / 1000.0)


def vent_area(q_m3_h: Any) -> Any:
    """Free opening [cm2] of the inlet, and of the outlet, that lets `q_m3_h` [m3/h] through by itself."""
    return as_given(OPENING_CM2_PER_M3_H * require_not_negative(q_m3_h, "airflow_negative", "q_m3_h"))


def spark_distance_mm(i_gas_ma_ah: Any, capacity_ah: Any) -> Any:
    """Distance [mm] from the vents within which nothing may spark or glow: `28.8 cbrt(I_gas) cbrt(C)`; from memory."""
    gas = require_not_negative(i_gas_ma_ah, "gas_current_negative", "i_gas_ma_ah")
    return as_given(SPARK_MM * np.cbrt(gas) * np.cbrt(require_capacity(capacity_ah)))


def gas_current_ma_ah(record: Chemistry, *, boost: bool, v_cell_25c: float | None = None) -> float | None:
    """Gas current [mA/Ah] of a chemistry on float or boost at a voltage per cell (as at 25 degC); None: the table has none.

    Lead above 2.40 V a cell: the traction value, the worst that is published. Nickel above 1.55: the maker must tell.
    """
    table = record.i_gas_boost_ma_ah if boost else record.i_gas_float_ma_ah
    volts = known(v_cell_25c)
    if table is None or volts is None or not boost:
        return table
    if record.is_lead and volts > LEAD_BOOST_V_CELL + 1e-9:
        vented = record.code.startswith("flooded")
        return max(table, IUI_VENTED_MA_AH if vented else IUI_VALVE_REGULATED_MA_AH)
    if record.is_nickel and volts > NICKEL_BOOST_V_CELL + 1e-9:
        return None
    return table


@dataclass(frozen=True, slots=True)
class GassingBank:
    """One bank that charges in the room; `v_cell_25c` the absorption set, as at 25 degC (None: the table's own).

    `i_gas_ma_ah` what its maker states instead of the table. `capacity_ah` of all parallel strings together.
    """

    key: str
    chemistry: str
    cells: float
    capacity_ah: float
    boost: bool = True
    v_cell_25c: float | None = None
    i_gas_ma_ah: float | None = None


@dataclass(frozen=True, slots=True)
class Room:
    """What is known of a charging room; None is not known. `forced_m3_h` what a fan moves; `fan_interlocked`: no charge
    starts, and none goes on, without it."""

    inlet_cm2: float | None = None
    outlet_cm2: float | None = None
    free_volume_m3: float | None = None
    forced_m3_h: float | None = None
    fan_interlocked: bool | None = None
    temp_high_c: float | None = None


@dataclass(frozen=True, slots=True)
class Ventilation:
    """What a room needs for the banks charging in it at once, and whether it has it.

    `flow_m3_h` [m3/h] with `by_bank` (key, m3/h, mm to the next spark) for each; `opening_cm2` for inlet and outlet each,
    `free_volume_m3`; `distance_mm` the largest. None where a gas current is not known; it is then
    more than `by_bank` adds up to.
    `how` 'none_needed', 'natural' or 'forced'.
    """

    flow_m3_h: float | None
    opening_cm2: float | None
    free_volume_m3: float | None
    distance_mm: float | None
    by_bank: tuple[tuple[str, float, float], ...]
    how: str
    checks: tuple[ChargeCheck, ...]
    missing: tuple[str, ...]
    source: str

    @property
    def outcome(self) -> CheckOutcome:
        return worst(self.checks)


def room_ventilation(banks: Sequence[GassingBank], room: Room) -> Ventilation:
    """Judge a room for all `banks` that charge there at the same time.

    A fan counts when it moves enough and is interlocked; otherwise the openings and the free volume must do. Gas currents
    hold up to 40 degC: above that, or with no room temperature on file, it cannot be decided.
    """
    parts, unknown = [], []
    for bank in banks:
        record = chemistry(bank.chemistry)
        set_v = bank.v_cell_25c if known(bank.v_cell_25c) is not None else record.absorb_v_cell_25c
        gas = known(bank.i_gas_ma_ah)
        if gas is None:
            gas = gas_current_ma_ah(record, boost=bank.boost, v_cell_25c=set_v)
        if gas is None:
            unknown.append(f"i_gas_ma_ah:{bank.key}")
            continue
        flow = float(vent_flow(bank.cells, gas, bank.capacity_ah))
        parts.append((bank.key, flow, float(spark_distance_mm(gas, bank.capacity_ah))))
    total = sum(flow for _, flow, _ in parts)
    gassing = total > 0.0 or bool(unknown)
    checks = _checks(total, room, unknown) if gassing else (_no_gas(),)
    complete = not unknown
    fan = known(room.forced_m3_h)
    missing = tuple(dict.fromkeys(name for check in checks for name in check.missing))
    return Ventilation(
        flow_m3_h=total if complete else None,
        opening_cm2=float(vent_area(total)) if complete else None,
        free_volume_m3=FREE_VOLUME_H * total if complete else None,
        distance_mm=max((mm for _, _, mm in parts), default=0.0) if complete else None,
        by_bank=tuple(parts),
        how="none_needed" if not gassing else "natural" if fan is None or fan <= 0.0 else "forced",
        checks=checks,
        missing=missing,
        source=SOURCE,
    )


def _no_gas() -> ChargeCheck:
    return is_so("gas_none", True, SOURCE)


def _checks(total: float, room: Room, unknown: list[str]) -> tuple[ChargeCheck, ...]:
    for name in ("inlet_cm2", "outlet_cm2", "free_volume_m3", "forced_m3_h"):
        value = known(getattr(room, name))
        if value is not None:
            require_not_negative(value, "airflow_negative", name)

    def lacking(name: str) -> list[str]:
        return [*unknown, *([name] if known(getattr(room, name)) is None else [])]

    temp = at_most(
        "room_temp", room.temp_high_c, TABLE_TEMP_MAX_C, "°C", SOURCE,
        missing=[] if known(room.temp_high_c) is not None else ["temp_high_c"],
    )  # fmt: skip
    if known(room.temp_high_c) is not None and temp.outcome == CheckOutcome.FAIL:
        # Over 40 degC the table of gas currents ends: not a failure of the room, but nobody can say what is enough.
        temp = ChargeCheck(
            "room_temp", CheckOutcome.CANNOT_DECIDE, temp.value, temp.limit, temp.margin, "°C",
            ("i_gas_ma_ah",), SOURCE,
        )  # fmt: skip
    forced = known(room.forced_m3_h)
    if forced is not None and forced > 0.0:
        flow = at_least("fan_flow", forced, total, "m3/h", SOURCE, missing=unknown)
        interlock = is_so("fan_interlocked", room.fan_interlocked, SOURCE, missing=("fan_interlocked",))
        if CheckOutcome.FAIL not in (flow.outcome, interlock.outcome):
            return (flow, interlock, temp)
    area, volume = float(vent_area(total)), FREE_VOLUME_H * total
    return (
        at_least("inlet_area", room.inlet_cm2, area, "cm2", SOURCE, missing=lacking("inlet_cm2")),
        at_least("outlet_area", room.outlet_cm2, area, "cm2", SOURCE, missing=lacking("outlet_cm2")),
        at_least("free_volume", room.free_volume_m3, volume, "m3", SOURCE, missing=lacking("free_volume_m3")),
        temp,
    )
