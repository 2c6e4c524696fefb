"""The answer a page shows: verdict, number, provision, conditions, all that is missing, source, and the sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

from fleet.domain.dangerous_goods.batteries import BatteryVerdicts, decide_batteries
from fleet.domain.dangerous_goods.editions import Edition, edition_for
from fleet.domain.dangerous_goods.engines import rule_engine
from fleet.domain.dangerous_goods.entries import TABLES, Entries, un_digits
from fleet.domain.dangerous_goods.other_goods import (
    Ruling,
    rule_carbon,
    rule_goods,
    rule_lamp,
    rule_nadcc,
    unknown,
)
from fleet.domain.dangerous_goods.records import Battery, Carbon, Engine, Goods, Item, Lamp, Nadcc
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.lib.tables import read_table


@dataclass(frozen=True, slots=True)
class Reason:
    """What stands behind a reason key; `mark` is published, memory (verify before use) or rule (our own caution)."""

    key: str
    sentence: str
    provision: str
    conditions: tuple[str, ...]
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class Decision:
    """One item in one mode on one ship date. `edition` None: the rules for that day are not held."""

    mode: Mode
    ship_date: date
    verdict: Verdict
    un: str
    reason: str
    missing: tuple[str, ...]
    sentence: str
    provision: str
    conditions: tuple[str, ...]
    source: str
    verify_before_use: bool
    edition: Edition | None

    @property
    def passenger_aircraft(self) -> bool:
        return self.mode is Mode.AIR and self.verdict <= Verdict.PERMITTED

    @property
    def cargo_aircraft(self) -> bool:
        return self.mode is Mode.AIR and self.verdict.may_go


@cache
def reasons() -> dict[str, Reason]:
    """Every reason key with its sentence, provision, conditions and source."""
    columns = ("key", "sentence", "provision", "conditions", "source", "mark")
    return {
        row["key"]: Reason(
            row["key"],
            row["sentence"],
            row["provision"],
            tuple(part.strip() for part in row["conditions"].split(";") if part.strip()),
            row["source"],
            row["mark"],
        )
        for row in read_table(TABLES, "dangerous_goods_reasons", columns)
    }


def decide_item(
    item: Item,
    mode: Mode,
    ship_date: date,
    *,
    rules: Rules | None = None,
    strict: bool = True,
) -> Decision:
    """The decision on one item. A battery takes the same path as thousands of them, with n = 1.

    `rules` replace what the product ships, to see what a next edition would change. Raises DomainError for
    a word or number that cannot be used.
    """
    if isinstance(item, Battery):
        verdicts = decide_batteries([item], mode, ship_date, rules=rules, strict=strict)
        return battery_decision(verdicts, 0)
    edition = edition_for(mode, ship_date, (rules or held_rules()).editions)
    if edition is None:
        return explained(unknown("edition_not_held", "none", "edition"), mode, ship_date, None)
    table = (rules or held_rules()).tables[edition.goods_table]
    ruling = _rule(item, mode, table, strict)
    provision = _entry_instruction(item, ruling, table) if mode is Mode.AIR else ""
    return explained(ruling, mode, ship_date, edition, provision)


def decide_items(
    items: Sequence[Item],
    mode: Mode,
    ship_date: date,
    *,
    rules: Rules | None = None,
    strict: bool = True,
) -> list[Decision]:
    """Decisions on many items, equal items computed once and all batteries together, in the order given."""
    known: dict[Item, Decision] = {}
    batteries = list(dict.fromkeys(item for item in items if isinstance(item, Battery)))
    if batteries:
        verdicts = decide_batteries(batteries, mode, ship_date, rules=rules, strict=strict)
        known |= {item: battery_decision(verdicts, place) for place, item in enumerate(batteries)}
    for item in items:
        if item not in known:
            known[item] = decide_item(item, mode, ship_date, rules=rules, strict=strict)
    return [known[item] for item in items]


def battery_decision(verdicts: BatteryVerdicts, place: int) -> Decision:
    """Record `place` of a bulk answer, in words."""
    number = int(verdicts.un[place])
    missing = verdicts.missing_of(place) if verdicts.edition else ("edition",)
    ruling = Ruling(
        Verdict(int(verdicts.verdict[place])),
        str(verdicts.reason[place]),
        f"UN {number}" if number else "none",
        missing,
    )
    instruction = _INSTRUCTION_OF.get((number, ruling.reason.startswith("installed")), "")
    section = str(verdicts.section[place])
    provision = f"PI {instruction} {section}" if instruction and section else ""
    return explained(ruling, verdicts.mode, verdicts.ship_date, verdicts.edition, provision)


# Packing instruction of a lithium or sodium-ion entry: (UN number, installed in equipment).
_INSTRUCTION_OF = {
    (3480, False): "965",
    (3481, False): "966",
    (3481, True): "967",
    (3090, False): "968",
    (3091, False): "969",
    (3091, True): "970",
    (3551, False): "976",
    (3552, False): "977",
    (3552, True): "978",
}


def explained(
    ruling: Ruling, mode: Mode, ship_date: date, edition: Edition | None, provision: str = ""
) -> Decision:
    """A ruling with the sentence, provision, conditions and source of its reason; `provision` is a closer one."""
    reason = reasons()[ruling.reason]
    return Decision(
        mode,
        ship_date,
        ruling.verdict,
        ruling.un,
        ruling.reason,
        ruling.missing,
        reason.sentence,
        provision or reason.provision,
        reason.conditions,
        reason.source,
        reason.mark == "memory" and ruling.verdict.may_go,
        edition,
    )


def _rule(item: Item, mode: Mode, entries: Entries, strict: bool) -> Ruling:
    if isinstance(item, Goods):
        return rule_goods(item, mode, entries)
    if isinstance(item, Lamp):
        return rule_lamp(item, mode)
    if isinstance(item, Carbon):
        return rule_carbon(item, mode)
    if isinstance(item, Nadcc):
        return rule_nadcc(item, mode, entries)
    if isinstance(item, Engine):
        return rule_engine(item, mode, strict=strict)
    raise TypeError(f"{type(item).__name__} is no item")


def _entry_instruction(item: Item, ruling: Ruling, entries: Entries) -> str:
    """The packing instructions of the entry, by its packing group: for passenger and cargo aircraft, or cargo alone."""
    if ruling.reason not in ("air_within_pax", "air_over_pax_cao"):
        return ""
    group = item.pg if isinstance(item, Goods) else "II"
    lines = [
        line
        for line in entries[un_digits(ruling.un)]
        if line.packing_group in ("", group or line.packing_group)
    ]
    cargo_only = ruling.verdict is Verdict.CARGO_AIRCRAFT_ONLY
    numbers = [pi for line in lines for pi in ((line.cao_pi,) if cargo_only else (line.pax_pi, line.cao_pi))]
    return " / ".join(f"PI {pi}" for pi in dict.fromkeys(numbers) if pi)
