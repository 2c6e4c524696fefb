"""What a person is asked about a bank is what the rules look at, no more and no less."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date
from itertools import product
from typing import Any

import pytest

from fleet.domain.dangerous_goods.asked import facts_of_bank, may_discharge
from fleet.domain.dangerous_goods.banks import RULE_WORDS, battery_of_bank
from fleet.domain.dangerous_goods.batteries import decide_batteries
from fleet.domain.dangerous_goods.records import Battery
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError

DAYS = (date(2025, 6, 1), date(2026, 6, 30))
# Every value that some rule tells apart, for the facts that a bank's record of transport can hold.
VALUES: dict[str, tuple[Any, ...]] = {
    "config": (None, "installed", "packed_with", "alone"),
    "host": (None, "equipment", "vehicle", "ctu_external", "power_bank", "unclear"),
    "un383": (None, "pass", "fail", "prototype"),
    "wh": (None, 50.0, 290.0, 5000.0),
    "net_mass_kg": (None, 3.0, 20.0, 60.0),
    "package_gross_kg": (None, 25.0, 60.0),
    "spare_sets": (None, 1.0, 3.0),
    "vib_pressure_ok": (None, True, False),
    "no_free_liquid_55c": (None, True, False),
    "marked_nonspillable": (None, True, False),
    "adr_1137_ruling": (None, True, False),
    "ctu_gross_kg": (None, 50.0, 120.0),
}
KNOWN = {
    "form": "battery",
    "condition": "ok",
    "terminals_protected": True,
    "upright_secured": True,
    "soc_pct": 25.0,
    "wh": 5000.0,
}
BASES = [
    {
        "config": config,
        "host": host,
        "un383": "pass",
        "net_mass_kg": 20.0,
        "wh": wh,
        "vib_pressure_ok": tested,
    }
    | {"spare_sets": 1.0, "no_free_liquid_55c": True}
    for config, host, wh, tested in product(
        ("installed", "packed_with", "alone"), ("equipment", "vehicle"), (50.0, 5000.0), (True, False)
    )
]


def moving(code: str) -> set[str]:
    """The facts that change an answer, in some mode on some day, for some bank of this chemistry."""
    cases = [
        (fact, n, value) for fact, values in VALUES.items() for n in range(len(BASES)) for value in values
    ]
    bank = battery_of_bank(code)
    records = [replace(bank, **(KNOWN | BASES[n] | {fact: value})) for fact, n, value in cases]
    found: set[str] = set()
    for mode, day in product(Mode, DAYS):
        said = decide_batteries(records, mode, day)
        first: dict[tuple[str, int], Any] = {}
        for place, (fact, n, _value) in enumerate(cases):
            answer = (said.verdict[place], said.un[place], said.reason[place], said.missing_of(place))
            if first.setdefault((fact, n), answer) != answer:
                found.add(fact)
    return found


@pytest.mark.parametrize("code", sorted(RULE_WORDS))
def test_a_fact_is_asked_exactly_when_it_changes_an_answer(code) -> None:
    assert moving(code) == set(facts_of_bank(code))


def test_the_facts_are_those_of_a_battery() -> None:
    names = {field.name for field in fields(Battery)}
    assert all(set(facts_of_bank(code)) <= names for code in RULE_WORDS)


def test_discharging_helps_lithium_only() -> None:
    assert {code for code in RULE_WORDS if may_discharge(code)} == {"lfp", "nmc"}


def test_a_chemistry_that_is_none_is_refused() -> None:
    with pytest.raises(DomainError, match="no bank chemistry"):
        facts_of_bank("water")
