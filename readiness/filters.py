"""Filters of the lists; each is a key in the address bar, so that a list can be shared as it is."""

from __future__ import annotations

from typing import Any

import django_filters
from django import forms
from django.db.models import F, Q, QuerySet
from django.utils.translation import gettext_lazy as _

from fleet.models import BankStay, Design, Place, Unit
from fleet.models.away import Absence
from fleet.models.banks import Chemistry
from fleet.models.office import Role
from readiness.bank_words import FLAG_NAMES
from readiness.domain.bank_flags import Flag
from readiness.models import Alert
from readiness.models.sweep import Outcome


class UnitFilter(django_filters.FilterSet):
    q = django_filters.CharFilter(
        label=_("Tag, serial or design"), method="search", widget=forms.TextInput(attrs={"type": "search"})
    )
    verdict = django_filters.ChoiceFilter(
        label=_("Verdict"), field_name="shown_outcome", choices=Outcome.choices, empty_label=_("any")
    )
    design = django_filters.ModelChoiceFilter(
        label=_("Design"), queryset=Design.objects.all(), to_field_name="code", empty_label=_("any")
    )
    where = django_filters.ChoiceFilter(
        label=_("Where"),
        method="whereabouts",
        empty_label=_("anywhere"),
        choices=[("here", _("in its place")), *Absence.Purpose.choices],
    )

    class Meta:
        model = Unit
        fields: list[str] = []

    def search(self, queryset: QuerySet[Unit], name: str, value: str) -> QuerySet[Unit]:
        words = value.split()
        for word in words:
            queryset = queryset.filter(
                Q(tag__icontains=word)
                | Q(serial__icontains=word)
                | Q(design__name__icontains=word)
                | Q(home__name__icontains=word)
            )
        return queryset

    def whereabouts(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(away__isnull=True) if value == "here" else queryset.filter(away=value)


class BankFilter(django_filters.FilterSet):
    q = django_filters.CharFilter(
        label=_("Serial, unit or place"), method="search", widget=forms.TextInput(attrs={"type": "search"})
    )
    flag = django_filters.ChoiceFilter(
        label=_("What stands out"),
        method="stands_out",
        empty_label=_("all banks"),
        choices=[
            ("any", _("anything but a test that is due")),
            *((flag.name.lower(), words) for flag, words in FLAG_NAMES.items() if flag.name),
        ],
    )
    chemistry = django_filters.ChoiceFilter(
        label=_("Kind"), field_name="bank__chemistry", choices=Chemistry.choices, empty_label=_("any")
    )

    class Meta:
        model = BankStay
        fields: list[str] = []

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            queryset = queryset.filter(
                Q(bank__serial__icontains=word)
                | Q(unit__tag__icontains=word)
                | Q(place__name__icontains=word)
            )
        return queryset

    def stands_out(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        bits = sum(int(flag) for flag in Flag if flag != Flag.TEST_DUE)
        if value != "any":
            bits = int(Flag[value.upper()])
        return queryset.alias(told=F("bank__state__flags").bitand(bits)).filter(told__gt=0)


class AlertFilter(django_filters.FilterSet):
    q = django_filters.CharFilter(
        label=_("Unit tag"),
        field_name="about_unit__tag",
        lookup_expr="icontains",
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    rule = django_filters.ChoiceFilter(label=_("Matter"), choices=(), empty_label=_("any"))
    owner = django_filters.ChoiceFilter(
        label=_("For"), field_name="owner_role", choices=Role.choices, empty_label=_("anyone")
    )
    state = django_filters.ChoiceFilter(
        label=_("State"),
        method="in_state",
        empty_label=_("open"),
        choices=[
            ("taken", _("taken by someone")),
            ("mine", _("taken by me")),
            ("snoozed", _("snoozed")),
            ("cleared", _("cleared")),
        ],
    )

    class Meta:
        model = Alert
        fields: list[str] = []

    def __init__(self, *args: Any, rules: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.filters["rule"].extra["choices"] = rules

    def filter_queryset(self, queryset: QuerySet[Alert]) -> QuerySet[Alert]:
        found = super().filter_queryset(queryset)
        if self.form.cleaned_data.get("state") != "cleared":
            found = found.filter(cleared_at__isnull=True)
        return found

    def in_state(self, queryset: QuerySet[Alert], name: str, value: str) -> QuerySet[Alert]:
        if value == "taken":
            return queryset.filter(taken_by__isnull=False)
        if value == "mine":
            return queryset.filter(taken_by=self.request.user)
        if value == "snoozed":
            return queryset.filter(snoozed_until__isnull=False)
        return queryset.filter(cleared_at__isnull=False)


def depots_of(depots: list[Place]) -> list[tuple[str, str]]:
    return [(depot.code, depot.name) for depot in depots]
