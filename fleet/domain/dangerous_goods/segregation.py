"""Which two goods must be kept apart, per mode.

Sources: AIR DGR 9.3; SEA IMDG 7.2.4 (same cargo transport unit; 'away from' counts as a conflict here); ROAD ADR 7.5.2;
ROAD_US 49 CFR 177.848 (its letter O: only so far apart that what leaks cannot mix).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from fleet.domain.dangerous_goods.other_goods import Ruling, unknown
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.lib.tables import read_table

Pair = frozenset[str]
LITHIUM_ALONE = "li_alone"
AIR_APART_FROM_LITHIUM = frozenset({"2.1", "3", "4.1", "5.1"})
AIR_APART = frozenset({frozenset({"5.1", "3"}), frozenset({"5.1", "4.2"}), frozenset({"4.3", "8"})})
TABLES = "fleet.domain.tables"
TOGETHER = "X"  # of the table of the sea; any number keeps two classes out of one container
REACTIVE = frozenset({frozenset({"5.1", "3"}), frozenset({"5.1", "4.2"}), frozenset({"5.1", "8"})})
US_APART = frozenset({frozenset({"4.2", "8"})})  # 177.848(c)
US_NOT_MIXED = frozenset(
    frozenset(pair) for pair in (("3", "5.1"), ("4.1", "8"), ("4.3", "8"), ("5.1", "8"), ("5.2", "8"))
)
# What tags a good. Corrosives without a name count as acids: the harmful end.
ALONE_UN = frozenset({"3480", "3090"})
HYPOCHLORITE_UN = frozenset({"1748", "1791", "2208", "2880", "3485", "3486", "3487"})
ACID_UN = frozenset({"1760", "2582", "2794", "2796", "2800", "3264"})
HYPOCHLORITE_WITH_ACID = frozenset({"hypochlorite", "acid"})


@cache
def sea_table() -> dict[tuple[str, str], str]:
    """IMDG 7.2.4 by pairs of classes, in both orders: X, or 1 (away from) to 4. Explosives among themselves are left out."""
    found: dict[tuple[str, str], str] = {}
    for row in read_table(TABLES, "sea_segregation"):
        for column, word in row.items():
            if column != "class":
                for other in column.split():
                    found[row["class"], other] = found[other, row["class"]] = word
    return found


def _division(hazard_class: str) -> str:
    """1.4S is 1.4: its compatibility group says nothing here."""
    return hazard_class[:3] if hazard_class.startswith("1.") else hazard_class


@dataclass(frozen=True, slots=True)
class Stowed:
    """One side of a pair: its class, and a tag that says more (li_alone, li_installed, hypochlorite, acid)."""

    hazard_class: str | None
    tag: str | None = None


def rule_pair(first: Stowed, second: Stowed, mode: Mode) -> Ruling:
    """Whether two goods may stand together, whatever their order."""
    if not first.hazard_class or not second.hazard_class:
        return unknown("missing_class", "mixed", "class")
    if mode is Mode.SEA and _sea_word(first, second) is None:
        return unknown("missing_class", "mixed", "class")
    classes = frozenset({first.hazard_class, second.hazard_class})
    reactive = classes in REACTIVE or frozenset({first.tag, second.tag}) == HYPOCHLORITE_WITH_ACID
    if _apart(first, second, classes, mode, reactive):
        return Ruling(Verdict.FORBIDDEN, "segregation_conflict", "mixed")
    if mode is Mode.ROAD_US and (classes in US_NOT_MIXED or reactive):
        return Ruling(Verdict.PERMITTED, "keep_apart_us", "mixed")
    if reactive:
        return Ruling(Verdict.PERMITTED, "keep_apart_reactive", "mixed")
    return Ruling(Verdict.PERMITTED, "no_table_conflict", "mixed")


def _apart(first: Stowed, second: Stowed, classes: Pair, mode: Mode, reactive: bool) -> bool:
    if mode is Mode.AIR:
        return classes in AIR_APART or any(
            one.tag == LITHIUM_ALONE and _kept_from_lithium(other.hazard_class or "")
            for one, other in ((first, second), (second, first))
        )
    if mode is Mode.ROAD_US:
        return classes in US_APART
    return mode is Mode.SEA and (_sea_word(first, second) != TOGETHER or reactive)


def _sea_word(first: Stowed, second: Stowed) -> str | None:
    """What IMDG 7.2.4 says of two classes; None where it has no box for them."""
    return sea_table().get((_division(first.hazard_class or ""), _division(second.hazard_class or "")))


def _kept_from_lithium(hazard_class: str) -> bool:
    explosive = hazard_class.startswith("1") and hazard_class != "1.4S"
    return explosive or hazard_class in AIR_APART_FROM_LITHIUM


def tag_of(un: str) -> str | None:
    """What more than its class counts of a UN number (four digits)."""
    for tag, numbers in (
        (LITHIUM_ALONE, ALONE_UN),
        ("hypochlorite", HYPOCHLORITE_UN),
        ("acid", ACID_UN),
    ):
        if un in numbers:
            return tag
    return None


def rule_kinds(
    first: tuple[str, ...], second: tuple[str, ...], tags: tuple[str | None, str | None], mode: Mode
) -> Ruling:
    """Two goods by class and subsidiary hazards: the strictest of all their pairs counts. No hazard: class not known."""
    found = [
        rule_pair(Stowed(one, tags[0]), Stowed(other, tags[1]), mode)
        for one in first or (None,)
        for other in second or (None,)
    ]
    return max(found, key=lambda ruling: (int(ruling.verdict), ruling.reason != "no_table_conflict"))
