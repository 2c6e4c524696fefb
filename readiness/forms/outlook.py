"""What the outlook of the stores is asked: which depot and items, how far ahead, how long goods are on the road."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from fleet.models import Place

AHEAD_DAYS, LEAST_AHEAD, MOST_AHEAD = 365, 30, 730
# Between two depots, packing and papers included. Common practice, no source: each owner types their own.
ROAD_DAYS, MOST_ROAD = 14, 90


def _days(least: int, most: int) -> forms.NumberInput:
    return forms.NumberInput(attrs={"min": least, "max": most, "inputmode": "numeric"})


class OutlookForm(forms.Form):
    """Kept in the address bar. What is not said has its usual value; `answers` is whole even where a box is wrong."""

    q = forms.CharField(
        label=_("Item or code"), required=False, widget=forms.TextInput(attrs={"type": "search"})
    )
    depot = forms.ModelChoiceField(
        label=_("Depot"),
        queryset=Place.objects.none(),
        to_field_name="code",
        empty_label=_("any"),
        required=False,
    )
    show = forms.ChoiceField(
        label=_("Show"),
        required=False,
        choices=[
            ("", _("all")),
            ("short", _("only what runs short")),
            ("waste", _("only what expires unused")),
            ("moves", _("only what is short or expires")),
        ],
    )
    ahead = forms.IntegerField(
        label=_("Look ahead, days"),
        required=False,
        min_value=LEAST_AHEAD,
        max_value=MOST_AHEAD,
        widget=_days(LEAST_AHEAD, MOST_AHEAD),
    )
    road = forms.IntegerField(
        label=_("Days between two depots"),
        required=False,
        min_value=0,
        max_value=MOST_ROAD,
        widget=_days(0, MOST_ROAD),
    )

    def __init__(self, data: QueryDict, *, depot: Place | None) -> None:
        usual = {"ahead": AHEAD_DAYS, "road": ROAD_DAYS, "depot": depot.code if depot else ""}
        super().__init__({**usual, **{key: value for key, value in data.items() if value}})
        field: Any = self.fields["depot"]
        field.queryset = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on=None).order_by("name")
        self.is_valid()

    @property
    def words(self) -> list[str]:
        return str(self.cleaned_data.get("q") or "").casefold().split()

    @property
    def show_only(self) -> str:
        return str(self.cleaned_data.get("show") or "")

    @property
    def ahead_days(self) -> int:
        return self._number("ahead", AHEAD_DAYS)

    @property
    def road_days(self) -> int:
        return self._number("road", ROAD_DAYS)

    def _number(self, name: str, usual: int) -> int:
        value = self.cleaned_data.get(name)
        return usual if value is None else int(value)
