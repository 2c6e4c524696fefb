"""What changes about a unit between missions: its water side, its connection, its papers, its body, its bank, its work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.forms import DocumentForm
from fleet.lib.errors import DomainError
from fleet.lib.numbers import parse_number
from fleet.lib.quantities import format_quantity
from fleet.models import BankStay, BatteryBank, Modification, PackedForm, Place, SupplyState, Unit, WetState
from fleet.models.designs import CertificateKind, Evidence
from fleet.services.documents import CertificateFacts
from fleet.web.days import day_words
from fleet.web.fields import MomentField, QuantityField, decimal_mark
from fleet.web.words import spoken
from inventory.forms.goods import YesNoField
from readiness.forms.records import BankRecordForm, RecordForm
from readiness.models import BankTest, Task

DAY = {"type": "date"}


def day_field(label: Any, help_text: Any = "", required: bool = False) -> forms.DateField:
    widget = forms.DateInput(attrs=DAY, format="%Y-%m-%d")
    return forms.DateField(label=label, required=required, help_text=help_text, widget=widget)


class WetStateForm(RecordForm):
    kind = forms.ChoiceField(
        label=_("The water side is"), choices=WetState.Kind.choices, widget=forms.RadioSelect
    )
    happened_at = MomentField(label=_("Since"))
    good_until = day_field(
        _("Good through"), _("For preserved or disinfected: the last day on which that still holds.")
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        lasting = data.get("kind") in (WetState.Kind.PRESERVED, WetState.Kind.DISINFECTED)
        if lasting and not data.get("good_until") and "good_until" not in self.errors:
            self.add_error("good_until", _("Say through which day it is good: after it, it counts as wet."))
        return data

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)


class ConnectionForm(BankRecordForm):
    """How a bank is connected, and what its standby loads draw if somebody measured it."""

    versions = forms.CharField(widget=forms.HiddenInput, required=False)
    kind = forms.ChoiceField(label=_("It is"), choices=SupplyState.Kind.choices, widget=forms.RadioSelect)
    check_interval_days = forms.IntegerField(
        label=_("Float is looked at every … days"),
        required=False,
        min_value=1,
        help_text=_("On float it is believed only that long; then it counts as cut off since this look."),
    )
    happened_at = MomentField(label=_("Seen, or changed, at"))
    standby_ma = QuantityField(
        label=_("Draw of its standby loads, if measured"), base="ma", required=False, low=0
    )
    measured_on = day_field(_("Measured on"), _("Empty means today."))

    def __init__(self, *args: Any, banks: Sequence[BatteryBank], **kwargs: Any) -> None:
        super().__init__(*args, banks=banks, **kwargs)
        self.banks = {bank.pk: bank for bank in banks}
        self.initial.setdefault("versions", self.versions_now())
        self.fields["standby_ma"].help_text = "; ".join(_draw_words(bank, self.system) for bank in banks)

    def versions_now(self) -> str:
        """The version of each bank as this page shows it."""
        return ",".join(f"{pk}:{bank.version}" for pk, bank in self.banks.items())

    def seen_version(self, bank: BatteryBank) -> int:
        pairs = (pair.partition(":") for pair in self.cleaned_data["versions"].split(","))
        seen = {key: int(version) for key, _colon, version in pairs if version.isdigit()}
        return seen.get(str(bank.pk), self.banks[bank.pk].version)

    def see_again(self) -> None:
        """After a clash: the sentence tells what the other wrote, so the next save may write over it."""
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("versions")] = self.versions_now()

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        on_float = data.get("kind") == SupplyState.Kind.FLOAT
        if on_float and not data.get("check_interval_days") and "check_interval_days" not in self.errors:
            self.add_error("check_interval_days", _("Say after how many days the float is looked at again."))
        if data.get("measured_on") and data.get("standby_ma") is None and "standby_ma" not in self.errors:
            self.add_error("standby_ma", _("A day of measuring, but no draw. Type it, or take the day out."))
        return data

    def values(self) -> dict[str, Any]:
        data = {name: value for name, value in self.cleaned_data.items() if name != "versions"}
        if data["kind"] != SupplyState.Kind.FLOAT:
            data["check_interval_days"] = None
        return data | {"seen_version": self.seen_version(data["bank"])}


def _draw_words(bank: BatteryBank, system: Any) -> str:
    if bank.standby_ma is None:
        return str(_("%(bank)s: not known yet") % {"bank": bank.serial})
    draw = format_quantity(bank.standby_ma, "ma", system)
    if bank.standby_measured_on is None:
        return str(_("%(bank)s: %(draw)s on file") % {"bank": bank.serial, "draw": draw})
    day = day_words(bank.standby_measured_on)
    return str(_("%(bank)s: %(draw)s, measured %(day)s") % {"bank": bank.serial, "draw": draw, "day": day})


def check_certificate_days(form: forms.Form) -> None:
    """A certificate says its last day, or that it has none: a day nobody typed is never taken for 'no end'."""
    data = form.cleaned_data
    issued, expires, no_end = data.get("issued_on"), data.get("expires_on"), data.get("no_end")
    if "expires_on" in form.errors:
        return
    if expires and no_end:
        form.add_error("expires_on", _("A last day and no end cannot both be. Take one out."))
    elif not expires and not no_end:
        form.add_error("expires_on", _("Say through which day it is valid, or tick that it has no end."))
    elif issued and expires and expires < issued:
        form.add_error("expires_on", _("This lies before the day it was issued. Check both dates."))


class CertificateForm(RecordForm):
    kind = forms.ChoiceField(label=_("Certificate"), choices=CertificateKind.choices)
    number = forms.CharField(label=_("Number"), max_length=80, required=False)
    issuer = forms.CharField(label=_("Issued by"), max_length=120, required=False)
    issued_on = day_field(_("Issued on"), required=True)
    expires_on = day_field(_("Valid through"), _("The last day on which it holds."))
    no_end = forms.BooleanField(label=_("It has no end"), required=False)
    file = forms.FileField(
        label=_("The paper itself, if at hand"),
        required=False,
        widget=DocumentForm.base_fields["file"].widget,
        help_text=DocumentForm.base_fields["file"].help_text,
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        check_certificate_days(self)
        return data

    def certificate(self) -> CertificateFacts:
        data = self.cleaned_data
        kept = ("kind", "issued_on", "expires_on", "number", "issuer")
        return CertificateFacts(**{name: data[name] for name in kept})


class BankTestForm(BankRecordForm):
    kind = forms.ChoiceField(label=_("Test"), choices=BankTest.Kind.choices, widget=forms.RadioSelect)
    capacity_ah = QuantityField(
        label=_("Capacity found"), base="ah", required=False, low=0, help_text=_("Of a capacity test.")
    )
    worst_ratio = forms.CharField(
        label=_("Worst block against its own baseline"),
        max_length=20,
        required=False,
        help_text=_("Of an ohmic test, such as 1.18: 18 % above what it was when new."),
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    temp_c = QuantityField(label=_("Temperature of the bank"), base="c", required=False)
    happened_at = MomentField(label=_("Ended at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def clean_worst_ratio(self) -> float | None:
        text = self.cleaned_data["worst_ratio"].strip()
        if not text:
            return None
        try:
            ratio = float(parse_number(text, decimal_mark(text)))
        except DomainError as error:
            raise forms.ValidationError(spoken(error)) from error
        if not 0.2 <= ratio <= 10:
            raise forms.ValidationError(_("A ratio lies near 1: type 18 per cent more as 1.18."))
        return ratio

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        needed, other = ("capacity_ah", "worst_ratio")
        if data.get("kind") == BankTest.Kind.OHMIC:
            needed, other = other, needed
        if data.get("kind") and data.get(needed) is None and needed not in self.errors:
            self.add_error(needed, _("This test needs this result."))
        if data.get("kind") and data.get(other) is not None:
            self.add_error(
                other, _("This belongs to the other kind of test. Take it out, or choose that one.")
            )
        return data

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)


class WeighingForm(RecordForm):
    packed_form = forms.ModelChoiceField(PackedForm.objects.none(), label=_("Weighed as"), empty_label=None)
    mass_kg = QuantityField(label=_("Mass"), base="kg", low=0)
    kit_aboard = YesNoField(
        label=_("With its kit aboard"), help_text=_("Not known counts as without: the kit is then added.")
    )
    water_inside = YesNoField(
        label=_("With water inside"),
        help_text=_("Not known counts as without: water that may be left is added."),
    )
    fuel_l = QuantityField(
        label=_("Fuel in its tanks"),
        base="l",
        low=0,
        required=False,
        help_text=_("Empty counts as none: what the tanks hold is then added."),
    )
    method = forms.CharField(
        label=_("With what"), max_length=120, required=False, help_text=_("For instance a crane scale.")
    )
    happened_at = MomentField(label=_("Weighed at"))
    file = forms.FileField(
        label=_("Slip or photo, if at hand"),
        required=False,
        widget=DocumentForm.base_fields["file"].widget,
        help_text=DocumentForm.base_fields["file"].help_text,
    )
    asked = forms.CharField(widget=forms.HiddenInput, required=False)
    confirmed = forms.BooleanField(
        label=_("It was weighed twice: this mass is right"), required=False, widget=forms.HiddenInput
    )

    def __init__(self, *args: Any, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["packed_form"].queryset = unit.design.packed_forms.all()  # type: ignore[attr-defined]
        if self.is_bound and self.data.get(self.add_prefix("asked")):
            self._show_tick()
        if unit.packed_form_id:
            self.initial.setdefault("packed_form", unit.packed_form_id)

    def _show_tick(self) -> None:
        self.fields["confirmed"].widget = forms.CheckboxInput()
        self.fields["confirmed"].wide = True  # type: ignore[attr-defined]

    def _weighed(self) -> str:
        """The mass and the form a confirmation is about."""
        return f"{self.cleaned_data['packed_form'].pk}:{self.cleaned_data['mass_kg']:g}"

    def ask(self) -> None:
        """The tick appears, empty; it is about this mass in this form, and about nothing typed afterwards."""
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("asked")] = self._weighed()
        data.pop(self.add_prefix("confirmed"), None)
        self._show_tick()

    def values(self) -> dict[str, Any]:
        data = dict(self.cleaned_data)
        confirmed = data["confirmed"] and data.pop("asked") == self._weighed()
        data.pop("asked", None)
        return data | {"upload": data.pop("file"), "confirmed": confirmed}


class ModificationForm(RecordForm):
    """Sent twice when it voids certificates: the second time with `seen`, the ones the person was shown."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False)
    kind = forms.ChoiceField(label=_("What was it"), choices=Modification.Kind.choices)
    description = forms.CharField(label=_("What was done, or what happened"), max_length=400)
    happened_at = MomentField(label=_("When"))
    mass_change_kg = QuantityField(
        label=_("Change of mass, if known"),
        base="kg",
        required=False,
        help_text=_("With a minus if it became lighter."),
    )
    touches = forms.MultipleChoiceField(
        label=_("What must be shown again"),
        choices=Evidence.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Tick nothing, and what follows from its kind is taken: the cautious choice."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["touches"].wide = True  # type: ignore[attr-defined]

    def touched(self) -> list[str]:
        data = self.cleaned_data
        return list(data["touches"] or Modification.default_touches(data["kind"]))

    def show(self, seen: str) -> None:
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("seen")] = seen

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        kept = ("kind", "description", "happened_at", "mass_change_kg", "token")
        return {name: data[name] for name in kept} | {"touches": self.touched()}


class BankInForm(RecordForm):
    """A bank from a shelf into a position; what was in there goes to a shelf."""

    bank = forms.ModelChoiceField(BatteryBank.objects.none(), label=_("Bank to put in"), empty_label=None)
    position = forms.CharField(label=_("Position"), max_length=30, initial="main")
    old_to = forms.ModelChoiceField(
        Place.objects.none(),
        label=_("The bank that was in there goes to"),
        empty_label=None,
        help_text=_("Only where the position is not empty."),
    )
    like_for_like = forms.BooleanField(
        label=_("Like for like"),
        required=False,
        help_text=_("Same chemistry, capacity, cells and strings: then no evidence is touched."),
    )
    happened_at = MomentField(label=_("Done at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(
        self, *args: Any, unit: Unit, shelf: Mapping[int, str], depots: Iterable[Place], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        bank: Any = self.fields["bank"]
        bank.queryset = BatteryBank.objects.filter(pk__in=shelf)
        bank.choices = list(shelf.items())
        bank.wide = True
        self.fields["old_to"].queryset = Place.objects.filter(pk__in=[each.pk for each in depots])  # type: ignore[attr-defined]
        self.initial.setdefault("old_to", unit.home_id)

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        kept = ("bank", "position", "old_to", "like_for_like", "note")
        return {name: data[name] for name in kept} | {"at": data["happened_at"]}


class BankOutForm(BankRecordForm):
    place = forms.ModelChoiceField(Place.objects.none(), label=_("Where does it go?"), empty_label=None)
    happened_at = MomentField(label=_("Taken out at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, unit: Unit, depots: Iterable[Place], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = Place.objects.filter(pk__in=[each.pk for each in depots])  # type: ignore[attr-defined]
        self.initial.setdefault("place", unit.home_id)

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"bank": data["bank"], "place": data["place"], "note": data["note"], "at": data["happened_at"]}


def shelf_words(stay: BankStay) -> str:
    where = stay.place.name if stay.place else ""
    bank = stay.bank
    size = f"{format_quantity(bank.capacity_ah, 'ah', 'si')}"
    return f"{bank.serial}, {bank.get_chemistry_display()}, {size} ({where})"


class TaskForm(RecordForm):
    title = forms.CharField(label=_("What is to be done"), max_length=200)
    due_on = day_field(_("Due on"))
    work_h = QuantityField(label=_("Hours of work"), base="h", required=False, low=0)
    mine = forms.BooleanField(label=_("I take it"), required=False)

    def values(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("title", "due_on", "work_h")}


class TaskChoice(forms.ModelChoiceField):
    def label_from_instance(self, task: Task) -> str:
        return task.title


class TaskChoiceForm(RecordForm):
    """One of the unit's tasks. Offered are the open ones; one that was ended a moment ago is still understood."""

    task = TaskChoice(Task.objects.none(), label=_("Work"), empty_label=None)

    def __init__(self, *args: Any, unit: Unit, offered: Iterable[Task], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["task"]
        field.queryset = unit.tasks.all()
        field.choices = [(task.pk, task.title) for task in offered]
