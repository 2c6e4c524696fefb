"""Small forms: what people do with an alert, put right about a record, or edit on a unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Unit


class StrikeForm(forms.Form):
    reason = forms.CharField(label=_("Why does it not count?"), max_length=400)


class MoveForm(forms.Form):
    unit = forms.CharField(label=_("Tag of the right unit"), max_length=30)
    reason = forms.CharField(label=_("How do you know?"), max_length=400)

    def clean_unit(self) -> Unit | None:
        tag = self.cleaned_data["unit"].strip()
        if not tag:
            return None
        unit = Unit.objects.select_related("home", "design").filter(tag__iexact=tag).first()
        if unit is None:
            raise forms.ValidationError(_("No unit bears this tag."))
        return unit


class BankRecordMoveForm(MoveForm):
    """A record about a bank goes to a bank: named itself, or as the one in a unit at that time."""

    unit = forms.CharField(
        label=_("Tag of the unit the right bank was in"),
        max_length=30,
        required=False,
        help_text=_("At the time of the record. Or name the bank itself below."),
    )
    bank = forms.CharField(
        label=_("Serial number of the right bank"),
        max_length=60,
        required=False,
        help_text=_("Needed when it lay on a shelf."),
    )
    field_order = ("unit", "bank", "reason")

    def clean_bank(self) -> BatteryBank | None:
        serial = self.cleaned_data["bank"].strip()
        if not serial:
            return None
        bank = BatteryBank.objects.filter(serial__iexact=serial).first()
        if bank is None:
            raise forms.ValidationError(_("No battery bank bears this serial number."))
        return bank

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors and not data.get("unit") and not data.get("bank"):
            self.add_error("unit", _("Type the tag of a unit, or the serial number of a bank."))
        return data

    def offer(self, banks: Sequence[BatteryBank]) -> None:
        """From now on the bank is chosen among these."""
        choices = [(bank.serial, f"{bank.serial}, {bank.get_chemistry_display()}") for bank in banks]
        self.fields["bank"].widget = forms.RadioSelect(choices=choices)
        self.fields["bank"].help_text = ""


class UnitEditForm(forms.ModelForm):
    """Facts of a unit that people edit in place; the version tells whether someone else saved in between."""

    version = forms.IntegerField(widget=forms.HiddenInput)

    class Meta:
        model = Unit
        fields = ("yard_place", "packed_form", "serial", "note")
        widgets = {"note": forms.Textarea(attrs={"rows": 4})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial.setdefault("version", self.instance.version)
            forms_of_design = self.instance.design.packed_forms.all()
            self.fields["packed_form"].queryset = forms_of_design  # type: ignore[attr-defined]

    def changes(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class AcknowledgeForm(forms.Form):
    note = forms.CharField(label=_("What you know about it"), max_length=400)


class SnoozeForm(forms.Form):
    until = forms.DateField(label=_("Show again on"), widget=forms.DateInput(attrs={"type": "date"}))
