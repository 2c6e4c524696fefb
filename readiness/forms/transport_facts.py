"""What people enter about how a unit may travel that is no dated record: facts of a bank, measures of one unit."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.dangerous_goods.asked import facts_of_bank, may_discharge
from fleet.lib.quantities import format_quantity
from fleet.models import BankTransport, BatteryBank, PackedForm, UnitForm
from fleet.services.unit_forms import form_doubts, form_shown
from fleet.web.edited import EditedForm, values_of
from fleet.web.fields import QuantityField
from inventory.forms.goods import NOT_KNOWN, YesNoField, headed
from readiness.forms.records import RecordForm

# The column of `BankTransport` that holds a fact, where it is called otherwise.
COLUMN_OF = {"wh": "declared_wh"}
DISCHARGE = ("discharge_allowed", "discharge_w")
WHERE_IT_STANDS: dict[str, Any] = {
    "config": _("As it leaves: in the equipment it runs, in the same package beside it, or by itself."),
    "host": _(
        "What the bank runs. A container or trailer that only feeds others is a case of its own; if in doubt say so, and "
        "ask the specialist."
    ),
    "un383": _(
        "In the test summary that maker or seller must hand out (UN Manual of Tests and Criteria, 38.3.5). A summary in "
        "force among the certificates of the unit shows it, too."
    ),
    "declared_wh": _("On the case, in Wh. Empty: rated capacity × nominal voltage counts."),
    "net_mass_kg": _(
        "Batteries of one package without its packing; installed: all of them. Data sheet, or scale."
    ),
    "package_gross_kg": _(
        "Battery with its packing, as handed over: weigh it. Installed ones have no package."
    ),
    "ctu_gross_kg": _(
        "Alone, at sea: of all nickel-metal hydride batteries that go in one container, with their packing. From 100 kg on "
        "they are dangerous goods (IMDG SP 963)."
    ),
    "spare_sets": _("Sets in the package beyond those the equipment needs to run."),
    "vib_pressure_ok": _(
        "In the maker's non-spillable test report. That it passed counts while the report is in force among the "
        "certificates of the unit."
    ),
    "no_free_liquid_55c": _("In the same report: nothing flows out of a cracked case at 55 °C."),
    "marked_nonspillable": _("On the battery and on its packing: look at both."),
    "adr_1137_ruling": _("Only if your adviser for dangerous goods put it in writing."),
    "discharge_allowed": _("In the maker's manual, under transport or storage."),
    "discharge_w": _("The load you would use; the hours follow from it."),
    "source": _("The paper, label or person, with its date."),
}


def columns_of_bank(bank: BatteryBank) -> tuple[str, ...]:
    """The columns of `BankTransport` that matter to a bank of this chemistry."""
    asked = tuple(COLUMN_OF.get(name, name) for name in facts_of_bank(bank.chemistry))
    return asked + DISCHARGE if may_discharge(bank.chemistry) else asked


class BankTransportForm(EditedForm, RecordForm):
    """Only what the rules ask of this chemistry; `fact` is the one the link was about."""

    def __init__(
        self, *args: Any, bank: BatteryBank, there: BankTransport | None, fact: str = "", **kwargs: Any
    ) -> None:
        self.columns = columns_of_bank(bank)
        kwargs["initial"] = {
            **kwargs.get("initial", {}),
            **values_of(there, (*self.columns, "source")),
            "seen": self.mark(there),
        }
        super().__init__(*args, **kwargs)
        for name in (*self.columns, "source"):
            field = self._field(name)
            field.wide = name == "source"  # type: ignore[attr-defined]
            if isinstance(field, QuantityField):
                field.system = self.system  # type: ignore[assignment]
                field.widget.attrs["placeholder"] = field.symbol
            if name == fact:
                field.widget.attrs["autofocus"] = True
            self.fields[name] = field

    def _field(self, name: str) -> forms.Field:
        column = BankTransport._meta.get_field(name)
        label = headed(str(column.verbose_name))  # type: ignore[union-attr]
        told = {"label": label, "help_text": WHERE_IT_STANDS.get(name, "")}
        if name in ("declared_wh", "net_mass_kg", "package_gross_kg", "ctu_gross_kg", "discharge_w"):
            return QuantityField(base=name.rpartition("_")[2], low=0, required=False, **told)
        if name == "spare_sets":
            return forms.IntegerField(min_value=0, max_value=1000, required=False, **told)
        if name == "source":
            return forms.CharField(max_length=200, required=False, **told)
        if column.choices:  # type: ignore[union-attr]
            return forms.ChoiceField(choices=[NOT_KNOWN, *column.choices], required=False, **told)  # type: ignore[union-attr]
        return YesNoField(**told)

    def values(self) -> dict[str, Any]:
        return {
            "values": {name: self.exact(name) for name in (*self.columns, "source")},
            "seen_version": self.seen_version(),
        }


def bank_facts_said(bank: BatteryBank, there: BankTransport | None, system: Any) -> list[Mapping[str, str]]:
    """What is on file of a bank, as its page says it: label and value, '' while nobody knows."""
    form = BankTransportForm(bank=bank, there=there, system=system)
    return [
        {
            "label": str(form.fields[name].label),
            "value": ""
            if getattr(there, name, None) in (None, "")
            else form.said(name, getattr(there, name)),
        }
        for name in form.columns
    ]


# Measures of a form in the order of the page; those of a trailer only for one. Labels say from where it is measured.
TRAILER_GROUP, CONTAINER_GROUP = _("Trailer"), _("Container of its own")
MEASURE_GROUPS: tuple[tuple[Any, tuple[tuple[str, Any], ...]], ...] = (
    (
        _("Size and mass"),
        (
            ("length_mm", _("Length")),
            ("width_mm", _("Width")),
            ("height_mm", _("Height")),
            ("mass_kg", _("Mass, dry, without kit and fuel")),
            ("may_turn", _("May stand turned by 90°")),
        ),
    ),
    (
        _("Centre of gravity"),
        (
            ("cog_x_mm", _("From the front")),
            ("cog_y_mm", _("From the left")),
            ("cog_z_mm", _("Above the base")),
        ),
    ),
    (
        _("Lifting points"),
        (
            ("lifting_points", _("How many")),
            ("lifting_points_kg", _("Rated mass of each")),
            ("point_front_mm", _("Front ones from the front")),
            ("point_left_mm", _("Left ones from the left")),
            ("point_length_mm", _("Apart along")),
            ("point_width_mm", _("Apart across")),
            ("point_height_mm", _("Above the base")),
        ),
    ),
    (
        _("Fork pockets"),
        (
            ("fork_pocket_spacing_mm", _("Spacing")),
            ("fork_pocket_width_mm", _("Width of a pocket")),
            ("load_centre_mm", _("Load centre")),
        ),
    ),
    (
        CONTAINER_GROUP,
        (("container_gross_kg", _("Maximum gross mass on its safety plate")),),
    ),
    (
        TRAILER_GROUP,
        (
            ("axle_count", _("Axles")),
            ("axle_load_kg", _("Axle load")),
            ("axle_spacing_mm", _("Axle spacing")),
            ("tongue_load_kg", _("Load on the coupling")),
            ("trailer_gvwr_kg", _("Gross mass on its plate")),
            ("braked", _("Has brakes")),
        ),
    ),
    (_("Packing"), (("hours_to_pack_h", _("Hours to pack")),)),
)
MAY_BE_NEGATIVE = frozenset({"cog_x_mm", "cog_y_mm", "cog_z_mm", "point_front_mm", "point_left_mm"})
COUNTS = frozenset({"lifting_points", "axle_count"})
WORDS_YES_NO = frozenset({"may_turn", "braked"})


class UnitFormForm(EditedForm, RecordForm):
    """What was measured on one unit; an empty box is as the design, whose value stands beside it."""

    doubted = forms.CharField(widget=forms.HiddenInput, required=False)
    confirmed = forms.BooleanField(
        label=_("It was measured twice and is right"), required=False, widget=forms.HiddenInput
    )

    def __init__(
        self, *args: Any, packed_form: PackedForm, latest: UnitForm | None, today: date, **kwargs: Any
    ) -> None:
        self.packed_form = packed_form
        shown = [
            (title, rows)
            for title, rows in MEASURE_GROUPS
            if (title is not TRAILER_GROUP or _towed(packed_form))
            and (title is not CONTAINER_GROUP or packed_form.kind == PackedForm.Kind.CONTAINER)
        ]
        self.measures = tuple(name for _title, rows in shown for name, _label in rows)
        in_force = latest if latest is not None and latest.valid_to is None else None
        kwargs["initial"] = {
            **kwargs.get("initial", {}),
            **values_of(in_force, self.measures),
            "reason": in_force.reason if in_force is not None else "",
            "valid_from": today,
            "seen": self.mark(latest),
        }
        super().__init__(*args, **kwargs)
        self._groups: list[tuple[str, list[str]]] = []
        for title, rows in shown:
            for name, label in rows:
                self.fields[name] = self._field(name, label)
            self._groups.append((str(title), [name for name, _label in rows]))
        since = forms.DateField(
            label=_("So since"),
            help_text=_("The day it was measured or built so; what was on file ends the day before."),
            widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        )
        reason = forms.CharField(
            label=_("What differs, and who measured it"), max_length=400, widget=forms.TextInput()
        )
        reason.wide = True  # type: ignore[attr-defined]
        self.fields["valid_from"], self.fields["reason"] = since, reason
        self._groups.append(("", ["valid_from", "reason", "confirmed"]))
        if self.is_bound and self.data.get(self.add_prefix("doubted")):
            self._show_tick()

    @staticmethod
    def mark(row: Any) -> str:
        return "{}:{}".format(*form_shown(row))

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [
            (title, [self[name] for name in names if not self[name].is_hidden])
            for title, names in self._groups
        ]

    def _field(self, name: str, label: Any) -> forms.Field:
        as_designed = self._designed(name)
        if name in WORDS_YES_NO:
            field: forms.Field = YesNoField(label=label, help_text=as_designed)
            field.choices = [("", _("as the design")), *field.choices[1:]]  # type: ignore[attr-defined]
        elif name in COUNTS:
            field = forms.IntegerField(
                label=label, min_value=0, max_value=100, required=False, help_text=as_designed
            )
        else:
            low = None if name in MAY_BE_NEGATIVE else 0
            base = name.rpartition("_")[2]
            system: Any = self.system
            field = QuantityField(
                base=base,
                low=low,
                system=system,
                label=label,
                required=False,
                help_text=as_designed,
            )
            field.widget.attrs["placeholder"] = field.symbol
        return field

    def _designed(self, name: str) -> str:
        value = getattr(self.packed_form, name)
        if value is None:
            return str(_("Design: not known"))
        if isinstance(value, bool):
            words = str(_("yes") if value else _("no"))
        elif name in COUNTS:
            words = str(value)
        else:
            words = format_quantity(value, name.rpartition("_")[2], self.system)  # type: ignore[arg-type]
        return str(_("Design: %(value)s") % {"value": words})

    def _show_tick(self) -> None:
        self.fields["confirmed"].widget = forms.CheckboxInput()
        self.fields["confirmed"].wide = True  # type: ignore[attr-defined]

    def ask(self) -> None:
        """The tick appears, empty; it is about what is in doubt now, and about nothing that is typed afterwards."""
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("doubted")] = self.doubts()
        data.pop(self.add_prefix("confirmed"), None)
        self._show_tick()

    def doubts(self) -> str:
        return form_doubts(self.packed_form, self.own())

    def own(self) -> dict[str, Any]:
        """What was typed, by measure; None: as the design."""
        return {name: self.exact(name) for name in self.measures}

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "measures": self.own(),
            "reason": data["reason"],
            "valid_from": data["valid_from"],
            "confirmed": bool(data["confirmed"]) and data["doubted"] == self.doubts().strip(),
            "shown": shown_of(data["seen"]),
        }


class UnitFormEndForm(EditedForm, RecordForm):
    """The last day on which the unit differed from its design, and why it does no longer."""

    valid_to = forms.DateField(
        label=_("So through"),
        help_text=_("The last day on which it was so; from the next day on it is as the design."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    reason = forms.CharField(label=_("Why it is as the design again"), max_length=400)

    def __init__(self, *args: Any, latest: UnitForm, **kwargs: Any) -> None:
        kwargs["initial"] = {**kwargs.get("initial", {}), "seen": self.mark(latest)}
        super().__init__(*args, **kwargs)

    @staticmethod
    def mark(row: Any) -> str:
        return "{}:{}".format(*form_shown(row))

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "valid_to": data["valid_to"],
            "reason": data["reason"],
            "shown": shown_of(data["seen"]),
        }


def shown_of(text: str) -> tuple[int, int]:
    """What `form_shown` said, out of the form."""
    key, _colon, version = text.partition(":")
    known = key.isdecimal() and version.isdecimal() and len(text) < 30
    return (int(key), int(version)) if known else (0, 0)


def measures_said(row: UnitForm, system: Any) -> list[str]:
    """What differs, one measure a line."""
    found = []
    for title, rows in MEASURE_GROUPS:
        for name, label in rows:
            value = getattr(row, name)
            if value is None:
                continue
            if isinstance(value, bool):
                words = str(_("yes") if value else _("no"))
            elif name in COUNTS:
                words = str(value)
            else:
                words = format_quantity(value, name.rpartition("_")[2], system)
            found.append(f"{title}, {str(label)[:1].lower()}{str(label)[1:]}: {words}")
    return found


def _towed(form: PackedForm) -> bool:
    return form.kind == PackedForm.Kind.TRAILER or bool(form.axle_count)
