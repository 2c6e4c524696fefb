"""One load in words: what goes where, what stays behind and why, what is left of each limit, and the law of the whole.

The page, the API and the command show the same object. Placement and law are those of the domain.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.answers import Decision
from fleet.domain.dangerous_goods.loads import POINT_LIMIT
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.whole_load import Kind, LoadDecision, LoadedUnit, PointLine, judge_load
from fleet.domain.dangerous_goods.words import Verdict
from fleet.domain.fit.answers import answer_fleet, conveyances_of
from fleet.domain.fit.loads import Load
from fleet.domain.fit.reasons import REASONS
from fleet.domain.fit.trip import SIZE_AND_MASS, Trip
from fleet.domain.placement import Piece, Placement, place
from fleet.domain.placement_rooms import Hold, HoldKind, hold_of
from fleet.domain.placement_shapes import Supports
from fleet.domain.transport.answers import Carried, FleetClass, class_of_fleet, mode_of_conveyance
from fleet.domain.transport.records import FormRecord, UnitRecord
from fleet.lib.quantities import UNIT_SPACE, System, format_quantity
from fleet.models import Unit
from fleet.selectors.editions import rules_in_force
from fleet.web.limits import limit_words, need_words, spare_words
from fleet.web.load_drawing import DrawnPiece
from readiness.selectors.transport import clearances_of, load_transport, terms_on
from readiness.web.transport import (
    CARRIED_OUTCOME,
    CARRIED_WORDS,
    MODE_WORDS,
    VERDICT_WORDS,
    GridRow,
    conveyance_names,
    grid_row,
    law_of,
    not_held,
    outcome_of_verdict,
)
from readiness.web.transport_asks import missing_words

MOST_UNITS, MOST_KITS, MOST_PIECES = 12, 12, 30
# What is left of three seconds for records, law and the page itself.
PLACEMENT_S = 1.2
HOLDS_NONE, HOLDS_LISTED, HOLDS_UNKNOWN = "none", "listed", ""
_OF_VERDICT = {
    Verdict.NOT_RESTRICTED: Carried.YES,
    Verdict.PERMITTED: Carried.YES_WITH_CONDITIONS,
    Verdict.CARGO_AIRCRAFT_ONLY: Carried.YES_WITH_CONDITIONS,
    Verdict.APPROVAL_NEEDED: Carried.APPROVAL,
    Verdict.CANNOT_DECIDE: Carried.CANNOT_DECIDE,
    Verdict.FORBIDDEN: Carried.NO,
}
UNSAID = gettext_lazy("Nobody has said whether dangerous goods are on it.")
NOT_ASKED = {
    HoldKind.CONTAINER: gettext_lazy("the lashings, the box's safety plate, the road leg to the port"),
    HoldKind.AIRCRAFT: gettext_lazy(
        "the lashings, range and runway, the balance of the aircraft (its loading chart decides), the place of a side door"
    ),
    HoldKind.PALLET: gettext_lazy(
        "the net and lashings, range and runway, where the pallet stands in the aircraft"
    ),
    HoldKind.DECK: gettext_lazy("the lashings, the driver's licence"),
}


@dataclass(frozen=True)
class KitPallets:
    """Pallets of one kind [mm, kg]. `holds`: no dangerous goods, only goods that stand on the lists of these units, or
    nobody has said.
    """

    name: str
    length_mm: float
    width_mm: float
    height_mm: float
    mass_kg: float
    count: int = 1
    holds: str = HOLDS_UNKNOWN


@dataclass(frozen=True)
class LoadQuestion:
    """Units (design and home loaded) each in the packed form of the code beside it. `gap_mm` None: the owner's."""

    ship_date: dt.date
    conveyance: str
    units: tuple[tuple[Unit, str], ...] = ()
    kits: tuple[KitPallets, ...] = ()
    mission_days: int | None = None
    from_above: bool = False
    gap_mm: float | None = None
    supports: Supports | None = None


@dataclass(frozen=True)
class Stowed:
    """A piece that goes. Places are those of the corner nearest the far end and the left wall, on the real floor."""

    number: int
    name: str
    tag: str
    form: str
    x_mm: float
    y_mm: float
    along_mm: float
    across_mm: float
    height_mm: float
    mass_kg: float
    turned: bool
    word: str
    outcome: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class Behind:
    """A piece that stays behind. `outcome` is fail, or cannot_decide where a fact is missing."""

    name: str
    tag: str
    form: str
    outcome: str
    word: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class Limit:
    """One limit of the conveyance and what the load takes of it. None: not known, or no limit stated."""

    key: str
    label: str
    used: float | None
    limit: float | None
    spare: float | None
    unit: str
    outcome: str
    note: str = ""


@dataclass(frozen=True)
class PairWords:
    first: str
    second: str
    outcome: str
    sentence: str
    conditions: tuple[str, ...]
    source: str
    verify: bool


@dataclass(frozen=True)
class RulingWords:
    """The answer of load points or of materials of trade."""

    outcome: str
    sentence: str
    conditions: tuple[str, ...]
    missing: str
    source: str
    verify: bool


@dataclass(frozen=True)
class UnitLaw:
    name: str
    tag: str
    verdict: str
    outcome: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class LoadLaw:
    """The law of what goes, in the mode of the conveyance."""

    title: str
    verdict: str
    outcome: str
    edition: str
    units: tuple[UnitLaw, ...]
    points: RulingWords | None
    points_total: float | None
    point_lines: tuple[PointLine, ...]
    trade: RulingWords | None
    pairs: tuple[PairWords, ...]
    pairs_free: int
    single_load_lost: tuple[str, ...]

    @property
    def counts_points(self) -> bool:
        return self.points is not None or bool(self.point_lines)

    @property
    def counted(self) -> list[PointLine]:
        return [line for line in self.point_lines if line.counted]

    @property
    def not_counted(self) -> str:
        """What is out of the count, each thing once, with how many units have it."""
        labels: dict[str, int] = {}
        for line in self.point_lines:
            if not line.counted:
                labels[line.label] = labels.get(line.label, 0) + 1
        return ", ".join(label if count == 1 else f"{label} (× {count})" for label, count in labels.items())


@dataclass(frozen=True)
class LoadPlan:
    """Everything a page says of one load."""

    question: LoadQuestion
    name: str
    hold: Hold
    gap_mm: float
    pieces: tuple[Piece, ...]
    placement: Placement
    stowed: tuple[Stowed, ...]
    behind: tuple[Behind, ...]
    limits: tuple[Limit, ...]
    law: LoadLaw | None
    carried: Carried
    cg_mm: float | None
    axles_kg: tuple[float, float] | None
    not_asked: str

    @property
    def word(self) -> str:
        return str(CARRIED_WORDS[self.carried])

    @property
    def outcome(self) -> str:
        return CARRIED_OUTCOME[self.carried]

    @property
    def from_the_front(self) -> bool:
        """Whether places along the floor are counted from its front; else from the far end of a box."""
        return self.hold.kind is not HoldKind.CONTAINER

    @property
    def drawn(self) -> list[DrawnPiece]:
        return [
            DrawnPiece(
                piece.number,
                piece.name,
                piece.x_mm,
                piece.y_mm,
                piece.along_mm,
                piece.across_mm,
                piece.height_mm,
                piece.turned,
                piece.outcome == "pass",
            )
            for piece in self.stowed
        ]


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
    )
    rules = rules_in_force()
    trip = Trip(
        asked=SIZE_AND_MASS, clearances=clearances, load_by="crane_top" if question.from_above else "door"
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
    law = _law(goes, question, rules) if goes else None
    cg = None if placement.cg_mm is None else placement.cg_mm + hold.shift_along_mm
    carried = max(
        [
            *(candidate.carried for candidate in goes),
            *([_OF_VERDICT[law[0].verdict]] if law else []),
        ],
        default=Carried.NO,
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
        Load(length_mm=kit.length_mm, width_mm=kit.width_mm, height_mm=kit.height_mm, mass_kg=kit.mass_kg)
        for kit in question.kits
    ]
    fit = answer_fleet(loads, trip, conveyances_of([question.conveyance]))
    found = []
    for row, kit in enumerate(question.kits):
        answer = fit.answer(row, question.conveyance)
        why = tuple(REASONS[key].sentence for key in answer.against)
        unsaid = kit.holds == HOLDS_UNKNOWN
        carried = Carried.NO if not answer.fits else Carried.CANNOT_DECIDE if unsaid else Carried.YES
        if unsaid:
            why = (*why, str(UNSAID))
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
    if room.floor_kg_m2 != float("inf"):
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


def _law(goes: Sequence[_Candidate], question: LoadQuestion, rules: Rules) -> tuple[LoadDecision, LoadLaw]:
    mode, _gates = mode_of_conveyance(question.conveyance)
    aboard = list(dict.fromkeys(candidate.aboard for candidate in goes))
    found = judge_load(aboard, mode, question.ship_date, rules=rules)
    if not found.units:
        verdict = Verdict.NOT_RESTRICTED
        found = LoadDecision(mode, verdict, (), None, None, (), None, (), ())
    tag_of = {candidate.name: candidate.tag for candidate in goes if candidate.tag}
    editions = [decision.edition for _n, unit in found.units for _label, decision in unit.lines]
    edition = next((edition.name for edition in editions if edition is not None), "")
    return found, LoadLaw(
        str(MODE_WORDS[mode]),
        str(VERDICT_WORDS[found.verdict]),
        outcome_of_verdict(found.verdict),
        edition or (not_held(rules, mode, question.ship_date) if found.units else ""),
        tuple(
            UnitLaw(
                name,
                tag_of.get(name, ""),
                str(VERDICT_WORDS[judged.verdict]),
                outcome_of_verdict(judged.verdict),
                (str(UNSAID),)
                if name not in tag_of
                else tuple(
                    dict.fromkeys(
                        f"{label or _('the list of goods')}: {decision.sentence}"
                        for label, decision in judged.lines
                        if decision.verdict == judged.verdict
                        and decision.verdict is not Verdict.NOT_RESTRICTED
                    )
                ),
            )
            for name, judged in found.units
        ),
        _ruling(found.points),
        found.points_total,
        found.point_lines,
        _ruling(found.trade),
        tuple(
            PairWords(
                _kind(pair.first),
                _kind(pair.second),
                outcome_of_verdict(pair.decision.verdict),
                pair.decision.sentence,
                pair.decision.conditions,
                pair.decision.source,
                pair.decision.verify_before_use,
            )
            for pair in found.pairs
            if pair.decision.reason != "no_table_conflict"
        ),
        sum(pair.decision.reason == "no_table_conflict" for pair in found.pairs),
        found.single_load_lost,
    )


def _ruling(decision: Decision | None) -> RulingWords | None:
    if decision is None:
        return None
    eased = decision.reason in ("adr_1136_within", "mot_within")
    outcome = outcome_of_verdict(decision.verdict)
    return RulingWords(
        outcome if eased or outcome != "pass" else "fail",
        decision.sentence,
        decision.conditions,
        ", ".join(missing_words(decision.missing)),
        decision.source,
        decision.verify_before_use,
    )


def _kind(kind: Kind) -> str:
    if not kind.un:
        return str(_("goods whose UN number is not known (%(whose)s)") % {"whose": ", ".join(kind.held_by)})
    hazards = ", ".join(kind.hazards)
    return str(
        _("UN %(un)s, class %(hazards)s (%(whose)s)")
        % {"un": kind.un, "hazards": hazards, "whose": ", ".join(kind.held_by)}
    )


def said_of_number(plan: LoadPlan) -> str:
    """How many go, of how many, and whether more could."""
    placed, asked = len(plan.stowed), len(plan.stowed) + len(plan.behind)
    if not asked:
        return ""
    if placed == asked:
        return str(_("Everything that was named goes: %(n)d of %(n)d.") % {"n": asked})
    most = plan.placement.most
    counts = {"placed": placed, "asked": asked, "most": most}
    if plan.placement.proven:
        return str(_("%(placed)d of %(asked)d go. Of what may go, no more can: that is proven.") % counts)
    return str(
        _(
            "%(placed)d of %(asked)d go. Not proven to be the most: at most %(most)d could, and the time was up."
        )
        % counts
    )


def limit_cells(row: Limit, system: System) -> dict[str, str]:
    """A limit in the units this person sees, never kinder than the numbers."""
    base = row.unit
    if base in ("kg", "mm"):
        used = need_words(row.used, base, system)
        return {
            "used": used,
            "limit": limit_words(row.limit, base, system) if row.limit is not None else row.note,
            "spare": spare_words(row.spare, base, system),
        }
    used = "" if row.used is None else f"{_up(row.used):,} {base}".replace(",", "\u202f")
    limit = row.note if row.limit is None else f"{int(row.limit):,} {base}".replace(",", "\u202f")
    return {"used": used, "limit": limit, "spare": spare_words(row.spare, base, system)}


def _up(value: float) -> int:
    return -int(-value // 1)


EXPORT_COLUMNS = (
    gettext_lazy("No."),
    gettext_lazy("What"),
    gettext_lazy("Packed as"),
    gettext_lazy("From the far end, mm"),
    gettext_lazy("From the left, mm"),
    gettext_lazy("Length as it stands, mm"),
    gettext_lazy("Width as it stands, mm"),
    gettext_lazy("Height, mm"),
    gettext_lazy("Mass, kg"),
    gettext_lazy("Turned"),
    gettext_lazy("Answer"),
    gettext_lazy("Why"),
)


def export_rows(plan: LoadPlan) -> list[list[Any]]:
    """Everything named: first what goes, in the order of the drawing, then what stays behind."""
    goes = [
        [
            row.number,
            row.name,
            row.form,
            round(row.x_mm),
            round(row.y_mm),
            round(row.along_mm),
            round(row.across_mm),
            _up(row.height_mm),
            _up(row.mass_kg),
            str(_("yes") if row.turned else _("no")),
            row.word,
            " ".join(row.why),
        ]
        for row in plan.stowed
    ]
    stays = [
        [None, row.name, row.form, *[None] * 6, "", f"{_('stays behind')}: {row.word}", " ".join(row.why)]
        for row in plan.behind
    ]
    return goes + stays


def plan_answer(plan: LoadPlan) -> dict[str, Any]:
    """The plan as plain data, for the API and the command: SI, the words of the page."""
    law = plan.law
    return {
        "conveyance": plan.question.conveyance,
        "name": plan.name,
        "ship_date": plan.question.ship_date,
        "answer": plan.carried.word,
        "outcome": plan.outcome,
        "said": said_of_number(plan),
        "proven_most": plan.placement.proven,
        "most": plan.placement.most,
        "gap_mm": plan.gap_mm,
        "mass_kg": plan.placement.mass_kg,
        "cg_from_far_end_mm": plan.cg_mm,
        "placed": [
            {
                "number": row.number,
                "name": row.name,
                "form": row.form,
                "x_mm": row.x_mm,
                "y_mm": row.y_mm,
                "along_mm": row.along_mm,
                "across_mm": row.across_mm,
                "height_mm": row.height_mm,
                "mass_kg": row.mass_kg,
                "turned": row.turned,
                "answer": row.word,
                "outcome": row.outcome,
                "why": list(row.why),
            }
            for row in plan.stowed
        ],
        "left_behind": [
            {
                "name": row.name,
                "form": row.form,
                "outcome": row.outcome,
                "answer": row.word,
                "why": list(row.why),
            }
            for row in plan.behind
        ],
        "limits": [
            {
                "key": row.key,
                "label": row.label,
                "used": row.used,
                "limit": row.limit,
                "spare": row.spare,
                "unit": row.unit,
                "outcome": row.outcome,
            }
            for row in plan.limits
        ],
        "law": None if law is None else _law_answer(law),
        "not_asked": plan.not_asked,
    }


def _law_answer(law: LoadLaw) -> dict[str, Any]:
    return {
        "mode": law.title,
        "verdict": law.verdict,
        "outcome": law.outcome,
        "edition": law.edition,
        "units": [
            {"name": row.name, "verdict": row.verdict, "outcome": row.outcome, "why": list(row.why)}
            for row in law.units
        ],
        "points": _ruling_answer(law.points),
        "points_total": law.points_total,
        "points_limit": POINT_LIMIT if law.points is not None else None,
        "point_lines": [
            {
                "unit": row.unit,
                "label": row.label,
                "un": row.un,
                "counted": row.counted,
                "category": row.category,
                "quantity": row.quantity,
                "quantity_unit": row.unit_of_quantity,
                "points": row.points,
            }
            for row in law.point_lines
        ],
        "materials_of_trade": _ruling_answer(law.trade),
        "pairs": [
            {
                "first": row.first,
                "second": row.second,
                "outcome": row.outcome,
                "sentence": row.sentence,
                "conditions": list(row.conditions),
                "source": row.source,
                "verify_before_use": row.verify,
            }
            for row in law.pairs
        ],
        "pairs_without_conflict": law.pairs_free,
        "single_load_lost": list(law.single_load_lost),
    }


def _ruling_answer(ruling: RulingWords | None) -> dict[str, Any] | None:
    if ruling is None:
        return None
    return {
        "outcome": ruling.outcome,
        "sentence": ruling.sentence,
        "conditions": list(ruling.conditions),
        "missing": ruling.missing,
        "source": ruling.source,
        "verify_before_use": ruling.verify,
    }


def place_words(row: Stowed, system: System) -> dict[str, str]:
    """Where a piece stands and how, in the units this person sees."""
    return {
        "x": format_quantity(row.x_mm, "mm", system),
        "y": format_quantity(row.y_mm, "mm", system),
        "size": _sides(
            [need_words(value, "mm", system) for value in (row.along_mm, row.across_mm, row.height_mm)]
        ),
        "mass": need_words(row.mass_kg, "kg", system),
        "stands": str(_("its left side ahead") if row.turned else _("its front ahead")),
    }


def _sides(words: Sequence[str]) -> str:
    """Three lengths with their unit once."""
    numbers = [word.partition(UNIT_SPACE) for word in words]
    unit = numbers[0][2]
    if unit and all(number[2] == unit for number in numbers):
        return " × ".join(number[0] for number in numbers) + UNIT_SPACE + unit
    return " × ".join(words)
