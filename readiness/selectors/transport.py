"""Everything on record for the transport class of many units, in a number of queries that does not grow with them."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import numpy as np

from fleet.domain.fit.trip import Clearance, Clearances
from fleet.domain.transport.measures import MEASURE_NAMES, Measures
from fleet.domain.transport.records import FormRecord, Gate, Paper, PaperState, UnitRecord, paper_state
from fleet.models import CertificateRule, DepotTerms, PackedForm, TransportTerms, Unit, UnitForm
from fleet.models.designs import CertificateKind
from readiness.domain.checks_papers import CERTIFICATE_KINDS, certificate_ends, last_changes
from readiness.selectors.columns import RowOf, id_list, moment
from readiness.selectors.snapshot import EPOCH, date_of, day_number, load_units
from readiness.selectors.snapshot_papers import load_certificates, load_changes
from readiness.selectors.transport_goods import (
    Checks,
    Line,
    bank_lines,
    charges_pct,
    item_lines,
    list_words,
    own_lines,
    stock_aboard,
)
from readiness.selectors.transport_mass import mass_of, mass_records

# Shown by a certificate of the unit, whichever rule asks for it.
PROOF, SUMMARY, NON_SPILLABLE = (
    CertificateKind.PROOF_LOAD,
    CertificateKind.BATTERY_SUMMARY,
    CertificateKind.NON_SPILLABLE,
)


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


def load_transport(
    units: Iterable[Unit],
    *,
    ship_date: dt.date,
    now: dt.datetime,
    mission_days: int | None = None,
    terms: TransportTerms | None = None,
) -> list[UnitRecord]:
    """The records of units (design and home loaded) as known now, for a departure on `ship_date`.

    `mission_days` None: the standard mission of each unit's depot; where that is not stated no dated paper lasts.
    """
    there = sorted(units, key=lambda unit: unit.tag)
    ids = [unit.pk for unit in there]
    settings = terms or terms_on(ship_date)
    days = _mission_days(there, ship_date, mission_days)
    papers, shown = _papers(there, ship_date, now, days)
    stock = stock_aboard(there, ship_date, days)
    checks = Checks(ids, ship_date, settings)
    banks = bank_lines(ids, checks, charges_pct(ids, ship_date, now, settings.soc_hours), shown)
    items = item_lines(stock)
    listed, rows = own_lines(ids, checks)
    lines: dict[int, list[Line]] = {
        pk: [*banks.get(pk, []), *items.get(pk, []), *listed.get(pk, [])] for pk in ids
    }
    words = list_words(
        ids, {pk: [line.key for line in found] for pk, found in lines.items()}, ship_date, settings.list_days
    )
    masses = mass_records(ids, now)
    forms = _forms(there, ship_date)
    return [
        UnitRecord(
            unit.pk,
            unit.tag,
            unit.design.name,
            unit.home.code,
            tuple(line.item for line in lines[unit.pk]),
            tuple(line.key for line in lines[unit.pk]),
            words[unit.pk],
            tuple(papers[unit.pk]),
            tuple(
                FormRecord(
                    form.pk,
                    form.code,
                    form.kind,
                    str(form.get_kind_display()),
                    measures,
                    *mass_of(
                        unit,
                        form,
                        measures.mass_kg,
                        masses,
                        stock.get(unit.pk, []),
                        rows.get(unit.pk, []),
                        checks,
                        own.valid_from if own is not None and "mass_kg" in own_names else None,
                    ),
                    own_names,
                )
                for form, measures, own_names, own in forms[unit.pk]
            ),
            _proof(shown[unit.pk]),
            tuple(
                (line.item.label, *line.discharge)
                for line in lines[unit.pk]
                if line.discharge != (None, None)
            ),
        )
        for unit in there
    ]


def _mission_days(units: list[Unit], day: dt.date, stated: int | None) -> dict[int, int | None]:
    if stated is not None:
        return {unit.pk: stated for unit in units}
    rows = DepotTerms.objects.valid_on(day).filter(place__in={unit.home_id for unit in units})
    by_home = dict(rows.values_list("place_id", "mission_days"))
    return {unit.pk: by_home.get(unit.home_id) for unit in units}


def _forms(
    units: list[Unit], day: dt.date
) -> dict[int, list[tuple[PackedForm, Measures, tuple[str, ...], UnitForm | None]]]:
    """The packed forms of each unit with its own measures over the design's. Two queries."""
    by_design: dict[int, list[PackedForm]] = defaultdict(list)
    for form in PackedForm.objects.filter(design__in={unit.design_id for unit in units}).order_by("code"):
        by_design[form.design_id].append(form)
    overrides = UnitForm.objects.valid_on(day).filter(unit__in=units).order_by("valid_from")
    own = {(row.unit_id, row.packed_form_id): row for row in overrides}
    return {
        unit.pk: [
            (form, *_measures(form, own.get((unit.pk, form.pk))), own.get((unit.pk, form.pk)))
            for form in by_design[unit.design_id]
        ]
        for unit in units
    }


def _measures(form: PackedForm, own: UnitForm | None) -> tuple[Measures, tuple[str, ...]]:
    values = {name: getattr(form, name) for name in MEASURE_NAMES}
    names = tuple(name for name in MEASURE_NAMES if own is not None and getattr(own, name) is not None)
    values |= {name: getattr(own, name) for name in names}
    return Measures(**{name: _possible(name, value) for name, value in values.items()}), names


def _possible(name: str, value: Any) -> Any:
    """A measure that cannot be is not known, and must not stop the answers for other units."""
    if value is None or isinstance(value, bool) or name.startswith(("cog_", "point_front", "point_left")):
        return value
    least = (
        0 if name in ("lifting_points", "lifting_points_kg", "tongue_load_kg", "point_height_mm") else 1e-9
    )
    return value if math.isfinite(value) and value >= least else None


def _papers(
    units: list[Unit], ship_date: dt.date, now: dt.datetime, days: dict[int, int | None]
) -> tuple[dict[int, list[Paper]], dict[int, frozenset[str]]]:
    """What each unit must hold and through which day it does; and which kinds hold at all. Five queries."""
    ids = id_list([unit.pk for unit in units])
    today = day_number(now.date())
    frame = load_units(ids, now.date(), today)
    rows = RowOf(frame["id"])
    held = load_certificates(rows, ids)
    latest = last_changes(load_changes(rows, ids, moment(today + 2.0)), len(frame))
    count, kinds = len(frame), len(CERTIFICATE_KINDS)
    unit, kind = np.repeat(np.arange(count), kinds), np.tile(np.arange(kinds), count)
    ends, void = certificate_ends(held, latest, frame["offset_days"], float(today), unit, kind)
    place = {int(pk): n for n, pk in enumerate(frame["id"].tolist())}
    rules: dict[int, list[CertificateRule]] = defaultdict(list)
    for rule in CertificateRule.objects.valid_on(ship_date).filter(
        design__in={one.design_id for one in units}
    ):
        rules[rule.design_id].append(rule)
    papers: dict[int, list[Paper]] = {}
    shown: dict[int, frozenset[str]] = {}
    for one in units:
        first = place[one.pk] * kinds
        length = days[one.pk]
        last = math.inf if length is None else float(day_number(ship_date) + length)

        def state(name: str, first: int = first, last: float = last) -> tuple[PaperState, dt.date | None]:
            at = first + CERTIFICATE_KINDS.index(name)
            return paper_state(float(ends[at]), float(void[at]), float(today), last), date_of(float(ends[at]))

        papers[one.pk] = [
            Paper(rule.kind, Gate(rule.gate), *state(rule.kind), rule.source) for rule in rules[one.design_id]
        ]
        asked = {paper.kind for paper in papers[one.pk]}
        if CertificateKind.LIFTING_EXAM not in asked:
            papers[one.pk].append(
                Paper(CertificateKind.LIFTING_EXAM, Gate.LIFT, *state(CertificateKind.LIFTING_EXAM))
            )
        shown[one.pk] = frozenset(
            name for name in (PROOF, SUMMARY, NON_SPILLABLE) if state(name)[0] is PaperState.HOLDS
        ) | frozenset(
            f"lapsed:{name}"
            for name in (PROOF,)
            if state(name)[0] not in (PaperState.HOLDS, PaperState.NEVER)
        )
    return papers, shown


def _proof(shown: frozenset[str]) -> bool | None:
    """Whether the proof test of the lifting points is in date. A thorough examination does not stand for it."""
    if PROOF in shown:
        return True
    return False if f"lapsed:{PROOF}" in shown else None
