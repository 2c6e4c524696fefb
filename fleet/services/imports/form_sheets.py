"""Sheets of measures: the packed forms of designs, and what was measured on one unit and differs from its form."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.models import PackedForm, Unit, UnitForm
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, chunks, column, part
from fleet.services.imports.office_sheets import in_order, key_column
from fleet.services.imports.references import Lookups
from fleet.services.imports.unit_sheets import CONFIRMED_COLUMN, UNIT_COLUMN, asked_for, said_only
from fleet.services.measures import MEASURES, measure_problems, measured
from fleet.services.transport import (
    check_after,
    check_differs,
    check_form_of_unit,
    check_measured_on,
    own_problems,
    unit_form_save,
)

Span = tuple[date, date | None]


def measure_columns(model: type[models.Model], **examples: str) -> tuple[ColumnSpec, ...]:
    """The columns of `FormMeasures`, with the examples given by name."""

    def of(name: str, label: str, *aliases: str, most: float | None = None, **given: Any) -> ColumnSpec:
        if name.endswith(("_mm", "_kg", "_h")):
            given.setdefault("minimum", 0)
        if most is not None:
            given["maximum"] = most
        return column(model, name, label=label, aliases=aliases, example=examples.get(name, ""), **given)

    return (
        of("length_mm", "Length", "length", most=30_000, minimum=1),
        of("width_mm", "Width", "width", most=10_000, minimum=1),
        of("height_mm", "Height", "height", most=10_000, minimum=1),
        of("mass_kg", "Mass", "mass", "weight", "catalogue mass", most=60_000, minimum=1),
        of("cog_x_mm", "Centre of gravity from the front", "cog x", most=30_000),
        of("cog_y_mm", "Centre of gravity from the left", "cog y", most=10_000),
        of("cog_z_mm", "Centre of gravity above the base", "cog z", most=10_000),
        of("lifting_points", "Lifting points", "lifting eyes", most=16),
        of(
            "lifting_points_kg",
            "Rated mass of each lifting point",
            "lifting point rating",
            "rating of a lifting point",
            most=60_000,
        ),
        of("point_front_mm", "Front lifting points from the front", "points from front", most=30_000),
        of("point_left_mm", "Left lifting points from the left", "points from left", most=10_000),
        of("point_length_mm", "Lifting points apart along", "points apart along", most=30_000),
        of("point_width_mm", "Lifting points apart across", "points apart across", most=10_000),
        of("point_height_mm", "Lifting points above the base", "points above base", most=15_000),
        of("fork_pocket_spacing_mm", "Fork pockets apart", "fork pocket spacing", most=30_000),
        of("fork_pocket_width_mm", "Width of a fork pocket", "fork pocket width", most=2_000),
        of("load_centre_mm", "Load centre for forks", "load centre", "load center", most=30_000),
        of("axle_count", "Axles", "axles", "axle count", most=12),
        of("axle_load_kg", "Load of an axle", "axle load", most=30_000),
        of("axle_spacing_mm", "Axles apart", "axle spacing", most=30_000),
        of("tongue_load_kg", "Load on the tongue", "tongue load", most=10_000),
        of("trailer_gvwr_kg", "Gross mass on the trailer's plate", "trailer gvwr", "trailer plate", most=60_000),
        of("container_gross_kg", "Gross mass on the container's plate", "container plate", "csc gross", most=60_000),
        of("braked", "Trailer has brakes", "braked", "brakes"),
        of("may_turn", "May stand turned by 90°", "may turn", "may be turned", help="Empty: only as drawn."),
        of("hours_to_pack_h", "Hours to pack", "hours to pack", "packing time", most=1000),
    )  # fmt: skip


class PackedFormSheet(SheetKind):
    model = PackedForm
    exports = True
    after = ("designs",)
    virtual = frozenset({"confirmed"})
    spec = SheetSpec(
        name="packed_forms",
        label="Packed forms",
        aliases=("forms", "transport forms", "packed"),
        key=("design", "code"),
        columns=(
            column(PackedForm, "design", refers_to="designs", aliases=("design code",), example="WX-40"),
            column(PackedForm, "code", aliases=("form", "packed form", "form code"), example="skid"),
            column(PackedForm, "kind", required=True, aliases=("type",), example="bare skid"),
            *measure_columns(
                PackedForm,
                length_mm="5.70 m",
                width_mm="2280 mm",
                height_mm="7 ft 5 in",
                mass_kg="8 200 lb",
                cog_x_mm="2400 mm",
                cog_y_mm="1140 mm",
                cog_z_mm="900 mm",
                lifting_points="4",
                lifting_points_kg="2 t",
                point_front_mm="250 mm",
                point_left_mm="100 mm",
                point_length_mm="5.20 m",
                point_width_mm="2080 mm",
                point_height_mm="2200 mm",
                fork_pocket_spacing_mm="900 mm",
                fork_pocket_width_mm="180 mm",
                load_centre_mm="1140 mm",
                may_turn="yes",
                hours_to_pack_h="3 h",
            ),
            CONFIRMED_COLUMN,
        ),
        help="Each way a design travels, with its outer measures, its mass and its lifting points. Empty means not known. "
        "The mass is that of the dry unit without kit and fuel; x runs from the front, y from the left, z from the base.",
    )

    def current(self, obj: Any, name: str) -> Any:
        return None if name == "confirmed" else super().current(obj, name)

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        masses: dict[Any, dict[str, float]] = defaultdict(dict)
        designs = {values["design"].obj.pk for values in rows} - {None}
        for some in chunks(sorted(designs), 500):
            on_file = PackedForm.objects.filter(design__in=some, mass_kg__isnull=False)
            for design, code, mass_kg in on_file.values_list("design_id", "code", "mass_kg"):
                masses[("pk", design)][code.casefold()] = mass_kg or 0.0
        lookups.memory["form_masses"] = masses

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        if said_only(row, "confirmed"):
            return
        yield from super().check(lookups, row)
        masses = lookups.memory["form_masses"][part(row.values["design"])]
        code = row.obj.code.casefold()
        problems = measure_problems(
            measured(row.obj),
            None if row.action == "added" else set(row.changes),
            confirmed=bool(row.values.get("confirmed")),
            other_forms_kg=[mass for other, mass in masses.items() if other != code],
        )
        yield from (asked_for(name, error) for name, error in problems)
        if row.obj.mass_kg is not None:
            masses[code] = row.obj.mass_kg

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        design = row.values["design"].label
        label = f"{design} {row.obj.code}"
        return [label], Ref(row.obj, label)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        designs = PackedForm.objects.filter(pk__in=pks).values("design_id")
        return set(Unit.objects.in_service().filter(design_id__in=designs).values_list("pk", flat=True))


class UnitFormSheet(SheetKind):
    """Added through the service, which ends the day before what was in force till then."""

    model = UnitForm
    exports = True
    after = ("units", "packed_forms")
    virtual = frozenset({"confirmed"})
    spec = SheetSpec(
        name="unit_forms",
        label="Own measures of units",
        aliases=("unit forms", "own measures", "overrides", "measured units"),
        key=("unit", "packed_form", "valid_from"),
        columns=(
            UNIT_COLUMN,
            key_column(
                "packed_form",
                "Packed form",
                "packed_forms",
                aliases=("form", "packed as"),
                help="One of the design of the unit, by its code.",
                example="skid",
            ),
            column(
                UnitForm, "valid_from", label="Measured on", aliases=("from", "since", "date"), example="2026-06-16"
            ),
            column(UnitForm, "valid_to", label="Until", aliases=("to", "valid to"), help="Empty: it still holds."),
            column(
                UnitForm,
                "reason",
                label="What differs, and who measured it",
                required=True,
                aliases=("reason", "what differs", "why"),
                example="second tank, measured by the workshop",
            ),
            *measure_columns(UnitForm, mass_kg="3 900 kg", cog_z_mm="940 mm"),
            CONFIRMED_COLUMN,
        ),
        help="What was measured on one unit and differs from its packed form, from a day on. Empty means: as the design "
        "says. A row with every measure empty ends what differed before.",
    )  # fmt: skip

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        unit = values.get("unit")
        return f"{unit.obj.design.code} {word}" if name == "packed_form" and isinstance(unit, Ref) else word

    def current(self, obj: Any, name: str) -> Any:
        return None if name == "confirmed" else super().current(obj, name)

    def can_clear(self, name: str) -> bool:
        return name != "reason" and super().can_clear(name)

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        spans: dict[Any, dict[date, date | None]] = defaultdict(dict)
        units = {values["unit"].obj.pk for values in rows} - {None}
        for some in chunks(sorted(units), 500):
            on_file = UnitForm.objects.filter(unit__in=some)
            for unit, form, since, until in on_file.values_list(
                "unit_id", "packed_form_id", "valid_from", "valid_to"
            ):
                spans[(("pk", unit), ("pk", form))][since] = until
        lookups.memory["own_spans"] = spans

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        if said_only(row, "confirmed"):
            return
        yield from super().check(lookups, row)
        own: UnitForm = row.obj
        unit, form = row.values["unit"].obj, row.values["packed_form"].obj
        for name, call in (
            ("packed_form", lambda: check_form_of_unit(form, unit)),
            ("valid_from", lambda: check_measured_on(unit, own.valid_from, lookups.now)),
        ):
            try:
                call()
            except DomainError as error:
                yield name, error
        yield from in_order(own.valid_from, own.valid_to, "valid_to")
        problems = own_problems(
            form,
            measured(own),
            None if row.action == "added" else set(row.changes),
            confirmed=bool(row.values.get("confirmed")),
        )
        yield from (asked_for(name, error) for name, error in problems)

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """Spans of one form of a unit follow each other; they are written in that order."""
        spans: dict[Any, dict[date, date | None]] = lookups.memory["own_spans"]
        for row in rows:
            if row.action == "changed":
                spans[_spot(row)][row.obj.valid_from] = row.obj.valid_to
        for row in rows:
            later = [since for since in spans[_spot(row)] if since > row.obj.valid_from]
            if row.action == "changed" and later and (row.obj.valid_to or date.max) >= min(later):
                yield (
                    row,
                    "valid_to",
                    DomainError(
                        "unit_form.overlaps",
                        _("From {since} on something else is on file for this form of the unit."),
                        since=min(later).isoformat(),
                        mend="Let this one end the day before.",
                    ),
                )
        added = sorted((row for row in rows if row.action == "added"), key=lambda row: row.obj.valid_from)
        for turn, row in enumerate(added):
            row.turn = turn
            there = spans[_spot(row)]
            latest = max(there, default=None)
            try:
                if latest is not None:
                    check_after(latest, there[latest], row.obj.valid_from)
                check_differs(measured(row.obj), in_force=latest is not None and there[latest] is None)
            except DomainError as error:
                yield row, "valid_from", error
                continue
            if latest is not None and there[latest] is None:
                there[latest] = row.obj.valid_from - timedelta(days=1)
            there[row.obj.valid_from] = row.obj.valid_to

    def adds_one_by_one(self, row: Planned) -> bool:
        return True

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        unit_form_save(
            unit=row.values["unit"].obj,
            packed_form=row.values["packed_form"].obj,
            measures={name: row.values.get(name) for name in MEASURES},
            reason=row.values["reason"],
            valid_from=row.obj.valid_from,
            valid_to=row.obj.valid_to,
            actor=lookups.actor,
            confirmed=bool(row.values.get("confirmed")),
            now=lookups.now,
        )

    def watched(self, row: Planned) -> list[Any]:
        return [UnitForm.objects.filter(unit=row.obj.unit_id, packed_form=row.obj.packed_form_id)]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(UnitForm.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


def _spot(row: Planned) -> tuple[Any, Any]:
    return part(row.values["unit"]), part(row.values["packed_form"])
