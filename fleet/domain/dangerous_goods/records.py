"""What is known of a battery or of another dangerous good aboard. None always means: not known, and is never assumed.

A fact that goes stale (terminals covered, tank drained, condition looked at) is passed only while it is fresh:
see `fresh`. `soc_pct` is the harmful, upper end of what the charge can be.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, timedelta
from typing import Any, TypeVar

from fleet.lib.errors import DomainError

T = TypeVar("T")

CHEMISTRIES = (
    "lead_acid",
    "nicd",
    "nimh",
    "li_ion",
    "li_metal",
    "na_ion",
    "sodium_metal",
    "koh_dry",
    "dry_cell",
)
WORDS: dict[str, tuple[str, ...]] = {
    "chemistry": CHEMISTRIES,
    "form": ("cell", "battery"),
    "condition": ("ok", "damaged", "recalled", "critical"),
    "config": ("alone", "packed_with", "installed"),
    "host": ("equipment", "vehicle", "ctu_external", "power_bank", "unclear"),
    "un383": ("pass", "fail", "prototype"),
    "wet_type": ("flooded", "non_spillable", "dry_charged", "sealed_dry"),
    "electrolyte": ("organic", "aqueous"),
}


@dataclass(frozen=True, slots=True)
class Battery:
    """One battery record. Masses in kg, `wh` in Wh, `li_g` in g of lithium, charge in percent of rated capacity."""

    chemistry: str | None = None
    form: str | None = None
    condition: str | None = None
    terminals_protected: bool | None = None
    config: str | None = None
    host: str | None = None
    un383: str | None = None
    wh: float | None = None
    li_g: float | None = None
    soc_pct: float | None = None
    indicated_pct: float | None = None
    net_mass_kg: float | None = None
    package_gross_kg: float | None = None
    spare_sets: float | None = None
    wet_type: str | None = None
    vib_pressure_ok: bool | None = None
    no_free_liquid_55c: bool | None = None
    marked_nonspillable: bool | None = None
    upright_secured: bool | None = None
    sp598_ok: bool | None = None
    us_159e_ok: bool | None = None
    ctu_gross_kg: float | None = None
    electrolyte: str | None = None
    sodium_molten: bool | None = None
    adr_1137_ruling: bool | None = None


@dataclass(frozen=True, slots=True)
class Goods:
    """A substance or article with a UN number ('none' when section 14 of its safety sheet says so), per package."""

    un: str | None = None
    pg: str | None = None
    qty: float | None = None
    active_chlorine_pct: float | None = None
    sp594_ok: bool | None = None


@dataclass(frozen=True, slots=True)
class Lamp:
    """UV lamps: mercury in g each and per package."""

    hg_g_each: float | None = None
    hg_g_package: float | None = None
    radioactive: bool | None = None
    lamp_packing_ok: bool | None = None


@dataclass(frozen=True, slots=True)
class Carbon:
    """Activated carbon: how it was activated (steam, chemical), UN test N.4 (pass, fail), kg per package."""

    activation: str | None = None
    n4_result: str | None = None
    qty: float | None = None


@dataclass(frozen=True, slots=True)
class Nadcc:
    """Dichloroisocyanurate: anhydrous or dihydrate, kg per inner pack, hazard to water by its safety sheet."""

    form: str | None = None
    inner_kg: float | None = None
    sds_env_hazard: bool | None = None
    qty: float | None = None


@dataclass(frozen=True, slots=True)
class Engine:
    """Engine or machine: fuel (petrol, diesel, lpg), its state, tank level in percent, fuel in litres."""

    fuel: str | None = None
    fuel_state: str | None = None
    tank_fill_pct: float | None = None
    fuel_l: float | None = None
    upright_only: bool | None = None
    ullage_ok: bool | None = None
    other_dg: bool | None = None


Item = Battery | Goods | Lamp | Carbon | Nadcc | Engine
KINDS: dict[str, type[Item]] = {
    "battery": Battery,
    "goods": Goods,
    "lamp": Lamp,
    "carbon": Carbon,
    "nadcc": Nadcc,
    "engine": Engine,
}


def item_from(kind: str, attributes: dict[str, Any]) -> Item:
    """The record of a kind from named attributes; an attribute the kind does not have is refused.

    The words 'unknown' and '' count as not known. Raises DomainError naming kind and attribute.
    """
    if kind not in KINDS:
        raise DomainError("goods.kind_unknown", "There is no kind of goods '{kind}'.", kind=kind)
    record = KINDS[kind]
    known = {field.name for field in fields(record)}
    strange = sorted(set(attributes) - known)
    if strange:
        raise DomainError(
            "goods.attribute_unknown",
            "A record of kind '{kind}' has no '{names}'.",
            kind=kind,
            names="', '".join(strange),
        )
    return record(**{name: _known(value) for name, value in attributes.items()})


def fresh(value: T | None, checked_on: date | None, on_day: date, valid_days: int) -> T | None:
    """The checked value while its check still counts on the day, through `valid_days` after it; else None: not known."""
    if value is None or checked_on is None or checked_on > on_day:
        return None
    return value if on_day <= checked_on + timedelta(days=valid_days) else None


def _known(value: Any) -> Any:
    return None if value in ("unknown", "") else value
