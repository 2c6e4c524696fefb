"""Who may drive the combination: EU categories (2006/126/EC art. 4) and the US commercial licence (49 CFR 383.91)."""

from __future__ import annotations

import numpy as np

from fleet.domain.fit.checks import NEVER, Board, FloatArray
from fleet.domain.fit.conveyances import ConveyanceTable, road_limit

EU_LICENCES = ("B", "B96", "BE", "C1", "C1E", "C", "CE")
US_LICENCES = ("standard", "CDL_B", "CDL_A")
B_VEHICLE_KG, B96_COMBINATION_KG, C1E_COMBINATION_KG = 3500.0, 4250.0, 12000.0


def eu_slack_kg(licence: str, vehicle_kg: FloatArray, trailer_kg: FloatArray) -> FloatArray:
    """Slack [kg] of the tightest limit of an EU category, for plate masses of vehicle and trailer; inf for CE."""
    small, both = road_limit("eu_lic_b_trailer"), vehicle_kg + trailer_kg
    light = trailer_kg <= small
    b_vehicle = B_VEHICLE_KG - vehicle_kg
    c1_vehicle = road_limit("eu_lic_c1") - vehicle_kg
    if licence in ("B", "B96"):
        most = road_limit("eu_lic_b_comb") if licence == "B" else B96_COMBINATION_KG
        return np.where(light, b_vehicle, np.minimum(b_vehicle, most - both))
    if licence == "BE":
        return np.minimum(b_vehicle, road_limit("eu_lic_be_trailer") - trailer_kg)
    if licence == "C1":
        return np.minimum(c1_vehicle, small - trailer_kg)
    if licence == "C1E":
        return np.minimum(c1_vehicle, C1E_COMBINATION_KG - both)
    if licence == "C":
        return small - trailer_kg + 0.0 * vehicle_kg
    return np.where(np.isnan(both), np.nan, np.inf)


def check_licence(
    board: Board, vehicles: ConveyanceTable, trailer_kg: FloatArray, licence: str | None
) -> None:
    """Adds the licence check. A licence of another region, or none, leaves the vehicles of a region undecided."""
    eu, us = vehicles.is_word("jurisdiction", "EU"), vehicles.is_word("jurisdiction", "US")
    covered = (eu & (licence in EU_LICENCES)) | (us & (licence in US_LICENCES))
    board.lacks("missing_driver_licence", ~covered)
    vehicle_kg = vehicles["gvwr_kg"]
    board.lacks("missing_vehicle_plate", covered & np.isnan(vehicle_kg))
    if licence in EU_LICENCES:
        slack = eu_slack_kg(licence, vehicle_kg, trailer_kg)
        board.limit("licence", "kg", slack, 0.0, when=eu, rank=NEVER)
    if licence in US_LICENCES:
        heavy = vehicle_kg + trailer_kg >= road_limit("us_cdl_comb")
        needs_a = heavy & (trailer_kg > road_limit("us_cdl_towed"))
        needs_b = vehicle_kg >= road_limit("us_cdl_comb")
        holds = np.logical_or(licence == "CDL_A", ~needs_a & (np.logical_or(licence == "CDL_B", ~needs_b)))
        board.must("licence", holds, when=us & ~np.isnan(vehicle_kg + trailer_kg))
