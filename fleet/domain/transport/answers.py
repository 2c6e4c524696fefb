"""Units × packed forms × conveyances × modes: the law, the papers and the fit together, in arrays and one by one.

The answer of one unit is the answer of a fleet of one. Worst of the three decides: refused, cannot decide, approval, yes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.batteries import decide_columns
from fleet.domain.dangerous_goods.columns import battery_columns
from fleet.domain.dangerous_goods.records import Battery, Item
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.fit.answers import Conveyances, FleetAnswer, answer_fleet, held_conveyances
from fleet.domain.fit.conveyances import decks, tow_vehicles
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import OF_THE_FORM, Topic, Topics, Trip, number
from fleet.domain.transport.columns import FleetColumns, columns_of
from fleet.domain.transport.records import GATES, PAPER_STATES, Gate, Paper, PaperState, UnitRecord

MODES: tuple[Mode, ...] = (Mode.AIR, Mode.ROAD, Mode.SEA, Mode.ROAD_US)
# Asked of every unit whatever the trip: without these facts nothing can be said.
ALWAYS_ASKED: Topics = OF_THE_FORM | {
    Topic.PROOF,
    Topic.CENTRE_OF_GRAVITY,
    Topic.AXLES,
    Topic.TRAILER_PLATE,
    Topic.FLOOR,
    Topic.DECK_WIDTH,
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
_OF_PAPER = np.array(
    [
        {PaperState.HOLDS: Carried.YES, PaperState.NEVER: Carried.CANNOT_DECIDE}.get(state, Carried.NO)
        for state in PAPER_STATES
    ],
    dtype=np.int8,
)


@dataclass(frozen=True, slots=True)
class ClassArrays:
    """The answers without the records: as in `FleetClass`."""

    law: VerdictArray
    papers: VerdictArray
    fit: FleetAnswer
    carried: VerdictArray

    def of(
        self, units: Sequence[UnitRecord], tags: Sequence[str], form_of: tuple[tuple[int, int], ...]
    ) -> FleetClass:
        """The answers with the records they are about, which may be made as they are read."""
        return FleetClass(units, form_of, self.law, self.papers, self.fit, self.carried, tuple(tags))


@dataclass(frozen=True, slots=True)
class FleetClass:
    """n units with f forms: `law` (n, modes) as Verdict, `papers` (n, gates) as Carried, `fit` f × m, `carried` (f, m).

    `form_of[k]` is (unit, form) of row k of `fit`; `tags` (n,) are those of the units, which need not be read for it.
    """

    units: Sequence[UnitRecord]
    form_of: tuple[tuple[int, int], ...]
    law: VerdictArray
    papers: VerdictArray
    fit: FleetAnswer
    carried: VerdictArray
    tags: tuple[str, ...]

    def row(self, unit: int, form: int) -> int:
        return self.form_of.index((unit, form))


def mode_of_conveyance(conveyance: str) -> tuple[Mode, tuple[Gate, ...]]:
    """Which rules and which certificates a conveyance asks for: the gates besides those of leaving at all."""
    table = held_conveyances()
    if conveyance in (*table.containers.keys, *table.slots.keys):
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
    columns = columns_of(units)
    arrays = class_of_columns(columns, trip, ship_date, conveyances=conveyances, rules=rules)
    return arrays.of(tuple(units), [unit.tag for unit in units], columns.form_of)


def class_of_columns(
    columns: FleetColumns,
    trip: Trip,
    ship_date: date,
    *,
    conveyances: Conveyances | None = None,
    rules: Rules | None = None,
) -> ClassArrays:
    """As `class_of_fleet`, for units that are columns already. One unit is the fleet of length one."""
    fit = answer_fleet(_as_carried(columns.loads, trip), trip, conveyances)
    law = law_of_columns(columns, ship_date, rules=rules)
    papers = papers_of_columns(columns)
    carried = carried_of_fit(fit)
    unit_of = columns.unit_of
    for place, key in enumerate(fit.keys):
        mode, gates = mode_of_conveyance(key)
        of_law = _OF_LAW[law[unit_of, MODES.index(mode)]]
        asked = [GATES.index(gate) for gate in (Gate.ANY, *gates)]
        of_papers = papers[:, asked].max(axis=1, initial=0)[unit_of]
        carried[:, place] = np.maximum(carried[:, place], np.maximum(of_law, of_papers))
    return ClassArrays(law, papers, fit, carried)


def carried_of_fit(fit: FleetAnswer) -> VerdictArray:
    """What the fit alone says, shape (f, m)."""
    found: VerdictArray = _OF_FIT[fit.verdicts.verdict]
    return found


def _as_carried(loads: LoadColumns, trip: Trip) -> LoadColumns:
    """The loads with the beams and boards that the trip puts under every one of them."""
    under = {"bearing_length_mm": trip.bearing_length_mm, "bearing_area_m2": trip.bearing_area_m2}
    if all(value is None for value in under.values()):
        return loads
    spread = {name: np.full((loads.size, 1), number(value)) for name, value in under.items()}
    return replace(loads, numbers={**loads.numbers, **spread})


def law_of_fleet(units: Sequence[UnitRecord], ship_date: date, *, rules: Rules | None = None) -> VerdictArray:
    """The worst verdict of each unit's goods, shape (n, modes). A list not confirmed, or empty, cannot be decided."""
    return law_of_columns(columns_of(units), ship_date, rules=rules)


def law_of_columns(columns: FleetColumns, ship_date: date, *, rules: Rules | None = None) -> VerdictArray:
    """The worst verdict of each unit's goods, shape (n, modes), equal goods decided once.

    A list not confirmed, or empty, cannot be decided.
    """
    worst = np.zeros((columns.size, len(MODES)), dtype=np.int8)
    some = np.bincount(columns.line_unit, minlength=columns.size) > 0
    worst[~some | ~columns.confirmed] = int(Verdict.CANNOT_DECIDE)
    of_items = verdicts_of_items(columns.items, ship_date, rules=rules)
    np.maximum.at(worst, columns.line_unit, of_items[columns.line_item])
    return worst


def verdicts_of_items(items: Sequence[Item], ship_date: date, *, rules: Rules | None = None) -> VerdictArray:
    """The verdict of each item in each mode, shape (items, modes); the batteries all at once."""
    found = np.zeros((len(items), len(MODES)), dtype=np.int8)
    places = [place for place, item in enumerate(items) if isinstance(item, Battery)]
    batteries = battery_columns([item for item in items if isinstance(item, Battery)])
    others = [(place, item) for place, item in enumerate(items) if not isinstance(item, Battery)]
    for column, mode in enumerate(MODES):
        if places:
            found[places, column] = decide_columns(batteries, mode, ship_date, rules=rules).verdict
        for place, item in others:
            found[place, column] = int(decide_item(item, mode, ship_date, rules=rules).verdict)
    return found


def papers_of_fleet(units: Sequence[UnitRecord]) -> VerdictArray:
    """The worst paper of each unit and gate, shape (n, gates), as Carried."""
    return papers_of_columns(columns_of(units))


def papers_of_columns(columns: FleetColumns) -> VerdictArray:
    """The worst paper of each unit and gate, shape (n, gates), as Carried."""
    worst = np.zeros((columns.size, len(GATES)), dtype=np.int8)
    np.maximum.at(worst, (columns.paper_unit, columns.paper_gate), _OF_PAPER[columns.paper_state])
    return worst


def papers_for(unit: UnitRecord, conveyance: str) -> tuple[Paper, ...]:
    """The papers that a conveyance asks of a unit."""
    _mode, gates = mode_of_conveyance(conveyance)
    return tuple(paper for paper in unit.papers if paper.gate in (Gate.ANY, *gates))
