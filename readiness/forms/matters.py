"""Small forms: what people do with an alert, put right about a record, or edit on a unit."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import Unit


class StrikeForm(forms.Form):
    reason = forms.CharField(label=_("Why does it not count?"), max_length=400)


class MoveForm(forms.Form):
    unit = forms.CharField(label=_("Tag of the right unit"), max_length=30)
    reason = forms.CharField(label=_("How do you know?"), max_length=400)

    def clean_unit(self) -> Unit:
        unit = (
            Unit.objects.select_related("home", "design")
            .filter(tag__iexact=self.cleaned_data["unit"].strip())
            .first()
        )
        if unit is None:
            raise forms.ValidationError(_("No unit bears this tag."))
        return unit


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
