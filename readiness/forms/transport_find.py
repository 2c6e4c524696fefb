"""Which units can this take? A type of the tables, a hook known only by its limit, or a fork truck known by its plate."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.transport.fork import FORK_TRUCK
from fleet.web.fields import QuantityField
from fleet.web.words import spoken
from readiness.forms.transport import FLOOR_HINT, FloorNotAsked, floor_stated_for
from readiness.forms.transport_questions import SheetForm
from readiness.selectors.transport import clearances_of, terms_on
from readiness.web.transport_find import Found, find_units
from readiness.web.transport_fork import FORK_TITLE

OF_THE_SEARCH = ("conveyance", "hook_kg", "floor")  # the sheet of a unit asks these otherwise, or not at all


class FindForm(SheetForm):
    """The questions of the sheet, put to every unit for one conveyance."""

    conveyance = forms.ChoiceField(label=_("Taken by"), required=False)

    def __init__(self, *args: Any, conveyances: Sequence[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["floor_of"]
        choice: Any = self.fields["conveyance"]
        choice.choices = [
            ("", _("a hook with the limit beside")),
            *conveyances,
            (str(FORK_TITLE), [(FORK_TRUCK, _("the fork truck typed below"))]),
        ]
        self.fields["hook_kg"] = QuantityField(
            base="kg", system=kwargs["system"], low=1, label=_("Hook limit"), required=False
        )
        self.fields["floor"].help_text = FLOOR_HINT
        self.order_fields(["ship_on", "conveyance", "hook_kg", "alt_m", "isa_dev_c"])

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("conveyance") and data.get("hook_kg") is None and "hook_kg" not in self.errors:
            self.add_error("hook_kg", _("Choose what takes the unit, or type the limit of the hook."))
        if (
            data.get("conveyance") == FORK_TRUCK
            and data.get("fork_kg") is None
            and "fork_kg" not in self.errors
        ):
            self.add_error("fork_kg", _("Type the rated load of the truck, and its load centre."))
        return data

    def _clean_floor(self, data: Mapping[str, Any]) -> None:
        if data.get("floor") is None:
            return
        try:
            floor_stated_for(data.get("conveyance", ""))
        except FloorNotAsked as error:
            self.add_error("floor", spoken(error))

    @property
    def floor_type(self) -> str:
        return str(self.cleaned_data["conveyance"])

    def question(self) -> dict[str, Any]:
        """What was asked, as typed, for the sheets of the units that were found."""
        typed = {name: self.data.get(name) for name in self.fields if name not in OF_THE_SEARCH}
        if self.cleaned_data.get("floor") is not None:
            typed |= {"floor_of": self.floor_type, "floor": self.data["floor"]}
        return typed


def find_of_form(units: list[int], form: FindForm, *, now: dt.datetime) -> Found:
    """The answer to a valid form for units by id."""
    data = form.cleaned_data
    terms = terms_on(data["ship_on"])
    return find_units(
        units,
        data["ship_on"],
        form.trip(clearances_of(terms), terms.rigging_kg),
        terms=terms,
        now=now,
        conveyance=data["conveyance"],
        hook_kg=data["hook_kg"],
        truck=form.truck(),
        mission_days=data["days"],
    )
