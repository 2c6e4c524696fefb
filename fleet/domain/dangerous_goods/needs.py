"""All facts an undecided battery record lacks, not only the first one met."""

from __future__ import annotations

from fleet.domain.dangerous_goods.columns import BatteryColumns, BoolArray
from fleet.domain.dangerous_goods.editions import Edition
from fleet.domain.dangerous_goods.roles import SOC_FREE_PACK_WH, SOC_FREE_VEHICLE_WH, Roles
from fleet.domain.dangerous_goods.words import Mode


def missing_facts(
    c: BatteryColumns, r: Roles, mode: Mode, edition: Edition, undecided: BoolArray, strict: bool
) -> dict[str, BoolArray]:
    """For every fact, which of the undecided records need it and lack it, shape (n,); facts nobody lacks are left out.

    What only becomes necessary once an earlier fact is known (the spare sets of a battery whose packing is not known) is
    asked then.
    """
    sound = ~c.isin("condition", "damaged", "recalled", "critical")
    needed = {name: sound & mask for name, mask in _needed(c, r, mode, edition, strict).items()}
    needed["chemistry"] = needed["condition"] = undecided
    needed["electrolyte"] = c.isin("chemistry", "na_ion")  # asked of a damaged one, too
    lacking = {name: mask & undecided & ~c.known(name) for name, mask in needed.items()}
    unclear = undecided & sound & r.lithium & c.isin("config", "installed") & c.isin("host", "unclear")
    lacking["host"] = lacking["host"] | unclear
    return {name: mask for name, mask in lacking.items() if mask.any()}


def _needed(c: BatteryColumns, r: Roles, mode: Mode, edition: Edition, strict: bool) -> dict[str, BoolArray]:
    air = mode is Mode.AIR
    li, installed = r.lithium, c.isin("config", "installed")
    may_be_li = li & ~(c.isin("chemistry", "na_ion") & ~c.known("electrolyte"))
    metal = c.isin("chemistry", "li_metal")
    nimh_sea = c.isin("chemistry", "nimh") if mode is Mode.SEA else li & False
    spillable = r.wet & (c.isin("wet_type", "flooded") | c.no("vib_pressure_ok"))
    wet_asks = r.wet & ~c.isin("wet_type", "dry_charged", "sealed_dry")
    nothing = li & False
    soc = may_be_li & r.alone & ~metal
    if edition.soc_packed_with_mandatory:
        soc = soc | (may_be_li & r.packed_with & ~metal & ~(c.number("wh") <= SOC_FREE_PACK_WH))
    if edition.soc_vehicle_mandatory:
        soc = soc | (
            may_be_li
            & r.vehicle
            & ~metal
            & ~(c.number("wh") <= SOC_FREE_VEHICLE_WH)
            & ~c.known("indicated_pct")
        )
    host_known_mass = r.alone | r.in_equipment
    koh = c.isin("chemistry", "koh_dry")
    return {
        "terminals_protected": ~nothing,
        "electrolyte": c.isin("chemistry", "na_ion"),
        "wet_type": r.wet,
        "config": wet_asks | may_be_li | nimh_sea,
        "vib_pressure_ok": r.wet & c.isin("wet_type", "non_spillable"),
        "upright_secured": spillable & installed if air else nothing,
        "package_gross_kg": (spillable & c.known("config") & ~installed) | koh if air else nothing,
        "un383": may_be_li,
        "host": may_be_li & installed,
        "spare_sets": may_be_li & c.isin("config", "packed_with") if air and strict else nothing,
        "wh": may_be_li & ~metal,
        "li_g": may_be_li & metal,
        "soc_pct": soc if air else nothing,
        "net_mass_kg": may_be_li & host_known_mass if air else nothing,
        "ctu_gross_kg": nimh_sea & c.isin("config", "alone"),
        "sodium_molten": c.isin("chemistry", "sodium_metal"),
    }
