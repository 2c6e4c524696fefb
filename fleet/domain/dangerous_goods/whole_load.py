"""The law of a whole load: every unit's lines, load points or materials of trade, and which goods must be kept apart.

Sources: ADR 1.1.3.6; 49 CFR 173.6 and 173.159(e); for pairs see `segregation`. Nothing clears because a fact is missing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import combinations

from fleet.domain.dangerous_goods.answers import Decision, explained
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.entries import Entries, Entry, held_entries, un_digits
from fleet.domain.dangerous_goods.loads import LoadItem, TradeItem, adr_points, materials_of_trade
from fleet.domain.dangerous_goods.other_goods import Ruling, unknown
from fleet.domain.dangerous_goods.records import Battery, Engine, Goods, Lamp, Nadcc
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.segregation import rule_kinds, tag_of
from fleet.domain.dangerous_goods.unit import UnitDecision, UnitItem, judge_unit
from fleet.domain.dangerous_goods.words import Mode, Verdict, worst_of

# Machines and vehicles under SP 363 and SP 666 are not counted (from memory).
OUT_OF_THE_COUNT = frozenset({"3166", "3171", "3528", "3529", "3530", "3556", "3557", "3558"})
# Small batteries of SP 188 are not counted either.
NOT_COUNTED = frozenset({"sp188_exempt"})
POINTS_NOT_SHOWN, TRADE_NOT_SHOWN = NOT_SHOWN = ("adr_1136_not_shown", "mot_not_shown")
SINGLE_LOAD = "us_159e_exception"
REACTS = ("li_ion", "li_metal")


@dataclass(frozen=True, slots=True)
class LoadedUnit:
    """What one unit, or one pallet, brings: its goods, and whether somebody confirmed that these are all."""

    name: str
    items: tuple[UnitItem, ...]
    list_confirmed: bool


@dataclass(frozen=True, slots=True)
class PointLine:
    """One line of the count. `counted` False: out of the count; `points` None: not known."""

    unit: str
    label: str
    un: str
    counted: bool
    category: int | None
    quantity: float | None
    unit_of_quantity: str
    points: float | None


@dataclass(frozen=True, slots=True)
class Kind:
    """Goods of one UN number in a load, with whose they are. No hazards: the class is not known."""

    un: str
    name: str
    hazards: tuple[str, ...]
    held_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PairAnswer:
    first: Kind
    second: Kind
    decision: Decision


@dataclass(frozen=True, slots=True)
class LoadDecision:
    """The whole load in one mode. `points` only by ADR road, `trade` only by US road; None where nothing is to be counted.

    `single_load_lost`: labels of batteries that would go by the single-load exception, were nothing else aboard.
    """

    mode: Mode
    verdict: Verdict
    units: tuple[tuple[str, UnitDecision], ...]
    points: Decision | None
    points_total: float | None
    point_lines: tuple[PointLine, ...]
    trade: Decision | None
    pairs: tuple[PairAnswer, ...]
    single_load_lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    unit: str
    entry: UnitItem
    decision: Decision

    @property
    def label(self) -> str:
        return self.entry.label

    @property
    def free(self) -> bool:
        return self.decision.verdict is Verdict.NOT_RESTRICTED


def judge_load(
    units: Sequence[LoadedUnit], mode: Mode, ship_date: date, *, rules: Rules | None = None
) -> LoadDecision:
    """Everything the law asks of goods that travel together. The worst of units and pairs decides.

    Load points and materials of trade are reliefs: one that is not shown is not granted, and the full rules hold. That
    alone leaves nothing open, for what the rules ask of each line is judged beside it.
    """
    held = rules or held_rules()
    edition = edition_for(mode, ship_date, held.editions)
    table = held.tables[edition.goods_table] if edition is not None else held_entries()
    judged, lines = _judged(units, mode, ship_date, held)
    lost = _single_load_lost(lines)
    if lost:
        judged, lines = _judged([_without_159e(unit) for unit in units], mode, ship_date, held)
    unsure = any(not unit.list_confirmed for unit in units)

    def told(ruling: Ruling) -> Decision:
        return explained(ruling, mode, ship_date, edition)

    points: Decision | None = None
    total: float | None = None
    point_lines: tuple[PointLine, ...] = ()
    if mode is Mode.ROAD:
        found, total, point_lines = _points(lines, table, unsure)
        points = told(found) if found is not None else None
    trade = _trade(lines, table, unsure) if mode is Mode.ROAD_US else None
    pairs = tuple(
        PairAnswer(
            one, other, told(rule_kinds(one.hazards, other.hazards, (tag_of(one.un), tag_of(other.un)), mode))
        )
        for one, other in combinations(_kinds(lines, table), 2)
    )
    trade_told = told(trade) if trade is not None else None
    verdict = worst_of(
        [
            *(decision.verdict for _name, decision in judged),
            *(pair.decision.verdict for pair in pairs),
            *(
                Verdict.PERMITTED if found.reason in NOT_SHOWN else found.verdict
                for found in (points, trade_told)
                if found is not None
            ),
        ]
    )
    order = sorted(
        pairs, key=lambda pair: (-int(pair.decision.verdict), pair.decision.reason == "no_table_conflict")
    )
    return LoadDecision(mode, verdict, judged, points, total, point_lines, trade_told, tuple(order), lost)


def _judged(
    units: Sequence[LoadedUnit], mode: Mode, ship_date: date, rules: Rules
) -> tuple[tuple[tuple[str, UnitDecision], ...], list[_Line]]:
    judged = []
    lines: list[_Line] = []
    for unit in units:
        if not unit.items and unit.list_confirmed:  # somebody said that nothing dangerous is in it
            continue
        decision = judge_unit(unit.items, mode, ship_date, list_confirmed=unit.list_confirmed, rules=rules)
        judged.append((unit.name, decision))
        lines += [
            _Line(unit.name, entry, told)
            for entry, (_label, told) in zip(unit.items, decision.lines, strict=False)
        ]
    return tuple(judged), lines


def _single_load_lost(lines: Sequence[_Line]) -> tuple[str, ...]:
    """49 CFR 173.159(e): no other hazardous material on the vehicle."""
    relying = [line for line in lines if line.decision.reason == SINGLE_LOAD]
    others = [line for line in lines if line.decision.reason != SINGLE_LOAD and not line.free]
    return tuple(f"{line.unit}: {line.label}" for line in relying) if others else ()


def _without_159e(unit: LoadedUnit) -> LoadedUnit:
    items = tuple(
        replace(entry, item=replace(entry.item, us_159e_ok=False))
        if isinstance(entry.item, Battery) and entry.item.us_159e_ok
        else entry
        for entry in unit.items
    )
    return replace(unit, items=items)


def _entries_of(line: _Line, table: Entries) -> tuple[Entry, ...]:
    """The entries of its UN number that its packing group allows."""
    found = table.get(un_digits(line.decision.un), ())
    group = _group(line)
    fitting = tuple(
        entry for entry in found if not entry.packing_group or group in (None, entry.packing_group)
    )
    return fitting


def _group(line: _Line) -> str | None:
    if isinstance(line.entry.item, Goods):
        return line.entry.item.pg
    return "II" if isinstance(line.entry.item, Nadcc) and un_digits(line.decision.un) == "2465" else None


def _points(
    lines: Sequence[_Line], table: Entries, unsure: bool
) -> tuple[Ruling | None, float | None, tuple[PointLine, ...]]:
    rows = [_point_item(line, table) for line in lines]
    found = adr_points([item for item, _unit in rows]) if rows else None
    told = tuple(
        PointLine(line.unit, line.label, item.un, not item.exempt, item.tc, item.qty, unit, points)
        for line, (item, unit), points in zip(lines, rows, found.lines if found else (), strict=True)
    )
    if unsure:
        return unknown("goods_list_unconfirmed", "mixed", "goods_list"), found.points if found else None, told
    if found is None or all(item.exempt for item, _unit in rows):
        return None, None, told
    return _shown(found.ruling, POINTS_NOT_SHOWN), found.points, told


def _point_item(line: _Line, table: Entries) -> tuple[LoadItem, str]:
    """How a line counts: its transport category, and kg or L. What is free of the rules is out of the count."""
    un = un_digits(line.decision.un)
    if line.free or un in OUT_OF_THE_COUNT or line.decision.reason in NOT_COUNTED:
        return LoadItem(un=un, exempt=True), ""
    entries = _entries_of(line, table)
    quantity, unit = _quantity(line, entries)
    return LoadItem(un=un, tc=_category(line, entries), qty=quantity), unit


def _category(line: _Line, entries: Sequence[Entry]) -> int | None:
    """The transport category; a lithium battery that may react dangerously is in 0, one nobody looked at in none."""
    item = line.entry.item
    if isinstance(item, Battery) and item.chemistry in REACTS:
        if item.condition is None:
            return None
        if item.condition == "critical":
            return 0
    told = {entry.transport_category for entry in entries}
    (only,) = told if len(told) == 1 else ("",)
    return int(only) if only.isdigit() else None


def _quantity(line: _Line, entries: Sequence[Entry]) -> tuple[float | None, str]:
    unit = "L" if entries and all(_in_litres(entry) for entry in entries) else "kg"
    told = line.entry.total_unit or unit
    item = line.entry.item
    if isinstance(item, Battery):
        return (line.entry.total_qty if line.entry.total_qty is not None else _all_of_it_kg(item)), "kg"
    # Of a liquid the litres count; how many a mass would be is not known here.
    return (line.entry.total_qty if told == unit else None), unit


def _all_of_it_kg(battery: Battery) -> float | None:
    """Of an installed battery its mass is that of all; else it is that of one package, of which there may be several."""
    return battery.net_mass_kg if battery.config == "installed" else None


def _trade(lines: Sequence[_Line], table: Entries, unsure: bool) -> Ruling | None:
    counted = [line for line in lines if not line.free and line.decision.reason != SINGLE_LOAD]
    if unsure:
        return unknown("goods_list_unconfirmed", "mixed", "goods_list")
    if not counted:
        return None
    if any(not _entries_of(line, table) for line in counted):
        return unknown(TRADE_NOT_SHOWN, "mixed", "class")
    found = materials_of_trade([_trade_item(line, _entries_of(line, table)) for line in counted])
    return _shown(found, TRADE_NOT_SHOWN)


def _shown(relief: Ruling, otherwise: str) -> Ruling:
    """A relief as it was found; where a fact is missing, that it is not shown, with all that is missing."""
    return replace(relief, reason=otherwise) if relief.verdict is Verdict.CANNOT_DECIDE else relief


def _trade_item(line: _Line, entries: Sequence[Entry]) -> TradeItem:
    item = line.entry.item
    groups = {entry.packing_group for entry in entries}
    group = _group(line) or (next(iter(groups)) if len(groups) == 1 else None)
    package: float | None = None
    if isinstance(item, Battery):
        package = item.net_mass_kg
    elif isinstance(item, Engine):
        package = item.fuel_l
    elif not isinstance(item, Lamp):
        package = item.qty
    # the gross mass of one package is not that of all: how many there are, a record of a battery does not say
    return TradeItem(entries[0].hazard_class, group or None, package, line.entry.gross_kg)


def _kinds(lines: Sequence[_Line], table: Entries) -> list[Kind]:
    """Goods under the rules by UN number; all whose number is not known are one kind."""
    held: dict[str, list[str]] = {}
    for line in lines:
        if line.free:
            continue
        un = un_digits(line.decision.un)
        held.setdefault(un if un in table else "", []).append(f"{line.unit}: {line.label}")
    return [
        Kind(
            un,
            table[un][0].name if un else "",
            _hazards(table[un]) if un else (),
            tuple(dict.fromkeys(names)),
        )
        for un, names in held.items()
    ]


def _hazards(entries: Sequence[Entry]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(hazard for entry in entries for hazard in _hazards_of(entry) if hazard))


def _hazards_of(entry: Entry) -> tuple[str, ...]:
    """Its class, then its subsidiary hazards."""
    return (entry.hazard_class, *re.split(r"[,;/\s]+", entry.subsidiary))


def _in_litres(entry: Entry) -> bool:
    """Whether its amounts are told in litres: its limits are, or it is a flammable liquid."""
    return entry.hazard_class == "3" or re.search(r"\d L\b", f"{entry.pax_text} {entry.cao_text}") is not None
