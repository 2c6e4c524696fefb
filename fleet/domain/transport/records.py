"""What is on record of a unit for its transport class, and through which day its papers hold."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.unit import UnitItem
from fleet.domain.fit.mass import PackedMass
from fleet.domain.transport.measures import Measures

FloatArray = NDArray[np.float64]


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


GATES: tuple[Gate, ...] = tuple(Gate)
PAPER_STATES: tuple[PaperState, ...] = tuple(PaperState)


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
    """A unit on a ship date: its goods with their keys in the same order, its papers, its forms.

    `proof_in_date`, `plate_in_date`: the proof test of its lifting points, the safety plate of the container it may be.
    """

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
    plate_in_date: bool | None = None
    discharge: tuple[tuple[str, bool | None, float | None], ...] = ()


def paper_states(
    ends: FloatArray, ends_void: FloatArray, today: float, mission_end: FloatArray
) -> NDArray[np.int64]:
    """States of certificates (places in `PAPER_STATES`) from the days through which they hold (-inf none, inf no end).

    Day numbers, all of one shape; `today` is the day they are looked at on, `mission_end` the last mission day.
    """
    place = PAPER_STATES.index
    short = np.where(ends < today, place(PaperState.LAPSED), place(PaperState.ENDS_EARLY))
    without = np.where(np.isneginf(ends), place(PaperState.NEVER), short)
    state = np.where(ends_void > ends, place(PaperState.VOIDED), without)
    return np.where(ends >= mission_end, place(PaperState.HOLDS), state)


def paper_state(ends: float, ends_void: float, today: float, mission_end: float) -> PaperState:
    """The state of one certificate, as `paper_states` has it."""
    one = (np.array([value]) for value in (ends, ends_void, mission_end))
    first, void, last = one
    return PAPER_STATES[int(paper_states(first, void, today, last)[0])]
