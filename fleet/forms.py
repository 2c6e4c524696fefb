"""Forms of the pages that belong to the fleet itself: documents, a person's own settings, and the owner's terms."""

from __future__ import annotations

import uuid
from datetime import date
from hashlib import sha256
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.lib.files import DOCUMENT_LIMIT_BYTES, DOCUMENTS, MIB
from fleet.models import TransportTerms, User
from fleet.models.designs import CertificateKind
from fleet.services.documents import CertificateFacts
from fleet.services.transport_terms import TERMS, TIMES, terms_shown
from fleet.web.edited import EditedForm, values_of
from fleet.web.fields import QuantityField
from fleet.web.terms import TERM_GROUPS, term_label

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


class TransportTermsForm(EditedForm):
    """All terms as they are to be from a day on. Sent twice: the second time with `previewed`, what the person was shown."""

    previewed = forms.CharField(widget=forms.HiddenInput, required=False)
    valid_from = forms.DateField(
        label=_("From"), widget=DAY, help_text=_("Today or later; what held before ends the day before.")
    )
    source = forms.CharField(
        label=_("Who decided it, and where it is written"),
        max_length=200,
        help_text=_("Kept with the terms."),
    )

    def __init__(
        self,
        *args: Any,
        latest: TransportTerms | None,
        today: date,
        system: Any = "si",
        **kwargs: Any,
    ) -> None:
        self.latest = latest
        terms = latest or TransportTerms()
        day = max(today, latest.valid_from) if latest is not None else today
        kwargs["initial"] = values_of(terms, TERMS) | {"valid_from": day, "seen": terms_shown(latest)}
        super().__init__(*args, **kwargs)
        for name in TERMS:
            if name in TIMES:
                self.fields[name] = forms.IntegerField(label=term_label(name), min_value=1, max_value=3650)
                continue
            field = QuantityField(base=name.rpartition("_")[2], system=system, low=0, label=term_label(name))
            field.widget.attrs["placeholder"] = field.symbol
            self.fields[name] = field
        self.fields["source"].wide = True  # type: ignore[attr-defined]

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        shown = [(str(title), [self[name] for name in names]) for title, names in TERM_GROUPS]
        return [*shown, ("", [self["valid_from"], self["source"]])]

    def terms(self) -> dict[str, Any]:
        return {name: self.exact(name) for name in TERMS}

    def mark_of_preview(self) -> str:
        """What the preview was about: nothing else is saved by the second send."""
        data = self.cleaned_data
        parts = [str(value) for value in (*self.terms().values(), data["valid_from"], data["seen"])]
        return sha256("|".join(parts).encode()).hexdigest()[:16]

    def show(self, **hidden: str) -> None:
        """Sets hidden boxes of the form that is shown again."""
        data: Any = self.data
        self.data = data = data.copy()
        for name, value in hidden.items():
            data[self.add_prefix(name)] = value

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "values": self.terms(),
            "valid_from": data["valid_from"],
            "shown": data["seen"],
            "source": data["source"],
        }
