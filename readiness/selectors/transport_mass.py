"""The packed mass of each form: weighed or catalogue, every recorded change since, kit, fuel, trapped water."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.utils.translation import gettext as _

from fleet.domain.fit.mass import MassLine, PackedMass, packed_mass
from fleet.models import Modification, PackedForm, Unit, Weighing, WetState
from fleet.models.designs import Evidence
from inventory.models import GoodsCheck, GoodsKind, GoodsLine
from readiness.selectors.transport_goods import Checks, Stock

# Densest fuel its standard allows [kg/L]: EN 228 petrol, EN 590 diesel; liquid butane for LPG (from memory).
FUEL_KG_L = {"petrol": 0.775, "diesel": 0.845, "lpg": 0.58}


@dataclass(frozen=True, slots=True)
class MassRecords:
    """What bears on the packed mass, by unit; weighings newest first."""

    weighings: Mapping[int, list[Weighing]]
    changes: Mapping[int, list[Modification]]
    wet: Mapping[int, str]


def mass_records(ids: Collection[int], until: dt.datetime) -> MassRecords:
    """Three queries."""
    weighings: dict[int, list[Weighing]] = defaultdict(list)
    changes: dict[int, list[Modification]] = defaultdict(list)
    wet: dict[int, str] = {}
    of_them = {"unit__in": ids, "happened_at__lte": until}
    for weighing in Weighing.objects.counting().filter(**of_them).order_by("-happened_at", "-id"):
        weighings[weighing.unit_id].append(weighing)
    for change in Modification.objects.counting().filter(**of_them).order_by("happened_at", "id"):
        changes[change.unit_id].append(change)
    for unit_id, kind in (
        WetState.objects.counting()
        .filter(**of_them)
        .order_by("happened_at", "id")
        .values_list("unit_id", "kind")
    ):
        wet[unit_id] = kind
    return MassRecords(weighings, changes, wet)


def mass_of(
    unit: Unit,
    form: PackedForm,
    catalogue_kg: float | None,
    records: MassRecords,
    stock: list[Stock],
    own: list[GoodsLine],
    checks: Checks,
    own_since: dt.date | None = None,
) -> tuple[PackedMass, dt.date | None]:
    """The packed mass with its lines, and the day it was weighed (None: by the catalogue). No query.

    `own_since`: the mass is the unit's own, stated on that day; it goes before an older weighing.
    """
    weighing = next(
        (row for row in records.weighings.get(unit.pk, []) if row.packed_form_id == form.pk), None
    )
    if weighing is not None and own_since is not None and own_since > weighing.happened_at.date():
        weighing = None
    since = weighing.happened_at if weighing is not None else None
    if weighing is not None:
        base = MassLine(_("weighed"), weighing.mass_kg)
    elif own_since is not None:
        base = MassLine(_("stated for this unit, dry and without kit"), catalogue_kg)
    else:
        base = MassLine(_("catalogue, dry and without kit"), catalogue_kg)
    stated = since.date() if since is not None else own_since
    lines = [
        MassLine(change.description, change.mass_change_kg)
        for change in records.changes.get(unit.pk, [])
        if _counts_since(change, since, stated)
        and (change.mass_change_kg is not None or Evidence.MASS in change.touches)
    ]
    if weighing is None or not weighing.kit_aboard:
        lines += [_kit_line(entry) for entry in stock if entry.in_kit]
    for row in own:
        if _counts_since(row, since, stated):
            lines.append(MassLine(row.label, row.mass_kg))
        if row.kind == GoodsKind.ENGINE:
            lines += _fuel_line(row, checks, (weighing.fuel_l or 0.0) if weighing else 0.0)
    if records.wet.get(unit.pk) != WetState.Kind.DRY and not (weighing and weighing.water_inside):
        lines.append(MassLine(_("water left inside"), unit.design.trapped_water_kg))
    return packed_mass(base, lines), since.date() if since else None


def _counts_since(row: Modification | GoodsLine, since: dt.datetime | None, stated: dt.date | None) -> bool:
    """Whether something came after the mass was found. Of the day on which it was only stated, what adds still counts."""
    if since is not None:
        return row.happened_at > since
    if stated is None:
        return True
    adds = (row.mass_change_kg is None or row.mass_change_kg > 0) if isinstance(row, Modification) else True
    return row.happened_at.date() > stated or (row.happened_at.date() == stated and adds)


def _kit_line(entry: Stock) -> MassLine:
    label = _("kit: %(item)s") % {"item": entry.name}
    return MassLine(label, entry.mass_kg)


def _fuel_line(row: GoodsLine, checks: Checks, weighed_l: float) -> list[MassLine]:
    """Fuel beyond what was in the tank when it was weighed; nothing for an empty tank."""
    tank = checks.tank(row.pk)
    label = _("fuel in %(what)s") % {"what": row.label}
    per_l = FUEL_KG_L.get(str(row.attributes.get("fuel", "")))
    if tank is None or (tank.answer == GoodsCheck.Answer.IN_TANK and (tank.fuel_l is None or per_l is None)):
        return [MassLine(label, None)]
    if tank.answer != GoodsCheck.Answer.IN_TANK:
        return []
    return [MassLine(label, ((tank.fuel_l or 0.0) - weighed_l) * (per_l or 0.0))]
