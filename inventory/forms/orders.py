"""Forms of orders: what is wanted, the steps on the way, and what came."""

from __future__ import annotations

import json
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from fleet.lib.quantities import System
from fleet.models import Place
from fleet.web.fields import MomentField
from inventory.domain.errors import NeedsConfirmation
from inventory.forms.stock import DAY, OnceForm, as_qty, prefilled, qty_field
from inventory.models import FundingSource, Item, Order, Supplier

LINES_AT_FIRST = 4
MOST_LINES = 60


class AskingForm(OnceForm):
    """Something out of the ordinary is asked about; the tick counts for exactly what was asked."""

    asked = forms.CharField(widget=forms.HiddenInput, required=False)
    sure = forms.BooleanField(label=_("It is right all the same"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._sure = self.fields.pop("sure")
        if self.is_bound and self.data.get("asked"):
            self.fields["sure"] = self._sure

    def confirmed(self) -> tuple[str, ...]:
        if not self.cleaned_data.get("sure"):
            return ()
        try:
            asked = json.loads(self.cleaned_data.get("asked") or "[]")
        except ValueError:
            return ()
        return tuple(str(key) for key in asked) if isinstance(asked, list) else ()

    def ask(self, error: NeedsConfirmation, sentence: str) -> None:
        """Shows what is asked, with a box to tick that it is right."""
        data: Any = self.data
        again = data.copy()
        again["asked"] = json.dumps(list(error.questions))
        again.pop("sure", None)
        self.data = again
        self.fields["sure"] = self._sure
        self.add_error(None, sentence)


class OrderForm(AskingForm):
    """`seen` is the version of the draft that was opened; empty for a new order."""

    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)
    supplier = forms.ModelChoiceField(
        label=_("Supplier"),
        queryset=Supplier.objects.none(),
        to_field_name="code",
        empty_label=_("choose one"),
    )
    place = forms.ModelChoiceField(
        label=_("Delivered to"),
        queryset=Place.objects.none(),
        to_field_name="code",
        empty_label=_("choose one"),
    )
    currency = forms.CharField(
        label=_("Currency"), max_length=3, help_text=_("Three letters: EUR, USD, PHP.")
    )
    note = forms.CharField(label=_("Note to the supplier"), max_length=400, required=False)

    def __init__(self, *args: Any, places: Any, order: Order | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fields: Any = self.fields
        fields["supplier"].queryset = Supplier.objects.filter(
            Q(closed_on=None) | Q(closed_on__gte=timezone.localdate())
        )
        fields["place"].queryset = places
        if order is not None:
            del self.fields["supplier"], self.fields["place"]


class LineForm(forms.Form):
    item = forms.CharField(
        label=_("Item or code"),
        max_length=120,
        widget=forms.TextInput(attrs={"list": "items", "autocomplete": "off"}),
    )
    qty = forms.CharField(
        label=_("Quantity"), max_length=40, widget=forms.TextInput(attrs={"inputmode": "decimal"})
    )
    price = forms.DecimalField(
        label=_("Price per piece or unit"),
        required=False,
        min_value=0,
        max_digits=12,
        decimal_places=4,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )
    promised_on = forms.DateField(label=_("Wanted or promised for"), required=False, widget=DAY)
    funding = forms.ModelChoiceField(
        label=_("Paid from"), queryset=FundingSource.objects.none(), to_field_name="code", required=False
    )

    def __init__(
        self, *args: Any, items: dict[str, Item], system: System, sources: Any, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.items, self.system = items, system
        fields: Any = self.fields
        fields["funding"].choices = [("", "-"), *((source.code, source.name) for source in sources)]
        fields["funding"].queryset = FundingSource.objects.all()

    def clean_item(self) -> Item:
        typed = str(self.cleaned_data["item"]).strip().casefold()
        found = self.items.get(typed)
        if found is None:
            raise ValidationError(_now("No item has this code or name: choose one of the list."))
        return found

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        item = data.get("item")
        if item is not None and "qty" in data:
            try:
                data["qty"] = as_qty(qty_field(item, self.system).clean(data["qty"]))
            except ValidationError as error:
                self.add_error("qty", error)
        return data


def items_by_word(items: Sequence[Item]) -> dict[str, Item]:
    """Items by code and by name, as people type them."""
    known = {item.name.casefold(): item for item in items}
    return known | {item.code.casefold(): item for item in items}


def line_initial(line: Any) -> dict[str, Any]:
    return {
        "item": line.item.code,
        "qty": prefilled(line.qty, line.item),
        "price": f"{line.price.normalize():f}",
        "promised_on": line.promised_on,
        "funding": line.funding.code if line.funding else "",
    }


class StepForm(OnceForm):
    """One step of an order; `seen` is the version this person saw."""

    seen = forms.IntegerField(widget=forms.HiddenInput)


class ReasonStepForm(StepForm):
    reason = forms.CharField(label=_("Reason"), max_length=400)


class SendForm(StepForm):
    sent_on = forms.DateField(label=_("Sent on"), widget=DAY)


class ConfirmForm(StepForm):
    """The supplier's answer: a day for each line."""

    confirmed_on = forms.DateField(label=_("Answered on"), widget=DAY)
    their_ref = forms.CharField(label=_("The supplier's own number"), max_length=60, required=False)

    def __init__(self, *args: Any, lines: Sequence[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = lines
        for line in lines:
            name = f"promised_{line.pk}"
            self.fields[name] = forms.DateField(
                label=_now("%(item)s promised for") % {"item": line.item.name}, widget=DAY
            )
            self.initial.setdefault(name, line.promised_on or line.order.promised_on)

    def promised(self) -> dict[int, Any]:
        return {line.pk: self.cleaned_data[f"promised_{line.pk}"] for line in self.lines}


SERIALS = forms.Textarea(attrs={"rows": 3, "autocomplete": "off", "spellcheck": "false"})


class OrderReceiveForm(AskingForm):
    """One lot of what came against a line, as it stands on the packages."""

    code = forms.CharField(label=_("Lot number"), max_length=60, required=False)
    made_on = forms.DateField(label=_("Made on"), required=False, widget=DAY)
    expires_on = forms.DateField(
        label=_("Good through"), required=False, widget=DAY, help_text=_("Of a month: its last day.")
    )
    no_expiry = forms.BooleanField(label=_("It has no expiry date"), required=False)
    serials = forms.CharField(
        label=_("Serials, good"), required=False, widget=SERIALS, help_text=_("One a line, typed or scanned.")
    )
    damaged_serials = forms.CharField(
        label=_("Serials, damaged"), required=False, widget=SERIALS, help_text=_("They go into quarantine.")
    )
    happened_at = MomentField(label=_("When"), help_text=_("In the time of that depot. Empty means now."))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, line: Any, system: System, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.line, item = line, line.item
        self.fields["happened_at"].zone = line.order.place.time_zone  # type: ignore[attr-defined]
        self.initial.setdefault("happened_at", timezone.now())
        if item.serialised:
            self.fields["code"].help_text = _("If there is one beside the serials.")
        else:
            del self.fields["serials"], self.fields["damaged_serials"]
            self.fields["qty"] = qty_field(
                item, system, least=0, label=_("Came in good state"), required=False
            )
            self.fields["damaged_qty"] = qty_field(
                item,
                system,
                least=0,
                label=_("Came damaged"),
                required=False,
                help_text=_("Goes into quarantine, and stays owed."),
            )
            if line.open_qty:
                self.initial.setdefault("qty", prefilled(line.open_qty, item))
        self.order_fields(
            ["token", "asked", "code", "made_on", "expires_on", "no_expiry", "qty", "damaged_qty", "serials",
             "damaged_serials", "happened_at", "note", "sure"]
        )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        unsaid = not data.get("expires_on") and not data.get("no_expiry")
        if self.line.item.dated and unsaid and "expires_on" not in self.errors:
            self.add_error(
                "expires_on", _now("Write until when the lot is good, or tick that it has no expiry date.")
            )
        return data

    def delivery(self) -> dict[str, Any]:
        data = self.cleaned_data
        found = {name: data[name] for name in ("code", "made_on", "expires_on", "no_expiry", "note")}
        for name in ("qty", "damaged_qty"):
            found[name] = as_qty(data[name]) if data.get(name) else Decimal(0)
        for name in ("serials", "damaged_serials"):
            found[name] = tuple(filter(None, (row.strip() for row in (data.get(name) or "").splitlines())))
        return found
