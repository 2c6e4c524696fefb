"""The battery chemistries known to the calculation, one frozen record each, and their rest-voltage curves.

Source: `tables/battery_chemistries.csv`, `tables/ocv_curves.csv`; documents in `tables/SOURCES.md`. The maker's manual of
the exact model overrides these defaults.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from fleet.lib.tables import read_table
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import FloatArray

TABLES = "readiness.domain.tables"
LEAD_ACID = "lead_acid"
LITHIUM = "lithium"
NICKEL = "nickel"
FIRST_ORDER = "first_order"
CONSTANT = "constant"


@dataclass(frozen=True)
class Chemistry:
    """One row of `battery_chemistries.csv`: SoC as fraction, rates in percent of capacity per 30 days, I/C in 1/h."""

    code: str
    family: str
    name: str
    ocv_use: str
    sd_decay: str
    equalise_allowed: str
    source: str
    cell_nominal_v: float
    cells_per_12v_block: float | None
    ocv_rest_min_h: float | None
    ocv_sigma_soc: float | None
    sd_pct_month_ref: float
    sd_pct_month_low: float
    sd_pct_month_high: float
    sd_ref_c: float
    sd_doubling_k: float
    sd_ea_kj_mol: float
    sd_initial_drop_frac: float
    sd_age_factor_end_of_life: float
    store_soc_min: float
    store_soc_target: float
    store_soc_max: float
    trigger_soc: float
    trigger_v_cell: float | None
    interval_base_days: float
    interval_base_c: float
    interval_doubling_k: float
    interval_cap_days: float
    store_temp_min_c: float
    store_temp_max_c: float
    float_v_cell_25c: float | None
    absorb_v_cell_25c: float | None
    absorb_v_cell_max: float | None
    comp_mv_cell_k: float | None
    i_charge_typ_c: float
    i_charge_max_c: float
    beta_h: float | None
    eta_bulk: float | None
    eta_cv: float | None
    tail_c: float | None
    hold_h: float | None
    min_refresh_h: float
    charge_factor: float
    charge_temp_min_c: float
    charge_temp_max_c: float
    i_gas_float_ma_ah: float | None
    i_gas_boost_ma_ah: float | None
    peukert_k: float
    life_halving_k: float | None
    eol_capacity_frac: float

    @property
    def is_lead(self) -> bool:
        return self.family == LEAD_ACID

    @property
    def is_nickel(self) -> bool:
        return self.family == NICKEL

    @property
    def curve(self) -> str:
        return curve_name(self.code)


_TEXT_COLUMNS = {"family", "name", "ocv_use", "sd_decay", "equalise_allowed", "source"}
_SHARED_CURVES = {"flooded": "flooded", "nicd": "nicd", "nimh": "nimh"}


def _chemistry_from_row(row: dict[str, str]) -> Chemistry:
    values: dict[str, Any] = {"code": row["chemistry"]}
    for column, text in row.items():
        if column == "chemistry":
            continue
        values[column] = text if column in _TEXT_COLUMNS else (float(text) if text else None)
    return Chemistry(**values)


@cache
def chemistries() -> dict[str, Chemistry]:
    """Every chemistry by its code, in the order of the table (the order used by `chemistry_index`)."""
    return {row["chemistry"]: _chemistry_from_row(row) for row in read_table(TABLES, "battery_chemistries")}


def chemistry(code: str) -> Chemistry:
    """The record of one chemistry; `RejectedInput('unknown_chemistry')` names the codes there are."""
    try:
        return chemistries()[code]
    except KeyError:
        raise RejectedInput("unknown_chemistry", chemistry=code, known=", ".join(chemistries())) from None


@cache
def chemistry_index() -> dict[str, int]:
    return {code: position for position, code in enumerate(chemistries())}


@cache
def chemistry_column(field: str) -> FloatArray:
    """One numeric field of all chemistries in table order; absent values are NaN."""
    values = [getattr(record, field) for record in chemistries().values()]
    column = np.array([np.nan if value is None else float(value) for value in values], dtype=np.float64)
    column.setflags(write=False)
    return column


def curve_name(code: str) -> str:
    """The rest-voltage curve that a chemistry (or a curve's own name) uses."""
    return _SHARED_CURVES.get(code.split("_")[0], code)


@cache
def rest_curves() -> dict[str, tuple[FloatArray, FloatArray]]:
    """(SoC nodes, volts per cell at 25 degC) of every curve, both rising."""
    nodes: dict[str, list[tuple[float, float]]] = {}
    for row in read_table(TABLES, "ocv_curves"):
        nodes.setdefault(row["chemistry"], []).append((float(row["soc"]), float(row["v_per_cell"])))
    curves = {}
    for name, points in nodes.items():
        ordered = np.array(sorted(points), dtype=np.float64)
        curves[name] = (ordered[:, 0].copy(), ordered[:, 1].copy())
    return curves
