"""The transport class in words: what the sheet, the search for units, the API and the command show."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any
from urllib.parse import urlencode

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.answers import Decision
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.records import Goods, Item
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.turn_round import turn_rounds
from fleet.domain.dangerous_goods.unit import UnitDecision, judge_unit
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.fit.answers import Answer, held_conveyances
from fleet.domain.fit.conveyances import aircraft, containers, decks, helicopters, tow_vehicles, ulds
from fleet.domain.fit.own_box import slots
from fleet.domain.fit.reasons import REASONS
from fleet.domain.fit.trip import Topic, Trip
from fleet.domain.transport.answers import MODES, Carried, FleetClass, mode_of_conveyance, papers_for
from fleet.domain.transport.measures import CONTAINER, hang_of
from fleet.domain.transport.records import FormRecord, Gate, Paper, PaperState, UnitRecord
from fleet.lib.quantities import System, format_quantity
from fleet.models.designs import CertificateKind
from fleet.web.days import day_words
from fleet.web.limits import limit_words, need_words, shares_of_sum
from readiness.rules_words import MODE_WORDS as MODE_WORDS
from readiness.web.transport_asks import Ask, asks_of, missing_words

VERDICT_WORDS = {
    Verdict.NOT_RESTRICTED: gettext_lazy("not restricted"),
    Verdict.PERMITTED: gettext_lazy("may go, with conditions"),
    Verdict.CARGO_AIRCRAFT_ONLY: gettext_lazy("cargo aircraft only"),
    Verdict.APPROVAL_NEEDED: gettext_lazy("needs an approval"),
    Verdict.CANNOT_DECIDE: gettext_lazy("cannot decide"),
    Verdict.FORBIDDEN: gettext_lazy("forbidden as it is"),
}
CARRIED_WORDS = {
    Carried.YES: gettext_lazy("yes"),
    Carried.YES_WITH_CONDITIONS: gettext_lazy("yes, with conditions"),
    Carried.APPROVAL: gettext_lazy("only with an approval"),
    Carried.CANNOT_DECIDE: gettext_lazy("cannot decide"),
    Carried.NO: gettext_lazy("no"),
}
CARRIED_OUTCOME = {
    Carried.YES: "pass",
    Carried.YES_WITH_CONDITIONS: "pass",
    Carried.APPROVAL: "cannot_decide",
    Carried.CANNOT_DECIDE: "cannot_decide",
    Carried.NO: "fail",
}
NAMED = 3  # missing facts that a row of the grid names; the law below it names them all
GROUPS = (
    ("containers", gettext_lazy("In a container, by sea")),
    ("planes", gettext_lazy("In a freighter")),
    ("helicopters", gettext_lazy("Under a helicopter")),
    ("decks", gettext_lazy("On a deck")),
    ("tow", gettext_lazy("Towed")),
    ("vessel", gettext_lazy("On a ship, as the container it is")),
)
LIST_WORDS = {
    "never": gettext_lazy("Nobody has confirmed that the list of goods is complete."),
    "stale": gettext_lazy("The list of goods was confirmed too long ago."),
    "gone": gettext_lazy("Lines of the confirmed list of goods are gone: confirm it anew."),
}


@cache
def conveyance_names() -> dict[str, str]:
    """What each type of the tables is called; a pallet beside the freighter that takes it."""
    names = dict(zip(containers().keys, containers().words["name"], strict=True))
    names |= dict(zip(helicopters().keys, helicopters().words["designator"], strict=True))
    names |= dict(zip(decks().keys, decks().words["name"], strict=True))
    names |= dict(zip(tow_vehicles().keys, tow_vehicles().words["name"], strict=True))
    names |= dict(zip(slots().keys, slots().words["name"], strict=True))
    planes = dict(zip(aircraft().keys, aircraft().words["designator"], strict=True))
    pallets = dict(zip(ulds().keys, ulds().words["code"], strict=True))
    for key in held_conveyances().planes.keys:
        plane, _plus, uld = key.partition("+")
        names[key] = f"{planes[plane]}, {pallets[uld]}" if uld else planes[plane]
    return names | {"hook": str(_("the hook asked for"))}


@cache
def group_of() -> dict[str, str]:
    held = held_conveyances()
    groups = dict.fromkeys(held.containers.keys, "containers")
    groups |= dict.fromkeys(held.planes.keys, "planes")
    groups |= dict.fromkeys((*held.helicopters.keys, "hook"), "helicopters")
    groups |= dict.fromkeys(held.decks.keys, "decks")
    groups |= dict.fromkeys(held.slots.keys, "vessel")
    return groups | dict.fromkeys(held.tow_vehicles.keys, "tow")


@dataclass(frozen=True)
class LawLine:
    """One thing aboard in one mode; `key` '' is the list of goods itself.

    `ways`: what would turn a no round, in sentences; `lacking`: what is missing, `asks`: and where it is written down.
    """

    label: str
    verdict: str
    outcome: str
    un: str
    provision: str
    sentence: str
    conditions: tuple[str, ...]
    lacking: tuple[str, ...]
    source: str
    verify: bool
    ways: tuple[str, ...] = ()
    asks: tuple[Ask, ...] = ()
    key: str = ""

    @property
    def missing(self) -> str:
        return ", ".join(self.lacking)

    @property
    def why(self) -> str:
        """What stands against it, in one sentence that names the thing: what is missing, else the reason."""
        if not self.key:
            return self.sentence
        if not self.lacking:
            return f"{self.label}: {self.sentence}"
        named = list(self.lacking[:NAMED])
        if more := len(self.lacking) - len(named):
            named.append(_("%(count)d more") % {"count": more})
        return str(_("Missing for %(label)s: %(what)s.") % {"label": self.label, "what": "; ".join(named)})


@dataclass(frozen=True)
class LawOfMode:
    mode: Mode
    title: str
    verdict: str
    outcome: str
    edition: str
    lines: tuple[LawLine, ...]
    apart: str
    held: bool


Reasons = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class GridRow:
    """One conveyance for one packed form, with what the answer rests on: `reasons` are sentences, each with its source."""

    key: str
    name: str
    word: str
    outcome: str
    margin_mm: float | None
    margin_kg: float | None
    reasons: Reasons
    carried: Carried

    @property
    def why(self) -> tuple[str, ...]:
        return sentences_of(self.reasons)

    @property
    def source(self) -> str:
        return source_of(self.reasons)


def sentences_of(reasons: Reasons) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sentence for sentence, _source in reasons))


def source_of(reasons: Reasons) -> str:
    return "; ".join(dict.fromkeys(source for _sentence, source in reasons if source))


def outcome_of_verdict(verdict: Verdict) -> str:
    if verdict.may_go:
        return "pass"
    return "fail" if verdict is Verdict.FORBIDDEN else "cannot_decide"


def law_of(
    unit: UnitRecord,
    mode: Mode,
    ship_date: dt.date,
    rules: Rules,
    *,
    ways: bool = True,
    decided: Mapping[Item, Decision] | None = None,
) -> LawOfMode:
    """Every line of a unit in one mode, the worst first. `ways`: with what would turn a no round, which costs most.

    `decided`: decisions for this mode and ship date that are known already.
    """
    judged = judge_unit(
        unit.items,
        mode,
        ship_date,
        list_confirmed=unit.goods_list.confirmed,
        rules=rules,
        decided=decided,
    )
    discharge = {label: (allowed, watts) for label, allowed, watts in unit.discharge}
    lines = [
        _law_line(unit, place, label, decision, discharge.get(label, (None, None)), rules, ways)
        for place, (label, decision) in enumerate(judged.lines)
    ]
    order = sorted(range(len(lines)), key=lambda n: -int(judged.lines[n][1].verdict))
    edition = edition_for(mode, ship_date, rules.editions)
    return LawOfMode(
        mode,
        str(MODE_WORDS[mode]),
        str(VERDICT_WORDS[judged.verdict]),
        outcome_of_verdict(judged.verdict),
        edition.name if edition else not_held(rules, mode, ship_date),
        tuple(lines[n] for n in order),
        _apart(judged),
        edition is not None,
    )


def not_held(rules: Rules, mode: Mode, ship_date: dt.date) -> str:
    """Why no edition holds on a day: none was loaded, or one that was released cannot be used."""
    fault = rules.fault_on(mode, ship_date)
    if fault is None:
        return str(_("no edition of the rules is held for that date"))
    return str(
        _(
            "no edition of the rules is held for that date: the released edition %(name)s cannot be used. %(why)s"
        )
        % {"name": fault.name, "why": fault.sentence}
    )


def _apart(judged: UnitDecision) -> str:
    if judged.without_them is None:
        return ""
    return str(
        _("Without %(what)s: %(verdict)s. Send them apart, or buy them there.")
        % {"what": ", ".join(judged.ship_apart), "verdict": VERDICT_WORDS[judged.without_them]}
    )


def _law_line(
    unit: UnitRecord,
    place: int,
    label: str,
    decision: Decision,
    discharge: tuple[bool | None, float | None],
    rules: Rules,
    ask_ways: bool,
) -> LawLine:
    ways: tuple[str, ...] = ()
    if ask_ways and place < len(unit.items) and not decision.verdict.may_go:
        found = turn_rounds(
            unit.items[place].item,
            decision,
            discharge_allowed=discharge[0],
            discharge_w=discharge[1],
            rules=rules,
        )
        ways = tuple(_way_words(way) for way in found)
    sentence = decision.sentence
    if not label and unit.goods_list.why and decision.reason == "goods_list_unconfirmed":
        sentence = str(LIST_WORDS[unit.goods_list.why])
    return LawLine(
        label or str(_("the list of goods")),
        str(VERDICT_WORDS[decision.verdict]),
        outcome_of_verdict(decision.verdict),
        decision.un if decision.un not in ("none", "mixed") else "",
        decision.provision,
        sentence,
        tuple(condition[:1].upper() + condition[1:] for condition in decision.conditions),
        missing_words(decision.missing, unsaid=place < len(unit.items) and unit.items[place].item == Goods()),
        decision.source,
        decision.verify_before_use,
        ways,
        _asks(unit, place, decision) if ask_ways else (),
        unit.keys[place] if place < len(unit.items) else "",
    )


def _asks(unit: UnitRecord, place: int, decision: Decision) -> tuple[Ask, ...]:
    if place >= len(unit.items):
        return asks_of(unit.tag, "", decision.missing, unsaid=False)
    return asks_of(unit.tag, unit.keys[place], decision.missing, unsaid=unit.items[place].item == Goods())


def _way_words(way: Any) -> str:
    words = " ".join(way.sentences)
    if way.discharge_h is not None:
        words = f"{words} {_('Discharging takes about %(hours).1f h.') % {'hours': way.discharge_h}}"
    return f"{words} → {VERDICT_WORDS[way.verdict]}"


@dataclass(frozen=True)
class Group:
    """One class of conveyances. `open`: something in it may take the unit, or the answer is not known."""

    title: str
    said: str
    open: bool
    rows: tuple[GridRow, ...]


def grid_of(found: FleetClass, unit: int, form: int, laws: dict[Mode, LawOfMode]) -> list[Group]:
    """Conveyances by class, each freighter with the pallet it takes best; the likeliest first."""
    row = found.row(unit, form)
    record = found.units[unit]
    best: dict[str, GridRow] = {}
    for column, key in enumerate(found.fit.keys):
        line = grid_row(found, record, row, column, key, laws)
        name = key.partition("+")[0]
        if name not in best or _rank(line) < _rank(best[name]):
            best[name] = line
    groups = group_of()
    of_group = {name: [line for line in best.values() if groups[line.key] == name] for name, _title in GROUPS}
    return [_group(str(title), sorted(of_group[name], key=_rank)) for name, title in GROUPS if of_group[name]]


def _group(title: str, rows: list[GridRow]) -> Group:
    counts = [sum(row.outcome == outcome for row in rows) for outcome in ("pass", "cannot_decide", "fail")]
    said = _("%(yes)d can take it, %(unsure)d cannot be decided, %(no)d cannot") % {
        "yes": counts[0],
        "unsure": counts[1],
        "no": counts[2],
    }
    return Group(title, str(said), counts[0] + counts[1] > 0, tuple(rows))


def _rank(line: GridRow) -> tuple[int, float, str]:
    return int(line.carried), -(line.margin_kg or 0.0), line.name


def grid_row(
    found: FleetClass, record: UnitRecord, row: int, column: int, key: str, laws: dict[Mode, LawOfMode]
) -> GridRow:
    answer = found.fit.answer(row, key)
    carried = Carried(int(found.carried[row, column]))
    mode, _gates = mode_of_conveyance(key)
    return GridRow(
        key,
        conveyance_names().get(key, key),
        str(CARRIED_WORDS[carried]),
        CARRIED_OUTCOME[carried],
        answer.margin_mm,
        answer.margin_kg,
        _reasons(answer, laws[mode], papers_for(record, key)),
        carried,
    )


def _reasons(answer: Answer, law: LawOfMode, papers: Iterable[Paper]) -> Reasons:
    """All that stands against it; or, where nothing does, what binds most."""
    found = [(REASONS[key].sentence, REASONS[key].source) for key in answer.refusals]
    if law.outcome != "pass":
        first = law.lines[0]
        found.append((f"{law.title}: {law.verdict}. {first.why}", first.source or law.edition))
    for paper in papers:
        if paper.state is not PaperState.HOLDS:
            found.append((paper_words(paper), paper.source or str(_("certificates asked of the design"))))
    found += [(REASONS[key].sentence, REASONS[key].source) for key in answer.missing]
    if not found and answer.margin_check:
        found.append(tightest(answer))
    return tuple(dict.fromkeys(found))


def tightest(answer: Answer) -> tuple[str, str]:
    """What binds most where nothing stands against it, with its source."""
    binding = REASONS[answer.margin_check or answer.reason]
    words = _("Tightest: %(what)s.") % {"what": binding.binding} if binding.binding else answer.sentence
    return str(words), binding.source


def paper_name(paper: Paper) -> str:
    return str(dict(CertificateKind.choices).get(paper.kind, paper.kind)).capitalize()


def paper_words(paper: Paper) -> str:
    name = paper_name(paper)
    ends = day_words(paper.ends_on) if paper.ends_on else ""
    words = {
        PaperState.HOLDS: _("%(name)s: holds through the mission."),
        PaperState.ENDS_EARLY: _("%(name)s: good through %(ends)s only, before the mission ends."),
        PaperState.LAPSED: _("%(name)s: lapsed on %(ends)s."),
        PaperState.VOIDED: _("%(name)s: void since a change to the unit, until renewed."),
        PaperState.NEVER: _("%(name)s: none on file."),
    }[paper.state]
    return str(words % {"name": name, "ends": ends})


def laws_of(unit: UnitRecord, ship_date: dt.date, rules: Rules) -> dict[Mode, LawOfMode]:
    return {mode: law_of(unit, mode, ship_date, rules) for mode in MODES}


def query_of(data: dict[str, Any]) -> str:
    """The question as an address, for links that keep it."""
    return urlencode({name: value for name, value in data.items() if value not in (None, "")})


@dataclass(frozen=True)
class PaperLine:
    name: str
    words: str
    outcome: str
    gate: str
    source: str


GATE_WORDS = {
    Gate.ANY: gettext_lazy("leaving at all"),
    Gate.AIR: gettext_lazy("going by air"),
    Gate.ROAD: gettext_lazy("going by road"),
    Gate.SEA: gettext_lazy("going by sea"),
    Gate.LIFT: gettext_lazy("being lifted"),
}
TOPIC_WORDS = {
    Topic.RANGE: gettext_lazy("the range"),
    Topic.RUNWAY: gettext_lazy("the runway"),
    Topic.SURFACE: gettext_lazy("the surface of the runway"),
    Topic.RADIUS: gettext_lazy("the radius under a helicopter"),
    Topic.LICENCE: gettext_lazy("the driver's licence"),
    Topic.SLING_LEG: gettext_lazy("the rated load of the sling legs"),
    Topic.FORKLIFT_AXLE: gettext_lazy("the axle of a fork truck"),
    Topic.LASHING: gettext_lazy("the lashings"),
    Topic.PLATE: gettext_lazy("the safety plate of the carrier's container"),
}


def paper_lines(unit: UnitRecord) -> list[PaperLine]:
    states = {PaperState.HOLDS: "pass", PaperState.NEVER: "cannot_decide"}
    return [
        PaperLine(
            paper_name(paper),
            paper_words(paper),
            states.get(paper.state, "fail"),
            str(GATE_WORDS[paper.gate]),
            paper.source,
        )
        for paper in unit.papers
    ]


def not_asked(trip: Trip) -> str:
    """What the answers leave open because nothing was said of it."""
    return ", ".join(str(words) for topic, words in TOPIC_WORDS.items() if not trip.asks(topic))


def form_pairs(form: FormRecord, trip: Trip, system: System) -> list[dict[str, str]]:
    """Measures of a form as label and value; own measures are said to be so. Limits are never rounded up."""
    m = form.measures

    def said(value: float | None, base: str) -> str:
        return format_quantity(value, base, system)

    def need(value: float | None, base: str) -> str:
        return need_words(value, base, system)

    hang = hang_of(m)
    rows: list[tuple[str, str, tuple[str, ...]]] = [
        (_("Length"), need(m.length_mm, "mm"), ("length_mm",)),
        (_("Width"), need(m.width_mm, "mm"), ("width_mm",)),
        (_("Height"), need(m.height_mm, "mm"), ("height_mm",)),
        (_("Centre of gravity from the front"), said(m.cog_x_mm, "mm"), ("cog_x_mm",)),
        (_("Centre of gravity from the left"), said(m.cog_y_mm, "mm"), ("cog_y_mm",)),
        (_("Centre of gravity above the base"), need(m.cog_z_mm, "mm"), ("cog_z_mm",)),
        (
            _("Lifting points"),
            "" if m.lifting_points is None else f"{m.lifting_points:.0f}",
            ("lifting_points",),
        ),
        (
            _("Rated mass of each point"),
            limit_words(m.lifting_points_kg, "kg", system),
            ("lifting_points_kg",),
        ),
        (_("Longest run to the hook line"), need(hang.run_mm if hang else None, "mm"), ()),
    ]
    if form.kind == "trailer":
        rows += [
            (_("Axle load"), need(m.axle_load_kg, "kg"), ("axle_load_kg",)),
            (_("Load on the coupling"), said(m.tongue_load_kg, "kg"), ("tongue_load_kg",)),
            (_("Brakes"), {True: _("yes"), False: _("no"), None: ""}[m.braked], ("braked",)),
        ]
    if form.kind == CONTAINER:
        plate = limit_words(m.container_gross_kg, "kg", system)
        rows.append((_("Maximum gross mass on its safety plate"), plate, ("container_gross_kg",)))
    own = _("measured on this unit")
    return [
        {"label": label, "value": value, "note": own if set(names) & set(form.own) else ""}
        for label, value, names in rows
    ]


def mass_lines(form: FormRecord, system: System) -> list[dict[str, str]]:
    """The packed mass line by line, the sum last and rounded up; to a tenth the lines add up to no more than it."""
    shown = shares_of_sum([line.kg for line in form.mass.lines], form.mass.total_kg, system)
    lines = [
        {"label": line.label, "value": value} for line, value in zip(form.mass.lines, shown, strict=True)
    ]
    return [*lines, {"label": _("Packed mass"), "value": need_words(form.mass.total_kg, "kg", system)}]


def loose_aircraft() -> list[tuple[str, str]]:
    """The aircraft that are loaded without a pallet, each with its name."""
    names = conveyance_names()
    return [(key, names[key]) for key in held_conveyances().planes.keys if "+" not in key]


def conveyance_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Every type of the tables by class, for a list to choose from."""
    names, groups = conveyance_names(), group_of()
    held = held_conveyances().keys
    return [
        (str(title), [(key, names[key]) for key in held if groups[key] == name]) for name, title in GROUPS
    ]
