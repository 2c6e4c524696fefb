"""What goes into one load: conveyance, units each in a packed form, kit pallets. A GET form: the question is its address."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.db.models.functions import Lower
from django.utils.translation import gettext as say
from django.utils.translation import gettext_lazy as _

from fleet.domain.placement_rooms import conveyances_with_floor, hold_of
from fleet.domain.placement_shapes import Supports
from fleet.lib.errors import DomainError
from fleet.lib.quantities import System
from fleet.models import PackedForm, Unit
from fleet.web.fields import LISTED_UNITS, QuantityField
from fleet.web.words import spoken
from readiness.forms.transport import FLOOR_HINT, FloorNotAsked, floor_stated_for
from readiness.forms.unit_life import day_field
from readiness.web.transport import conveyance_choices
from readiness.web.transport_load import (
    HOLDS_LISTED,
    HOLDS_NONE,
    HOLDS_UNKNOWN,
    MOST_KITS,
    MOST_PIECES,
    MOST_UNITS,
    KitPallets,
    LoadQuestion,
)

LEAST_ROWS, SPARE_ROWS, MORE_ROWS = 3, 1, 4
KIT_PARTS = ("name", "length", "width", "height", "mass", "count", "holds")
AXLE_PARTS = ("axle_front", "axle_rear", "bears_front", "bears_rear")
LISTED_ID = "listed-units"
LARGEST_MM, LARGEST_KG = 60_000.0, 100_000.0


def load_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Every type with a floor, by class."""
    able = set(conveyances_with_floor())
    groups = [
        (title, [choice for choice in choices if choice[0] in able])
        for title, choices in conveyance_choices()
    ]
    return [(title, choices) for title, choices in groups if choices]


class LoadForm(forms.Form):
    """`asked` False: only what an address brought along stands in it, and nothing is missing yet. Four queries at most."""

    ship_on = day_field(_("Leaves on"), required=True)
    days = forms.IntegerField(
        label=_("Mission, days"),
        required=False,
        min_value=1,
        max_value=3650,
        help_text=_("Empty: the depot's usual one."),
    )
    conveyance = forms.ChoiceField(label=_("Taken by"))
    by = forms.ChoiceField(
        label=_("Loaded"),
        required=False,
        choices=[("door", _("by its door or ramp")), ("above", _("from above, by crane"))],
        help_text=_("From above: open tops only. Flat racks, decks and pallets have no door."),
    )

    def __init__(self, data: Mapping[str, Any], *, system: System, asked: bool, today: dt.date) -> None:
        typed = {name: str(value) for name, value in data.items()}
        typed.setdefault("ship_on", today.isoformat())
        super().__init__(typed if asked else None, initial=typed)
        self.asked, self.system = asked, system
        choice: Any = self.fields["conveyance"]
        choice.choices = [("", _("choose one")), *load_choices()]
        self.fields["gap"] = self._mm(
            _("Gap between pieces"), low=0, help_text=_("Empty: the owner's usual one.")
        )
        self.fields["floor"] = QuantityField(
            base="kg_m2", system=system, low=1, label=_("Floor bears"), required=False, help_text=FLOOR_HINT
        )
        more = MORE_ROWS if "more" in typed else 0
        self._add_units(typed, more)
        self._add_kits(typed, more)
        self._add_axles()
        self.packed: list[tuple[Unit, str]] = []

    def _mm(self, label: Any, *, low: float = 1, help_text: Any = "") -> QuantityField:
        return QuantityField(
            base="mm", system=self.system, low=low, label=label, required=False, help_text=help_text
        )

    def _kg(self, label: Any) -> QuantityField:
        return QuantityField(base="kg", system=self.system, low=0.1, label=label, required=False)

    def _add_units(self, typed: Mapping[str, str], more: int) -> None:
        self.unit_names = [
            f"unit_{n}" for n in range(1, _rows(typed, "unit_", more, MOST_UNITS, LEAST_ROWS) + 1)
        ]
        self.listed = _listed_forms()
        attrs = {"autocomplete": "off", "spellcheck": "false"} | ({"list": LISTED_ID} if self.listed else {})
        for n, name in enumerate(self.unit_names, start=1):
            self.fields[name] = forms.CharField(
                label=_("Unit %(n)d") % {"n": n},
                required=False,
                max_length=80,
                widget=forms.TextInput(attrs=attrs),
                help_text=_("Tag and packed form, such as N-1:skid.") if n == 1 else "",
            )

    def _add_kits(self, typed: Mapping[str, str], more: int) -> None:
        self.kit_count = _rows(typed, "kit_", more, MOST_KITS, 1)
        holds = [
            (HOLDS_UNKNOWN, _("dangerous goods: nobody has said")),
            (HOLDS_NONE, _("no dangerous goods on it")),
            (HOLDS_LISTED, _("only goods on the lists of these units")),
        ]
        for n in range(1, self.kit_count + 1):
            self.fields[f"kit_{n}_name"] = forms.CharField(
                label=_("Kit pallet %(n)d") % {"n": n}, required=False, max_length=60
            )
            self.fields[f"kit_{n}_length"] = self._mm(_("Length"))
            self.fields[f"kit_{n}_width"] = self._mm(_("Width"))
            self.fields[f"kit_{n}_height"] = self._mm(_("Height"))
            self.fields[f"kit_{n}_mass"] = self._kg(_("Mass of one"))
            self.fields[f"kit_{n}_count"] = forms.IntegerField(
                label=_("How many"), required=False, min_value=1, max_value=MOST_PIECES
            )
            self.fields[f"kit_{n}_holds"] = forms.ChoiceField(label=_("Holds"), required=False, choices=holds)

    def _add_axles(self) -> None:
        self.fields["axle_front"] = QuantityField(
            base="mm",
            system=self.system,
            low=-10_000,
            required=False,
            label=_("Front axle or king pin, from the front of the deck"),
            help_text=_("With a minus where it stands ahead of the deck."),
        )
        self.fields["axle_rear"] = self._mm(_("Rear axles, from the front of the deck"))
        self.fields["bears_front"] = self._kg(_("Front may bear of the load"))
        self.fields["bears_rear"] = self._kg(_("Rear may bear of the load"))

    @property
    def head(self) -> list[forms.BoundField]:
        return [self[name] for name in ("ship_on", "days", "conveyance", "by", "gap", "floor")]

    @property
    def unit_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.unit_names]

    @property
    def kit_rows(self) -> list[list[forms.BoundField]]:
        return [[self[f"kit_{n}_{part}"] for part in KIT_PARTS] for n in range(1, self.kit_count + 1)]

    @property
    def axle_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in AXLE_PARTS]

    @property
    def axles_open(self) -> bool:
        return any(self[name].value() or self[name].errors for name in AXLE_PARTS)

    def clean_ship_on(self) -> dt.date:
        day: dt.date = self.cleaned_data["ship_on"]
        if not 2000 <= day.year <= 2100:
            raise forms.ValidationError(_("Write the day with its year, such as 2026-12-31."))
        return day

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self.packed = self._clean_units(data)
        kits = [kit for n in range(1, self.kit_count + 1) if (kit := self._clean_kit(n, data)) is not None]
        supports = self._clean_axles(data)
        pieces = len(self.packed) + sum(kit.count for kit in kits)
        if pieces > MOST_PIECES:
            self.add_error(
                None,
                _("At most %(n)d pieces are placed at once; these are %(pieces)d.")
                % {"n": MOST_PIECES, "pieces": pieces},
            )
        if not pieces and not self.errors:
            self.add_error(None, _("Name at least one unit or kit pallet."))
        data |= {"kits": tuple(kits), "supports": supports}
        if not self.errors:
            self._try_hold(data)
        return data

    def _try_hold(self, data: Mapping[str, Any]) -> None:
        try:
            hold_of(data["conveyance"], from_above=data.get("by") == "above", supports=data["supports"])
            if data.get("floor") is not None:
                floor_stated_for(data["conveyance"])
        except FloorNotAsked as error:
            self.add_error("floor", spoken(error))
        except DomainError as error:
            at = "by" if error.key == "placement.not_from_above" else "axle_rear"
            self.add_error(at, spoken(error))

    def _clean_units(self, data: Mapping[str, Any]) -> list[tuple[Unit, str]]:
        typed = {name: str(data[name]).strip() for name in self.unit_names if data.get(name)}
        found = _units_of(typed.values())
        packed: list[tuple[Unit, str]] = []
        seen: set[int] = set()
        for name, text in typed.items():
            unit, code = _unit_and_code(text, found)
            if unit is None:
                self.add_error(name, say("No unit in service bears the tag '%(tag)s'.") % {"tag": text})
                continue
            codes = [form.code for form in unit.design.packed_forms.all()]
            chosen, fault = _chosen_code(unit, code, codes)
            if fault:
                self.add_error(name, fault)
            elif unit.pk in seen:
                self.add_error(name, say("%(tag)s is named twice.") % {"tag": unit.tag})
            else:
                seen.add(unit.pk)
                packed.append((unit, chosen))
        return packed

    def _clean_kit(self, n: int, data: Mapping[str, Any]) -> KitPallets | None:
        names = {part: f"kit_{n}_{part}" for part in KIT_PARTS}
        if any(name in self.errors for name in names.values()):
            return None
        value: dict[str, Any] = {part: data.get(name) for part, name in names.items()}
        measures = ("length", "width", "height", "mass")
        if not any(value[part] for part in ("name", *measures)):
            return None
        faults = {
            part: _("Cannot decide without it: type what was measured.")
            if value[part] is None
            else _("That is more than any of these carries. Is the unit right?")
            for part in measures
            if value[part] is None or value[part] > (LARGEST_KG if part == "mass" else LARGEST_MM)
        }
        for part, fault in faults.items():
            self.add_error(names[part], fault)
        if faults:
            return None
        name = value["name"] or say("kit pallet %(n)d") % {"n": n}
        return KitPallets(
            name,
            value["length"],
            value["width"],
            value["height"],
            value["mass"],
            value["count"] or 1,
            value["holds"] or HOLDS_UNKNOWN,
        )

    def _clean_axles(self, data: Mapping[str, Any]) -> Supports | None:
        values = [data.get(name) for name in AXLE_PARTS]
        if all(value is None for value in values) or any(name in self.errors for name in AXLE_PARTS):
            return None
        lacking = [name for name, value in zip(AXLE_PARTS, values, strict=True) if value is None]
        for name in lacking:
            self.add_error(name, _("Of the axles all four numbers are needed, or none."))
        front, rear, bears_front, bears_rear = (float(value or 0.0) for value in values)
        return None if lacking else Supports(front, rear, bears_front, bears_rear)

    def question(self) -> LoadQuestion:
        """Of a valid form."""
        data = self.cleaned_data
        return LoadQuestion(
            data["ship_on"],
            data["conveyance"],
            tuple(self.packed),
            data["kits"],
            data["days"],
            data["by"] == "above",
            data["gap"],
            data["supports"],
            data["floor"],
        )


def _rows(typed: Mapping[str, str], prefix: str, more: int, most: int, least: int) -> int:
    """As many rows as are filled, and one to fill; more when asked."""
    filled = [
        int(parts[1])
        for name, value in typed.items()
        if value.strip()
        and name.startswith(prefix)
        and len(parts := name.split("_")) >= 2
        and parts[1].isdecimal()
        and 1 <= int(parts[1]) <= most
    ]
    return min(most, max(least, max(filled, default=0) + SPARE_ROWS) + more)


def _listed_forms() -> list[tuple[str, str]]:
    """Every unit in each of its packed forms, while that is a short list; else none. Two queries."""
    units = list(
        Unit.objects.in_service().order_by("tag").values_list("tag", "design_id")[: LISTED_UNITS + 1]
    )
    if len(units) > LISTED_UNITS:
        return []
    forms_of: dict[int, list[tuple[str, str]]] = {}
    for form in PackedForm.objects.filter(design__in={design for _tag, design in units}).order_by("code"):
        forms_of.setdefault(form.design_id, []).append((form.code, str(form.get_kind_display())))
    listed = [
        (f"{tag}:{code}", f"{tag}, {words} ({code})")
        for tag, design in units
        for code, words in forms_of.get(design, [])
    ]
    return listed if len(listed) <= LISTED_UNITS else []


def _units_of(typed: Iterable[str]) -> dict[str, Unit]:
    """Units in service by their tags in small letters, with design, home and packed forms. Two queries."""
    wanted = {
        part.strip().lower() for text in typed for part in (text, text.rpartition(":")[0]) if part.strip()
    }
    if not wanted:
        return {}
    units = (
        Unit.objects.in_service()
        .annotate(small=Lower("tag"))
        .filter(small__in=wanted)
        .select_related("design", "home", "packed_form")
        .prefetch_related("design__packed_forms")
    )
    return {unit.tag.lower(): unit for unit in units}


def _unit_and_code(text: str, found: Mapping[str, Unit]) -> tuple[Unit | None, str]:
    if text.lower() in found:
        return found[text.lower()], ""
    tag, _colon, code = text.rpartition(":")
    return found.get(tag.strip().lower()), code.strip()


def _chosen_code(unit: Unit, code: str, codes: list[str]) -> tuple[str, str]:
    """The packed form meant, or why none is: as typed, else as the unit is packed now, else the only one."""
    if not codes:
        return "", say("%(tag)s has no packed form on file.") % {"tag": unit.tag}
    if code:
        exact = next((one for one in codes if one.lower() == code.lower()), "")
        known = ", ".join(sorted(codes))
        fault = say("%(tag)s has no packed form '%(code)s'. It has: %(known)s.")
        return exact, "" if exact else fault % {"tag": unit.tag, "code": code, "known": known}
    if unit.packed_form is not None and unit.packed_form.code in codes:
        return unit.packed_form.code, ""
    if len(codes) == 1:
        return codes[0], ""
    fault = say("%(tag)s can be packed in several ways. Write %(ways)s.")
    return "", fault % {"tag": unit.tag, "ways": _(" or ").join(f"{unit.tag}:{one}" for one in sorted(codes))}


def question_of(
    typed: Mapping[str, Any], *, system: System, today: dt.date
) -> tuple[LoadQuestion | None, LoadForm]:
    """The question of an address or of a program, by the same rule; None when something in it cannot be used."""
    form = LoadForm(typed, system=system, asked=True, today=today)
    return (form.question() if form.is_valid() else None), form


def typed_of(
    *,
    ship_date: dt.date,
    conveyance: str,
    units: Iterable[str],
    kits: Iterable[Mapping[str, Any]] = (),
    days: int | None = None,
    from_above: bool = False,
    gap_mm: float | None = None,
    axles: Mapping[str, float] | None = None,
    floor_kg_m2: float | None = None,
) -> dict[str, str]:
    """What a program asks, as a person would have typed it; lengths in mm, masses in kg. `units` as TAG or TAG:FORM."""
    typed = {
        "ship_on": ship_date.isoformat(),
        "conveyance": conveyance,
        "by": "above" if from_above else "door",
        "days": "" if days is None else str(days),
        "gap": "" if gap_mm is None else f"{gap_mm:f} mm",
        "floor": "" if floor_kg_m2 is None else f"{floor_kg_m2:f} kg/m2",
    }
    typed |= {f"unit_{n}": unit for n, unit in enumerate(units, start=1)}
    for n, kit in enumerate(kits, start=1):
        for part in ("length", "width", "height"):
            typed[f"kit_{n}_{part}"] = f"{kit[f'{part}_mm']:f} mm"
        typed[f"kit_{n}_mass"] = f"{kit['mass_kg']:f} kg"
        typed |= {f"kit_{n}_{part}": str(kit[part]) for part in ("name", "count", "holds")}
    for part, name in (
        ("front_mm", "axle_front"),
        ("rear_mm", "axle_rear"),
        ("front_kg", "bears_front"),
        ("rear_kg", "bears_rear"),
    ):
        if axles is not None:
            typed[name] = f"{axles[part]:f} {part[-2:]}"
    return typed
