"""Life of cartridges, media and carbon: by volume, by the dirt they take up, by pressure drop, by time.

Formulas 2a, 2c, 2d, 2f of the reference facts on water and 1.2 of those on replenishment. All arguments may be arrays
of one shape, one entry a housing or bed; figures of makers are for coarse test dust, so `use_factor` (0.3 to 0.5 for
river colloids, practice) brings them down. One mg/L is one g/m3. The maker's limit on the pressure drop wins; never
over 2.4 bar (35 psi, practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats

# Grams of suspended solids per m3 and NTU where no jar test was made: low, usual, high (Cornwell, sludge handbook,
# memory; practice).
SOLIDS_PER_NTU = (0.7, 1.5, 3.0)
# Cartridges are changed after six months wet, whatever the pressure says (practice).
MONTHS_WET = 6
MOST_DROP_BAR = 2.4


@dataclass(frozen=True, slots=True)
class CartridgeUse:
    """Cartridges a deployment takes by each limit (not rounded), and the whole number to pack."""

    by_volume: Floats
    by_solids: Floats
    by_time: Floats
    cartridges: Floats


def cartridges_used(
    *,
    volume_m3: ArrayLike,
    turbidity_ntu: ArrayLike,
    days: ArrayLike,
    volume_per_cartridge_m3: ArrayLike,
    dirt_capacity_g: ArrayLike,
    max_days_in_service: ArrayLike,
    cartridges_in_parallel: ArrayLike,
    solids_g_per_m3_per_ntu: ArrayLike = SOLIDS_PER_NTU[1],
    removed_fraction: ArrayLike = 1.0,
) -> CartridgeUse:
    """The largest of three limits, rounded up: volume V / v; solids V T k f / G; time days / d x cartridges in parallel.

    `removed_fraction` f is the share of the solids that reaches and stays in the cartridge. Take the mean of this over
    the turbidities that are expected, not its value at the mean turbidity.
    """
    _positive("filters.capacity", volume_per_cartridge_m3, dirt_capacity_g, max_days_in_service)
    _not_negative(
        volume_m3, turbidity_ntu, days, cartridges_in_parallel, solids_g_per_m3_per_ntu, removed_fraction
    )
    volume = _floats(volume_m3)
    by_volume = volume / _floats(volume_per_cartridge_m3)
    solids_g = volume * _floats(turbidity_ntu) * _floats(solids_g_per_m3_per_ntu) * _floats(removed_fraction)
    by_solids = solids_g / _floats(dirt_capacity_g)
    by_time = _floats(days) / _floats(max_days_in_service) * _floats(cartridges_in_parallel)
    most = np.maximum(np.maximum(by_volume, by_solids), by_time)
    # what is whole up to rounding is not rounded up to one more
    return CartridgeUse(by_volume, by_solids, by_time, np.ceil(np.round(most, 9)))


def cartridge_life_days(
    *,
    dirt_capacity_g: ArrayLike,
    cartridges: ArrayLike,
    tss_mg_l: ArrayLike,
    flow_m3_day: ArrayLike,
    use_factor: ArrayLike = 0.5,
    media_removal: ArrayLike = 0.0,
) -> Floats:
    """Days a set of cartridges lasts: G n u / (TSS (1 - removal) Q); infinite where no solids reach it (2c)."""
    _positive("filters.capacity", dirt_capacity_g, cartridges, use_factor)
    _not_negative(tss_mg_l, flow_m3_day, media_removal)
    removal = _floats(media_removal)
    if (removal > 1).any():
        raise NotPlannable("filters.removal", "The share that the media filter removes lies between 0 and 1.")
    load_g_day = _floats(tss_mg_l) * (1.0 - removal) * _floats(flow_m3_day)
    capacity_g = _floats(dirt_capacity_g) * _floats(cartridges) * _floats(use_factor)
    with np.errstate(divide="ignore"):
        return capacity_g / load_g_day


def fraction_used_by_pressure(
    *,
    dp_clean_bar: ArrayLike,
    dp_now_bar: ArrayLike,
    dp_terminal_bar: ArrayLike,
    flow_share: ArrayLike = 1.0,
) -> Floats:
    """Share of the solids capacity that is used: ln(dp / dp0) / ln(dpT / dp0), 0 when clean, 1 at the terminal drop (2d).

    The drop rises slowly, then fast: a straight line overstates what is left. `flow_share` is the flow at the reading
    over the flow of the clean reading; the drop is about proportional to it. More than 1 means past the end; below the
    clean drop counts as 0.
    """
    _positive("filters.pressure", dp_clean_bar, dp_now_bar, dp_terminal_bar, flow_share)
    clean, terminal = _floats(dp_clean_bar), _floats(dp_terminal_bar)
    if (terminal <= clean).any():
        raise NotPlannable(
            "filters.terminal_drop",
            "The pressure drop at which the cartridge is changed must be above that of the clean one.",
        )
    if (terminal > MOST_DROP_BAR).any():
        raise NotPlannable(
            "filters.drop_too_high",
            "A cartridge is changed at {most} bar at the latest. Lower the terminal pressure drop.",
            most=MOST_DROP_BAR,
        )
    return np.maximum(
        np.log(_floats(dp_now_bar) / _floats(flow_share) / clean) / np.log(terminal / clean), 0.0
    )


def solids_left_by_pressure(
    *, solids_so_far_g: ArrayLike, fraction_used: ArrayLike, fraction_sd: ArrayLike = 0.1
) -> tuple[Floats, Floats, Floats]:
    """Grams a cartridge still takes up: low, typical, high (80 % band), from what it took so far and the log law.

    left = taken x (1 - share) / share. `fraction_sd` is the doubt of the share (gauge and flow; an assumption).
    Nothing used yet: NaN, since then the pressure tells nothing of the capacity.
    """
    taken, share = _floats(solids_so_far_g), _floats(fraction_used)
    doubt = 1.2815515655446004 * _floats(fraction_sd)

    def left(of: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            grams = taken * (1.0 - of) / of
        return np.where(of > 0.02, np.maximum(grams, 0.0), np.nan)

    # the low end of what is left belongs to the high end of what is used
    return left(share + doubt), left(share), left(np.maximum(share - doubt, 0.02 + 1e-9))


def media_run_hours(
    *, load_kg_m2: ArrayLike, area_m2: ArrayLike, tss_mg_l: ArrayLike, flow_m3_h: ArrayLike
) -> Floats:
    """Hours a media filter runs between two backwashes: load x area x 1000 / (TSS x Q) (2a)."""
    _positive("filters.capacity", load_kg_m2, area_m2)
    _not_negative(tss_mg_l, flow_m3_h)
    with np.errstate(divide="ignore"):
        return _floats(load_kg_m2) * _floats(area_m2) * 1000.0 / (_floats(tss_mg_l) * _floats(flow_m3_h))


def carbon_life_days(*, bed_l: ArrayLike, bed_volume_limit: ArrayLike, flow_m3_day: ArrayLike) -> Floats:
    """Days a carbon bed lasts: limit in bed volumes x bed / flow (2f). 15,000 where nothing is known (memory; wide on
    purpose)."""
    _positive("filters.capacity", bed_l, bed_volume_limit)
    _not_negative(flow_m3_day)
    with np.errstate(divide="ignore"):
        return _floats(bed_volume_limit) * _floats(bed_l) / 1000.0 / _floats(flow_m3_day)


def _floats(value: ArrayLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def _positive(key: str, *values: ArrayLike) -> None:
    if any((~(_floats(value) > 0)).any() for value in values):
        raise NotPlannable(key, "Capacities, limits and pressure drops must be above 0.")


def _not_negative(*values: ArrayLike) -> None:
    if any((~(_floats(value) >= 0)).any() for value in values):
        raise NotPlannable("filters.negative", "Volumes, turbidities, days and flows must be 0 or more.")
