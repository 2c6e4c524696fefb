"""What a person says when loading an edition of the rules, and when withdrawing one."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

MOST_BYTES = 2_000_000


class EditionLoadForm(forms.Form):
    """Two tables as text files, and what the edition is called."""

    name = forms.CharField(
        label=_("Name"), max_length=120, help_text=_("Such as ADR 2027, or amendment 43-26 of the sea rules.")
    )
    editions = forms.FileField(
        label=_("Table of editions"),
        help_text=_(
            "CSV: the table in use with the lines of the next edition. Lines held already are passed over."
        ),
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt"}),
    )
    goods = forms.FileField(
        label=_("Table of goods"),
        required=False,
        help_text=_(
            "CSV: only where entries or limits change. The edition names it in its column goods_table."
        ),
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt"}),
    )
    note = forms.CharField(
        label=_("Note"),
        max_length=400,
        required=False,
        help_text=_("What was checked against which document."),
    )

    def clean_editions(self) -> str:
        return _text_of(self.cleaned_data["editions"])

    def clean_goods(self) -> str:
        file = self.cleaned_data.get("goods")
        return _text_of(file) if file else ""


def _text_of(file: Any) -> str:
    if file.size > MOST_BYTES:
        raise forms.ValidationError(
            _("The file has %(size)s kB; at most %(most)s kB can be read."),
            params={"size": file.size // 1000, "most": MOST_BYTES // 1000},
        )
    try:
        text: str = file.read().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise forms.ValidationError(
            _("The file is no text in UTF-8. Save the table as CSV with the encoding UTF-8.")
        ) from None
    return text


class EditionWithdrawForm(forms.Form):
    reason = forms.CharField(label=_("Why it is withdrawn"), max_length=400)
