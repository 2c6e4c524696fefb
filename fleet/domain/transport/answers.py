"""Units × packed forms × conveyances × modes: the law, the papers and the fit together, in arrays and one by one.

The answer of one unit is the answer of a fleet of one. Worst of the three decides: refused, cannot decide, approval, yes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.batteries import decide_batteries
from fleet.domain.dangerous_goods.records import Battery, Item
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.fit.answers import Conveyances, FleetAnswer, answer_fleet, held_conveyances
from fleet.domain.fit.conveyances import decks, tow_vehicles
from fleet.domain.fit.trip import OF_THE_FORM, Topic, Topics, Trip
from fleet.domain.transport.measures import load_of
from fleet.domain.transport.records import Gate, Paper, PaperState, UnitRecord

MODES: tuple[Mode, ...] = (Mode.AIR, Mode.ROAD, Mode.SEA, Mode.ROAD_US)
GATES: tuple[Gate, ...] = tuple(Gate)
# Asked of every unit whatever the trip: without these facts nothing can be said.
ALWAYS_ASKED: Topics = OF_THE_FORM | {
    Topic.PROOF,
    Topic.CENTRE_OF_GRAVITY,
    Topic.AXLES,
    Topic.HOVER,
    Topic.SLING_ANGLE,
    Topic.SLING_LENGTH,
    Topic.SLING_STABILITY,
    Topic.LIFT_POINT_RATING,
}
VerdictArray = NDArray[np.int8]


class Carried(IntEnum):
    """From best to worst."""

    YES = 0
    YES_WITH_CONDITIONS = 1
    APPROVAL = 2
    CANNOT_DECIDE = 3
    NO = 4

    @property
    def word(self) -> str:
        return ("yes", "with_conditions", "with_approval", "cannot_decide", "no")[self]


_OF_LAW = np.array(
    [
        Carried.YES,
        Carried.YES_WITH_CONDITIONS,
        Carried.YES_WITH_CONDITIONS,
        Carried.APPROVAL,
        Carried.CANNOT_DECIDE,
        Carried.NO,
    ],
    dtype=np.int8,
)
_OF_FIT = np.array([Carried.YES, Carried.NO, Carried.CANNOT_DECIDE], dtype=np.int8)
_OF_PAPER = {
    PaperState.HOLDS: Carried.YES,
    PaperState.NEVER: Carried.CANNOT_DECIDE,
    PaperState.ENDS_EARLY: Carried.NO,
    PaperState.LAPSED: Carried.NO,
    PaperState.VOIDED: Carried.NO,
}


@dataclass(frozen=True, slots=True)
class FleetClass:
    """n units with f forms: `law` (n, modes) as Verdict, `papers` (n, gates) as Carried, `fit` f × m, `carried` (f, m).

    `form_of[k]` is (unit, form) of row k of `fit`.
    """

    units: tuple[UnitRecord, ...]
    form_of: tuple[tuple[int, int], ...]
    law: VerdictArray
    papers: VerdictArray
    fit: FleetAnswer
    carried: VerdictArray

    def row(self, unit: int, form: int) -> int:
        return self.form_of.index((unit, form))


def mode_of_conveyance(conveyance: str) -> tuple[Mode, tuple[Gate, ...]]:
    """Which rules and which certificates a conveyance asks for: the gates besides those of leaving at all."""
    table = held_conveyances()
    if conveyance in table.containers.keys:
        return Mode.SEA, (Gate.SEA,)
    if conveyance in table.helicopters.keys or conveyance == "hook":
        return Mode.AIR, (Gate.AIR, Gate.LIFT)
    for vehicles in (decks(), tow_vehicles()):
        if conveyance in vehicles.keys:
            region = vehicles.words["jurisdiction"][vehicles.keys.index(conveyance)]
            return (Mode.ROAD_US if region == "US" else Mode.ROAD), (Gate.ROAD,)
    return Mode.AIR, (Gate.AIR,)


def class_of_fleet(
    units: Sequence[UnitRecord],
    trip: Trip,
    ship_date: date,
    *,
    conveyances: Conveyances | None = None,
    rules: Rules | None = None,
) -> FleetClass:
    """All answers of n units in one pass. Raises DomainError naming what cannot be used."""
    form_of = tuple((n, k) for n, unit in enumerate(units) for k in range(len(unit.forms)))
    loads = [
        load_of(
            units[n].forms[k].measures,
            units[n].forms[k].mass.total_kg,
            proof_in_date=units[n].proof_in_date,
        )
        for n, k in form_of
    ]
    fit = answer_fleet(loads, trip, conveyances)
    law = law_of_fleet(units, ship_date, rules=rules)
    papers = papers_of_fleet(units)
    carried = _OF_FIT[fit.verdicts.verdict]
    unit_of = np.array([n for n, _k in form_of], dtype=np.int64)
    for column, key in enumerate(fit.keys):
        mode, gates = mode_of_conveyance(key)
        of_law = _OF_LAW[law[unit_of, MODES.index(mode)]]
        asked = np.array([GATES.index(gate) for gate in (Gate.ANY, *gates)], dtype=np.int64)
        of_papers = papers[unit_of][:, asked].max(axis=1, initial=0)
        carried[:, column] = np.maximum(carried[:, column], np.maximum(of_law, of_papers))
    return FleetClass(tuple(units), form_of, law, papers, fit, carried)


def law_of_fleet(units: Sequence[UnitRecord], ship_date: date, *, rules: Rules | None = None) -> VerdictArray:
    """The worst verdict of each unit's goods, shape (n, modes). A list not confirmed, or empty, cannot be decided."""
    worst = np.zeros((len(units), len(MODES)), dtype=np.int8)
    unsure = np.array([not unit.items or not unit.goods_list.confirmed for unit in units], dtype=np.bool_)
    worst[unsure] = int(Verdict.CANNOT_DECIDE)
    batteries: list[tuple[int, Battery]] = []
    others: dict[Item, list[int]] = {}
    for n, unit in enumerate(units):
        for entry in unit.items:
            if isinstance(entry.item, Battery):
                batteries.append((n, entry.item))
            else:
                others.setdefault(entry.item, []).append(n)
    owners: NDArray[np.int64] = np.array([n for n, _battery in batteries], dtype=np.int64)
    for column, mode in enumerate(MODES):
        if batteries:
            decided = decide_batteries([battery for _n, battery in batteries], mode, ship_date, rules=rules)
            np.maximum.at(worst[:, column], owners, decided.verdict)
        for item, holders in others.items():
            verdict = int(decide_item(item, mode, ship_date, rules=rules).verdict)
            np.maximum.at(worst[:, column], np.array(holders), np.int8(verdict))
    return worst


def papers_of_fleet(units: Sequence[UnitRecord]) -> VerdictArray:
    """The worst paper of each unit and gate, shape (n, gates), as Carried."""
    worst = np.zeros((len(units), len(GATES)), dtype=np.int8)
    for n, unit in enumerate(units):
        for paper in unit.papers:
            place = GATES.index(paper.gate)
            worst[n, place] = max(int(worst[n, place]), int(_OF_PAPER[paper.state]))
    return worst


def papers_for(unit: UnitRecord, conveyance: str) -> tuple[Paper, ...]:
    """The papers that a conveyance asks of a unit."""
    _mode, gates = mode_of_conveyance(conveyance)
    return tuple(paper for paper in unit.papers if paper.gate in (Gate.ANY, *gates))
