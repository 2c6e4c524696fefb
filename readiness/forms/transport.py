"""The questions put to the transport class: when, for how long, over what, under what."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.fit.conveyances import aircraft
from fleet.domain.fit.trip import Clearances, Topic, Trip
from fleet.domain.transport.answers import ALWAYS_ASKED
from fleet.lib.errors import DomainError
from fleet.lib.quantities import System
from fleet.web.fields import QuantityField
from readiness.forms.unit_life import day_field

USUAL_SLING_MM = 4000.0
FLOOR_HINT = _(
    "Of an aircraft loaded loose, by the operator's loading manual. The lower of this and the table counts."
)
USUAL_UNITS = {"alt_m": "m", "isa_dev_c": "", "sling_mm": "mm"}


class TripForm(forms.Form):
    """A GET form: the answer stays in the address bar. The ship date is always asked.

    Of `usual` a bound form takes what its address does not hold at all; a field that was sent empty is not known.
    """

    ship_on = day_field(_("Leaves on"), required=True)
    days = forms.IntegerField(
        label=_("Mission, days"),
        required=False,
        min_value=1,
        max_value=3650,
        help_text=_("Empty: the depot's usual one."),
    )
    form = forms.ChoiceField(label=_("Packed as"), required=False)

    def __init__(
        self,
        *args: Any,
        system: System,
        packed: Sequence[tuple[str, str]] = (),
        usual: Mapping[str, Any] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["alt_m"] = QuantityField(
            base="m", system=system, label=_("Elevation there"), required=False
        )
        self.fields["isa_dev_c"] = forms.FloatField(
            label=_("Above standard air, K"), required=False, min_value=-60, max_value=60
        )
        self.fields["sling_mm"] = QuantityField(
            base="mm", system=system, low=1, label=_("Sling leg"), required=False
        )
        self.fields["leg_km"] = QuantityField(base="km", system=system, low=0, label=_("Leg"), required=False)
        self.fields["runway_m"] = QuantityField(
            base="m", system=system, low=1, label=_("Runway"), required=False
        )
        choice: Any = self.fields["form"]
        choice.choices = list(packed)
        if not packed:
            del self.fields["form"]
        if self.is_bound and usual is not None:
            self._take_usual(usual)

    def _take_usual(self, usual: Mapping[str, Any]) -> None:
        """What is taken shows in its field, in the unit it is held in."""
        sent: Any = self.data
        data = sent.copy()
        for name, text in usual_typed(usual).items():
            if name in USUAL_UNITS and name not in data:
                data[name] = text
        self.data = data

    def clean_ship_on(self) -> dt.date:
        day: dt.date = self.cleaned_data["ship_on"]
        if not 2000 <= day.year <= 2100:
            raise forms.ValidationError(_("Write the day with its year, such as 2026-12-31."))
        return day

    def trip(self, clearances: Clearances, rigging_kg: float) -> Trip:
        """The trip of a valid form: what was not typed is not known, and asked only where nothing can be said without."""
        data = self.cleaned_data
        asked = set(ALWAYS_ASKED)
        if data.get("leg_km") is not None:
            asked |= {Topic.RANGE, Topic.RADIUS}
        if data.get("runway_m") is not None:
            asked |= {Topic.RUNWAY}
        return Trip(
            asked=frozenset(asked),
            clearances=clearances,
            leg_km=data.get("leg_km"),
            runway_m=data.get("runway_m"),
            elevation_m=data.get("alt_m"),
            isa_dev_c=data.get("isa_dev_c"),
            alt_m=data.get("alt_m"),
            rigging_kg=rigging_kg,
            sling_leg_mm=data.get("sling_mm"),
        )


def usual_trip(today: dt.date) -> dict[str, Any]:
    """What the form starts with, said on the page as such."""
    return {
        "ship_on": today,
        "alt_m": 0.0,
        "isa_dev_c": 15.0,
        "sling_mm": USUAL_SLING_MM,
    }


def usual_typed(usual: Mapping[str, Any]) -> dict[str, Any]:
    """The usual values as somebody would have typed them: a number with its unit, whatever units this person sees."""
    return {
        name: f"{value:g} {USUAL_UNITS[name]}".strip() if name in USUAL_UNITS else value
        for name, value in usual.items()
        if value is not None
    }


class FloorNotAsked(DomainError):
    """A floor limit was typed for what has no floor that is asked."""


def floor_stated_for(conveyance: str) -> str:
    """The aircraft, loaded loose, whose floor a limit is about. Raises FloorNotAsked for anything else."""
    if conveyance not in aircraft().keys:
        raise FloorNotAsked(
            "floor.not_asked", "Only an aircraft that is loaded loose is asked for its floor. Leave it empty."
        )
    return conveyance


def faults_in_words(form: forms.Form) -> list[str]:
    """What is wrong with a question, each with the name of its field."""
    return [
        str(fault) if name == "__all__" else f"{form.fields[name].label}: {fault}"
        for name, faults in form.errors.items()
        for fault in faults
    ]
