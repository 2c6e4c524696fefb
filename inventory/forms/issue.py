"""The two steps of putting an item aboard a unit: which item, then how much of which lots."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.lib.quantities import System
from fleet.web.days import day_words
from fleet.web.fields import MomentField
from inventory.forms.stock import OnceForm, as_qty, qty_field
from inventory.models import Balance, Item, Lot
from inventory.selectors.spots import qty_text


class ItemChoiceForm(forms.Form):
    item = forms.ModelChoiceField(
        label=_("Item"), queryset=Item.objects.none(), to_field_name="code", empty_label=_("choose one")
    )

    def __init__(self, *args: Any, items: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["item"].queryset = items  # type: ignore[attr-defined]


class UnitIssueForm(OnceForm):
    """`stock`: what the depot holds and may issue, the first to expire first; no lot chosen takes them in turn.

    `by_name`: nobody stated how long a mission takes, so that a lot must be chosen.
    """

    lot = forms.ChoiceField(label=_("From which lot"), required=False)
    happened_at = MomentField(label=_("When"), help_text=_("In the time of that depot. Empty means now."))
    reason = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(
        self,
        *args: Any,
        item: Item,
        stock: Sequence[Balance],
        system: System = "si",
        zone: str = "UTC",
        by_name: bool = False,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.lots = {str(row.lot_id): row.lot for row in stock}
        self.fields["qty"] = qty_field(item, system, label=_("Quantity"))
        fields: Any = self.fields
        fields["lot"].choices = [
            ("", _("choose one") if by_name else _("whichever expires first and lasts the mission")),
            *((str(row.lot_id), _words_of(row, system)) for row in stock),
        ]
        fields["lot"].required = by_name
        fields["lot"].error_messages["required"] = _(
            "The standard mission of this depot is not stated: choose a lot by name."
        )
        fields["happened_at"].zone = zone
        self.initial.setdefault("happened_at", timezone.now())
        self.order_fields(["token", "qty", "lot", "happened_at", "reason"])

    @property
    def chosen(self) -> Lot | None:
        return self.lots.get(self.cleaned_data.get("lot", ""))

    def amount(self) -> Decimal:
        return as_qty(self.cleaned_data["qty"])


def _words_of(row: Balance, system: System) -> str:
    there = qty_text(row.qty, row.lot.item, system)
    good = f", {_('good through')} {day_words(row.lot.expires_on)}" if row.lot.expires_on else ""
    return f"{row.lot.serial or row.lot.code} ({there}{good})"
