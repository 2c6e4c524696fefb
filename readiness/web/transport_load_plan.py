"""One load answered: who may go at all, what is placed where, what stays behind and why, what is left of each limit.

Placement and law are those of the domain.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.whole_load import LoadedUnit
from fleet.domain.dangerous_goods.words import Verdict
from fleet.domain.fit.answers import answer_fleet, conveyances_of
from fleet.domain.fit.loads import Load
from fleet.domain.fit.reasons import REASONS
from fleet.domain.fit.trip import Topic, Trip
from fleet.domain.placement import Piece, Placement, place
from fleet.domain.placement_rooms import Hold, HoldKind, hold_of
from fleet.domain.transport.answers import Carried, FleetClass, class_of_fleet, mode_of_conveyance
from fleet.domain.transport.records import FormRecord, UnitRecord
from fleet.selectors.editions import rules_in_force
from readiness.selectors.transport import clearances_of, load_transport, terms_on
from readiness.web.transport import (
    CARRIED_OUTCOME,
    CARRIED_WORDS,
    GridRow,
    conveyance_names,
    grid_row,
    law_of,
)
from readiness.web.transport_load import (
    HOLDS_LISTED,
    HOLDS_UNKNOWN,
    NO_LIST,
    UNSAID,
    Behind,
    Limit,
    LoadPlan,
    LoadQuestion,
    Stowed,
)
from readiness.web.transport_load_law import law_of_load

# What is left of three seconds for records, law and the page itself.
PLACEMENT_S = 1.2
_OF_VERDICT = {
    Verdict.NOT_RESTRICTED: Carried.YES,
    Verdict.PERMITTED: Carried.YES_WITH_CONDITIONS,
    Verdict.CARGO_AIRCRAFT_ONLY: Carried.YES_WITH_CONDITIONS,
    Verdict.APPROVAL_NEEDED: Carried.APPROVAL,
    Verdict.CANNOT_DECIDE: Carried.CANNOT_DECIDE,
    Verdict.FORBIDDEN: Carried.NO,
}
NOT_ASKED = {
    HoldKind.CONTAINER: gettext_lazy(
        "the lashings, the balance across, the box's safety plate, the road leg to the port"
    ),
    HoldKind.AIRCRAFT: gettext_lazy(
        "the lashings, range and runway, the balance of the aircraft (its loading chart decides), the place of a side door"
    ),
    HoldKind.PALLET: gettext_lazy(
        "the net and lashings, range and runway, where the pallet stands in the aircraft"
    ),
    HoldKind.DECK: gettext_lazy("the lashings, the balance across, the driver's licence"),
}


@dataclass(frozen=True)
class _Candidate:
    """A unit or kit pallet with what is known of it before anything is placed; `piece` None: it is not placed at all."""

    key: str
    name: str
    tag: str
    form: str
    piece: Piece | None
    carried: Carried
    word: str
    why: tuple[str, ...]
    aboard: LoadedUnit
    listed: bool = False  # a pallet with goods of the lists of the units, whichever of them


def plan_load(question: LoadQuestion, *, now: dt.datetime, placement_s: float = PLACEMENT_S) -> LoadPlan:
    """The answer to one question. Raises DomainError for a conveyance, opening or axles that cannot be."""
    terms = terms_on(question.ship_date)
    clearances = clearances_of(terms)
    gap = terms.gap_mm if question.gap_mm is None else question.gap_mm
    hold = hold_of(
        question.conveyance,
        gap_mm=gap,
        clearances=clearances,
        from_above=question.from_above,
        supports=question.supports,
        floor_kg_m2=question.floor_kg_m2,
    )
    rules = rules_in_force()
    stated = question.floor_kg_m2
    trip = Trip(
        asked=frozenset({Topic.FLOOR, Topic.DECK_WIDTH}),
        clearances=clearances,
        load_by="crane_top" if question.from_above else "door",
        floors_kg_m2=() if stated is None else ((question.conveyance, stated),),
    )
    records = load_transport(
        [unit for unit, _form in question.units],
        ship_date=question.ship_date,
        now=now,
        mission_days=question.mission_days,
        terms=terms,
    )
    candidates = [*_units(question, records, trip, hold, rules), *_kits(question, trip)]
    pieces = tuple(candidate.piece for candidate in candidates if candidate.piece is not None)
    placement = place(pieces, hold.room, time_limit_s=placement_s)
    stowed = _stowed(placement, candidates, hold)
    behind = _behind(placement, candidates)
    there = {item.key for item in placement.placed}
    goes = [candidate for candidate in candidates if candidate.key in there]
    judged = _judged(goes, candidates)
    tag_of = {candidate.name: candidate.tag for candidate in judged if candidate.tag}
    aboard = list(dict.fromkeys(candidate.aboard for candidate in judged))
    law = law_of_load(aboard, tag_of, question, rules) if goes else None
    cg = None if placement.cg_mm is None else placement.cg_mm + hold.shift_along_mm
    carried = max(
        [
            *(candidate.carried for candidate in goes),
            *([_OF_VERDICT[law[0].verdict]] if law else []),
        ],
        default=_nothing_goes(candidates),
    )
    return LoadPlan(
        question,
        conveyance_names()[question.conveyance],
        hold,
        gap,
        pieces,
        placement,
        stowed,
        behind,
        _limits(placement, {piece.key: piece for piece in pieces}, hold),
        law[1] if law else None,
        carried,
        cg,
        _axles(placement, hold),
        str(NOT_ASKED[hold.kind]) + _axles_not_asked(hold),
    )


def _nothing_goes(candidates: Sequence[_Candidate]) -> Carried:
    """The answer where nothing is placed: a no is one only where none of them lacks a fact."""
    waits = any(one.piece is None and one.carried is not Carried.NO for one in candidates)
    return Carried.CANNOT_DECIDE if waits else Carried.NO


def _judged(goes: Sequence[_Candidate], candidates: Sequence[_Candidate]) -> list[_Candidate]:
    """Whose goods the law of the load is about: what goes, and where a pallet goes with goods of the lists of the units,
    every unit named, for those of one that stays behind may be on it.
    """
    if not any(candidate.listed for candidate in goes):
        return list(goes)
    there = {candidate.key for candidate in goes}
    return [candidate for candidate in candidates if candidate.key in there or candidate.tag]


def _axles_not_asked(hold: Hold) -> str:
    if hold.kind is not HoldKind.DECK or hold.room.supports is not None:
        return ""
    return str(
        _(
            ", the axle loads (the tables hold no axles of this deck: type where they stand, or weigh the vehicle)"
        )
    )


def _units(
    question: LoadQuestion, records: Sequence[UnitRecord], trip: Trip, hold: Hold, rules: Rules
) -> list[_Candidate]:
    if not records:
        return []
    asked = conveyances_of([question.conveyance])
    found = class_of_fleet(records, trip, question.ship_date, conveyances=asked, rules=rules)
    place_of = {record.unit_id: n for n, record in enumerate(records)}
    return [_unit(found, place_of[unit.pk], code, question, hold, rules) for unit, code in question.units]


def _unit(
    found: FleetClass, n: int, code: str, question: LoadQuestion, hold: Hold, rules: Rules
) -> _Candidate:
    record = found.units[n]
    k = next(k for k, form in enumerate(record.forms) if form.code == code)
    form = record.forms[k]
    mode, _gates = mode_of_conveyance(question.conveyance)
    law = law_of(record, mode, question.ship_date, rules, ways=False)
    line = grid_row(found, record, found.row(n, k), 0, question.conveyance, {mode: law})
    missing = _missing(form, hold)
    fit = found.fit.answer(found.row(n, k), question.conveyance)
    held_back = bool(missing) or not fit.fits or line.carried is Carried.NO
    carried = line.carried
    if missing and carried is not Carried.NO:
        carried = Carried.CANNOT_DECIDE
    return _Candidate(
        f"unit:{record.tag}",
        record.tag,
        record.tag,
        f"{form.label} ({form.code})",
        None if held_back else _piece(f"unit:{record.tag}", form),
        carried,
        str(CARRIED_WORDS[carried]),
        _reasons(line, missing),
        LoadedUnit(record.tag, record.items, record.goods_list.confirmed),
    )


def _reasons(line: GridRow, missing: Sequence[str]) -> tuple[str, ...]:
    told = line.why if line.carried in (Carried.NO, Carried.CANNOT_DECIDE, Carried.APPROVAL) else ()
    return tuple(dict.fromkeys([*missing, *told]))


def _missing(form: FormRecord, hold: Hold) -> list[str]:
    """Facts without which nothing can be placed, each named."""
    m = form.measures
    lacks = []
    if form.mass.total_kg is None:
        unknown = ", ".join(form.mass.unknown)
        lacks.append(
            str(_("The packed mass is not known: %(lines)s.") % {"lines": unknown or _("nobody stated it")})
        )
    for value, words in (
        (m.length_mm, _("The length is not known.")),
        (m.width_mm, _("The width is not known.")),
        (m.height_mm, _("The height is not known.")),
    ):
        if value is None:
            lacks.append(str(words))
    if hold.balanced and (m.cog_x_mm is None or (m.may_turn and m.cog_y_mm is None)):
        lacks.append(str(_("The centre of gravity is not known, and the balance of the load rests on it.")))
    return lacks


def _piece(key: str, form: FormRecord) -> Piece:
    m = form.measures
    length, width, height, mass = m.length_mm, m.width_mm, m.height_mm, form.mass.total_kg
    if length is None or width is None or height is None or mass is None:
        raise AssertionError("what is not known was asked for before")
    return Piece(
        key,
        length,
        width,
        height,
        mass,
        bool(m.may_turn),
        m.cog_x_mm,
        m.cog_y_mm,
    )


def _kits(question: LoadQuestion, trip: Trip) -> list[_Candidate]:
    """A kit pallet may be turned, and counts with its mass in its middle."""
    if not question.kits:
        return []
    loads = [
        Load(
            length_mm=kit.length_mm,
            width_mm=kit.width_mm,
            height_mm=kit.height_mm,
            mass_kg=kit.mass_kg,
            on_wheels=False,
            boxed=False,
        )
        for kit in question.kits
    ]
    fit = answer_fleet(loads, trip, conveyances_of([question.conveyance]))
    found = []
    for row, kit in enumerate(question.kits):
        answer = fit.answer(row, question.conveyance)
        why = tuple(REASONS[key].sentence for key in answer.against)
        listed = kit.holds == HOLDS_LISTED
        unsaid = kit.holds == HOLDS_UNKNOWN or (listed and not question.units)
        carried = Carried.NO if not answer.fits else Carried.CANNOT_DECIDE if unsaid else Carried.YES
        if unsaid:
            why = (*why, str(NO_LIST if listed else UNSAID))
        for n in range(1, kit.count + 1):
            key, name = f"kit:{row + 1}:{n}", kit.name if kit.count == 1 else f"{kit.name} {n}"
            piece = Piece(key, kit.length_mm, kit.width_mm, kit.height_mm, kit.mass_kg)
            found.append(
                _Candidate(
                    key,
                    name,
                    "",
                    str(_("kit pallet")),
                    piece if answer.fits else None,
                    carried,
                    str(CARRIED_WORDS[carried]),
                    why,
                    LoadedUnit(kit.name, (), not unsaid),
                    listed,
                )
            )
    return found


def _stowed(placement: Placement, candidates: Sequence[_Candidate], hold: Hold) -> tuple[Stowed, ...]:
    by_key = {candidate.key: candidate for candidate in candidates}
    rows = []
    for number, item in enumerate(placement.placed, start=1):
        candidate = by_key[item.key]
        assert candidate.piece is not None
        rows.append(
            Stowed(
                number,
                candidate.name,
                candidate.tag,
                candidate.form,
                item.x_mm + hold.shift_along_mm,
                item.y_mm + hold.shift_across_mm,
                item.along_mm,
                item.across_mm,
                candidate.piece.height_mm,
                candidate.piece.mass_kg,
                item.turned,
                candidate.word,
                CARRIED_OUTCOME[candidate.carried],
                candidate.why,
            )
        )
    return tuple(rows)


def _behind(placement: Placement, candidates: Sequence[_Candidate]) -> tuple[Behind, ...]:
    reason_of = {item.key: item.reason for item in placement.left_out}
    words = {
        "alone": _(
            "It cannot stand here even alone: with the gap asked it passes no door or is too large, or it loads the "
            "floor too much."
        ),
        "no_room_left": _("Beside the others no room, mass or balance is left for it."),
    }
    rows = []
    for candidate in candidates:
        if candidate.piece is None:
            outcome = "fail" if candidate.carried is Carried.NO else "cannot_decide"
            rows.append((candidate, outcome, candidate.word, candidate.why))
        elif candidate.key in reason_of:
            rows.append((candidate, "fail", str(_("no room")), (str(words[reason_of[candidate.key]]),)))
    return tuple(
        Behind(candidate.name, candidate.tag, candidate.form, outcome, word, why)
        for candidate, outcome, word, why in rows
    )


def _axles(placement: Placement, hold: Hold) -> tuple[float, float] | None:
    supports = hold.room.supports
    if supports is None or placement.cg_mm is None:
        return None
    return supports.borne_kg(placement.mass_kg, placement.cg_mm)


def _limits(placement: Placement, pieces: dict[str, Piece], hold: Hold) -> tuple[Limit, ...]:
    """Mass, line load, floor pressure, balance and axles: what the load takes, and what is left."""
    room = hold.room
    rows = [_limit("payload_kg", _("Payload"), placement.mass_kg, room.payload_kg, "kg")]
    placed = placement.placed
    if room.line_load_kg_m != float("inf"):
        worst = max(
            (
                sum(
                    pieces[item.key].mass_kg / item.along_mm * 1000.0
                    for item in placed
                    if item.x_mm <= cut.x_mm < item.x_mm + item.along_mm
                )
                for cut in placed
            ),
            default=0.0,
        )
        rows.append(
            _limit("line_load_kg_m", _("Floor, per metre of length"), worst, room.line_load_kg_m, "kg/m")
        )
    if np.isfinite(room.floor_kg_m2):
        pressed = max(
            (pieces[item.key].mass_kg / (item.along_mm * item.across_mm) * 1e6 for item in placed),
            default=0.0,
        )
        rows.append(
            _limit("floor_kg_m2", _("Floor, below the heaviest piece"), pressed, room.floor_kg_m2, "kg/m²")
        )
    if room.cg_window_mm is not None and placement.cg_mm is not None:
        low, high = room.cg_window_mm
        off = abs(placement.cg_mm - (low + high) / 2)
        label = _("Centre of gravity, from the middle")
        rows.append(_limit("cg_offset_mm", label, off, (high - low) / 2, "mm"))
    axles = _axles(placement, hold)
    if axles is not None and room.supports is not None:
        rows.append(
            _limit("front_axle_kg", _("Front axle or king pin"), axles[0], room.supports.front_kg, "kg")
        )
        rows.append(_limit("rear_axle_kg", _("Rear axles"), axles[1], room.supports.rear_kg, "kg"))
    return tuple(rows)


def _limit(key: str, label: str, used: float, limit: float, unit: str) -> Limit:
    if limit == float("inf"):
        return Limit(key, str(label), used, None, None, unit, "cannot_decide", str(_("no limit on file")))
    spare = limit - used
    # Binding to within rounding is still within.
    return Limit(
        key, str(label), used, limit, max(spare, 0.0) if spare > -1e-6 * limit else spare, unit, "pass"
    )
