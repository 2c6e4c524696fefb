"""Which standing facts of a battery bank the rules look at, by its chemistry: what a person is asked, and nothing else."""

from __future__ import annotations

from fleet.domain.dangerous_goods.banks import battery_of_bank

# By chemistry of the rules and type of wet battery, in the order in which the procedure asks. Dated facts are checks.
_ASKED: dict[tuple[str, str | None], tuple[str, ...]] = {
    ("li_ion", None): (
        "config",
        "host",
        "un383",
        "wh",
        "net_mass_kg",
        "package_gross_kg",
        "spare_sets",
        "adr_1137_ruling",
    ),
    ("lead_acid", "non_spillable"): (
        "config",
        "vib_pressure_ok",
        "no_free_liquid_55c",
        "marked_nonspillable",
        "package_gross_kg",
    ),
    ("lead_acid", "flooded"): ("config", "package_gross_kg"),
    ("nicd", "flooded"): ("config", "package_gross_kg"),
    ("nicd", "sealed_dry"): (),
    ("nimh", None): ("config", "ctu_gross_kg"),
}


def facts_of_bank(code: str) -> tuple[str, ...]:
    """Names of the facts of `Battery` that any mode asks of a bank of this chemistry. Raises DomainError for none."""
    battery = battery_of_bank(code)
    return _ASKED[str(battery.chemistry), battery.wet_type]


def may_discharge(code: str) -> bool:
    """Whether discharging for transport can change an answer: for lithium ion only, by a method its maker allows."""
    return battery_of_bank(code).chemistry == "li_ion"
