"""The further questions of the transport sheet, each group folded away until something of it is said.

What is not said is not asked, and the sheet says so. What is half said is refused: no number of it is guessed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.trip import Clearances, Lashing, Topic, Trip
from fleet.lib.quantities import System
from fleet.web.fields import QuantityField
from readiness.forms.transport import TripForm
from readiness.web.transport import loose_aircraft

EU_LICENCES = [(name, name) for name in ("B", "B96", "BE", "C1", "C1E", "C", "CE")]
US_LICENCES = [
    ("standard", _("no commercial licence")),
    ("CDL_B", _("commercial, class B")),
    ("CDL_A", _("commercial, class A")),
]
GROUPS: tuple[tuple[str, Any, Any, tuple[str, ...]], ...] = (
    (
        "sling",
        _("Sling"),
        _("The rated load of the sling legs, each as its label states it for a straight pull."),
        ("leg_wll_kg",),
    ),
    (
        "strip",
        _("Airstrip"),
        _("Surface and slope of the runway typed above."),
        ("surface", "slope_pct"),
    ),
    (
        "floor",
        _("Floor of an aircraft"),
        _(
            "What the floor of one aircraft that is loaded loose bears, by the operator's loading manual. The lower of this "
            "and the table counts; without either nothing is said of it."
        ),
        ("floor_of", "floor"),
    ),
    (
        "fork",
        _("Fork truck"),
        _("From the truck's plate. The forks are asked when all four of their sizes are typed."),
        (
            "fork_kg",
            "fork_centre_mm",
            "fork_axle_kg",
            "blade_width_mm",
            "blade_length_mm",
            "spread_least_mm",
            "spread_most_mm",
        ),
    ),
    (
        "lashing",
        _("Lashing over the top"),
        _(
            "All four numbers, or none. The friction is that of the surfaces as they lie: wet, dirty or icy is less."
        ),
        ("straps", "mu", "lash_deg", "stf_dan", "blocked", "may_tip"),
    ),
    (
        "driver",
        _("Driver"),
        _("Of one region; the vehicles of the other stay undecided."),
        ("licence",),
    ),
    (
        "under",
        _("Beams or boards under the load"),
        _("Empty: the load stands on its own length and area."),
        ("beams_mm", "boards_m2"),
    ),
)
FORKS = ("blade_width_mm", "blade_length_mm", "spread_least_mm", "spread_most_mm")
STRAPS = ("straps", "mu", "lash_deg", "stf_dan")


@dataclass(frozen=True)
class Folded:
    """A group of questions with its fields. `open`: something of it was typed, so it is not hidden."""

    key: str
    title: Any
    hint: Any
    fields: list[Any]
    open: bool


def typed_of(ship_date: dt.date, values: Mapping[str, Any]) -> dict[str, str]:
    """What a program asks, as a person who sees SI units would have typed it: by the names of the fields, None is empty."""
    typed = {"ship_on": ship_date.isoformat()}
    for name, value in values.items():
        if value is None or value is False:
            continue
        typed[name] = f"{value:f}" if isinstance(value, float) else "on" if value is True else str(value)
    return typed


class SheetForm(TripForm):
    """The trip with the questions that are not always asked."""

    surface = forms.ChoiceField(
        label=_("Surface"),
        required=False,
        choices=[("", _("not asked")), ("paved", _("paved")), ("unpaved", _("unpaved"))],
    )
    slope_pct = forms.FloatField(label=_("Slope, %"), required=False, min_value=-10, max_value=10)
    floor_of = forms.ChoiceField(label=_("Aircraft"), required=False)
    straps = forms.IntegerField(label=_("Straps"), required=False, min_value=1, max_value=100)
    mu = forms.FloatField(
        label=_("Friction"),
        required=False,
        min_value=0.01,
        max_value=0.9,
        help_text=_("Such as 0.3 for wood on steel, 0.6 on an anti-slip mat. EN 12195-1, annex B."),
    )
    lash_deg = forms.FloatField(label=_("Angle to the deck, °"), required=False, min_value=5, max_value=90)
    stf_dan = forms.FloatField(
        label=_("Hand tension of a strap, daN"),
        required=False,
        min_value=1,
        max_value=5000,
        help_text=_("STF on its label, not the breaking load."),
    )
    blocked = forms.BooleanField(label=_("Blocked in front"), required=False)
    may_tip = forms.BooleanField(label=_("Liable to tip"), required=False)
    licence = forms.ChoiceField(
        label=_("Licence"),
        required=False,
        choices=[
            ("", _("not asked")),
            (_("Europe"), EU_LICENCES),
            (_("United States"), US_LICENCES),
        ],
    )

    def __init__(self, *args: Any, system: System, **kwargs: Any) -> None:
        super().__init__(*args, system=system, **kwargs)
        types: Any = self.fields["floor_of"]
        types.choices = [("", _("not asked")), *loose_aircraft()]
        for name, base, low, label, hint in (
            ("leg_wll_kg", "kg", 1, _("Rated load of a leg"), ""),
            ("floor", "kg_m2", 1, _("Floor bears"), ""),
            ("fork_kg", "kg", 1, _("Rated load"), ""),
            ("fork_centre_mm", "mm", 1, _("at a load centre of"), ""),
            (
                "fork_axle_kg",
                "kg",
                1,
                _("Front axle with the load"),
                _("For the floor of a container it drives into."),
            ),
            ("blade_width_mm", "mm", 1, _("Blade, width"), ""),
            ("blade_length_mm", "mm", 1, _("Blade, length"), ""),
            ("spread_least_mm", "mm", 0, _("Blades apart, least"), _("Centre to centre.")),
            ("spread_most_mm", "mm", 1, _("Blades apart, most"), ""),
            ("beams_mm", "mm", 1, _("Beams, length along"), _("Lengthways, as they lie under the load.")),
            ("boards_m2", "m2", 0.01, _("Boards, area"), ""),
        ):
            self.fields[name] = QuantityField(
                base=base, system=system, low=low, label=label, help_text=hint, required=False
            )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self._all_or_none(
            ("fork_kg", "fork_centre_mm"), _("A rated load holds at its load centre: type both, or neither.")
        )
        self._clean_floor(data)
        self._all_or_none(FORKS, _("Type all four sizes of the forks, or none."))
        self._all_or_none(STRAPS, _("Type all four numbers of the lashing, or none."))
        if self._said(FORKS) and not self._said(("fork_kg",)) and not self.errors:
            self.add_error("fork_kg", _("Type the rated load of the truck too."))
        least, most = data.get("spread_least_mm"), data.get("spread_most_mm")
        if least is not None and most is not None and least > most:
            self.add_error("spread_most_mm", _("The most is less than the least."))
        for name in ("blocked", "may_tip"):
            if data.get(name) and not self._said(STRAPS):
                self.add_error(name, _("Type the straps too: this alone decides nothing."))
        for name in ("surface", "slope_pct"):
            if (
                data.get(name) not in (None, "")
                and data.get("runway_m") is None
                and "runway_m" not in self.errors
            ):
                self.add_error("runway_m", _("Type the length of the runway too."))
                break
        return data

    def _clean_floor(self, data: Mapping[str, Any]) -> None:
        if (data.get("floor") is None) != (not data.get("floor_of")) and not self.errors:
            lacking = "floor_of" if data.get("floor") is not None else "floor"
            self.add_error(lacking, _("Choose the aircraft and type what its floor bears, or neither."))

    @property
    def floor_type(self) -> str:
        """The aircraft whose floor was typed, of a valid form."""
        return str(self.cleaned_data.get("floor_of") or "")

    def _said(self, names: tuple[str, ...]) -> bool:
        return any(self.cleaned_data.get(name) is not None for name in names)

    def _all_or_none(self, names: tuple[str, ...], sentence: Any) -> None:
        empty = [name for name in names if self.cleaned_data.get(name) is None and name not in self.errors]
        if empty and len(empty) < len(names):
            self.add_error(empty[0], sentence)

    def trip(self, clearances: Clearances, rigging_kg: float) -> Trip:
        """The trip of a valid form with all that was said."""
        trip, data = super().trip(clearances, rigging_kg), self.cleaned_data
        asked = set(trip.asked)
        for topic, said in (
            (Topic.SLING_LEG, data.get("leg_wll_kg") is not None),
            (Topic.SURFACE, bool(data.get("surface"))),
            (Topic.FORKLIFT_AXLE, data.get("fork_axle_kg") is not None),
            (Topic.LASHING, data.get("straps") is not None),
            (Topic.LICENCE, bool(data.get("licence"))),
        ):
            if said:
                asked.add(topic)
        return replace(
            trip,
            asked=frozenset(asked),
            sling_leg_wll_kg=data.get("leg_wll_kg"),
            surface=data.get("surface") or None,
            slope_pct=data.get("slope_pct") or 0.0,
            forklift_axle_kg=data.get("fork_axle_kg"),
            lashing=self._lashing(),
            driver_licence=data.get("licence") or None,
            bearing_length_mm=data.get("beams_mm"),
            bearing_area_m2=data.get("boards_m2"),
            floors_kg_m2=((self.floor_type, data["floor"]),) if data.get("floor") is not None else (),
        )

    def _lashing(self) -> Lashing | None:
        data = self.cleaned_data
        if data.get("straps") is None:
            return None
        return Lashing(
            mu=data["mu"],
            alpha_deg=data["lash_deg"],
            stf_dan=data["stf_dan"],
            n=data["straps"],
            blocked_forward=bool(data.get("blocked")),
            liable_to_tip=bool(data.get("may_tip")),
        )

    def truck(self) -> ForkTruck | None:
        """The fork truck of a valid form; None while none was said."""
        data = self.cleaned_data
        if data.get("fork_kg") is None:
            return None
        return ForkTruck(data["fork_kg"], data["fork_centre_mm"], *(data.get(name) for name in FORKS))

    @property
    def first_fields(self) -> list[Any]:
        """The questions that always show."""
        folded = {name for _key, _title, _hint, names in GROUPS for name in names}
        return [field for field in self.visible_fields() if field.name not in folded]

    @property
    def folded(self) -> Iterator[Folded]:
        for key, title, hint, names in GROUPS:
            there = [self[name] for name in names if name in self.fields]
            said = any(field.errors or field.value() not in (None, "", False) for field in there)
            yield Folded(key, title, hint, there, said)
