"""What the trains of a unit can treat: media rate, carbon contact time, lamp dose, chlorine.

Formulas 2a to 2m of `reference/water_energy_sites.md`. Arrays of any one shape, NaN where a figure is not known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from readiness.domain.site.inputs import floats, given, not_negative, positive, share

LAMP_END_OF_LIFE = 0.8  # low-pressure lamp: 20 % less at its rated hours (USEPA UVDGM 2006, secondary)
SLEEVE = 0.9  # sleeve that is cleaned each quarter (UVDGM ch. 3 and 5: ageing x fouling 0.4-0.9, memory)
REFUSE_EBCT_MIN, FLAG_EBCT_MIN = 5.0, 10.0  # 5-30 min typical (WHO GDWQ annex 5, memory)
LAMP_NTU_FLAG, LAMP_NTU_MOST = 1.0, 5.0  # over 5 into the lamp counts as no disinfection (practice)
COAGULANT_NTU, SETTLE_NTU = (
    50.0,
    200.0,
)  # feed: coagulant or settling above 50, settle first above 200 (practice)
TSS_PER_NTU = 1.5  # 0.7-2.2 for surface water (Cornwell for AWWA, memory); a jar test replaces it
REMOVAL, REMOVAL_COAGULANT = 0.7, 0.9  # of solids by the media (practice)


def filter_rate_m_h(flow_m3_h: ArrayLike, diameter_m: ArrayLike) -> Any:
    """Service rate [m/h] of a round vessel: flow over area."""
    return given(not_negative("flow", flow_m3_h) / media_area_m2(diameter_m))


def media_area_m2(diameter_m: ArrayLike) -> Any:
    return given(np.pi / 4.0 * positive("diameter of the filter", diameter_m) ** 2)


def media_run_h(load_kg_m2: ArrayLike, area_m2: ArrayLike, tss_mg_l: ArrayLike, flow_m3_h: ArrayLike) -> Any:
    """2a: hours between backwashes; infinite for water without solids."""
    grams_h = not_negative("solids of the raw water", tss_mg_l) * not_negative("flow", flow_m3_h)
    held_g = positive("solids a filter holds", load_kg_m2) * positive("area of the filter", area_m2) * 1000.0
    with np.errstate(divide="ignore"):
        return given(held_g / grams_h)


def backwash_share(
    backwash_m_h: ArrayLike, minutes: ArrayLike, service_m_h: ArrayLike, run_hours: ArrayLike
) -> Any:
    """2b: share (0..) of the filtered water that backwash takes; 1 or more means the filter makes nothing."""
    washed_m = (
        not_negative("backwash rate", backwash_m_h) * not_negative("minutes of backwash", minutes) / 60.0
    )
    return given(washed_m / (positive("service rate", service_m_h) * floats(run_hours)))


def ebct_min(bed_l: ArrayLike, flow_m3_h: ArrayLike) -> Any:
    """2e: empty-bed contact time [min] of the carbon."""
    return given(positive("carbon bed", bed_l) / (positive("flow", flow_m3_h) * 1000.0) * 60.0)


def carbon_flow_m3_h(bed_l: ArrayLike, least_ebct_min: ArrayLike = FLAG_EBCT_MIN) -> Any:
    """2e turned round: the most flow [m3/h] that keeps a contact time."""
    return given(positive("carbon bed", bed_l) / 1000.0 * 60.0 / positive("contact time", least_ebct_min))


def uv_mean_factor(uvt_per_cm: ArrayLike, path_cm: ArrayLike) -> Any:
    """2h: mean over the depth of what the water lets through (parallel beams, no validation); 1 clear, 0 opaque."""
    through = share("transmittance", uvt_per_cm)
    depth = positive("path of the light", path_cm)
    with np.errstate(divide="ignore", invalid="ignore"):
        absorbed = -np.log(through) * depth  # A d ln 10
        mean = -np.expm1(-absorbed) / absorbed
    return given(np.where(absorbed == 0.0, 1.0, np.where(np.isinf(absorbed), 0.0, mean)))


def uv_dose_mj_cm2(
    i0_mw_cm2: ArrayLike,
    uvt_per_cm: ArrayLike,
    path_cm: ArrayLike,
    aging: ArrayLike,
    fouling: ArrayLike,
    time_s: ArrayLike,
) -> Any:
    """2i: dose [mJ/cm2]."""
    light = not_negative("light of the lamp", i0_mw_cm2) * share("ageing", aging) * share("fouling", fouling)
    return given(light * floats(uv_mean_factor(uvt_per_cm, path_cm)) * not_negative("seconds", time_s))


def lamp_ageing(burnt_h: ArrayLike, life_h: ArrayLike, end_of_life: ArrayLike = LAMP_END_OF_LIFE) -> Any:
    """Share of its new light that a lamp gives: a straight line from 1 to `end_of_life` at its rated hours, 0 beyond them.

    The line is common practice, no source. A lamp over its rated hours counts as none: it must be changed.
    """
    worn = not_negative("hours of the lamp", burnt_h) / positive("rated hours of the lamp", life_h)
    left = 1.0 - (1.0 - share("light at the end of life", end_of_life)) * worn
    return given(np.where(np.isnan(worn), np.nan, np.where(worn <= 1.0, left, 0.0)))


def uv_flow_limit_m3_h(
    rated_m3_h: ArrayLike,
    rated_uvt: ArrayLike,
    uvt: ArrayLike,
    path_cm: ArrayLike,
    end_factor: ArrayLike,
    rated_dose: ArrayLike,
    need_dose: ArrayLike,
) -> Any:
    """2j: the most flow [m3/h] with the needed dose. `end_factor`: ageing times fouling; 1 if rated for an aged lamp."""
    clear = floats(uv_mean_factor(uvt, path_cm)) / floats(uv_mean_factor(rated_uvt, path_cm))
    doses = positive("rated dose", rated_dose) / positive("needed dose", need_dose)
    return given(
        positive("rated flow", rated_m3_h) * clear * share("ageing times fouling", end_factor) * doses
    )


def chlorine_g(volume_l: ArrayLike, dose_mg_l: ArrayLike, strength: ArrayLike) -> Any:
    """2m: grams of product for a dose; `strength` its available chlorine (0..1)."""
    chlorine = not_negative("volume", volume_l) * not_negative("dose", dose_mg_l) / 1000.0
    return given(chlorine / positive("strength of the product", share("strength of the product", strength)))
