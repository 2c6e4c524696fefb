"""The transport sheet of one unit in one packed form: the one source of words for the page, the PDF and the compare view."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.reasons import KEYS, REASONS
from fleet.domain.fit.trip import Topic, Trip
from fleet.domain.transport.answers import Carried, FleetClass
from fleet.domain.transport.fork import FORK_TRUCK, asks_pockets, fork_answers
from fleet.domain.transport.measures import CONTAINER, TRAILER
from fleet.domain.transport.records import FormRecord, PaperState, UnitRecord
from fleet.lib.quantities import System
from fleet.web.days import day_words
from fleet.web.lifting_drawing import LiftingDrawing, lifting_drawing
from fleet.web.limits import limit_words, spare_words
from readiness.web.transport import (
    GROUPS,
    LIST_WORDS,
    TOPIC_WORDS,
    GridRow,
    Group,
    LawOfMode,
    PaperLine,
    Reasons,
    form_pairs,
    grid_of,
    group_of,
    laws_of,
    mass_lines,
    not_asked,
    paper_lines,
    paper_words,
    sentences_of,
    source_of,
)
from readiness.web.transport_fork import FORK_TITLE, FORKS, fork_row

DECIDES = gettext_lazy("Decision support: the trained person and the carrier decide.")
CAUTIONS = (
    gettext_lazy(
        "Lifting, slinging, lashing and dangerous goods can kill. Nobody stands under or beside a hanging load."
    ),
    gettext_lazy(
        "A trained person classifies the goods and signs; the edition in force decides, not this sheet."
    ),
    gettext_lazy(
        "The plate, the flight and loading manuals and the operator's chart decide what may be carried."
    ),
)
# What each class of conveyances leaves open when nothing was said of it.
OF_GROUP: dict[str, tuple[Topic, ...]] = {
    "containers": (Topic.PLATE, Topic.FORKLIFT_AXLE),
    "planes": (Topic.RANGE, Topic.RUNWAY, Topic.SURFACE),
    "helicopters": (Topic.RADIUS, Topic.SLING_LEG),
    "decks": (Topic.LASHING,),
    "tow": (Topic.LICENCE,),
    "vessel": (),
}
BEDDING = gettext_lazy("beams or boards under the load")
# What a class of conveyances leaves open whatever is said.
LEFT_OPEN = {
    "decks": gettext_lazy("the axle loads of the vehicle (one load asks them)"),
    "vessel": gettext_lazy("the verified gross mass, its place aboard and the lashings there"),
}
# Conveyances for one kind of form only, and what is said of the others.
ONLY_OF = {"tow": TRAILER, "vessel": CONTAINER}
ANOTHER_KIND = {
    "tow": gettext_lazy("no: in this form it does not stand on wheels of its own"),
    "vessel": gettext_lazy("no: in this form it is no container itself"),
}
TRUCK = gettext_lazy("a fork truck")


@dataclass(frozen=True)
class SheetRow:
    """One conveyance in words: `mass` and `room` are margins rounded down, in the units of the person; `_signed`: short."""

    key: str
    name: str
    word: str
    outcome: str
    mass: str
    room: str
    mass_signed: str
    room_signed: str
    reasons: Reasons
    carried: Carried
    mass_short: bool
    room_short: bool

    @property
    def why(self) -> tuple[str, ...]:
        return sentences_of(self.reasons)

    @property
    def source(self) -> str:
        return source_of(self.reasons)


@dataclass(frozen=True)
class SheetGroup:
    """One class of conveyances with what was not asked of it."""

    key: str
    title: str
    said: str
    open: bool
    rows: tuple[SheetRow, ...]
    not_asked: str

    @property
    def best(self) -> SheetRow:
        return self.rows[0]

    @property
    def best_words(self) -> str:
        """The best answer with what is left, or with what stands against it; empty where nothing was asked."""
        if not self.rows:
            return ""
        best = self.best
        if best.outcome != "pass":
            return f"{best.name}: {best.why[0]}" if best.why else best.name
        left = ", ".join(part for part in (best.mass, best.room) if part)
        return f"{best.name}: {left}" if left else best.name


@dataclass(frozen=True)
class Missing:
    """One fact that is missing, and the rule that asks for it or where it is written down."""

    words: str
    source: str = ""


@dataclass(frozen=True)
class Sheet:
    """Everything the sheet says, in words and in order. `form` is None where the design has no packed form."""

    tag: str
    design: str
    depot: str
    form: FormRecord | None
    ship_date: dt.date
    asked: tuple[tuple[str, str], ...]
    weighed: str
    mass: tuple[dict[str, str], ...]
    pairs: tuple[dict[str, str], ...]
    groups: tuple[SheetGroup, ...]
    laws: tuple[LawOfMode, ...]
    papers: tuple[PaperLine, ...]
    missing: tuple[Missing, ...]
    not_asked: str
    cautions: tuple[str, ...]
    decides: str
    drawing: LiftingDrawing | None

    @property
    def packed_mass(self) -> str:
        return self.mass[-1]["value"] if self.mass else ""

    @property
    def title(self) -> str:
        packed = f", {self.form.label} ({self.form.code})" if self.form else ""
        return f"{self.tag}{packed}"


def sheet_of(
    found: FleetClass,
    unit: int,
    form: int,
    trip: Trip,
    ship_date: dt.date,
    rules: Rules,
    *,
    system: System = "si",
    truck: ForkTruck | None = None,
    asked: Iterable[tuple[str, str]] = (),
    laws: dict[Mode, LawOfMode] | None = None,
) -> Sheet:
    """The sheet of one form of one unit of `found`; `laws` when they are worded already. No query."""
    record = found.units[unit]
    laws = laws or laws_of(record, ship_date, rules)
    packed = record.forms[form] if record.forms else None
    groups: list[SheetGroup] = []
    drawing = None
    if packed is not None:
        groups = [
            _group(group, key, trip, system)
            if packed.kind == ONLY_OF.get(key, packed.kind)
            else _of_another_kind(group, key)
            for key, group in _keyed(grid_of(found, unit, form, laws))
        ]
        groups.append(_fork_group(packed, truck, system))
        drawing = lifting_drawing(
            packed.measures,
            packed.mass.total_kg,
            trip.sling_leg_mm,
            leg_wll_kg=trip.sling_leg_wll_kg,
            name=record.tag,
            system=system,
        )
    return Sheet(
        record.tag,
        record.design,
        record.depot,
        packed,
        ship_date,
        tuple(asked),
        _weighed(packed),
        tuple(mass_lines(packed, system)) if packed else (),
        tuple(form_pairs(packed, trip, system)) if packed else (),
        tuple(groups),
        tuple(laws.values()),
        tuple(paper_lines(record)),
        (*missing_of(found, unit, form, drawing), *law_missing(laws.values())),
        sheet_not_asked(trip, truck),
        tuple(str(words) for words in CAUTIONS),
        str(DECIDES),
        drawing,
    )


def _weighed(form: FormRecord | None) -> str:
    if form is None:
        return ""
    if form.weighed_on is None:
        return str(_("never weighed: by the catalogue"))
    return str(_("weighed %(day)s") % {"day": day_words(form.weighed_on)})


def _keyed(groups: list[Group]) -> list[tuple[str, Group]]:
    titles = {str(title): key for key, title in GROUPS}
    return [(titles[group.title], group) for group in groups]


def _of_another_kind(group: Group, key: str) -> SheetGroup:
    return SheetGroup(key, group.title, str(ANOTHER_KIND[key]), False, (), "")


def _group(group: Group, key: str, trip: Trip, system: System) -> SheetGroup:
    left_open = [str(TOPIC_WORDS[topic]) for topic in OF_GROUP[key] if not trip.asks(topic)]
    if key in LEFT_OPEN:
        left_open.append(str(LEFT_OPEN[key]))
    bedded = trip.bearing_length_mm if key == "containers" else trip.bearing_area_m2
    if key in ("containers", "planes") and bedded is None:
        left_open.append(str(BEDDING))
    rows = tuple(sheet_row(row, system) for row in group.rows)
    return SheetGroup(key, group.title, group.said, group.open, rows, ", ".join(left_open))


def sheet_row(row: GridRow, system: System) -> SheetRow:
    return SheetRow(
        row.key,
        row.name,
        row.word,
        row.outcome,
        spare_words(row.margin_kg, "kg", system),
        spare_words(row.margin_mm, "mm", system),
        limit_words(row.margin_kg, "kg", system),
        limit_words(row.margin_mm, "mm", system),
        row.reasons,
        row.carried,
        row.margin_kg is not None and row.margin_kg < 0,
        row.margin_mm is not None and row.margin_mm < 0,
    )


def _fork_group(form: FormRecord, truck: ForkTruck | None, system: System) -> SheetGroup:
    if truck is None:
        said = str(_("not asked: say its rated load and load centre"))
        return SheetGroup(FORK_TRUCK, str(FORK_TITLE), said, False, (), str(TRUCK))
    (answer,) = fork_answers([form], truck)
    row = sheet_row(fork_row(answer), system)
    return SheetGroup(
        FORK_TRUCK, str(FORK_TITLE), row.word, True, (row,), "" if asks_pockets(truck) else str(FORKS)
    )


def sheet_not_asked(trip: Trip, truck: ForkTruck | None) -> str:
    """All that the sheet leaves open because nothing was said of it."""
    words = [not_asked(trip)]
    if truck is None:
        words.append(str(TRUCK))
    if trip.bearing_length_mm is None and trip.bearing_area_m2 is None:
        words.append(str(BEDDING))
    return ", ".join(word for word in words if word)


def missing_of(found: FleetClass, unit: int, form: int, drawing: LiftingDrawing | None) -> list[Missing]:
    """Every fact without which something cannot be decided: of the form, the goods, the papers, the question."""
    record = found.units[unit]
    if not record.forms:
        return [Missing(str(_("No packed form is on file.")))]
    lines = [
        Missing(str(_("The mass of %(what)s is not known.") % {"what": label}))
        for label in record.forms[form].mass.unknown
    ]
    verdicts = found.fit.verdicts
    kind, groups = record.forms[form].kind, group_of()
    asked = [ONLY_OF.get(groups[key], kind) == kind for key in found.fit.keys]
    codes = {int(code) for code in verdicts.reason[found.row(unit, form)][asked]}
    for key in (KEYS[code] for code in sorted(codes)):
        if key.startswith(("missing_", "outside_")):
            lines.append(Missing(REASONS[key].sentence, REASONS[key].source))
    if drawing is not None and drawing.missing:
        lines.append(
            Missing(
                str(_("For the lifting diagram: %(what)s.") % {"what": ", ".join(drawing.missing)}),
                "MIL-STD-209K 5.1.2",
            )
        )
    lines += _missing_of_goods(record)
    lines += [
        Missing(paper_words(paper), paper.source)
        for paper in record.papers
        if paper.state is PaperState.NEVER
    ]
    return list(dict.fromkeys(lines))


def _missing_of_goods(record: UnitRecord) -> list[Missing]:
    if record.goods_list.confirmed:
        return []
    return [Missing(str(LIST_WORDS.get(record.goods_list.why, LIST_WORDS["never"])))]


def law_missing(laws: Iterable[LawOfMode]) -> list[Missing]:
    """What the law asks of each line and nobody has said, once a line, with the modes that ask for it."""
    asked: dict[tuple[str, str], list[LawOfMode]] = {}
    sources: dict[tuple[str, str], str] = {}
    for law in laws:
        for line in law.lines:
            if line.missing:
                key = line.label, line.missing
                asked.setdefault(key, []).append(law)
                sources.setdefault(key, line.source)
    return [
        Missing(f"{label}: {what} ({', '.join(law.title for law in found)}).", sources[label, what])
        for (label, what), found in asked.items()
    ]


def asked_words(pairs: Iterable[tuple[Any, Any]]) -> tuple[tuple[str, str], ...]:
    """What was asked as label and value, without what was left empty."""
    return tuple((str(label), str(value)) for label, value in pairs if value not in (None, ""))
