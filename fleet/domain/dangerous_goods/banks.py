"""From the chemistry code of a battery bank to the words of the transport rules."""

from __future__ import annotations

from fleet.domain.dangerous_goods.records import Battery
from fleet.lib.errors import DomainError

# bank code: (chemistry of the rules, type of wet battery). The evidence of a non-spillable type is a fact of its own.
RULE_WORDS: dict[str, tuple[str, str | None]] = {
    "vrla_gel": ("lead_acid", "non_spillable"),
    "vrla_agm": ("lead_acid", "non_spillable"),
    "flooded_sb": ("lead_acid", "flooded"),
    "flooded_low_sb": ("lead_acid", "flooded"),
    "flooded_ca": ("lead_acid", "flooded"),
    "lfp": ("li_ion", None),
    "nmc": ("li_ion", None),
    "nimh": ("nimh", None),
    "nimh_lsd": ("nimh", None),
    "nicd_vented": ("nicd", "flooded"),
    "nicd_sealed": ("nicd", "sealed_dry"),
}


def battery_of_bank(code: str) -> Battery:
    """A record that knows only what the bank's chemistry says. Raises DomainError for a code that is none."""
    if code not in RULE_WORDS:
        raise DomainError("goods.bank_chemistry", "There is no bank chemistry '{code}'.", code=code)
    chemistry, wet_type = RULE_WORDS[code]
    return Battery(chemistry=chemistry, wet_type=wet_type)
