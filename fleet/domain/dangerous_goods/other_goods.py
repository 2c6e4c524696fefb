"""Chemicals, lamps, carbon and dichloroisocyanurate, one item at a time; the first rule that fits decides.

Source: section 4.5 of the procedure behind `tables/dangerous_goods_reasons.csv`; limits from `tables/dangerous_goods.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleet.domain.dangerous_goods.entries import BATTERY_ENTRIES, Entries, Entry, un_digits
from fleet.domain.dangerous_goods.records import Carbon, Goods, Lamp, Nadcc
from fleet.domain.dangerous_goods.words import Mode, Verdict

A69_EACH_G, A69_PACKAGE_G = 0.1, 1.0
LAMP_EACH_G, LAMP_PACKAGE_G = 1.0, 30.0
SP366_EACH_G = 1000.0
SP521_CHLORINE_PCT = 5.0
SMALL_INNER_KG = 5.0
CARBON_AIR_KG = 0.5


@dataclass(frozen=True, slots=True)
class Ruling:
    """What the procedure says: verdict, reason key, UN number, and every fact that is missing."""

    verdict: Verdict
    reason: str
    un: str = "none"
    missing: tuple[str, ...] = ()


def unknown(reason: str, un: str, *missing: str) -> Ruling:
    return Ruling(Verdict.CANNOT_DECIDE, reason, un, missing)


def free(reason: str) -> Ruling:
    return Ruling(Verdict.NOT_RESTRICTED, reason)


def permitted(reason: str, un: str) -> Ruling:
    return Ruling(Verdict.PERMITTED, reason, un)


def rule_goods(goods: Goods, mode: Mode, entries: Entries) -> Ruling:
    """A substance or article by UN number, packing group and quantity per package (kg or L of its table entry)."""
    if goods.un is None:
        return unknown("missing_un", "none", "un")
    un = un_digits(goods.un)
    if un.lower() == "none":
        return free("not_dangerous")
    if un in BATTERY_ENTRIES:
        return unknown("needs_battery_record", f"UN {un}")
    if un not in entries:
        return unknown("entry_not_held", f"UN {un}")
    if mode is Mode.AIR:
        return _goods_by_air(goods, entries[un])
    if mode is Mode.ROAD and un == "1791" and _at_most(goods.active_chlorine_pct, SP521_CHLORINE_PCT):
        return free("sp521_le_5pct")
    if mode is Mode.ROAD and un == "1044" and goods.sp594_ok is True:
        return free("extinguisher_sp594")
    return permitted("surface_regulated", f"UN {un}")


def _goods_by_air(goods: Goods, entries: tuple[Entry, ...]) -> Ruling:
    un = entries[0].full_un
    groups = {entry.packing_group for entry in entries}
    quantity = ("qty",) if goods.qty is None else ()
    if goods.pg is None and len(groups) > 1:
        return unknown("missing_packing_group", un, "pg", *quantity)
    fitting = [
        entry for entry in entries if not entry.packing_group or goods.pg in (None, entry.packing_group)
    ]
    if not fitting:
        return unknown("packing_group_not_held", un, "pg", *quantity)
    if goods.qty is None:
        return unknown("missing_quantity", un, "qty")
    if goods.qty <= min(entry.pax_limit for entry in fitting):
        return permitted("air_within_pax", un)
    if goods.qty <= min(entry.cao_limit for entry in fitting):
        return Ruling(Verdict.CARGO_AIRCRAFT_ONLY, "air_over_pax_cao", un)
    return Ruling(Verdict.FORBIDDEN, "air_over_cao_per_package", un)


def rule_lamp(lamp: Lamp, mode: Mode) -> Ruling:
    """UV lamps with mercury [g]."""
    un = "UN 3506"
    if mode in (Mode.ROAD, Mode.SEA):
        if lamp.hg_g_each is None:
            return unknown("missing_hg_content", un, "hg_g_each")
        return free("lamp_surface_exempt") if lamp.hg_g_each <= SP366_EACH_G else permitted("lamp_un3506", un)
    if lamp.hg_g_each is None or lamp.hg_g_package is None:
        lacking = [name for name in ("hg_g_each", "hg_g_package") if getattr(lamp, name) is None]
        return unknown("missing_hg_content", un, *lacking)
    if lamp.hg_g_each <= A69_EACH_G and lamp.hg_g_package <= A69_PACKAGE_G:
        return free("lamp_a69_exempt")
    small = lamp.hg_g_each <= LAMP_EACH_G and lamp.hg_g_package <= LAMP_PACKAGE_G
    packed = lamp.radioactive is False and lamp.lamp_packing_ok is True
    if mode is Mode.AIR and small and packed:
        return free("lamp_1g_30g_exempt")
    return permitted("lamp_un3506", un)


def rule_carbon(carbon: Carbon, mode: Mode) -> Ruling:
    """Activated carbon by activation, UN test N.4, and kg per package."""
    un = "UN 1362"
    if mode in (Mode.ROAD, Mode.SEA) and carbon.activation == "steam":
        return free("carbon_steam_surface_exempt")
    if carbon.n4_result == "pass":
        return free("carbon_n4_exempt")
    test = ("n4_result",) if carbon.n4_result is None else ()
    quantity = ("qty",) if carbon.qty is None and mode is Mode.AIR else ()
    if carbon.activation is None:
        return unknown("missing_activation", un, "activation", *test, *quantity)
    if carbon.n4_result is None:
        return unknown("missing_n4_test", un, "n4_result", *quantity)
    if mode is not Mode.AIR:
        return permitted("carbon_un1362", un)
    if carbon.qty is None:
        return unknown("missing_quantity", un, "qty")
    if carbon.qty <= CARBON_AIR_KG:
        return permitted("carbon_un1362", un)
    return Ruling(Verdict.FORBIDDEN, "air_over_cao_per_package", un)


def rule_nadcc(nadcc: Nadcc, mode: Mode, entries: Entries) -> Ruling:
    """Dichloroisocyanurate: the anhydrous salt is UN 2465 II, the dihydrate turns on its safety sheet."""
    if nadcc.form is None:
        return unknown("missing_form", "none", "form")
    if nadcc.form == "anhydrous":
        return rule_goods(Goods(un="2465", pg="II", qty=nadcc.qty), mode, entries)
    if nadcc.sds_env_hazard is None:
        return unknown("missing_sds", "none", "sds_env_hazard")
    if not nadcc.sds_env_hazard:
        return free("not_dangerous")
    if _at_most(nadcc.inner_kg, SMALL_INNER_KG):
        return free("env_hazard_le_5kg")
    return permitted("un3077_regulated", "UN 3077")


def _at_most(value: float | None, limit: float) -> bool:
    return value is not None and value <= limit
