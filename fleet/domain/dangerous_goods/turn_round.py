"""What would turn a no round: each change is proposed only where the procedure, run again, gives a better verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from fleet.domain.dangerous_goods.answers import Decision, decide_item
from fleet.domain.dangerous_goods.batteries import CAO_NET_KG, LIMIT_SOC_PCT, PAX_NET_KG
from fleet.domain.dangerous_goods.entries import Entries, un_digits
from fleet.domain.dangerous_goods.other_goods import CARBON_AIR_KG
from fleet.domain.dangerous_goods.records import Battery, Carbon, Engine, Goods, Item
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import Mode, Verdict

Change = dict[str, Any]
SENTENCES = {
    "fit_terminal_caps": "Fit caps over the terminals.",
    "discharge_to_30": "Discharge to 30 % by a method the maker allows.",
    "obtain_test_summary": "Obtain the UN 38.3 test summary from the maker.",
    "obtain_non_spillable_report": "Obtain the non-spillable test report from the maker.",
    "at_most_two_spare_sets": "Pack at most two spare sets with the equipment.",
    "secure_upright": "Fix the machine so that it can only stay upright.",
    "split_packages": "Split the packages.",
    "take_modules_out": "Take the modules out: packages of at most 35 kg, at most 30 % charged, protected.",
    "record_sp598": "Tick off the conditions of SP 598 for this consignment.",
    "obtain_n4_report": "Obtain the report of UN test N.4 from the maker, if it was passed.",
    "drain_and_purge": "Drain and purge the fuel system; take out battery and other goods.",
    "drain_to_quarter": "Drain the tank to a quarter or less.",
    "drain_completely": "Drain the tank completely.",
}


@dataclass(frozen=True, slots=True)
class TurnRound:
    """Steps that together give a better verdict. `discharge_h` [h] is given when the load for discharging is known."""

    steps: tuple[str, ...]
    verdict: Verdict
    reason: str
    discharge_h: float | None = None

    @property
    def sentences(self) -> tuple[str, ...]:
        return tuple(SENTENCES[step] for step in self.steps)


def turn_rounds(
    item: Item,
    decision: Decision,
    *,
    discharge_allowed: bool | None = None,
    discharge_w: float | None = None,
    rules: Rules | None = None,
    strict: bool = True,
) -> list[TurnRound]:
    """Ways from this decision to a better verdict, single steps first, then pairs; best verdict first.

    Discharging is proposed for lithium and sodium ion only, and only when the maker allows a method (`discharge_allowed`).
    Facts that are merely missing are not steps: `decision.missing` lists them.
    """
    if decision.verdict <= Verdict.PERMITTED or decision.edition is None:
        return []
    table = (rules or held_rules()).tables.get(decision.edition.goods_table, {})
    steps = _steps(item, decision.mode, discharge_allowed, table)
    found: list[TurnRound] = []
    for size in (1, 2):
        for names in combinations(steps, size):
            if any(set(way.steps) <= set(names) for way in found):
                continue
            way = _try(item, decision, names, steps, rules, strict)
            if way is not None:
                found.append(_with_hours(way, item, discharge_w))
    return sorted(found, key=lambda way: (way.verdict, len(way.steps)))


def _try(
    item: Item,
    decision: Decision,
    names: tuple[str, ...],
    steps: dict[str, Change],
    rules: Rules | None,
    strict: bool,
) -> TurnRound | None:
    change: Change = {}
    for name in names:
        change |= steps[name]
    changed = replace(item, **change)
    if changed == item:
        return None
    after = decide_item(changed, decision.mode, decision.ship_date, rules=rules, strict=strict)
    better = after.verdict < decision.verdict and after.verdict.may_go
    return TurnRound(names, after.verdict, after.reason) if better else None


def _steps(item: Item, mode: Mode, discharge_allowed: bool | None, table: Entries) -> dict[str, Change]:
    if isinstance(item, Battery):
        return _battery_steps(item, mode, discharge_allowed)
    if isinstance(item, Carbon):
        return {"obtain_n4_report": {"n4_result": "pass"}, "split_packages": {"qty": CARBON_AIR_KG}}
    if isinstance(item, Engine):
        return {
            "drain_to_quarter": {"tank_fill_pct": 25.0},
            "drain_completely": {"fuel_state": "drained"},
            "drain_and_purge": {"fuel_state": "drained_purged", "other_dg": False},
        }
    if isinstance(item, Goods) and mode is Mode.AIR:
        return _smaller_packages(item, table)
    return {}


def _battery_steps(battery: Battery, mode: Mode, discharge_allowed: bool | None) -> dict[str, Change]:
    ion = battery.chemistry in ("li_ion", "na_ion")
    lithium = ion or battery.chemistry == "li_metal"
    steps: dict[str, Change] = {}
    if battery.terminals_protected is False:
        steps["fit_terminal_caps"] = {"terminals_protected": True}
    if lithium and battery.un383 is None:
        steps["obtain_test_summary"] = {"un383": "pass"}
    if battery.wet_type == "non_spillable":
        steps["obtain_non_spillable_report"] = {"vib_pressure_ok": True, "no_free_liquid_55c": True}
    if battery.upright_secured is False:
        steps["secure_upright"] = {"upright_secured": True}
    if mode is not Mode.AIR:
        return steps
    over = battery.soc_pct is not None and battery.soc_pct > LIMIT_SOC_PCT
    if ion and over and discharge_allowed:
        steps["discharge_to_30"] = {"soc_pct": LIMIT_SOC_PCT}
    if (battery.spare_sets or 0) > 2:
        steps["at_most_two_spare_sets"] = {"spare_sets": 2.0}
    if lithium:
        steps |= _lithium_mass_steps(battery, ion, over, discharge_allowed)
    return steps


def _lithium_mass_steps(
    battery: Battery, ion: bool, over: bool, discharge_allowed: bool | None
) -> dict[str, Change]:
    net = battery.net_mass_kg
    if net is None:
        return {}
    if battery.config == "installed":
        if net <= CAO_NET_KG or battery.host != "equipment" or (ion and over and not discharge_allowed):
            return {}
        charge = {"soc_pct": LIMIT_SOC_PCT} if ion and (over or battery.soc_pct is None) else {}
        return {"take_modules_out": {"config": "alone", "host": None, "net_mass_kg": CAO_NET_KG, **charge}}
    if net > CAO_NET_KG:
        return {"split_packages": {"net_mass_kg": CAO_NET_KG}}
    if net > PAX_NET_KG and battery.config == "packed_with":
        return {"split_packages": {"net_mass_kg": PAX_NET_KG}}
    return {}


def _smaller_packages(goods: Goods, table: Entries) -> dict[str, Change]:
    entries = table.get(un_digits(goods.un), ())
    fitting = [
        entry for entry in entries if goods.pg in (None, entry.packing_group) or not entry.packing_group
    ]
    limits = [entry.pax_limit for entry in fitting] + [entry.cao_limit for entry in fitting]
    below = [limit for limit in limits if 0 < limit < (goods.qty or 0.0)]
    return {"split_packages": {"qty": min(below)}} if below else {}


def _with_hours(way: TurnRound, item: Item, discharge_w: float | None) -> TurnRound:
    discharges = {"discharge_to_30", "take_modules_out"} & set(way.steps)
    if not discharges or not isinstance(item, Battery) or not discharge_w or item.wh is None:
        return way
    share = max(0.0, (item.soc_pct or 0.0) - LIMIT_SOC_PCT) / 100.0
    return replace(way, discharge_h=item.wh * share / discharge_w)
