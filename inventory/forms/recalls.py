"""Forms that stop lots, and that give one lot a later date by test."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from inventory.forms.stock import DAY, OnceForm
from inventory.models import Lot

SCANNED = {"autocomplete": "off", "spellcheck": "false"}


class FindLotsForm(forms.Form):
    """Which lots: of a model, with a lot number, with a serial; what is left empty does not narrow."""

    item = forms.CharField(
        label=_("Item code"), max_length=40, required=False, widget=forms.TextInput(attrs=SCANNED)
    )
    lot = forms.CharField(
        label=_("Lot number"), max_length=60, required=False, widget=forms.TextInput(attrs=SCANNED)
    )
    serial = forms.CharField(
        label=_("Serial number"), max_length=60, required=False, widget=forms.TextInput(attrs=SCANNED)
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not any(data.get(name, "").strip() for name in ("item", "lot", "serial")):
            raise ValidationError(_now("Write an item code, a lot number or a serial."))
        return {name: value.strip() for name, value in data.items()}


class StopForm(OnceForm):
    """`lots` are those that were listed: what became known since is not stopped unseen."""

    lots = forms.CharField(widget=forms.HiddenInput)
    status = forms.ChoiceField(
        label=_("Stop them as"),
        choices=[(Lot.Status.RECALLED, _("recalled")), (Lot.Status.QUARANTINE, _("in quarantine"))],
    )
    reason = forms.CharField(
        label=_("Reason"), max_length=400, help_text=_("Who warned, of what, and the number of the notice.")
    )


class ExtensionForm(OnceForm):
    tested_on = forms.DateField(label=_("Tested on"), widget=DAY)
    to_expires_on = forms.DateField(label=_("Good through, by the test"), widget=DAY)
    paper = forms.CharField(label=_("Test paper: laboratory and number"), max_length=200)
    signer = forms.CharField(label=_("Signed by"), max_length=120)
