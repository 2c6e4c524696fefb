"""Quantity reliefs of a whole vehicle: ADR 1.1.3.6 load points, and US materials of trade (49 CFR 173.6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.domain.dangerous_goods.other_goods import Ruling, unknown
from fleet.domain.dangerous_goods.words import Verdict

POINT_LIMIT = 1000.0
# transport category: (largest quantity of this category alone, factor when categories mix)
CATEGORIES = {0: (0.0, 0.0), 1: (20.0, 50.0), 2: (333.0, 3.0), 3: (1000.0, 1.0), 4: (float("inf"), 0.0)}

MOT_SOLID_OR_LIQUID = frozenset({"3", "8", "9", "4.1", "5.1", "5.2", "6.1"})
MOT_GASES = frozenset({"2.1", "2.2"})
MOT_WITHOUT_GROUP = frozenset({"9", "5.2"})
MOT_PG_I, MOT_PG_II_III, MOT_GAS_KG, MOT_TOTAL_KG = 0.5, 30.0, 100.0, 200.0


@dataclass(frozen=True, slots=True)
class LoadItem:
    """One line of a road load: ADR transport category, quantity (kg or L as 1.1.3.6.3 says), or out of the count."""

    un: str = ""
    tc: int | None = None
    qty: float | None = None
    lq: bool = False
    exempt: bool = False


@dataclass(frozen=True, slots=True)
class LoadPoints:
    """The points of a load, per line and in total, and what the relief says."""

    ruling: Ruling
    points: float | None
    lines: tuple[float | None, ...]


def adr_points(items: Sequence[LoadItem]) -> LoadPoints:
    """ADR 1.1.3.6: each category within its own limit and, with several, the points at most 1000. Source: ADR 1.1.3.6.3-4.

    Limited quantities and exempt goods are not counted. Category 4 has no limit and does not make a mixture. That a
    category's own limit also counts in a mixture is the cautious reading: what is added never brings a load within.
    """
    if not items:
        return LoadPoints(unknown("missing_items", "mixed", "items"), None, ())
    counted = [item for item in items if not (item.lq or item.exempt)]
    lacking = tuple(_lacks(item) for item in counted)
    lines = tuple(0.0 if item.lq or item.exempt else _points(item) for item in items)
    first = next((fact for fact in lacking if fact), "")
    if first:
        reason = "missing_transport_category" if first == "tc" else "missing_quantity"
        facts = dict.fromkeys([first, *(fact for fact in lacking if fact)])
        return LoadPoints(unknown(reason, "mixed", *facts), None, lines)
    total = sum(line for line in lines if line is not None)
    return LoadPoints(Ruling(Verdict.PERMITTED, _adr_reason(counted, total), "mixed"), total, lines)


def _adr_reason(counted: Sequence[LoadItem], total: float) -> str:
    categories = {item.tc for item in counted}
    if 0 in categories:
        return "adr_1136_tc0_present"
    limited = categories - {4}
    amounts = {
        category: sum(item.qty or 0.0 for item in counted if item.tc == category) for category in limited
    }
    within = all(amount <= CATEGORIES[category or 0][0] for category, amount in amounts.items())
    if len(limited) > 1:
        within = within and total <= POINT_LIMIT
    return "adr_1136_within" if within else "adr_1136_exceeded"


def _lacks(item: LoadItem) -> str:
    if item.tc not in CATEGORIES:
        return "tc"
    return "qty" if item.qty is None else ""


def _points(item: LoadItem) -> float | None:
    if item.tc is None or item.tc not in CATEGORIES or item.qty is None:
        return None
    return CATEGORIES[item.tc][1] * item.qty


@dataclass(frozen=True, slots=True)
class TradeItem:
    """One package under materials of trade: class, packing group, quantity (kg or L), gross mass."""

    hazard_class: str
    pg: str | None = None
    qty: float | None = None
    gross_kg: float | None = None


def materials_of_trade(items: Sequence[TradeItem]) -> Ruling:
    """49 CFR 173.6: eligible classes, package limits, 200 kg gross per vehicle; beyond it the full US rules hold."""
    if not items:
        return unknown("missing_items", "mixed", "items")
    if any(item.hazard_class not in MOT_SOLID_OR_LIQUID | MOT_GASES for item in items):
        return Ruling(Verdict.PERMITTED, "mot_not_eligible", "mixed")
    lacking = dict.fromkeys(fact for item in items for fact in _trade_lacks(item))
    if lacking:
        reason = "missing_packing_group" if next(iter(lacking)) == "pg" else "missing_quantity"
        return unknown(reason, "mixed", *lacking)
    if any(_over_package(item) for item in items):
        return Ruling(Verdict.PERMITTED, "mot_package_exceeded", "mixed")
    total = sum(item.gross_kg or 0.0 for item in items)
    return Ruling(Verdict.PERMITTED, "mot_total_exceeded" if total > MOT_TOTAL_KG else "mot_within", "mixed")


def _trade_lacks(item: TradeItem) -> list[str]:
    gas = item.hazard_class in MOT_GASES
    group_needed = not gas and item.hazard_class not in MOT_WITHOUT_GROUP
    wanted = {
        "pg": group_needed and item.pg is None,
        "qty": not gas and item.qty is None,
        "gross_kg": item.gross_kg is None,
    }
    return [fact for fact, lacks in wanted.items() if lacks]


def _over_package(item: TradeItem) -> bool:
    if item.hazard_class in MOT_GASES:
        return (item.gross_kg or 0.0) > MOT_GAS_KG
    return (item.qty or 0.0) > (MOT_PG_I if item.pg == "I" else MOT_PG_II_III)
