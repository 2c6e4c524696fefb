"""Everything on record for the transport class of many units, in a number of queries that does not grow with them.

What the answers need is held in columns; the record of a unit, with its words, is made when somebody reads it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from fleet.domain.dangerous_goods.records import Item
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Clearance, Clearances, Trip
from fleet.domain.transport.answers import FleetClass, class_of_columns
from fleet.domain.transport.columns import FleetColumns, FloatArray, IntArray, LoadKind, loads_of
from fleet.domain.transport.fork import fork_of_columns
from fleet.domain.transport.measures import MEASURE_NAMES, Measures
from fleet.domain.transport.records import (
    GATES,
    PAPER_STATES,
    FormRecord,
    Gate,
    ListWord,
    Paper,
    PaperState,
    UnitRecord,
    paper_states,
)
from fleet.lib.dates import find_zone
from fleet.models import PackedForm, TransportTerms, Unit
from fleet.models.designs import CertificateKind
from readiness.domain.checks_papers import CERTIFICATE_KINDS, certificate_ends, last_changes
from readiness.domain.snapshot import Frame
from readiness.selectors.columns import RowOf, fetch, id_list, maybe, moment, spread
from readiness.selectors.columns import day as day_sql
from readiness.selectors.snapshot import EPOCH, date_of, day_number, load_units, standard_offset_days
from readiness.selectors.snapshot_papers import load_certificates, load_changes
from readiness.selectors.transport_checks import Checks, charges_pct, line_charges_pct, rows_of
from readiness.selectors.transport_goods import (
    Lines,
    bank_lines,
    item_lines,
    list_words,
    own_lines,
    stock_aboard,
)
from readiness.selectors.transport_mass import FormRows, Masses, kit_weighed_on, mass_records, masses_of

_ANSWERS = frozenset({"braked", "may_turn"})
# Shown by a certificate of the unit, whichever rule asks for it.
PROOF, SUMMARY, NON_SPILLABLE, PLATE = (
    CertificateKind.PROOF_LOAD,
    CertificateKind.BATTERY_SUMMARY,
    CertificateKind.NON_SPILLABLE,
    CertificateKind.CONTAINER_PLATE,
)
FORM_KINDS = ("", *(str(value) for value in PackedForm.Kind.values))


def terms_on(day: dt.date) -> TransportTerms:
    """The owner's transport terms of a day; the usual ones while none are stated. One query."""
    return TransportTerms.objects.valid_on(day).order_by("-valid_from").first() or TransportTerms(
        valid_from=EPOCH, source="usual terms: common practice"
    )


def clearances_of(terms: TransportTerms) -> Clearances:
    return Clearances(
        container=Clearance(terms.container_w_mm, terms.container_h_mm, terms.container_l_mm),
        ramp_aircraft=Clearance(terms.ramp_w_mm, terms.ramp_h_mm, terms.ramp_l_mm),
        other_aircraft=Clearance(terms.plane_w_mm, terms.plane_h_mm, terms.plane_l_mm),
    )


@dataclass(frozen=True)
class TransportFleet:
    """n units on a ship date, by tag: the columns their answers are worked out from, and what their records are made of.

    `units`: id, tag, design_name, depot; `forms` and `papers` lie as in `columns`.
    """

    columns: FleetColumns
    units: Frame
    words: Sequence[ListWord]
    proved: Sequence[bool | None]
    plated: Sequence[bool | None]
    lines: Lines
    masses: Masses
    forms: _Forms
    papers: _Papers

    @property
    def records(self) -> Sequence[UnitRecord]:
        """The records, each one made when it is first asked for."""
        return _Records(self)

    def answer(self, trip: Trip, ship_date: dt.date, **asked: Any) -> FleetClass:
        """All answers in one pass; `asked` as for `class_of_columns`."""
        found = class_of_columns(self.columns, trip, ship_date, **asked)
        return found.of(self.records, self.units["tag"].tolist(), self.columns.form_of)

    def lifted_by(self, truck: ForkTruck) -> FleetClass:
        """Every packed form on one fork truck, in one pass."""
        found = fork_of_columns(self.columns, truck)
        return found.of(self.records, self.units["tag"].tolist(), self.columns.form_of)

    def record(self, unit: int) -> UnitRecord:
        """The record of a unit (row) in words. No query."""
        lines = self.lines.of_unit(unit)
        first, count = int(self.forms.rows.first[unit]), int(self.forms.rows.count[unit])
        tag, design, depot = (str(self.units[name][unit]) for name in ("tag", "design_name", "depot"))
        return UnitRecord(
            int(self.units["id"][unit]),
            tag,
            design,
            depot,
            tuple(line.item for line in lines),
            tuple(line.key for line in lines),
            self.words[unit],
            self.papers.of_unit(unit),
            tuple(self.forms.record(form, self.masses) for form in range(first, first + count)),
            self.proved[unit],
            self.plated[unit],
            tuple((line.item.label, *line.discharge) for line in lines if line.discharge != (None, None)),
        )


class _Records(Sequence[UnitRecord]):
    """The records of a fleet, made one by one as they are read."""

    def __init__(self, fleet: TransportFleet) -> None:
        self._fleet = fleet
        self._made: dict[int, UnitRecord] = {}

    def __len__(self) -> int:
        return self._fleet.columns.size

    @overload
    def __getitem__(self, unit: int) -> UnitRecord: ...

    @overload
    def __getitem__(self, unit: slice) -> Sequence[UnitRecord]: ...

    def __getitem__(self, unit: int | slice) -> UnitRecord | Sequence[UnitRecord]:
        if isinstance(unit, slice):
            return [self[place] for place in range(len(self))[unit]]
        place = range(len(self))[unit]
        if place not in self._made:
            self._made[place] = self._fleet.record(place)
        return self._made[place]

    def __iter__(self) -> Iterator[UnitRecord]:
        return (self[unit] for unit in range(len(self)))


def load_transport(
    units: Iterable[Unit],
    *,
    ship_date: dt.date,
    now: dt.datetime,
    mission_days: int | None = None,
    terms: TransportTerms | None = None,
) -> list[UnitRecord]:
    """The records of units as known now, by tag, for a departure on `ship_date`.

    `mission_days` None: the standard mission of each unit's depot; where that is not stated no dated paper lasts.
    """
    fleet = load_fleet(
        [unit.pk for unit in units], ship_date=ship_date, now=now, mission_days=mission_days, terms=terms
    )
    return list(fleet.records)


def load_fleet(
    ids: Iterable[int],
    *,
    ship_date: dt.date,
    now: dt.datetime,
    mission_days: int | None = None,
    terms: TransportTerms | None = None,
) -> TransportFleet:
    """As `load_transport`, for units by id, in columns: for questions to many units of which few are shown."""
    settings = terms or terms_on(ship_date)
    units = _units(ids)
    there = units["id"].tolist()
    stated = _stated_days(units)
    days = _mission_days(units, ship_date, mission_days, stated)
    papers = _papers(units, ship_date, now, days)
    offset_days = _offset_days(units, now)
    forms = _forms(units, ship_date)
    records = mass_records(there, now, offset_days)
    weighed_on = kit_weighed_on(forms.rows, records, len(units))
    standard = _standard_days(units, ship_date, weighed_on, stated)
    stock = stock_aboard(there, units["design"], ship_date, days, standard)
    checks = Checks(there, offset_days, ship_date, settings)
    of_charge = there, units["zone"].tolist(), ship_date, now, settings.soc_hours
    charges, of_lines = charges_pct(*of_charge), line_charges_pct(*of_charge)
    listed, rows = own_lines(there, checks, of_lines, offset_days)
    lines = Lines.beside(
        [bank_lines(there, checks, charges, papers.shown), item_lines(stock), listed], len(units)
    )
    words = list_words(there, lines, ship_date, settings.list_days, offset_days)
    masses = masses_of(forms.rows, records, stock, rows, checks, units["water_kg"])
    proved = [_in_date(PROOF, shown) for shown in papers.shown]
    plated = [_in_date(PLATE, shown) for shown in papers.shown]
    items: dict[Item, int] = {}
    item_of = np.array(
        [items.setdefault(line.item.item, len(items)) for line in lines.distinct], dtype=np.int64
    )
    columns = FleetColumns(
        size=len(units),
        unit_of=forms.rows.unit,
        loads=_loads(forms, proved, plated, masses.total_kg),
        line_unit=lines.unit,
        line_item=item_of[lines.of] if len(item_of) else lines.of,
        items=tuple(items),
        confirmed=np.array([word.confirmed for word in words], dtype=np.bool_),
        paper_unit=papers.unit,
        paper_gate=papers.gate,
        paper_state=papers.state,
    )
    return TransportFleet(columns, units, words, proved, plated, lines, masses, forms, papers)


def _units(ids: Iterable[int]) -> Frame:
    """Units by tag with their design, home and trapped water. One query."""
    frame = fetch(
        {
            "id": ("u.id", "i"),
            "tag": ("u.tag", "s"),
            "design": ("u.design_id", "i"),
            "design_name": ("d.name", "s"),
            "home": ("u.home_id", "i"),
            "depot": ("p.code", "s"),
            "zone": ("p.time_zone", "s"),
            "water_kg": ("d.trapped_water_kg", "f"),
        },
        "FROM fleet_unit u JOIN fleet_design d ON d.id = u.design_id JOIN fleet_place p ON p.id = u.home_id"
        f" WHERE u.id IN {id_list(ids)}",
    )
    tags = frame["tag"].tolist()
    return frame.take(np.array(sorted(range(len(tags)), key=tags.__getitem__), dtype=np.int64))


def _offset_days(units: Frame, now: dt.datetime) -> FloatArray:
    """Local time less UTC [d] at the home of each unit, outside summer time."""
    names = units["zone"].tolist()
    zones = {name: standard_offset_days(find_zone(name), now.year) for name in set(names)}
    return np.array([zones[name] for name in names], dtype=np.float64)


def _valid_on(day: dt.date) -> str:
    return f"valid_from <= '{day.isoformat()}' AND (valid_to IS NULL OR valid_to >= '{day.isoformat()}')"


def _stated_days(units: Frame) -> Frame:
    """The standard mission of every home, with the days (numbers) on which it counts; nan for no end. One query."""
    return fetch(
        {
            "place": ("place_id", "i"),
            "since": (day_sql("valid_from"), "f"),
            "until": (day_sql("valid_to"), "f"),
            "days": ("mission_days", "f"),
        },
        f"FROM fleet_depotterms WHERE place_id IN {id_list(np.unique(units['home']).tolist())} ORDER BY valid_from",
    )


def _mission_days(units: Frame, day: dt.date, asked: int | None, stated: Frame) -> FloatArray:
    """How long each unit is to be away; nan where its depot does not state it."""
    if asked is not None:
        return np.full(len(units), float(asked))
    return _least_days(units, np.full(len(units), float(day_number(day))), day, stated)


def _standard_days(units: Frame, day: dt.date, weighed_on: FloatArray, stated: Frame) -> FloatArray:
    """The standard mission for which the kit that was weighed was packed, the shortest its home stated since: a kit for
    fewer days leaves more to add. nan where none was stated.
    """
    last = float(day_number(day))
    return _least_days(units, np.fmin(weighed_on, last), day, stated)


def _least_days(units: Frame, first: FloatArray, last: dt.date, stated: Frame) -> FloatArray:
    """The least of what each home stated on any day from `first` (n,) through `last`; nan where it stated none."""
    end = float(day_number(last))
    least = np.full(len(units), np.inf)
    for place, since, until, days in rows_of(stated):
        ends = math.inf if until is None or math.isnan(until) else until
        counts = (units["home"] == place) & (since <= end) & (ends >= np.where(np.isnan(first), end, first))
        least = np.where(counts, np.minimum(least, np.nan if days is None else days), least)
    return np.where(np.isinf(least), np.nan, least)


@dataclass(frozen=True)
class _Forms:
    """The packed forms of all units: `kinds` are measures as they differ, `kind_of` (f,) the one of each row; `form` (f,) is
    a place in `shown` and `form_kind`, which is a place in `FORM_KINDS`.
    """

    rows: FormRows
    shown: Sequence[tuple[int, str, str, str]]
    form: IntArray
    form_kind: IntArray
    kinds: Sequence[Measures]
    own_names: Sequence[tuple[str, ...]]
    kind_of: IntArray

    def record(self, row: int, masses: Masses) -> FormRecord:
        pk, code, kind, label = self.shown[int(self.form[row])]
        of = int(self.kind_of[row])
        weighed = float(masses.weighed_on[row])
        return FormRecord(
            pk, code, kind, label, self.kinds[of], masses.of_form(row), date_of(weighed), self.own_names[of]
        )


def _forms(units: Frame, day: dt.date) -> _Forms:
    """The packed forms of each unit with its own measures over the design's. Two queries."""
    measures = {name: (_measure_sql(name), "f") for name in MEASURE_NAMES}
    packed = fetch(
        {
            "id": ("id", "i"),
            "design": ("design_id", "i"),
            "code": ("code", "s"),
            "kind": ("kind", "s"),
            **measures,
        },
        f"FROM fleet_packedform WHERE design_id IN {id_list(np.unique(units['design']).tolist())}"
        " ORDER BY design_id, code",
    )
    own = fetch(
        {
            "unit_id": ("unit_id", "i"),
            "form_id": ("packed_form_id", "i"),
            "since": (day_sql("valid_from"), "f"),
            **measures,
        },
        f"FROM fleet_unitform WHERE unit_id IN {id_list(units['id'].tolist())} AND {_valid_on(day)} ORDER BY valid_from",
    )
    by_design = np.searchsorted(packed["design"], units["design"], side="left")
    count = np.searchsorted(packed["design"], units["design"], side="right") - by_design
    unit, form = spread(by_design, count)
    first = np.cumsum(count) - count
    own_of = np.full(len(unit), -1, dtype=np.int64)
    own_unit, own_form = RowOf(units["id"])(own["unit_id"]), RowOf(packed["id"])(own["form_id"])
    for place, (of_unit, of_form) in enumerate(zip(own_unit.tolist(), own_form.tolist(), strict=True)):
        behind = of_form - by_design[of_unit]
        if of_form >= 0 and 0 <= behind < count[of_unit]:
            own_of[first[of_unit] + behind] = place
    labels = {str(value): str(label) for value, label in PackedForm.Kind.choices}
    shown = [
        (pk, code, kind, labels.get(kind, kind))
        for pk, code, kind in zip(
            packed["id"].tolist(), packed["code"].tolist(), packed["kind"].tolist(), strict=True
        )
    ]
    told, inverse = np.unique(np.stack([form, own_of]), axis=1, return_inverse=True)
    made = _measures(packed, own, *told)
    kind_of = inverse.reshape(-1)
    mass = np.array(
        [np.nan if one.mass_kg is None else one.mass_kg for one, _names in made], dtype=np.float64
    )
    with_mass = np.array(["mass_kg" in names for _one, names in made], dtype=np.bool_)
    since = np.where(own_of >= 0, own["since"][own_of] if len(own) else np.nan, np.nan)
    nothing = np.full(len(unit), np.nan)
    rows = FormRows(
        unit,
        first,
        count,
        packed["id"][form],
        mass[kind_of] if len(made) else nothing,
        np.where(with_mass[kind_of], since, np.nan) if len(made) else nothing,
    )
    form_kind = np.array(
        [FORM_KINDS.index(kind) if kind in FORM_KINDS else 0 for _pk, _code, kind, _label in shown],
        dtype=np.int64,
    )
    return _Forms(
        rows, shown, form, form_kind, [one for one, _names in made], [names for _one, names in made], kind_of
    )


def _measure_sql(name: str) -> str:
    return maybe(name) if name in _ANSWERS else name


def _measures(
    packed: Frame, own: Frame, form: IntArray, own_row: IntArray
) -> list[tuple[Measures, tuple[str, ...]]]:
    """Of k pairs of a packed form (row) and a unit's own one (row, -1: none): the measures, and the names that are its own.

    A measure that cannot be is not known, and must not stop the answers for other units.
    """
    values = np.stack([packed[name] for name in MEASURE_NAMES], axis=1).astype(np.float64)[form]
    there = np.flatnonzero(own_row >= 0)
    names_of: dict[int, tuple[str, ...]] = {}
    if len(there):
        measured = np.stack([own[name] for name in MEASURE_NAMES], axis=1).astype(np.float64)[own_row[there]]
        given = ~np.isnan(measured)
        values[there] = np.where(given, measured, values[there])
        for row, mask in zip(there.tolist(), given.tolist(), strict=True):
            names_of[row] = tuple(
                name for name, is_given in zip(MEASURE_NAMES, mask, strict=True) if is_given
            )
    least = np.array([_least(name) for name in MEASURE_NAMES])
    with np.errstate(invalid="ignore"):
        impossible = ~np.isneginf(least) & ~(np.isfinite(values) & (values >= least))
    told = values.astype(object)
    told[np.isnan(values) | impossible] = None
    for name in _ANSWERS:
        place = MEASURE_NAMES.index(name)
        told[:, place] = [None if value is None else bool(value) for value in told[:, place]]
    return [(Measures(*row), names_of.get(n, ())) for n, row in enumerate(told.tolist())]


def _least(name: str) -> float:
    """The least that a measure can be; -inf: anything, where it is a place or a yes or no."""
    if name in _ANSWERS or name.startswith(("cog_", "point_front", "point_left")):
        return -math.inf
    none = ("lifting_points", "lifting_points_kg", "tongue_load_kg", "point_height_mm")
    return 0.0 if name in none else 1e-9


def _loads(
    forms: _Forms, proved: Sequence[bool | None], plated: Sequence[bool | None], total_kg: FloatArray
) -> LoadColumns:
    answers = [None, True, False]
    told = np.stack(
        [
            forms.kind_of,
            forms.form_kind[forms.form] if len(forms.form) else forms.form,
            *(
                np.array([answers.index(answer) for answer in each], dtype=np.int64)[forms.rows.unit]
                for each in (proved, plated)
            ),
        ]
    )
    distinct, kind_of = np.unique(told, axis=1, return_inverse=True)
    kinds = [
        LoadKind(forms.kinds[kind], FORM_KINDS[form], answers[proof], answers[plate])
        for kind, form, proof, plate in distinct.T.tolist()
    ]
    return loads_of(kinds, kind_of.reshape(-1), total_kg)


@dataclass(frozen=True)
class _Papers:
    """What the units must hold, those of a unit side by side, as columns; `shown` (n,): which kinds hold at all."""

    unit: IntArray
    kind: IntArray
    gate: IntArray
    state: IntArray
    ends: FloatArray
    sources: Sequence[str]
    source_of: IntArray
    shown: Sequence[frozenset[str]]

    def of_unit(self, unit: int) -> tuple[Paper, ...]:
        first, last = np.searchsorted(self.unit, [unit, unit + 1]).tolist()
        return tuple(
            Paper(
                CERTIFICATE_KINDS[int(self.kind[row])],
                GATES[int(self.gate[row])],
                PAPER_STATES[int(self.state[row])],
                date_of(float(self.ends[row])),
                self.sources[int(self.source_of[row])],
            )
            for row in range(first, last)
        )


def _papers(units: Frame, ship_date: dt.date, now: dt.datetime, days: FloatArray) -> _Papers:
    """What each unit must hold and through which day it does; and which kinds hold at all. Five queries."""
    ids = id_list(units["id"].tolist())
    today = day_number(now.date())
    frame = load_units(ids, now.date(), today)
    rows = RowOf(frame["id"])
    held = load_certificates(rows, ids)
    latest = last_changes(load_changes(rows, ids, moment(today + 2.0)), len(frame))
    count, kinds = len(frame), len(CERTIFICATE_KINDS)
    unit, kind = np.repeat(np.arange(count), kinds), np.tile(np.arange(kinds), count)
    flat_ends, flat_void = certificate_ends(held, latest, frame["offset_days"], float(today), unit, kind)
    place = rows(units["id"])
    ends, void = flat_ends.reshape(count, kinds)[place], flat_void.reshape(count, kinds)[place]
    last = np.where(np.isnan(days), np.inf, day_number(ship_date) + days)[:, None]
    states = paper_states(ends, void, float(today), last)
    rules = fetch(
        {
            "design": ("design_id", "i"),
            "kind": ("kind", "s"),
            "gate": ("gate", "s"),
            "source": ("source", "s"),
        },
        f"FROM fleet_certificaterule WHERE design_id IN {id_list(np.unique(units['design']).tolist())}"
        f" AND {_valid_on(ship_date)} ORDER BY design_id, kind, id",
    )
    first = np.searchsorted(rules["design"], units["design"], side="left")
    of_unit, rule = spread(first, np.searchsorted(rules["design"], units["design"], side="right") - first)
    rule_kind = np.array([CERTIFICATE_KINDS.index(word) for word in rules["kind"].tolist()], dtype=np.int64)
    rule_gate = np.array([GATES.index(Gate(word)) for word in rules["gate"].tolist()], dtype=np.int64)
    exam = CERTIFICATE_KINDS.index(CertificateKind.LIFTING_EXAM)
    asked = np.zeros(len(units), dtype=np.bool_)
    asked[of_unit[rule_kind[rule] == exam]] = True
    more = np.flatnonzero(~asked)
    of = np.concatenate([of_unit, more])
    paper_kind = np.concatenate([rule_kind[rule], np.full(len(more), exam)])
    paper_gate = np.concatenate([rule_gate[rule], np.full(len(more), GATES.index(Gate.LIFT))])
    source_of = np.concatenate([rule, np.full(len(more), len(rules))])
    order = np.argsort(of, kind="stable")
    of, paper_kind = of[order], paper_kind[order]
    return _Papers(
        of,
        paper_kind,
        paper_gate[order],
        states[of, paper_kind],
        ends[of, paper_kind],
        [*rules["source"].tolist(), ""],
        source_of[order],
        _shown(states),
    )


def _shown(states: IntArray) -> list[frozenset[str]]:
    """Which kinds hold, and `lapsed:` those that did, by unit row from states (n, kinds)."""
    holds, never = PAPER_STATES.index(PaperState.HOLDS), PAPER_STATES.index(PaperState.NEVER)
    proof, summary, sealed, plate = (
        states[:, CERTIFICATE_KINDS.index(name)].tolist() for name in (PROOF, SUMMARY, NON_SPILLABLE, PLATE)
    )
    return [
        frozenset(
            name
            for name, told in (
                (PROOF, of_proof == holds),
                (SUMMARY, of_summary == holds),
                (NON_SPILLABLE, of_sealed == holds),
                (PLATE, of_plate == holds),
                (f"lapsed:{PROOF}", of_proof not in (holds, never)),
                (f"lapsed:{PLATE}", of_plate not in (holds, never)),
            )
            if told
        )
        for of_proof, of_summary, of_sealed, of_plate in zip(proof, summary, sealed, plate, strict=True)
    ]


def _in_date(kind: str, shown: frozenset[str]) -> bool | None:
    """Whether a paper is in date. For the proof test of the lifting points no thorough examination stands."""
    if kind in shown:
        return True
    return False if f"lapsed:{kind}" in shown else None
