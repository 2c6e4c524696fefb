"""The packed mass of each form of many units: weighed or catalogue, every recorded change since, kit, fuel, trapped water.

Worked out as lines in columns, so that the sums of a fleet need no words; the words of one form are made when they are read.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from django.utils.translation import gettext as _

from fleet.domain.fit.mass import MassLine, PackedMass, packed_totals
from fleet.domain.transport.columns import BoolArray, FloatArray, IntArray
from fleet.models import WetState
from fleet.models.designs import Evidence
from inventory.models import GoodsCheck, GoodsKind
from readiness.domain.checks_charge import local_day
from readiness.domain.snapshot import Frame
from readiness.selectors.columns import (
    RowOf,
    fetch,
    flag,
    id_list,
    instant,
    instant_text,
    mapped,
    maybe,
    spread,
)
from readiness.selectors.snapshot_papers import COUNTS
from readiness.selectors.transport_checks import Checks, Looked
from readiness.selectors.transport_goods import OwnLine, Stock

# Densest fuel its standard allows [kg/L]: EN 228 petrol, EN 590 diesel; liquid butane for LPG (from memory).
FUEL_KG_L = {"petrol": 0.775, "diesel": 0.845, "lpg": 0.58}
WEIGHED, STATED, CATALOGUE, CHANGE, KIT, MORE_KIT, OWN, FUEL, WATER = range(9)


@dataclass(frozen=True, slots=True)
class MassRecords:
    """What bears on the packed mass of n units: `weighings` and `changes` oldest first, `unit` a row; `dry` (n,)."""

    weighings: Frame
    changes: Frame
    dry: BoolArray


@dataclass(frozen=True, slots=True)
class FormRows:
    """f packed forms of units, those of a unit side by side: `first`, `count` (n,) are its rows.

    `form_id` (f,), `catalogue_kg` nan for not known; `own_since` the day since which a mass is the unit's own, nan: it is
    that of the design.
    """

    unit: IntArray
    first: IntArray
    count: IntArray
    form_id: IntArray
    catalogue_kg: FloatArray
    own_since: FloatArray

    def lines_of(self, unit: IntArray) -> tuple[IntArray, IntArray]:
        """For lines that belong to units: (which line, row of a form), once for every form of the unit."""
        return spread(self.first[unit], self.count[unit])


@dataclass(frozen=True, slots=True)
class Masses:
    """The mass lines of f forms in order: `form`, `kg` (nan: not known), what kind of line, and which record it is about.

    `total_kg` (f,) nan while any line is not known; `weighed_on` the day number, nan: by the catalogue.
    """

    form: IntArray
    kg: FloatArray
    kind: IntArray
    of: IntArray
    total_kg: FloatArray
    weighed_on: FloatArray
    changes: Frame
    stock: Stock
    own: Sequence[OwnLine]
    _kit_labels: dict[tuple[int, bool], str] = field(default_factory=dict)

    def of_form(self, form: int) -> PackedMass:
        """The packed mass of a form in words."""
        first, last = np.searchsorted(self.form, [form, form + 1])
        lines = tuple(
            MassLine(self._label(kind, of), None if math.isnan(kg) else kg)
            for kind, of, kg in zip(
                self.kind[first:last].tolist(),
                self.of[first:last].tolist(),
                self.kg[first:last].tolist(),
                strict=True,
            )
        )
        total = float(self.total_kg[form])
        return PackedMass(None if math.isnan(total) else total, lines)

    def _label(self, kind: int, of: int) -> str:
        if kind == CHANGE:
            return str(self.changes["description"][of])
        if kind == KIT:
            item, in_kit = int(self.stock.item[of]), bool(self.stock.in_kit[of])
            if (item, in_kit) not in self._kit_labels:
                words = _("kit: %(item)s") if in_kit else _("aboard beside the kit: %(item)s")
                self._kit_labels[item, in_kit] = words % {"item": self.stock.items[item].name}
            return self._kit_labels[item, in_kit]
        if kind == MORE_KIT:
            words = _("more kit than it was weighed with, for the longer mission: %(item)s")
            return words % {"item": self.stock.items[int(self.stock.item[of])].name}
        if kind == OWN:
            return self.own[of].label
        if kind == FUEL:
            return _("fuel in %(what)s") % {"what": self.own[of].label}
        return {
            WEIGHED: _("weighed"),
            STATED: _("stated for this unit, dry and without kit"),
            CATALOGUE: _("catalogue, dry and without kit"),
            WATER: _("water left inside"),
        }[kind]


def mass_records(ids: Sequence[int], until: dt.datetime, offset_days: FloatArray) -> MassRecords:
    """Three queries. `offset_days` as for `Checks`: what was stated from a day on and what was done are by one calendar."""
    rows = RowOf(ids)
    of_them = f"unit_id IN {id_list(ids)} AND happened_at <= {instant_text(until)} AND {COUNTS}"
    weighings = fetch(
        {
            "unit_id": ("unit_id", "i"),
            "form_id": ("packed_form_id", "i"),
            "at": (instant("happened_at"), "f"),
            "mass_kg": ("mass_kg", "f"),
            "kit_aboard": (f"COALESCE({maybe('kit_aboard')}, 0)", "b"),
            "water_inside": (f"COALESCE({maybe('water_inside')}, 0)", "b"),
            "fuel_l": ("COALESCE(fuel_l, 0)", "f"),
        },
        f"FROM fleet_weighing WHERE {of_them} ORDER BY happened_at, id",
    )
    changes = fetch(
        {
            "unit_id": ("unit_id", "i"),
            "at": (instant("happened_at"), "f"),
            "description": ("description", "s"),
            "kg": ("mass_change_kg", "f"),
        },
        f"FROM fleet_modification WHERE {of_them} AND (mass_change_kg IS NOT NULL"
        f""" OR CAST(touches AS TEXT) LIKE '%"{Evidence.MASS.value}"%') ORDER BY happened_at, id""",
    )
    wet = mapped(
        fetch(
            {"unit_id": ("unit_id", "i"), "dry": (flag(f"kind = '{WetState.Kind.DRY.value}'"), "b")},
            f"FROM fleet_wetstate WHERE {of_them} ORDER BY happened_at, id",
        ),
        "unit_id",
        rows,
        into="unit",
    )
    dry = np.zeros(len(ids), dtype=np.bool_)
    for unit, is_dry in zip(wet["unit"].tolist(), wet["dry"].tolist(), strict=True):
        dry[unit] = is_dry  # the latest stays

    def by_unit(frame: Frame) -> Frame:
        of_units = mapped(frame, "unit_id", rows, into="unit")
        return of_units.with_columns(on=local_day(of_units["at"], offset_days[of_units["unit"]]))

    return MassRecords(by_unit(weighings), by_unit(changes), dry)


def masses_of(
    forms: FormRows,
    records: MassRecords,
    stock: Stock,
    own: Sequence[OwnLine],
    checks: Checks,
    water_kg: FloatArray,
) -> Masses:
    """The packed mass of every form with its lines. `water_kg` by unit row: what stays in it undrained, nan not known.

    A mass that is the unit's own goes before an older weighing. No query.
    """
    size = len(forms.form_id)
    weighing = _latest_weighings(forms, records.weighings)
    weighed = weighing >= 0
    of_weighing = {
        name: np.where(weighed, _taken(records.weighings[name], weighing), 0.0)
        for name in ("at", "on", "mass_kg", "kit_aboard", "water_inside", "fuel_l")
    }
    own_mass = ~np.isnan(forms.own_since)
    base = np.where(weighed, WEIGHED, np.where(own_mass, STATED, CATALOGUE))
    blocks = [(np.arange(size), np.where(weighed, of_weighing["mass_kg"], forms.catalogue_kg), base)]
    refs = [np.zeros(size, dtype=np.int64)]

    def add(form: IntArray, kg: FloatArray, kind: IntArray | int, of: IntArray) -> None:
        blocks.append((form, kg, np.broadcast_to(kind, form.shape)))
        refs.append(of)

    def since(unit: IntArray, at: FloatArray, on: FloatArray, adds: BoolArray) -> tuple[IntArray, IntArray]:
        """What came after the mass was found. Of the day on which it was only stated, what adds still counts."""
        line, form = forms.lines_of(unit)
        stated = forms.own_since[form]
        later = (on[line] > stated) | ((on[line] == stated) & adds[line])
        counts = np.where(weighed[form], at[line] > of_weighing["at"][form], np.isnan(stated) | later)
        return line[counts], form[counts]

    changes = records.changes
    adds = np.isnan(changes["kg"]) | (changes["kg"] > 0)
    line, form = since(changes["unit"], changes["at"], changes["on"], adds)
    add(form, changes["kg"][line], CHANGE, line)

    kit = np.flatnonzero(stock.in_kit | (stock.loose > 0))
    line, form = forms.lines_of(stock.unit[kit])
    without = ~(weighed[form] & (of_weighing["kit_aboard"][form] > 0))
    add(form[without], stock.packed_kg[kit][line[without]], KIT, kit[line[without]])
    longer = np.flatnonzero(stock.more != 0)
    line, form = forms.lines_of(stock.unit[longer])
    within = weighed[form] & (of_weighing["kit_aboard"][form] > 0)
    add(form[within], stock.more_kg[longer][line[within]], MORE_KIT, longer[line[within]])

    add(*_own_block(forms, own, since, checks, of_weighing["fuel_l"]))

    wet = ~records.dry[forms.unit] & ~(weighed & (of_weighing["water_inside"] > 0))
    place = np.flatnonzero(wet)
    add(place, water_kg[forms.unit[place]], WATER, np.zeros(len(place), dtype=np.int64))

    form = np.concatenate([block[0] for block in blocks]).astype(np.int64)
    kg = np.concatenate([block[1] for block in blocks]).astype(np.float64)
    kind = np.concatenate([block[2] for block in blocks]).astype(np.int64)
    order = np.argsort(form, kind="stable")
    return Masses(
        form[order],
        kg[order],
        kind[order],
        np.concatenate(refs)[order],
        packed_totals(form[order], kg[order], size),
        np.where(weighed, of_weighing["on"], np.nan),
        changes,
        stock,
        own,
    )


def kit_weighed_on(forms: FormRows, records: MassRecords, size: int) -> FloatArray:
    """The earliest day on which a form of each unit was weighed with its kit and still counts so; nan for none. (n,)"""
    weighing = _latest_weighings(forms, records.weighings)
    with_kit = (weighing >= 0) & (_taken(records.weighings["kit_aboard"], weighing) > 0)
    earliest = np.full(size, np.inf)
    np.minimum.at(earliest, forms.unit[with_kit], _taken(records.weighings["on"], weighing)[with_kit])
    return np.where(np.isinf(earliest), np.nan, earliest)


def _latest_weighings(forms: FormRows, weighings: Frame) -> IntArray:
    """The row of the latest weighing of each form; -1 for none, and where a mass was stated for the unit on a later day."""
    latest = np.full(len(forms.form_id), -1, dtype=np.int64)
    line, form = forms.lines_of(weighings["unit"])
    same = weighings["form_id"][line] == forms.form_id[form]
    np.maximum.at(latest, form[same], line[same])  # they come oldest first
    on = _taken(weighings["on"], latest)
    return np.where((latest >= 0) & (forms.own_since > on), -1, latest)


def _taken(column: FloatArray, place: IntArray) -> FloatArray:
    """The values at the places; nan where the place is -1."""
    if not len(column):
        return np.full(len(place), np.nan)
    return np.where(place >= 0, column[place], np.nan).astype(np.float64)


_Since = Callable[[IntArray, FloatArray, FloatArray, BoolArray], tuple[IntArray, IntArray]]


def _own_block(
    forms: FormRows, own: Sequence[OwnLine], since: _Since, checks: Checks, weighed_l: FloatArray
) -> tuple[IntArray, FloatArray, IntArray, IntArray]:
    """The things people put on the list, each one followed by the fuel in its tank: form, kg, kind, of."""
    unit = np.array([row.unit for row in own], dtype=np.int64)
    at = np.array([row.at for row in own], dtype=np.float64)
    on = np.array([row.on for row in own], dtype=np.float64)
    kg = np.array([row.mass_kg for row in own], dtype=np.float64)
    line, form = since(unit, at, on, np.ones(len(own), dtype=np.bool_))
    fuel = [
        (place, *told)
        for place, row in enumerate(own)
        if row.kind == GoodsKind.ENGINE and (told := _fuel(row, checks.tank(row.line_id))) is not None
    ]
    with_fuel = np.array([place for place, _litres, _density in fuel], dtype=np.int64)
    tank_l = np.array([litres for _place, litres, _density in fuel], dtype=np.float64)
    density = np.array([kg_l for _place, _litres, kg_l in fuel], dtype=np.float64)
    which, fuelled = forms.lines_of(unit[with_fuel])
    fuel_kg = tank_l[which] * density[which]
    # what was in all tanks when it was weighed is taken off once, and as the lightest fuel it can have been
    least = np.full(len(weighed_l), np.inf)
    with np.errstate(invalid="ignore"):  # what is not known stays so
        np.minimum.at(least, fuelled, density[which])
    once, place = np.unique(fuelled, return_index=True)
    fuel_kg[place] -= weighed_l[once] * least[once]
    of = np.concatenate([line, with_fuel[which]])
    kind = np.concatenate([np.full(len(line), OWN), np.full(len(which), FUEL)])
    order = np.lexsort((kind, of))
    return (
        np.concatenate([form, fuelled])[order],
        np.concatenate([kg[line], fuel_kg])[order],
        kind[order],
        of[order],
    )


def _fuel(row: OwnLine, tank: Looked | None) -> tuple[float, float] | None:
    """Litres in the tank and kg a litre, nan for not known; None for a tank without fuel.

    What was in it when the unit was weighed is in that mass already: only the rest is added.
    """
    if tank is None:
        return math.nan, math.nan
    if tank.answer != GoodsCheck.Answer.IN_TANK:
        return None
    litres = math.nan if tank.fuel_l is None else tank.fuel_l
    return litres, FUEL_KG_L.get(row.fuel, math.nan)
