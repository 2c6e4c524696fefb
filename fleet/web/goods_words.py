"""What the facts of dangerous goods are called on a page, and how a value is said."""

from __future__ import annotations

import math
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l

FACT_WORDS: dict[str, Any] = {
    "condition": _l("condition of the battery"),
    "terminals_protected": _l("terminals covered"),
    "upright_secured": _l("fixed so that it can only stay upright"),
    "sp598_ok": _l("conditions of ADR SP 598 ticked off"),
    "us_159e_ok": _l("conditions of 49 CFR 173.159(e) ticked off"),
    "fuel_state": _l("state of the fuel tank"),
    "tank_fill_pct": _l("tank filled to, %"),
    "fuel_l": _l("fuel in the tank, L"),
    "chemistry": _l("chemistry"),
    "form": _l("form"),
    "config": _l("how it travels"),
    "host": _l("installed in"),
    "un383": _l("UN 38.3 tests"),
    "wh": _l("energy, Wh"),
    "li_g": _l("lithium, g"),
    "net_mass_kg": _l("mass of the batteries, kg"),
    "package_gross_kg": _l("gross mass of a package, kg"),
    "spare_sets": _l("spare sets"),
    "wet_type": _l("type of wet battery"),
    "vib_pressure_ok": _l("vibration and pressure tests passed"),
    "no_free_liquid_55c": _l("no free liquid at 55 °C, case cracked"),
    "marked_nonspillable": _l("marked NON-SPILLABLE"),
    "ctu_gross_kg": _l("gross mass in one container, kg"),
    "electrolyte": _l("electrolyte"),
    "sodium_molten": _l("sodium is molten"),
    "adr_1137_ruling": _l("an adviser ruled ADR 1.1.3.7 applies"),
    "soc_pct": _l("charge at the most, % of rated"),
    "indicated_pct": _l("charge as indicated, %"),
    "un": _l("UN number"),
    "pg": _l("packing group"),
    "qty": _l("amount per package, kg or L"),
    "tc": _l("transport category of ADR table A"),
    "gross_kg": _l("gross mass of the package"),
    "class": _l("class of the goods"),
    "items": _l("what is aboard"),
    "active_chlorine_pct": _l("active chlorine, %"),
    "sp594_ok": _l("conditions of special provision 594 met"),
    "hg_g_each": _l("mercury in each, g"),
    "hg_g_package": _l("mercury in a package, g"),
    "radioactive": _l("radioactive"),
    "lamp_packing_ok": _l("packed as for lamps"),
    "activation": _l("activated by"),
    "n4_result": _l("UN test N.4"),
    "inner_kg": _l("inner pack, kg"),
    "sds_env_hazard": _l("hazard to water, by its safety sheet"),
    "fuel": _l("fuel"),
    "upright_only": _l("may only stand upright"),
    "ullage_ok": _l("room left above the fuel"),
    "goods_list": _l("the word that the list is complete"),
    "edition": _l("an edition of the rules for that date"),
    "other_dg": _l("holds other dangerous goods"),
}
VALUE_WORDS: dict[str, Any] = {
    "lead_acid": _l("lead-acid"),
    "nicd": _l("nickel-cadmium"),
    "nimh": _l("nickel-metal hydride"),
    "li_ion": _l("lithium-ion"),
    "li_metal": _l("lithium metal"),
    "na_ion": _l("sodium-ion"),
    "sodium_metal": _l("sodium metal"),
    "koh_dry": _l("dry, with potassium hydroxide"),
    "dry_cell": _l("dry cell"),
    "ctu_external": _l("container or trailer that only feeds others"),
    "unclear": _l("not clear: ask the specialist"),
    "non_spillable": _l("non-spillable"),
    "dry_charged": _l("dry-charged"),
    "sealed_dry": _l("sealed, dry"),
    "lpg": _l("liquefied gas"),
}


def fact_words(name: str) -> str:
    return str(FACT_WORDS.get(name, name.replace("_", " ")))


# Facts of which the upper end of a band counts: shown as whole numbers, rounded up.
UPPER_END = frozenset({"soc_pct", "indicated_pct"})


def told_words(fact: str, value: Any) -> str:
    """The value of a fact, never kinder than it is."""
    return value_words(
        float(math.ceil(value - 1e-9)) if fact in UPPER_END and isinstance(value, float) else value
    )


def value_words(value: Any) -> str:
    """Yes, no, a number without trailing zeros, or the word as it stands."""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(VALUE_WORDS.get(value, str(value).replace("_", " ")))
