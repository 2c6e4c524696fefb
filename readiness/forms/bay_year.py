"""The form of the year that is played: the one thing that is guessed."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy


class YearForm(forms.Form):
    calls_per_year = forms.FloatField(
        label=gettext_lazy("Calls of one unit in a year"),
        min_value=0,
        max_value=52,
        help_text=gettext_lazy(
            "After each its banks come home empty. Shown first: as on record, by the last two years."
        ),
    )
