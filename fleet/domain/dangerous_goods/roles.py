"""What each battery record is in the eyes of the rules: its family, its role, its size class, its UN number.

A towed trailer or skid is not self-propelled; a battery that only feeds other apparatus counts as a battery alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.columns import BatteryColumns, BoolArray

MOST_SPARE_SETS = 2
SMALL_CELL_WH, SMALL_BATTERY_WH = 20.0, 100.0
SMALL_CELL_G, SMALL_BATTERY_G = 1.0, 2.0
SOC_FREE_PACK_WH, SOC_FREE_VEHICLE_WH = 2.7, 100.0
# chemistry: (alone, in or with equipment, vehicle)
LITHIUM_UN = {"li_ion": (3480, 3481, 3556), "li_metal": (3090, 3091, 3557), "na_ion": (3551, 3552, 3558)}
OTHER_UN = {
    "lead_acid": 2794,
    "nicd": 2795,
    "na_ion": 2795,
    "nimh": 3496,
    "koh_dry": 3028,
    "sodium_metal": 3292,
}
UN_CTU = 3536


@dataclass(frozen=True, slots=True)
class Roles:
    """Masks and UN numbers, shape (n,). `un` is 0 where the role is not known."""

    lithium_like: BoolArray
    lithium: BoolArray
    wet: BoolArray
    alone: BoolArray
    packed_with: BoolArray
    in_equipment: BoolArray
    vehicle: BoolArray
    power_bank: BoolArray
    too_many_spares: BoolArray
    is_cell: BoolArray
    small: BoolArray
    un: NDArray[np.int16]
    other_un: NDArray[np.int16]


def roles_of(c: BatteryColumns) -> Roles:
    """Roles of n records. A form that is not recorded counts as a cell: the smaller size limits then hold."""
    aqueous = c.isin("chemistry", "na_ion") & c.isin("electrolyte", "aqueous")
    lithium = c.isin("chemistry", "li_ion", "li_metal", "na_ion")
    installed = c.isin("config", "installed")
    power_bank = installed & c.isin("host", "power_bank")
    with_spares = c.isin("config", "packed_with")
    too_many = with_spares & (c.number("spare_sets") > MOST_SPARE_SETS)
    alone = c.isin("config", "alone") | power_bank | too_many
    packed = with_spares & ~too_many
    fixed = installed & c.isin("host", "equipment")
    vehicle = installed & c.isin("host", "vehicle")
    is_cell = ~c.isin("form", "battery")
    return Roles(
        lithium_like=lithium & ~aqueous,
        lithium=lithium & ~aqueous,
        wet=c.isin("chemistry", "lead_acid", "nicd") | aqueous,
        alone=alone,
        packed_with=packed,
        in_equipment=packed | fixed,
        vehicle=vehicle,
        power_bank=power_bank,
        too_many_spares=too_many,
        is_cell=is_cell,
        small=_small(c, is_cell),
        un=_lithium_un(c, (alone, packed | fixed, vehicle), installed & c.isin("host", "ctu_external")),
        other_un=_other_un(c),
    )


def _small(c: BatteryColumns, is_cell: BoolArray) -> BoolArray:
    by_wh = c.number("wh") <= np.where(is_cell, SMALL_CELL_WH, SMALL_BATTERY_WH)
    by_lithium = c.number("li_g") <= np.where(is_cell, SMALL_CELL_G, SMALL_BATTERY_G)
    return np.where(c.isin("chemistry", "li_metal"), by_lithium, by_wh)


def _lithium_un(
    c: BatteryColumns, roles: tuple[BoolArray, BoolArray, BoolArray], ctu: BoolArray
) -> NDArray[np.int16]:
    un = np.zeros(c.size, dtype=np.int16)
    for chemistry, numbers in LITHIUM_UN.items():
        of_kind = c.isin("chemistry", chemistry)
        for role, number in zip(roles, numbers, strict=True):
            un[of_kind & role] = number
        un[of_kind & ctu] = UN_CTU
    return un


def _other_un(c: BatteryColumns) -> NDArray[np.int16]:
    un = np.zeros(c.size, dtype=np.int16)
    for chemistry, number in OTHER_UN.items():
        un[c.isin("chemistry", chemistry)] = number
    return un
