"""A unit leaves its place and comes back: absences, moves, deployments and what is written down each day on site."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import Absence, Deployment, Leg, Place, Unit
from fleet.web.fields import MomentField, QuantityField
from readiness.forms.records import RecordForm
from readiness.forms.unit_life import day_field


def open_places(**given: Any) -> Any:
    return Place.objects.filter(closed_on__isnull=True, **given).order_by("name")


def recall_field() -> QuantityField:
    return QuantityField(
        label=_("Hours to recall it"),
        base="h",
        required=False,
        low=0,
        help_text=_("From the call until it could leave. Empty: not known, so it counts as out of reach."),
    )


class AwayForm(RecordForm):
    purpose = forms.ChoiceField(label=_("What for"), choices=Absence.Purpose.choices)
    custodian = forms.CharField(
        label=_("Who has it"), max_length=120, help_text=_("A person and how to reach them.")
    )
    started_at = MomentField(label=_("Left at"))
    due_back_on = day_field(_("Due back on"))
    recall_h = recall_field()
    place = forms.ModelChoiceField(
        Place.objects.none(), label=_("Where to"), required=False, empty_label=_("not on file")
    )
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = open_places()  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}


class BackForm(RecordForm):
    """The end of an absence or a deployment; the row is named, so that a second tap ends nothing else."""

    absence = forms.ModelChoiceField(Absence.objects.none(), widget=forms.HiddenInput)
    ended_at = MomentField(label=_("Back at"))
    to = forms.ModelChoiceField(Place.objects.none(), label=_("Where it stands now"), empty_label=None)
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, unit: Unit, absence: Absence | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["absence"].queryset = unit.absences.all()  # type: ignore[attr-defined]
        self.fields["to"].queryset = open_places(kind=Place.Kind.DEPOT)  # type: ignore[attr-defined]
        self.initial.setdefault("to", unit.home_id)
        if absence is not None:
            self.initial.setdefault("absence", absence.pk)

    def values(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("ended_at", "to", "note")}


class UnitMoveForm(RecordForm):
    to = forms.ModelChoiceField(Place.objects.none(), label=_("Now at"), empty_label=None)
    as_home = forms.BooleanField(
        label=_("This depot keeps it from now on"),
        required=False,
        help_text=_("Its manager then looks after it, and its terms and climate count."),
    )
    happened_at = MomentField(label=_("Arrived at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = open_places(kind=Place.Kind.DEPOT)  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {name: data[name] for name in ("to", "as_home", "note")} | {"at": data["happened_at"]}


class DeploymentForm(RecordForm):
    code = forms.CharField(label=_("Code of the deployment"), max_length=40)
    exercise = forms.BooleanField(label=_("It is an exercise"), required=False)
    custodian = forms.CharField(
        label=_("Who has it"), max_length=120, help_text=_("A person and how to reach them.")
    )
    site = forms.ModelChoiceField(
        Place.objects.none(), label=_("Site"), required=False, empty_label=_("not on file")
    )
    started_at = MomentField(label=_("Left at"))
    due_back_on = day_field(_("Due back on"))
    recall_h = recall_field()
    people = forms.IntegerField(label=_("People to serve"), required=False, min_value=1)
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = open_places()  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}


class LegForm(RecordForm):
    """One leg of the way. Opened while the last one has not arrived, it is about that one."""

    conveyance = forms.CharField(
        label=_("Carried by"), max_length=60, help_text=_("For instance truck, freighter, landing craft.")
    )
    origin = forms.ModelChoiceField(Place.objects.none(), label=_("From"), empty_label=None)
    destination = forms.ModelChoiceField(Place.objects.none(), label=_("To"), empty_label=None)
    departed_at = MomentField(label=_("Left at"), help_text=_("Empty: it has not left yet."))
    arrived_at = MomentField(label=_("Arrived at"), help_text=_("Empty: it has not arrived yet."))

    def __init__(self, *args: Any, deployment: Deployment, last: Leg | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        here = deployment.unit.home_id
        if last is not None and last.arrived_at is None:
            self.initial.update(
                {
                    "conveyance": last.conveyance,
                    "origin": last.origin_id,
                    "destination": last.destination_id,
                    "departed_at": last.departed_at or "",
                }
            )
        else:
            origin = last.destination_id if last else here
            self.initial.update(
                {
                    "origin": origin,
                    "destination": deployment.site_id if origin != deployment.site_id else here,
                    "arrived_at": "",
                }
            )
        for name in ("origin", "destination"):
            self.fields[name].queryset = open_places()  # type: ignore[attr-defined]
            self.fields[name].wide = True  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for name in ("departed_at", "arrived_at"):
            if not self.data.get(self.add_prefix(name)):
                data[name] = None  # nothing typed means not yet, not now
        if data.get("origin") and data.get("origin") == data.get("destination"):
            self.add_error("destination", _("A leg leads from one place to another."))
        if not self.errors and data["arrived_at"] and not data["departed_at"]:
            self.add_error("departed_at", _("It arrived, so it left: say when."))
        return data

    def values(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}


class DayLogForm(RecordForm):
    """One day on site, in the order in which one walks round the unit."""

    FIGURES = (
        "hours_a_h",
        "volume_a_m3",
        "hours_b_h",
        "volume_b_m3",
        "turbidity_ntu",
        "pressure_drop_bar",
        "energy_kwh",
        "starts_a",
        "starts_b",
    )

    deployment = forms.ModelChoiceField(Deployment.objects.none(), widget=forms.HiddenInput)
    day = day_field(_("Day"), _("The first day that is not written down yet."), required=True)
    hours_a_h = QuantityField(label=_("Train A ran"), base="h", required=False, low=0)
    volume_a_m3 = QuantityField(label=_("Train A made"), base="m3", required=False, low=0)
    hours_b_h = QuantityField(label=_("Train B ran"), base="h", required=False, low=0)
    volume_b_m3 = QuantityField(label=_("Train B made"), base="m3", required=False, low=0)
    turbidity_ntu = QuantityField(label=_("Turbidity of the raw water"), base="ntu", required=False, low=0)
    pressure_drop_bar = QuantityField(
        label=_("Pressure drop over the filters"), base="bar", required=False, low=0
    )
    energy_kwh = QuantityField(label=_("Energy used"), base="kwh", required=False, low=0)
    starts_a = forms.IntegerField(label=_("Starts of train A"), required=False, min_value=0, max_value=10_000)
    starts_b = forms.IntegerField(label=_("Starts of train B"), required=False, min_value=0, max_value=10_000)
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(
        self, *args: Any, unit: Unit, deployment: Deployment, next_day: dt.date, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["deployment"].queryset = unit.deployments.all()  # type: ignore[attr-defined]
        self.initial.setdefault("deployment", deployment.pk)
        self.initial.setdefault("day", next_day)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors and not data.get("note") and all(data.get(name) is None for name in self.FIGURES):
            raise forms.ValidationError(_("Type at least one figure, or a note why there is none."))
        return data

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)
