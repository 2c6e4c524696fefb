"""Forms of the bay plan: sign and publish, withdraw, begin a charge from a line."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from readiness.forms.records import RecordForm


class PublishForm(forms.Form):
    """`signs`: the plan breaks a floor, so whoever publishes it signs with name and reason."""

    accepted_name = forms.CharField(label=_("Your name, as a signature"), max_length=150, required=False)
    accepted_reason = forms.CharField(label=_("Why a floor may be broken"), max_length=400, required=False)

    def __init__(self, *args: Any, signs: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.signs = signs
        if not signs:
            self.fields.clear()


class WithdrawForm(forms.Form):
    reason = forms.CharField(label=_("Why it is withdrawn"), max_length=400, required=False)


class LineStartForm(RecordForm):
    """Nothing to type: it begins now, on the bay of the plan."""
