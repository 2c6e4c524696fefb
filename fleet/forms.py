"""Forms of the pages that belong to the fleet itself: documents, and a person's own settings."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.lib.files import DOCUMENT_LIMIT_BYTES, DOCUMENTS, MIB
from fleet.models import User
from fleet.models.designs import CertificateKind
from fleet.services.documents import CertificateFacts

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class DocumentForm(forms.Form):
    """A file, a certificate, or a certificate with its file."""

    token = forms.UUIDField(widget=forms.HiddenInput, required=False)
    file = forms.FileField(
        label=_("File"),
        required=False,
        widget=forms.ClearableFileInput(
            attrs={"accept": ",".join(f".{ending}" for kind in DOCUMENTS for ending in kind.endings)}
        ),
        help_text=_("%(kinds)s; at most %(limit)s MB.")
        % {"kinds": ", ".join(kind.label for kind in DOCUMENTS), "limit": DOCUMENT_LIMIT_BYTES // MIB},
    )
    title = forms.CharField(label=_("What it is"), max_length=200, required=False)
    kind = forms.ChoiceField(
        label=_("Certificate"),
        required=False,
        choices=[("", _("not a certificate")), *CertificateKind.choices],
    )
    number = forms.CharField(label=_("Number"), max_length=80, required=False)
    issuer = forms.CharField(label=_("Issued by"), max_length=120, required=False)
    issued_on = forms.DateField(label=_("Issued on"), required=False, widget=DAY)
    expires_on = forms.DateField(
        label=_("Valid through"), required=False, widget=DAY, help_text=_("Empty: it has no end.")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.is_bound:
            self.initial.setdefault("token", uuid.uuid4())

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("kind"):
            if not data.get("file") and "file" not in self.errors:
                self.add_error("file", _("Choose a file, or say which certificate it is."))
        elif not data.get("issued_on") and "issued_on" not in self.errors:
            self.add_error("issued_on", _("Say on which day the certificate was issued."))
        return data

    def certificate(self) -> CertificateFacts | None:
        data = self.cleaned_data
        if not data["kind"]:
            return None
        return CertificateFacts(
            kind=data["kind"],
            issued_on=data["issued_on"],
            expires_on=data["expires_on"],
            number=data["number"],
            issuer=data["issuer"],
        )


class SettingsForm(forms.Form):
    unit_system = forms.ChoiceField(
        label=_("Units of measure"),
        choices=[(User.Units.SI, _("Metric (kg, °C, km)")), (User.Units.US, _("US customary (lb, °F, mi)"))],
        widget=forms.RadioSelect,
        help_text=_(
            "What is stored stays the same; this is only how it is shown and what a bare number means."
        ),
    )
    theme = forms.ChoiceField(
        label=_("Light or dark"),
        choices=[
            (User.Theme.AUTO, _("As this device is set")),
            (User.Theme.LIGHT, _("Light")),
            (User.Theme.DARK, _("Dark")),
        ],
        widget=forms.RadioSelect,
    )
