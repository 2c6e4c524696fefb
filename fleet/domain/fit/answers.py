"""One answer or a fleet of answers: the same checks, for n loads and m conveyances at once.

The single answer calls the same functions with n = m = 1, so that page, filter and sweep always agree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache

import numpy as np

from fleet.domain.fit.aircraft import Freighters, check_aircraft, freighters
from fleet.domain.fit.axle_groups import check_axle_group
from fleet.domain.fit.checks import (
    NOT_ASKED,
    REFUSED,
    VERDICT_WORDS,
    Board,
    BoolArray,
    Verdicts,
    better_way,
    failing_keys,
    lacking_keys,
    settle,
)
from fleet.domain.fit.containers import check_containers
from fleet.domain.fit.conveyances import (
    ConveyanceTable,
    aircraft,
    containers,
    decks,
    helicopters,
    tow_vehicles,
    ulds,
)
from fleet.domain.fit.forklift import ForkTruck, check_forklift
from fleet.domain.fit.helicopters import check_helicopters
from fleet.domain.fit.loads import Load, LoadColumns, load_columns
from fleet.domain.fit.own_box import check_own_box, slots
from fleet.domain.fit.reasons import KEYS, REASONS, UNIT_OF, Reason
from fleet.domain.fit.road import check_decks
from fleet.domain.fit.sling import check_sling_alone
from fleet.domain.fit.towing import check_towing
from fleet.domain.fit.trip import Trip
from fleet.lib.errors import DomainError

CHUNK = 2000  # loads a pass: keeps the working arrays of a large fleet small
NO_SLOTS = ConveyanceTable((), {}, {})
STATE_WORDS = ("pass", "fail", "cannot_decide", "not_asked")


@dataclass(frozen=True, slots=True)
class Conveyances:
    """The conveyances a question is put to, by class; an empty table asks none of its class."""

    containers: ConveyanceTable
    planes: Freighters
    helicopters: ConveyanceTable
    decks: ConveyanceTable
    tow_vehicles: ConveyanceTable
    slots: ConveyanceTable = NO_SLOTS

    @property
    def keys(self) -> tuple[str, ...]:
        return (
            *self.containers.keys,
            *self.planes.keys,
            *self.helicopters.keys,
            *self.decks.keys,
            *self.tow_vehicles.keys,
            *self.slots.keys,
        )

    @classmethod
    def only(
        cls,
        *,
        containers: ConveyanceTable | None = None,
        planes: Freighters | None = None,
        helicopters: ConveyanceTable | None = None,
        decks: ConveyanceTable | None = None,
        tow_vehicles: ConveyanceTable | None = None,
        slots: ConveyanceTable | None = None,
    ) -> Conveyances:
        """The named classes and no other."""
        none = conveyances_of(())
        return cls(
            containers or none.containers,
            planes or none.planes,
            helicopters or none.helicopters,
            decks or none.decks,
            tow_vehicles or none.tow_vehicles,
            slots or NO_SLOTS,
        )


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One rule of one answer: pass, fail, cannot_decide; the margin is slack, negative when refused."""

    key: str
    state: str
    margin: float | None
    unit: str

    @property
    def reason(self) -> Reason:
        return REASONS[self.key]


@dataclass(frozen=True, slots=True)
class Answer:
    """One load and one conveyance. `margin` belongs to `margin_check`: the reason when refused, else the binding check.

    `missing` are the keys of all facts that are not known, beside a refusal too.
    """

    conveyance: str
    verdict: str
    reason: str
    turned: bool
    margin: float | None
    margin_unit: str
    margin_check: str
    also_fails: tuple[str, ...]
    margin_mm: float | None
    margin_kg: float | None
    missing: tuple[str, ...] = ()

    @property
    def refusals(self) -> tuple[str, ...]:
        """The keys of every check that fails, in reason order."""
        return (self.reason, *self.also_fails) if self.verdict == "refused" else ()

    @property
    def against(self) -> tuple[str, ...]:
        """The keys of all that stands against it: refusals first, then what is missing."""
        return (*self.refusals, *self.missing)

    @property
    def fits(self) -> bool:
        return self.verdict == "fits"

    @property
    def sentence(self) -> str:
        return REASONS[self.reason].sentence


@dataclass(frozen=True, slots=True)
class FullAnswer:
    """The answer with every rule that was asked, in reason order."""

    answer: Answer
    lines: tuple[CheckLine, ...]


@dataclass(frozen=True, slots=True)
class FleetAnswer:
    """n loads × m conveyances; `verdicts` holds arrays of shape (n, m) in the order of `keys`."""

    keys: tuple[str, ...]
    verdicts: Verdicts

    def fits(self, conveyance: str) -> BoolArray:
        """Which loads fit, shape (n,)."""
        return np.equal(self.verdicts.verdict[:, self.place(conveyance)], 0)

    def answer(self, load: int, conveyance: str) -> Answer:
        return _answer(self.verdicts, load, self.place(conveyance), conveyance)

    def place(self, conveyance: str) -> int:
        if conveyance not in self.keys:
            raise _unknown(conveyance)
        return self.keys.index(conveyance)


@cache
def held_conveyances() -> Conveyances:
    """Every type of the published tables: freighters that need a high loader with each pallet, the others loose."""
    types, pallets = aircraft(), ulds()
    high = types["needs_high_loader"][0] == 1
    pairs: list[tuple[str, str | None]] = [
        (key, uld)
        for key, needs in zip(types.keys, high, strict=True)
        for uld in (pallets.keys if needs else (None,))
    ]
    return Conveyances(
        containers(), freighters(types, pallets, pairs), helicopters(), decks(), tow_vehicles(), slots()
    )


def conveyances_of(keys: Sequence[str]) -> Conveyances:
    """The named types, a pallet joined with `+`, as in `b763f+pmc`. Raises DomainError for a key that no table has."""
    groups: dict[str, list[str]] = {"container": [], "helicopter": [], "deck": [], "tow": [], "slot": []}
    tables = {
        "container": containers(),
        "helicopter": helicopters(),
        "deck": decks(),
        "tow": tow_vehicles(),
        "slot": slots(),
    }
    pairs: list[tuple[str, str | None]] = []
    for key in keys:
        kind = next((kind for kind, table in tables.items() if key in table.keys), None)
        plane, _plus, uld = key.partition("+")
        if kind is not None:
            groups[kind].append(key)
        elif plane in aircraft().keys and (not uld or uld in ulds().keys):
            pairs.append((plane, uld or None))
        else:
            raise _unknown(key)
    return Conveyances(
        tables["container"].pick(groups["container"]),
        freighters(aircraft(), ulds(), pairs),
        tables["helicopter"].pick(groups["helicopter"]),
        tables["deck"].pick(groups["deck"]),
        tables["tow"].pick(groups["tow"]),
        tables["slot"].pick(groups["slot"]),
    )


def answer_fleet(
    loads: Sequence[Load] | LoadColumns, trip: Trip, conveyances: Conveyances | None = None
) -> FleetAnswer:
    """All answers of n loads × all conveyances in arrays. Raises DomainError naming load and field of what cannot be."""
    asked = held_conveyances() if conveyances is None else conveyances
    columns = loads if isinstance(loads, LoadColumns) else load_columns(loads)
    blocks = [
        _beside([verdicts for verdicts, _boards in _classes(columns.rows(start, start + CHUNK), trip, asked)])
        for start in range(0, max(columns.size, 1), CHUNK)
    ]
    return FleetAnswer(asked.keys, _joined(blocks, axis=0))


def answer_one(load: Load, conveyance: str, trip: Trip) -> FullAnswer:
    """One load and one conveyance, with every rule. A freighter takes the pallet of the trip, if one is named.

    Raises DomainError for a conveyance that no table has.
    """
    key = conveyance
    if trip.uld is not None and conveyance in aircraft().keys:
        key = f"{conveyance}+{trip.uld}"
    ((verdicts, boards),) = _classes(load_columns([load]), trip, conveyances_of([key]))
    return _full(verdicts, boards, conveyance)


def answer_sling(load: Load, trip: Trip) -> FullAnswer:
    """The sling by itself."""
    return _alone(check_sling_alone(load_columns([load]), trip), "sling")


def answer_forklift(load: Load, truck: ForkTruck, *, ask_pockets: bool = False) -> FullAnswer:
    """One load on one fork truck."""
    return _alone(check_forklift(load_columns([load]), truck, ask_pockets=ask_pockets), "forklift")


def answer_axle_group(axles: int | None, spacing_ft: float | None, group_mass_kg: float | None) -> FullAnswer:
    """One group of axles against the US bridge formula."""
    return _alone(check_axle_group(axles, spacing_ft, group_mass_kg), "axle_group_us")


_Boards = tuple[Board, ...]


def _classes(loads: LoadColumns, trip: Trip, asked: Conveyances) -> Iterator[tuple[Verdicts, _Boards]]:
    if len(asked.containers):
        yield _both_ways(loads, lambda turned: check_containers(loads, asked.containers, trip, turned=turned))
    if len(asked.planes):
        yield _both_ways(loads, lambda turned: check_aircraft(loads, asked.planes, trip, turned=turned))
    if len(asked.helicopters):
        board = check_helicopters(loads, asked.helicopters, trip)
        yield settle(board), (board,)
    if len(asked.decks):
        yield _both_ways(loads, lambda turned: check_decks(loads, asked.decks, trip, turned=turned))
    if len(asked.tow_vehicles):
        board = check_towing(loads, asked.tow_vehicles, trip)
        yield settle(board), (board,)
    if len(asked.slots):
        board = check_own_box(loads, asked.slots, trip)
        yield settle(board), (board,)


def _both_ways(loads: LoadColumns, check: Callable[[bool], Board]) -> tuple[Verdicts, _Boards]:
    given, turned = check(False), check(True)
    return better_way(settle(given), settle(turned), loads.may_turn), (given, turned)


def _beside(blocks: Sequence[Verdicts]) -> Verdicts:
    return _joined(blocks, axis=1)


def _joined(blocks: Sequence[Verdicts], axis: int) -> Verdicts:
    if len(blocks) == 1:
        return blocks[0]
    return Verdicts(
        *(
            np.concatenate([getattr(block, field.name) for block in blocks], axis)
            for field in fields(Verdicts)
        )
    )


def _alone(board: Board, name: str) -> FullAnswer:
    return _full(settle(board), (board,), name)


def _full(verdicts: Verdicts, boards: _Boards, name: str) -> FullAnswer:
    answer = _answer(verdicts, 0, 0, name)
    board = boards[-1] if answer.turned else boards[0]
    lines = tuple(
        CheckLine(
            check.key,
            STATE_WORDS[check.state[0, 0]],
            _plain(check.margin[0, 0]),
            check.unit,
        )
        for check in board.checks
        if check.state[0, 0] != NOT_ASKED
    )
    return FullAnswer(answer, lines)


def _answer(verdicts: Verdicts, load: int, place: int, name: str) -> Answer:
    cell = load, place
    reason = KEYS[verdicts.reason[cell]]
    margin = _plain(verdicts.margin[cell])
    check = KEYS[verdicts.margin_check[cell]] if margin is not None else ""
    refused = verdicts.verdict[cell] == REFUSED
    failing = failing_keys(int(verdicts.fails[cell])) if refused else ()
    return Answer(
        name,
        VERDICT_WORDS[verdicts.verdict[cell]],
        reason,
        bool(verdicts.turned[cell]),
        margin,
        UNIT_OF.get(check, ""),
        check,
        tuple(key for key in failing if key != reason),
        _plain(verdicts.margin_mm[cell]),
        _plain(verdicts.margin_kg[cell]),
        lacking_keys(int(verdicts.lacks[cell])),
    )


def _plain(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _unknown(key: str) -> DomainError:
    return DomainError("conveyance.unknown", "There is no conveyance '{key}' in the tables.", key=key)
