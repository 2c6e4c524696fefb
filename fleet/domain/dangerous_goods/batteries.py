"""Batteries, many at once: the gates, table W (wet), table L (lithium and sodium ion), and the other chemistries.

Each rule is one line, in the order of the procedure; the first that fits settles a record. Sources: `SOURCES.md` and the
`source` of each reason in `tables/dangerous_goods_reasons.csv`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.columns import BatteryColumns, BoolArray, battery_columns
from fleet.domain.dangerous_goods.editions import Edition, edition_for
from fleet.domain.dangerous_goods.needs import missing_facts
from fleet.domain.dangerous_goods.records import Battery
from fleet.domain.dangerous_goods.roles import SOC_FREE_PACK_WH, SOC_FREE_VEHICLE_WH, Roles, roles_of
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import Mode, Verdict

LIMIT_SOC_PCT = 30.0
LIMIT_INDICATED_PCT = 25.0
PAX_NET_KG, CAO_NET_KG = 5.0, 35.0
IB_NET_KG, IB_NET_METAL_KG = 10.0, 2.5
WET_PAX_GROSS_KG = 30.0
SP188_GROSS_KG = 30.0
NIMH_CTU_KG = 100.0
KOH_PAX_GROSS_KG, KOH_CAO_GROSS_KG = 25.0, 230.0
US_BATTERY_WH, US_CELL_WH = 300.0, 60.0
PI970_CELL_G, PI970_BATTERY_G = 12.0, 500.0


@dataclass(frozen=True, slots=True)
class BatteryVerdicts:
    """n answers of one mode and ship date: verdict codes, UN numbers (0 = none), reason keys, missing facts.

    `section` is that of the packing instruction, by air, of lithium and sodium ion that may fly; else empty.
    """

    mode: Mode
    ship_date: date
    edition: Edition | None
    verdict: NDArray[np.int8]
    un: NDArray[np.int16]
    reason: NDArray[np.object_]
    section: NDArray[np.object_]
    missing: dict[str, BoolArray]

    def missing_of(self, place: int) -> tuple[str, ...]:
        """All facts that record `place` lacks, the first one met in front."""
        first = _FACT_OF_REASON.get(str(self.reason[place]))
        lacking = [name for name, column in self.missing.items() if column[place]]
        if first in lacking:
            lacking.remove(first)
            lacking.insert(0, first)
        return tuple(lacking)


_FACT_OF_REASON = {
    "missing_chemistry": "chemistry",
    "missing_condition": "condition",
    "missing_terminal_protection": "terminals_protected",
    "missing_electrolyte": "electrolyte",
    "missing_wet_type": "wet_type",
    "missing_config": "config",
    "missing_vib_pressure_test": "vib_pressure_ok",
    "missing_upright": "upright_secured",
    "missing_package_gross": "package_gross_kg",
    "missing_un383": "un383",
    "missing_host_role": "host",
    "host_role_unclear": "host",
    "missing_spare_sets": "spare_sets",
    "missing_wh": "wh",
    "missing_li_content": "li_g",
    "missing_soc": "soc_pct",
    "missing_net_mass": "net_mass_kg",
    "missing_ctu_mass": "ctu_gross_kg",
    "missing_sodium_state": "sodium_molten",
}


@dataclass(slots=True)
class _Procedure:
    """The open records and what has been settled so far."""

    columns: BatteryColumns
    mode: Mode
    edition: Edition
    strict: bool
    open: BoolArray = field(init=False)
    verdict: NDArray[np.int8] = field(init=False)
    un: NDArray[np.int16] = field(init=False)
    reason: NDArray[np.object_] = field(init=False)

    def __post_init__(self) -> None:
        size = self.columns.size
        self.open = np.ones(size, dtype=np.bool_)
        self.verdict = np.full(size, int(Verdict.CANNOT_DECIDE), dtype=np.int8)
        self.un = np.zeros(size, dtype=np.int16)
        self.reason = np.full(size, "not_covered", dtype=np.object_)

    def settle(self, when: BoolArray, verdict: Verdict, reason: str, un: int | NDArray[np.int16] = 0) -> None:
        hit = self.open & when
        if not hit.any():
            return
        self.verdict[hit] = int(verdict)
        self.reason[hit] = reason
        self.un[hit] = un[hit] if isinstance(un, np.ndarray) else un
        self.open &= ~hit

    @property
    def air(self) -> bool:
        return self.mode is Mode.AIR


def decide_batteries(
    records: Sequence[Battery],
    mode: Mode,
    ship_date: date,
    *,
    rules: Rules | None = None,
    strict: bool = True,
) -> BatteryVerdicts:
    """Verdicts of n battery records in one mode on a ship date; a single record is the same call with n = 1.

    `strict` also asks for facts that the printed procedure leaves open though the law turns on them (spare sets of batteries
    packed with equipment, by air). A ship date for which no edition is held cannot be decided.

    Raises DomainError for a word or number that cannot be used.
    """
    return decide_columns(battery_columns(records), mode, ship_date, rules=rules, strict=strict)


def decide_columns(
    columns: BatteryColumns,
    mode: Mode,
    ship_date: date,
    *,
    rules: Rules | None = None,
    strict: bool = True,
) -> BatteryVerdicts:
    """As `decide_batteries`, for records that are columns already (one set of columns serves all modes)."""
    edition = edition_for(mode, ship_date, (rules or held_rules()).editions)
    if edition is None:
        return _no_edition(columns.size, mode, ship_date)
    procedure = _Procedure(columns, mode, edition, strict)
    roles = roles_of(columns)
    _gates(procedure, roles)
    _wet(procedure, roles)
    _lithium(procedure, roles)
    _others(procedure, roles)
    undecided = procedure.verdict == int(Verdict.CANNOT_DECIDE)
    return BatteryVerdicts(
        mode,
        ship_date,
        edition,
        procedure.verdict,
        procedure.un,
        procedure.reason,
        _air_sections(procedure, roles),
        missing_facts(columns, roles, mode, edition, undecided, strict),
    )


def _no_edition(size: int, mode: Mode, ship_date: date) -> BatteryVerdicts:
    return BatteryVerdicts(
        mode,
        ship_date,
        None,
        np.full(size, int(Verdict.CANNOT_DECIDE), dtype=np.int8),
        np.zeros(size, dtype=np.int16),
        np.full(size, "edition_not_held", dtype=np.object_),
        np.full(size, "", dtype=np.object_),
        {},
    )


def _air_sections(p: _Procedure, r: Roles) -> NDArray[np.object_]:
    """Section of the packing instruction for lithium and sodium ion that may fly: IA or IB alone, I or II otherwise."""
    section = np.full(p.columns.size, "", dtype=np.object_)
    if not p.air:
        return section
    c, net = p.columns, p.columns.number("net_mass_kg")
    flies = r.lithium & (p.verdict <= int(Verdict.CARGO_AIRCRAFT_ONLY)) & ~r.vehicle
    most_ib = np.where(c.isin("chemistry", "li_metal"), IB_NET_METAL_KG, IB_NET_KG)
    section[flies & r.alone] = "Section IA"
    section[flies & r.alone & r.small & (net <= most_ib)] = "Section IB"
    section[flies & r.in_equipment] = "Section I"
    section[flies & r.in_equipment & r.small & (net <= PAX_NET_KG)] = "Section II"
    return section


def _gates(p: _Procedure, r: Roles) -> None:
    c = p.columns
    unknown, forbidden = Verdict.CANNOT_DECIDE, Verdict.FORBIDDEN
    p.settle(~c.known("chemistry"), unknown, "missing_chemistry")
    p.settle(~c.known("condition"), unknown, "missing_condition")
    harmed = c.isin("condition", "damaged", "recalled", "critical")
    if p.air:
        p.settle(r.lithium_like & harmed, forbidden, "damaged_forbidden_air", r.un)
    unnamed = c.isin("chemistry", "na_ion") & ~c.known("electrolyte")
    # With an aqueous electrolyte it would be for an expert: not knowing it may not permit more.
    p.settle(unnamed & harmed, unknown, "missing_electrolyte")
    critical = r.lithium_like & c.isin("condition", "critical")
    p.settle(critical, Verdict.APPROVAL_NEEDED, "damaged_critical_approval", r.un)
    p.settle(r.lithium_like & harmed, Verdict.PERMITTED, "damaged_sp376", r.un)
    if p.mode is Mode.ROAD:
        wet = c.isin("chemistry", "lead_acid", "nicd")
        p.settle(wet & harmed, Verdict.PERMITTED, "damaged_wet_no_sp598", r.other_un)
    p.settle(harmed, unknown, "damaged_wet_expert", r.other_un)
    p.settle(~c.known("terminals_protected"), unknown, "missing_terminal_protection")
    p.settle(c.no("terminals_protected"), forbidden, "terminals_unprotected")
    p.settle(unnamed, unknown, "missing_electrolyte")


def _wet(p: _Procedure, r: Roles) -> None:
    """Table W, and sodium ion with aqueous electrolyte as alkali."""
    c, w = p.columns, r.wet
    unknown, free, permitted = Verdict.CANNOT_DECIDE, Verdict.NOT_RESTRICTED, Verdict.PERMITTED
    p.settle(w & ~c.known("wet_type"), unknown, "missing_wet_type")
    p.settle(w & c.isin("wet_type", "dry_charged"), free, "dry_charged")
    p.settle(w & c.isin("wet_type", "sealed_dry"), free, "dry_sealed_a123")
    p.settle(w & ~c.known("config"), unknown, "missing_config")
    sealed = w & c.isin("wet_type", "non_spillable")
    p.settle(sealed & ~c.known("vib_pressure_ok"), unknown, "missing_vib_pressure_test")
    installed = c.isin("config", "installed")
    _non_spillable(p, sealed & c.yes("vib_pressure_ok"), installed)
    if p.mode is Mode.SEA:
        p.settle(w & installed, free, "imdg_sp961_wet")
    if p.air:
        p.settle(w & installed & ~c.known("upright_secured"), unknown, "missing_upright", 3171)
        p.settle(w & installed & c.no("upright_secured"), Verdict.FORBIDDEN, "spillable_not_upright", 3171)
    p.settle(w & installed, permitted, "equipment_wet_un3171", 3171)
    if p.air:
        gross = c.number("package_gross_kg")
        p.settle(w & ~c.known("package_gross_kg"), unknown, "missing_package_gross", r.other_un)
        p.settle(w & (gross <= WET_PAX_GROSS_KG), permitted, "wet_air_pi870_pax", r.other_un)
        p.settle(w, Verdict.CARGO_AIRCRAFT_ONLY, "wet_air_over_30kg_cao", r.other_un)
    elif p.mode is Mode.SEA:
        p.settle(w, permitted, "wet_sea_regulated", r.other_un)
    else:
        if p.mode is Mode.ROAD:
            p.settle(w & c.yes("sp598_ok"), free, "sp598_exempt")
        else:
            p.settle(w & c.yes("us_159e_ok"), permitted, "us_159e_exception", r.other_un)
        p.settle(w, permitted, "wet_road_regulated", r.other_un)


def _non_spillable(p: _Procedure, tested: BoolArray, installed: BoolArray) -> None:
    c = p.columns
    exempt = tested & c.yes("no_free_liquid_55c")
    if p.mode is Mode.ROAD_US:
        exempt &= c.yes("marked_nonspillable")
    p.settle(exempt, Verdict.NOT_RESTRICTED, "a67_sp238_exempt")
    if p.mode is Mode.SEA:
        p.settle(tested & installed, Verdict.NOT_RESTRICTED, "imdg_sp961_wet")
    p.settle(tested & installed, Verdict.PERMITTED, "equipment_wet_un3171", 3171)
    if p.mode is Mode.ROAD:
        p.settle(tested & c.yes("sp598_ok"), Verdict.NOT_RESTRICTED, "sp598_exempt")
    p.settle(tested, Verdict.PERMITTED, "un2800_regulated", 2800)


def _lithium(p: _Procedure, r: Roles) -> None:
    """Table L: first what every mode asks, then AIR or the surface."""
    c, li = p.columns, r.lithium
    unknown = Verdict.CANNOT_DECIDE
    p.settle(li & ~c.known("un383"), unknown, "missing_un383")
    p.settle(li & c.isin("un383", "fail"), Verdict.FORBIDDEN, "un383_failed", r.un)
    prototype = li & c.isin("un383", "prototype")
    if p.air:
        p.settle(prototype, Verdict.APPROVAL_NEEDED, "prototype_a88", r.un)
    p.settle(prototype, Verdict.PERMITTED, "prototype_sp310", r.un)
    p.settle(li & ~c.known("config"), unknown, "missing_config")
    installed = li & c.isin("config", "installed")
    p.settle(installed & ~c.known("host"), unknown, "missing_host_role")
    p.settle(installed & c.isin("host", "unclear"), unknown, "host_role_unclear")
    unit = installed & c.isin("host", "ctu_external")
    if p.air:
        p.settle(unit, Verdict.FORBIDDEN, "ctu_un3536_forbidden_air", 3536)
    p.settle(unit, Verdict.PERMITTED, "ctu_un3536_surface", 3536)
    if p.air and p.strict:
        p.settle(li & r.packed_with & ~c.known("spare_sets"), unknown, "missing_spare_sets")
    metal = c.isin("chemistry", "li_metal")
    p.settle(li & metal & ~c.known("li_g"), unknown, "missing_li_content")
    p.settle(li & ~metal & ~c.known("wh"), unknown, "missing_wh")
    if p.air:
        _lithium_air(p, r, metal)
    else:
        _lithium_surface(p, r, metal)


def _lithium_air(p: _Procedure, r: Roles, metal: BoolArray) -> None:
    c, li = p.columns, r.lithium
    unknown, permitted, cargo = Verdict.CANNOT_DECIDE, Verdict.PERMITTED, Verdict.CARGO_AIRCRAFT_ONLY
    soc, wh = c.number("soc_pct"), c.number("wh")
    vehicle = li & r.vehicle
    if p.edition.soc_vehicle_mandatory:
        asked = vehicle & ~metal & (wh > SOC_FREE_VEHICLE_WH)
        low = (soc <= LIMIT_SOC_PCT) | (c.number("indicated_pct") <= LIMIT_INDICATED_PCT)
        recorded = c.known("soc_pct") | c.known("indicated_pct")
        p.settle(asked & ~recorded, unknown, "missing_soc", r.un)
        p.settle(asked & ~low, Verdict.APPROVAL_NEEDED, "soc_over_30_approval", r.un)
    p.settle(vehicle, permitted, "vehicle_air_pi952", r.un)
    asked = li & r.alone & ~metal
    if p.edition.soc_packed_with_mandatory:
        asked |= li & r.packed_with & ~metal & (wh > SOC_FREE_PACK_WH)
    p.settle(asked & ~c.known("soc_pct"), unknown, "missing_soc", r.un)
    p.settle(asked & (soc > LIMIT_SOC_PCT), Verdict.APPROVAL_NEEDED, "soc_over_30_approval", r.un)
    limit_g = np.where(r.is_cell, PI970_CELL_G, PI970_BATTERY_G)
    over = li & metal & r.in_equipment & (c.number("li_g") > limit_g)
    p.settle(over, unknown, "li_content_over_pi970", r.un)
    net = c.number("net_mass_kg")
    p.settle(li & ~c.known("net_mass_kg"), unknown, "missing_net_mass", r.un)
    p.settle(li & (net > CAO_NET_KG), Verdict.APPROVAL_NEEDED, "mass_over_35_approval", r.un)
    p.settle(li & r.alone & r.power_bank, cargo, "power_bank_is_battery", r.un)
    p.settle(li & r.alone & r.too_many_spares, cargo, "spares_exceed_treat_alone", r.un)
    p.settle(li & r.alone, cargo, "alone_cao", r.un)
    light = net <= PAX_NET_KG
    p.settle(li & r.packed_with & light, permitted, "packed_pax_ok", r.un)
    p.settle(li & r.packed_with, cargo, "packed_over_5kg_cao", r.un)
    p.settle(li & light, permitted, "installed_pax_ok", r.un)
    p.settle(li, cargo, "installed_over_5kg_cao", r.un)


def _lithium_surface(p: _Procedure, r: Roles, metal: BoolArray) -> None:
    c, li, permitted = p.columns, r.lithium, Verdict.PERMITTED
    vehicle_reason = "imdg_sp961_962_vehicle" if p.mode is Mode.SEA else "adr_sp666_vehicle"
    p.settle(li & r.vehicle, permitted, vehicle_reason, r.un)
    small = li & r.small
    if p.mode is Mode.ROAD_US:
        p.settle(small, permitted, "us_small_exception", r.un)
        limit_wh = np.where(r.is_cell, US_CELL_WH, US_BATTERY_WH)
        ion = li & c.isin("chemistry", "li_ion") & (c.number("wh") <= limit_wh)
        p.settle(ion, permitted, "us_300wh_exception", r.un)
        p.settle(li, permitted, "class9_full_us", r.un)
        return
    if p.mode is Mode.ROAD:
        ruled = li & c.isin("config", "installed") & c.yes("adr_1137_ruling")
        p.settle(ruled, Verdict.NOT_RESTRICTED, "adr_1137_exempt")
    gross = c.number("package_gross_kg")
    p.settle(small & r.in_equipment, permitted, "sp188_exempt", r.un)
    p.settle(small & (gross <= SP188_GROSS_KG), permitted, "sp188_exempt", r.un)
    p.settle(small & (gross > SP188_GROSS_KG), permitted, "sp188_gross_over_30", r.un)
    full = "class9_full_sea" if p.mode is Mode.SEA else "class9_full_road"
    p.settle(li, permitted, full, r.un)


def _others(p: _Procedure, r: Roles) -> None:
    c = p.columns
    unknown, permitted, free = Verdict.CANNOT_DECIDE, Verdict.PERMITTED, Verdict.NOT_RESTRICTED
    cargo = Verdict.CARGO_AIRCRAFT_ONLY
    nimh = c.isin("chemistry", "nimh")
    if p.mode is Mode.SEA:
        mass = c.number("ctu_gross_kg")
        p.settle(nimh & ~c.known("config"), unknown, "missing_config")
        alone = nimh & c.isin("config", "alone")
        p.settle(alone & ~c.known("ctu_gross_kg"), unknown, "missing_ctu_mass", 3496)
        p.settle(alone & (mass >= NIMH_CTU_KG), permitted, "nimh_sea_100kg", 3496)
    p.settle(nimh, free, "nimh_not_restricted")
    p.settle(c.isin("chemistry", "dry_cell"), free, "dry_sealed_a123")
    koh = c.isin("chemistry", "koh_dry")
    if p.air:
        gross = c.number("package_gross_kg")
        p.settle(koh & ~c.known("package_gross_kg"), unknown, "missing_package_gross", 3028)
        p.settle(koh & (gross > KOH_CAO_GROSS_KG), Verdict.FORBIDDEN, "air_over_cao_per_package", 3028)
        p.settle(koh & (gross > KOH_PAX_GROSS_KG), cargo, "koh_dry_un3028", 3028)
    p.settle(koh, permitted, "koh_dry_un3028", 3028)
    sodium = c.isin("chemistry", "sodium_metal")
    p.settle(sodium & ~c.known("sodium_molten"), unknown, "missing_sodium_state", 3292)
    molten = Verdict.FORBIDDEN if p.air else Verdict.APPROVAL_NEEDED
    p.settle(sodium & c.yes("sodium_molten"), molten, "sodium_molten", 3292)
    p.settle(sodium, cargo if p.air else permitted, "sodium_metal_un3292", 3292)
