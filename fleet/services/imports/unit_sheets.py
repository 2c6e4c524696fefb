"""Sheets about units: where each stands, its certificates, its wet states."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime, time
from typing import Any

from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import (
    AuditEntry,
    Certificate,
    Modification,
    Place,
    Unit,
    UnitStay,
    Weighing,
    WetState,
)
from fleet.services.corrections import rule_for
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, chunks, column
from fleet.services.imports.office_sheets import in_order, key_column
from fleet.services.imports.references import Lookups
from fleet.services.records import Birth, check_finite, check_moment, note_change
from fleet.services.units import unit_move, weighing_doubts

MOVES = ("unit.move", "absence.start", "absence.end", "absence.past", "absence.strike")


class UnitSheet(SheetKind):
    model = Unit
    after = ("places", "designs", "packed_forms")
    virtual = frozenset({"place"})
    elsewhere = virtual
    one_by_one = frozenset({"place", "home"})
    spec = SheetSpec(
        name="units",
        label="Units",
        aliases=("fleet", "unit list", "fleet list", "assets"),
        key=("tag",),
        columns=(
            column(
                Unit, "tag", aliases=("unit", "unit tag", "unit no", "asset", "asset tag"), example="MW-014"
            ),
            column(
                Unit, "design", required=True, refers_to="designs", aliases=("type", "model"), example="WX-40"
            ),
            column(
                Unit, "home", required=True, refers_to="places", aliases=("depot", "home"), example="NORD"
            ),
            key_column(
                "place", "Stands at", "places", aliases=("location", "place", "now at"), example="NORD"
            ),
            column(
                Unit,
                "packed_form",
                refers_to="packed_forms",
                aliases=("packed as", "packed form", "form"),
                example="skid",
            ),
            column(Unit, "serial", aliases=("serial", "serial no"), example="4711-22"),
            column(
                Unit, "commissioned_on", aliases=("in service since", "commissioned"), example="3 Nov 2024"
            ),
            column(Unit, "retired_on", aliases=("retired",)),
            column(
                Unit,
                "enclosure_heat_c",
                kind="quantity",
                unit="k",
                minimum=-5,
                maximum=40,
                label="Enclosure runs warmer by",
                aliases=("enclosure heat",),
            ),
            column(Unit, "yard_place", aliases=("bay", "yard", "place in yard"), example="row 2, bay 4"),
            column(Unit, "note", aliases=("notes", "remarks", "comment")),
        ),
        help="One row for each physical set. A new unit stands at its home depot unless another place is given.",
    )

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        stays: dict[int, UnitStay] = {}
        for some in chunks([obj.pk for obj in found.values()], 500):
            for stay in UnitStay.objects.current().filter(unit__in=some).select_related("place", "absence"):
                stays[stay.unit_id] = stay
        lookups.memory["unit_stays"] = stays
        forms = {
            value.obj.pk: value.obj for values in rows if isinstance(value := values.get("packed_form"), Ref)
        }
        lookups.memory["forms"] = forms

    def current(self, obj: Any, name: str) -> Any:
        return super().current(obj, name) if name != "place" else None

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        """A packed form is named within the design of the unit."""
        if name != "packed_form":
            return word
        design = values.get("design")
        if not isinstance(design, Ref):
            return f"{lookups.get('units', values['tag']).obj.design.code} {word}"
        return f"{design.label} {word}"

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        if row.action == "changed":
            self._drop_same_place(lookups, row)
            if not row.changes:
                row.action = "left"
                return
        unit: Unit = row.obj
        home = row.values.get("home")
        if isinstance(home, Ref) and home.obj.kind != Place.Kind.DEPOT:
            yield (
                "home",
                DomainError(
                    "unit.home_is_depot", _("{place} is not a depot: a unit's home is one."), place=home.label
                ),
            )
        form = row.values.get("packed_form")
        design = row.values.get("design")
        if isinstance(form, Ref) and not isinstance(design, Ref) and form.obj.design_id != unit.design_id:
            yield (
                "packed_form",
                DomainError("unit.form_of_other", _("That packed form belongs to another design.")),
            )
        yield from in_order(unit.commissioned_on, unit.retired_on, "retired_on")
        stay = lookups.memory["unit_stays"].get(unit.pk)
        if "place" in row.changes and stay is not None and stay.absence_id:
            yield "place", DomainError("unit.away", _("The unit is away. End its absence first."))

    def _drop_same_place(self, lookups: Lookups, row: Planned) -> None:
        # Where a unit stands is no field of its own row: compare it here, where the stays are loaded.
        wanted = row.values.get("place")
        if not isinstance(wanted, Ref):
            return
        stay = lookups.memory["unit_stays"].get(row.obj.pk)
        if stay is not None and stay.place_id == wanted.obj.pk:
            row.changes.pop("place", None)
        else:
            row.changes["place"] = (str(stay.place or stay.absence) if stay else None, wanted)

    def told_elsewhere(
        self, lookups: Lookups, rows: Sequence[Planned], moment: datetime
    ) -> Mapping[int, set[str]]:
        """Where a unit stands is told by its stays, and by the trail when that was written down."""
        stays = lookups.memory["unit_stays"]
        late = {pk for pk, stay in stays.items() if stay.started_at > moment}
        moves = AuditEntry.objects.filter(unit__in=[row.obj.pk for row in rows], at__gt=moment)
        late |= set(moves.filter(action__in=MOVES).values_list("unit_id", flat=True))
        return {row.number: {"place"} for row in rows if row.obj.pk in late}

    def homes(self, row: Planned) -> Collection[Place]:
        homes = [value.obj for name in ("home", "place") if isinstance(value := row.values.get(name), Ref)]
        if row.action == "changed":
            homes.append(row.obj.home)
        return homes

    def narrowed(self, rows: Sequence[Values]) -> Any:
        query: Any = super().narrowed(rows)
        return query.select_related("home")

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        home: Any = row.values["home"].obj
        return [row.obj.tag], Ref(row.obj, row.obj.tag, home, row.obj.commissioned_on, row.obj)

    def beside(self, lookups: Lookups, row: Planned) -> list[models.Model]:
        unit: Unit = row.obj
        place: Any = row.values["place"].obj if isinstance(row.values.get("place"), Ref) else unit.home
        return [UnitStay(unit=unit, place=place, started_at=first_moment(unit, lookups.now))]

    def change_one(self, lookups: Lookups, row: Planned) -> None:
        unit = Unit.objects.select_related("home").get(pk=row.obj.pk)
        home = row.values["home"].obj if "home" in row.changes else None
        place = row.values["place"].obj if "place" in row.changes else None
        if home is not None:
            stay = lookups.memory["unit_stays"].get(unit.pk)
            at: Any = place or (stay.place if stay and stay.place_id else home)
            _rehome(unit, home, lookups)
            place = place or (None if stay is None else at)
        if place is not None:
            unit_move(
                unit=unit, to=place, at=lookups.now, actor=lookups.actor, note="import", now=lookups.now
            )

    def watched(self, row: Planned) -> list[Any]:
        return [Unit.objects.filter(pk=row.obj.pk), UnitStay.objects.filter(unit=row.obj.pk)]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(pks)


def _rehome(unit: Unit, home: Any, lookups: Lookups) -> None:
    old = unit.home
    unit.home = home
    unit.version += 1
    unit.save(update_fields=["home", "version", "updated_at"])
    note_change(
        unit, action="unit.home", actor=lookups.actor, before={"home": old}, after={"home": home}, place=home
    )


def first_moment(unit: Unit, now: datetime) -> datetime:
    """The first moment of a unit's life here: the start of the day it was commissioned, else now."""
    if unit.commissioned_on is None:
        return now
    return min(now, datetime.combine(unit.commissioned_on, time(0), tzinfo=find_zone(unit.home.time_zone)))


class UnitEventSheet(SheetKind):
    """Dated facts about the body of a unit."""

    after: tuple[str, ...] = ("units",)
    day_column = "happened_at"

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from rule_problems(lookups, row, self.day_column)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(self.model._base_manager.filter(pk__in=pks).values_list("unit_id", flat=True))


def rule_problems(lookups: Lookups, row: Planned, column_name: str) -> Iterator[Problem]:
    """What the record's own service would refuse."""
    rule = rule_for(type(row.obj))
    try:
        check_finite(row.obj)
        if rule is not None:
            rule(row.obj, lookups.now)
    except DomainError as error:
        yield column_name, error


def moment_problems(lookups: Lookups, row: Planned, ref_name: str, *names: str) -> Iterator[Problem]:
    """Moments that have not come yet, or lie before the thing existed."""
    ref = row.values.get(ref_name)
    if not isinstance(ref, Ref):
        return
    for name in names:
        moment = getattr(row.obj, name)
        if moment is not None:
            try:
                check_moment(moment, now=lookups.now, birth=birth(ref))
            except DomainError as error:
                yield name, error


def birth(ref: Ref) -> Birth:
    return Birth(ref.label, ref.since, ref.zone)


UNIT_COLUMN = key_column("unit", "Unit", "units", aliases=("tag", "unit tag", "asset"), example="MW-014")


CONFIRMED_COLUMN = ColumnSpec(
    "confirmed",
    "Measured twice",
    "flag",
    aliases=("confirmed", "weighed twice", "out of the ordinary and right"),
    help="Yes confirms a measure that is out of the ordinary; without it such a row is refused.",
)


def said_only(row: Planned, *names: str) -> bool:
    """Takes columns that are only said, never kept, out of what changes. Whether the row is left as it is then."""
    for name in names:
        row.changes.pop(name, None)
    if row.action == "changed" and not row.changes:
        row.action = "left"
    return row.action == "left"


def asked_for(name: str, error: DomainError) -> Problem:
    """A doubt about a measure, with what confirms it."""
    if "mend" in error.data or error.key in ("form.negative", "form.outside"):
        return name, error
    mend = f"Measure again and mend it; if it is right, write 'yes' under '{CONFIRMED_COLUMN.label}'."
    return name, DomainError(error.key, error.template, **{**error.data, "mend": mend})


class CertificateSheet(UnitEventSheet):
    model = Certificate
    virtual = frozenset({"no_end"})
    day_column = "issued_on"
    spec = SheetSpec(
        name="certificates",
        label="Certificates",
        aliases=("certs", "certificate list", "documents"),
        key=("unit", "kind", "issued_on", "number"),
        optional_key=frozenset({"number"}),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                Certificate,
                "kind",
                label="Certificate",
                aliases=("kind", "type"),
                example="lifting thorough examination",
            ),
            column(
                Certificate, "number", aliases=("no", "certificate number", "reference"), example="LX-2211"
            ),
            column(Certificate, "issuer", aliases=("issued by",), example="Harbour inspection office"),
            column(Certificate, "issued_on", aliases=("issued", "date of issue"), example="2026-05-11"),
            column(
                Certificate,
                "expires_on",
                aliases=("expires", "valid until", "expiry", "valid to"),
                help="Needed to add a row, unless the certificate has no end.",
                example="05/2027",
            ),
            ColumnSpec(
                "no_end",
                "Has no end",
                "flag",
                aliases=("no end", "no expiry", "does not expire", "unlimited"),
                help="Yes only where the paper itself says that it has none.",
                example="no",
            ),
        ),
        help="A certificate is valid through its last day; a month alone means its last day. A new row says that day, or "
        "that it has no end: an empty cell is never taken for valid for ever.",
    )

    def current(self, obj: Any, name: str) -> Any:
        return obj.expires_on is None if name == "no_end" else super().current(obj, name)

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        """'No end' empties the last day; a last day is emptied by nothing else."""
        no_end = values.get("no_end")
        if no_end and values.get("expires_on") is not None:
            yield (
                "no_end",
                DomainError(
                    "certificate.end_twice",
                    _("A last day and no end cannot both be."),
                    mend="Take one of the two out.",
                ),
            )
        elif no_end:
            values["expires_on"] = None
        elif "expires_on" in values and values["expires_on"] is None:
            yield "expires_on", _no_end_said()

    def defaults(self, lookups: Lookups, values: Values) -> dict[str, Any]:
        """A certificate counts from the noon of its issue, or from the first day of a unit that is younger."""
        ref: Ref = values["unit"]
        day = max(values["issued_on"], ref.since or values["issued_on"])
        return {"happened_at": min(lookups.now, datetime.combine(day, time(12), tzinfo=find_zone(ref.zone)))}

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        row.changes.pop("no_end", None)
        if row.obj.expires_on is None and not row.values.get("no_end"):
            said = row.action == "added" or row.values.get("no_end") is False
            if said:
                yield "expires_on", _no_end_said()
                return
        yield from super().check(lookups, row)
        yield from in_order(row.obj.issued_on, row.obj.expires_on, "expires_on")


def _no_end_said() -> DomainError:
    return DomainError(
        "certificate.no_end_said",
        _("Through which day the certificate is valid is missing."),
        mend="Write its last day, or 'yes' under 'Has no end'.",
    )


class WetStateSheet(UnitEventSheet):
    model = WetState
    spec = SheetSpec(
        name="wet_states",
        label="Wet states",
        aliases=("wet state", "water state", "drained"),
        key=("unit", "happened_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(WetState, "happened_at", label="Seen at", aliases=("date", "when"), example="2026-11-03"),
            column(
                WetState,
                "kind",
                required=True,
                label="State",
                aliases=("wet state", "kind"),
                choices={
                    "dry": ("dry", "drained"),
                    "wet": ("wet", "filled"),
                    "preserved": ("preserved",),
                    "disinfected": ("disinfected",),
                },
                example="dry",
            ),
            column(WetState, "good_until", aliases=("until",)),
        ),
        help="Whether a unit's water side is dry, wet, preserved or disinfected, and when that was seen.",
    )


class WeighingSheet(UnitEventSheet):
    model = Weighing
    exports = True
    after = ("units", "packed_forms")
    virtual = frozenset({"confirmed"})
    spec = SheetSpec(
        name="weighings",
        label="Weighings",
        aliases=("weighing", "weights"),
        key=("unit", "happened_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                Weighing, "happened_at", label="Weighed at", aliases=("date", "when"), example="2026-04-02"
            ),
            column(
                Weighing,
                "packed_form",
                required=True,
                refers_to="packed_forms",
                aliases=("form",),
                example="skid",
            ),
            column(
                Weighing,
                "mass_kg",
                required=True,
                aliases=("mass", "weight"),
                minimum=1,
                maximum=60_000,
                label="Mass",
                example="8 140 lb",
            ),
            column(Weighing, "method", example="four load cells"),
            column(
                Weighing,
                "kit_aboard",
                label="With its kit",
                aliases=("kit aboard", "with kit", "kit"),
                help="Empty: not known; the packed mass of the unit is then not known either.",
                example="no",
            ),
            column(
                Weighing,
                "water_inside",
                label="With water inside",
                aliases=("water inside", "with water"),
                help="Empty: not known.",
                example="no",
            ),
            column(
                Weighing,
                "fuel_l",
                label="With fuel",
                aliases=("fuel", "fuel aboard"),
                maximum=5000,
                help="Empty: not known. 0 without fuel.",
                example="0 L",
            ),
            CONFIRMED_COLUMN,
        ),
        help="What a unit really weighed in a packed form, and what was in it then.",
    )

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        unit = values.get("unit")
        return f"{unit.obj.design.code} {word}" if name == "packed_form" and isinstance(unit, Ref) else word

    def current(self, obj: Any, name: str) -> Any:
        return None if name == "confirmed" else super().current(obj, name)

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        if said_only(row, "confirmed"):
            return
        row.obj.confirmed = bool(row.values.get("confirmed"))
        asked = row.action == "added" or {"mass_kg", "packed_form"} & set(row.changes)
        doubts = list(weighing_doubts(row.obj)) if asked else []
        confirmed, row.obj.confirmed = row.obj.confirmed, True
        for name, error in super().check(lookups, row):
            if not doubts or error.key != "weighing.impossible":  # told below, where it belongs
                yield name, error
        row.obj.confirmed = confirmed
        yield from (asked_for(name, error) for name, error in doubts)


class ModificationSheet(UnitEventSheet):
    model = Modification
    spec = SheetSpec(
        name="modifications",
        label="Modifications",
        aliases=("changes", "repairs"),
        key=("unit", "happened_at", "description"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                Modification, "happened_at", label="Done at", aliases=("date", "when"), example="2026-06-15"
            ),
            column(Modification, "description", aliases=("what", "work"), example="frame welded at the rear"),
            column(Modification, "kind", required=True, example="repair"),
            column(Modification, "mass_change_kg", example="12 kg"),
        ),
        help="Changes to the body of a unit. Evidence they touch is void until shown again.",
    )

    def defaults(self, lookups: Lookups, values: Values) -> dict[str, Any]:
        return {"touches": [str(each) for each in Modification.default_touches(values.get("kind") or "")]}
