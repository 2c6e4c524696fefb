"""Forms of the stores: each writes one movement or changes one lot, and asks before it does."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from decimal import ROUND_CEILING, Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.lib.quantities import System, unit
from fleet.models import Place, Unit
from fleet.web.fields import MomentField, QuantityField, UnitField
from inventory.models import Item, Lot
from inventory.selectors.spots import qty_text, spot_value

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
Spot = tuple[Place | Unit, Decimal]


class OnceForm(forms.Form):
    """Carries the token that makes a double tap one record."""

    token = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.is_bound:
            self.initial.setdefault("token", uuid.uuid4())


def qty_field(item: Item | None, system: System, *, least: int = 1, **kwargs: Any) -> forms.Field:
    """Whole pieces, or an amount in the unit the item is counted in, typed in any unit of its kind."""
    if item is not None and not item.whole:
        return QuantityField(base=item.base_unit, system=system, low=0.0, **kwargs)
    return forms.IntegerField(
        min_value=least,
        max_value=999_999_999,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        **kwargs,
    )


def as_qty(value: Any) -> Decimal:
    """A typed number as the ledger keeps it."""
    return Decimal(value) if isinstance(value, int) else Decimal(str(round(float(value), 3)))


def prefilled(qty: Decimal, item: Item) -> int | str:
    """What stands in `qty_field` beforehand, so that sent as it is it means exactly `qty`, whatever units are shown.

    Whole pieces (what is missing of a piece is a piece), else all three decimals of the ledger in the item's base unit:
    rounded to the digits of a page, 'all of it' would leave some behind or ask for more than there is.
    """
    if item.whole:
        return int(qty.to_integral_value(rounding=ROUND_CEILING))
    exact = qty.quantize(Decimal("0.001")).normalize()
    return f"{exact:f} {unit(item.base_unit).symbol}"


class SpotForm(OnceForm):
    """Something done with a lot in one of the spots where it lies (`spots`: place or unit, and how much)."""

    at = forms.ChoiceField(label=_("Where"))
    happened_at = MomentField(label=_("When"), help_text=_("In the time of that depot. Empty means now."))
    reason = forms.CharField(label=_("Note"), max_length=400, required=False)

    asks_qty = True
    least = 1
    qty_label: Any = _("Quantity")
    reason_needed = False

    def __init__(
        self, *args: Any, lot: Lot, spots: Sequence[Spot], system: System = "si", **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.lot = lot
        self.spots = {spot_value(where): where for where, _qty in spots}
        choices = [
            (spot_value(where), f"{where} ({qty_text(qty, lot.item, system)})") for where, qty in spots
        ]
        self.fields["at"].choices = choices  # type: ignore[attr-defined]
        if self.asks_qty:
            self.fields["qty"] = qty_field(lot.item, system, least=self.least, label=self.qty_label)
            if lot.item.serialised and self.least == 1:
                self.initial.setdefault("qty", 1)
        self.fields["happened_at"].zone = self._zone()  # type: ignore[attr-defined]
        self.initial.setdefault("happened_at", timezone.now())
        if self.reason_needed:
            self.fields["reason"].required = True
            self.fields["reason"].label = _("Reason")
        order = ["token", "at", "to", "unit", "qty", "happened_at", "reason"]
        self.order_fields([name for name in order if name in self.fields])

    def _zone(self) -> str:
        named = self.data.get("at") if self.is_bound else self.initial.get("at")
        where = self.spots.get(str(named)) or next(iter(self.spots.values()), None)
        if where is None:
            return "UTC"
        return where.time_zone if isinstance(where, Place) else where.home.time_zone

    @property
    def where(self) -> Place | Unit:
        return self.spots[self.cleaned_data["at"]]

    def values(self) -> dict[str, Any]:
        """The keyword arguments that all services of the ledger share."""
        data = self.cleaned_data
        values = {
            "lot": self.lot,
            "happened_at": data["happened_at"],
            "reason": data["reason"],
            "token": data["token"],
        }
        if "qty" in data:
            values["qty"] = as_qty(data["qty"])
        return values

    def side(self) -> dict[str, Any]:
        where = self.where
        return {"place": where} if isinstance(where, Place) else {"unit": where}


class ReceiveMoreForm(SpotForm):
    """More of a lot that is on file."""


class IssueForm(SpotForm):
    unit = UnitField(label=_("For unit"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["unit"]
        field.queryset = Unit.objects.in_service().select_related("home").order_by("tag")
        field.list_or_box()


class ReturnForm(SpotForm):
    to = forms.ModelChoiceField(label=_("Back to"), queryset=Place.objects.none(), to_field_name="code")

    def __init__(self, *args: Any, places: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = places  # type: ignore[attr-defined]


class TransferForm(ReturnForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].label = _("To")


class UseForm(SpotForm):
    qty_label = _("Used")


class ScrapForm(SpotForm):
    reason_needed = True
    qty_label = _("Thrown away")


class CountForm(SpotForm):
    least = 0
    qty_label = _("Found")

    def values(self) -> dict[str, Any]:
        values = super().values()
        values["counted_qty"] = values.pop("qty")
        return values


class ReceiveForm(OnceForm):
    """A delivery: the lot as it stands on the package, made known if it is new."""

    item = forms.ModelChoiceField(
        label=_("Item"), queryset=Item.objects.order_by("name"), to_field_name="code"
    )
    code = forms.CharField(label=_("Lot number"), max_length=60, required=False)
    serial = forms.CharField(
        label=_("Serial number"), max_length=60, required=False, help_text=_("Only for pieces that have one.")
    )
    expires_on = forms.DateField(
        label=_("Good through"), required=False, widget=DAY, help_text=_("Of a month: its last day.")
    )
    no_expiry = forms.BooleanField(label=_("It has no expiry date"), required=False)
    made_on = forms.DateField(label=_("Made on"), required=False, widget=DAY)
    qty = forms.CharField(
        label=_("Quantity"), max_length=40, widget=forms.TextInput(attrs={"inputmode": "decimal"})
    )
    place = forms.ModelChoiceField(label=_("Into"), queryset=Place.objects.none(), to_field_name="code")
    happened_at = MomentField(label=_("When"), help_text=_("In the time of that depot. Empty means now."))
    reason = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, places: Any, system: System = "si", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.system = system
        self.fields["place"].queryset = places  # type: ignore[attr-defined]
        named = self.data.get("place") if self.is_bound else self.initial.get("place")
        depot = next((place for place in places if place.code == named), None) or next(iter(places), None)
        self.fields["happened_at"].zone = depot.time_zone if depot else "UTC"  # type: ignore[attr-defined]
        self.initial.setdefault("happened_at", timezone.now())
        if depot is not None:
            self.initial.setdefault("place", depot.code)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        item = data.get("item")
        if item is not None and "qty" in data:
            try:
                data["qty"] = as_qty(qty_field(item, self.system).clean(data["qty"]))
            except ValidationError as error:
                self.add_error("qty", error)
        if item is not None and item.dated and not data.get("expires_on") and not data.get("no_expiry"):
            self.add_error(
                "expires_on",
                _("Write until when the lot is good, or tick that it has no expiry date."),
            )
        return data

    def lot_fields(self) -> dict[str, Any]:
        names = ("item", "code", "serial", "expires_on", "no_expiry", "made_on")
        return {name: self.cleaned_data[name] for name in names}


class ReasonForm(OnceForm):
    reason = forms.CharField(label=_("Reason"), max_length=400)


class LotForm(forms.Form):
    """The dates and marks of a lot; `version` shows whether someone else saved in between."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    expires_on = forms.DateField(label=_("Good through"), required=False, widget=DAY)
    no_expiry = forms.BooleanField(label=_("It has no expiry date"), required=False)
    made_on = forms.DateField(label=_("Made on"), required=False, widget=DAY)
    serial = forms.CharField(label=_("Serial number"), max_length=60, required=False)
    note = forms.CharField(label=_("Remark"), max_length=400, required=False)
    why = forms.CharField(
        label=_("Reason of the change"),
        max_length=400,
        help_text=_("For instance: date read wrongly."),
    )

    def changes(self) -> dict[str, Any]:
        names = ("expires_on", "no_expiry", "made_on", "serial", "note")
        return {name: self.cleaned_data[name] for name in names}
