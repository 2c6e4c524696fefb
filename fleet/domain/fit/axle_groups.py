"""US bridge formula: what a group of axles may weigh. Source: 23 CFR 658.17, FHWA bridge formula weights."""

from __future__ import annotations

import numpy as np

from fleet.domain.fit.checks import USUAL, Board

LB_KG = 0.45359237
STEP_LB = 500.0
TANDEM_FT = 8.0  # 96 in: up to here two axles are a tandem
SINGLE_LB, TANDEM_LB, GROSS_LB = 20000.0, 34000.0, 80000.0


def bridge_limit_kg(axles: int, spacing_ft: float) -> float:
    """Largest mass [kg] of a group of consecutive axles, spacing [ft] between its outer ones, to the nearest 500 lb."""
    if axles == 1:
        return SINGLE_LB * LB_KG
    formula = 500.0 * (spacing_ft * axles / (axles - 1) + 12.0 * axles + 36.0)
    limit = np.floor(formula / STEP_LB + 0.5) * STEP_LB
    if axles == 2 and spacing_ft <= TANDEM_FT:
        limit = min(limit, TANDEM_LB)
    return float(min(limit, GROSS_LB)) * LB_KG


def check_axle_group(axles: int | None, spacing_ft: float | None, group_mass_kg: float | None) -> Board:
    """One axle group against the bridge formula, as a board of one pair."""
    board = Board(1, 1)
    if not axles or group_mass_kg is None or (spacing_ft is None and axles > 1):
        board.lacks("missing_axle_group", True)
        return board
    limit = bridge_limit_kg(int(axles), spacing_ft or 0.0)
    board.limit("bridge_formula", "kg", limit, float(group_mass_kg), rank=USUAL)
    return board
