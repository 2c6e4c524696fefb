"""What is on record of a unit for its transport class, and through which day its papers hold."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fleet.domain.dangerous_goods.unit import UnitItem
from fleet.domain.fit.mass import PackedMass
from fleet.domain.transport.measures import Measures


class Gate(StrEnum):
    """What a certificate gates, as `CertificateRule.gate` spells it."""

    ANY = "any"
    AIR = "air"
    ROAD = "road"
    SEA = "sea"
    LIFT = "lift"


class PaperState(StrEnum):
    """Whether a certificate holds through the last mission day."""

    HOLDS = "holds"
    ENDS_EARLY = "ends_early"
    LAPSED = "lapsed"
    VOIDED = "voided"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class Paper:
    """One certificate a unit must hold for a gate; `ends_on` is the last day it is good for, None: no end, or none held."""

    kind: str
    gate: Gate
    state: PaperState
    ends_on: date | None
    source: str = ""


@dataclass(frozen=True, slots=True)
class FormRecord:
    """One packed form of one unit. `weighed_on` None: the mass is that of the catalogue."""

    form_id: int
    code: str
    kind: str
    label: str
    measures: Measures
    mass: PackedMass
    weighed_on: date | None
    own: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ListWord:
    """Whether the list of goods counts as confirmed complete, and if not, why: never, stale, gone (lines have gone)."""

    confirmed: bool
    why: str = ""
    on: date | None = None
    by: str = ""
    gone: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class UnitRecord:
    """A unit on a ship date: its goods with their keys in the same order, its papers, its forms."""

    unit_id: int
    tag: str
    design: str
    depot: str
    items: tuple[UnitItem, ...]
    keys: tuple[str, ...]
    goods_list: ListWord
    papers: tuple[Paper, ...]
    forms: tuple[FormRecord, ...]
    proof_in_date: bool | None
    discharge: tuple[tuple[str, bool | None, float | None], ...] = ()


def paper_state(ends: float, ends_void: float, today: float, mission_end: float) -> PaperState:
    """The state of one certificate from the days through which it holds (-inf none, inf no end), as day numbers.

    `today` is the day it is looked at on, `mission_end` the last mission day.
    """
    if ends >= mission_end:
        return PaperState.HOLDS
    if ends_void > ends:
        return PaperState.VOIDED
    if ends == float("-inf"):
        return PaperState.NEVER
    return PaperState.LAPSED if ends < today else PaperState.ENDS_EARLY
