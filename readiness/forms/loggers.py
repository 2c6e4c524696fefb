"""Forms of the pages of loggers: a file of samples, what is stated of a logger, a key, and taking rows back."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank
from fleet.web.edited import EditedForm
from fleet.web.fields import MomentField
from readiness.domain.sample_files import MOST_BYTES, MOST_ROWS
from readiness.models import BankLogger
from readiness.models.samples import EXPECTED_MIN_MOST

SERIAL = forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"})


def bank_named(serial: str) -> BatteryBank | None:
    """The bank that bears a typed serial; None for an empty one; refused when there is none."""
    if not serial.strip():
        return None
    bank = BatteryBank.objects.filter(serial__iexact=serial.strip()).first()
    if bank is None:
        raise forms.ValidationError(
            _("No bank bears this serial. Type it as it stands on the page of the bank.")
        )
    return bank


class SamplesForm(forms.Form):
    file = forms.FileField(
        label=_("File"),
        help_text=_("CSV or JSON, at most %(mb)d MB and %(rows)d rows.")
        % {"mb": MOST_BYTES // 1_000_000, "rows": MOST_ROWS},
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,.tsv,.json"}),
    )
    bank = forms.CharField(
        label=_("Bank"),
        max_length=60,
        required=False,
        help_text=_("Its serial, for rows that name no bank."),
        widget=SERIAL,
    )
    zone = forms.ChoiceField(label=_("Times without an offset are"), required=False)

    def __init__(self, *args: Any, zones: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].choices = [("", _("refused")), ("UTC", "UTC"), *zones]  # type: ignore[attr-defined]

    def clean_bank(self) -> BatteryBank | None:
        return bank_named(self.cleaned_data["bank"])


class LoggerForm(EditedForm):
    label = forms.CharField(label=_("Name of the logger"), max_length=80, required=False)
    expected_min = forms.IntegerField(
        label=_("A new value comes every"),
        min_value=1,
        max_value=EXPECTED_MIN_MOST,
        help_text=_("Minutes. It is silent after three times as long. One that sends once a day: 1440."),
    )
    off = forms.BooleanField(
        label=_("It was taken off the bank"),
        required=False,
        help_text=_("Then nobody is told that it is silent."),
    )
    off_at = MomentField(label=_("Taken off at"), help_text=_("Only where it was taken off. Empty: now."))

    def __init__(self, data: Any = None, *, logger: BankLogger, zone: str) -> None:
        initial = {
            "seen": self.mark(logger),
            "label": logger.label,
            "expected_min": logger.expected_min,
            "off": logger.off_at is not None,
            "off_at": logger.off_at,
        }
        super().__init__(data, initial=initial)
        self.fields["off_at"].zone = zone  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "label": data["label"],
            "expected_min": data["expected_min"],
            "off_at": data["off_at"] if data["off"] else None,
        }


class LoggerKeyForm(forms.Form):
    name = forms.CharField(
        label=_("What the key is for"), max_length=80, help_text=_("For instance: gateway in hall 2.")
    )
    bank = forms.CharField(
        label=_("For one bank alone"),
        max_length=60,
        required=False,
        help_text=_("Its serial. Empty: for every bank of the depots you keep."),
        widget=SERIAL,
    )
    expires_on = forms.DateField(
        label=_("Works through"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=_("Empty: until it is revoked."),
    )

    def clean_bank(self) -> BatteryBank | None:
        return bank_named(self.cleaned_data["bank"])


class TakeBackForm(forms.Form):
    reason = forms.CharField(label=_("Why"), max_length=400)
