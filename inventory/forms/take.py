"""The two steps of taking from one unit for another."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.lib.quantities import System
from fleet.web.fields import MomentField, UnitField
from inventory.forms.stock import OnceForm, as_qty, qty_field
from inventory.models import FittedPart
from inventory.selectors.parts import used_pieces
from inventory.selectors.spots import qty_text
from inventory.selectors.takes import Takeable

NEW_PIECE = "new"


class GiverForm(forms.Form):
    source = UnitField(label=_("From unit"))

    def __init__(self, *args: Any, givers: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["source"]
        field.queryset = givers
        field.list_or_box()


class TakeForm(OnceForm):
    what = forms.ChoiceField(label=_("What is taken"))
    qty = forms.CharField(
        label=_("Quantity"),
        required=False,
        max_length=40,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
        help_text=_("Only of kit stock. Empty means one piece."),
    )
    position = forms.ChoiceField(label=_("Where it goes"), required=False)
    piece = forms.ChoiceField(label=_("Which piece is it?"), widget=forms.RadioSelect, required=False)
    happened_at = MomentField(label=_("When"), help_text=_("In the time of that depot. Empty means now."))
    reason = forms.CharField(label=_("What for"), max_length=400)

    def __init__(
        self,
        *args: Any,
        things: Sequence[Takeable],
        positions: Sequence[tuple[str, str, bool]],
        system: System = "si",
        zone: str = "UTC",
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.system = system
        self.things = {thing.key: thing for thing in things}
        fields: Any = self.fields
        fields["what"].choices = [(thing.key, words_of(thing, system)) for thing in things]
        fields["position"].choices = [
            ("", _("aboard, not fitted (a bank: its main position)")),
            *(
                (name, f"{name}: {item}" + (f" ({_('holds a part')})" if held else ""))
                for name, item, held in positions
            ),
        ]
        fields["happened_at"].zone = zone
        self.initial.setdefault("happened_at", timezone.now())
        self.pieces = self._pieces()
        if self.pieces:
            fields["piece"].choices = [
                (NEW_PIECE, _("a new piece")),
                *(
                    (
                        key,
                        _("the one that was in %(position)s of %(unit)s")
                        % {"position": part.position, "unit": part.unit},
                    )
                    for key, part in self.pieces.items()
                ),
            ]
        else:
            del self.fields["piece"]

    def _pieces(self) -> dict[str, FittedPart]:
        """Used pieces that may lie among what was chosen, asked for only when it is to be fitted."""
        chosen = self.things.get(self.data.get("what", "")) if self.is_bound else None
        if chosen is None or chosen.balance is None or not self.data.get("position"):
            return {}
        lot = chosen.balance.lot
        return {} if lot.item.serialised else {str(part.pk): part for part in used_pieces(lot)}

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        thing = self.things.get(data.get("what", ""))
        if thing is not None and thing.balance is not None and data.get("qty"):
            try:
                data["qty"] = as_qty(qty_field(thing.balance.lot.item, self.system).clean(data["qty"]))
            except ValidationError as error:
                self.add_error("qty", error)
            else:
                if data.get("position") and data["qty"] != 1:
                    self.add_error("qty", _("One piece goes into a position: leave this empty."))
        if thing is not None and thing.bank is not None and data.get("position"):
            self.add_error("position", _("A bank goes into the main bank position: choose the first line."))
        return data

    @property
    def thing(self) -> Takeable:
        return self.things[self.cleaned_data["what"]]

    def amount(self) -> Decimal:
        return self.cleaned_data.get("qty") or Decimal(1)

    @property
    def used_part(self) -> FittedPart | None:
        return self.pieces.get(self.cleaned_data.get("piece", ""))

    @property
    def new_piece(self) -> bool:
        return self.cleaned_data.get("piece") == NEW_PIECE


def words_of(thing: Takeable, system: System) -> str:
    if thing.part is not None:
        lot = thing.part.lot
        return f"{thing.position}: {lot.item.name}, {lot.serial or lot.code}"
    if thing.balance is not None:
        lot = thing.balance.lot
        there = qty_text(thing.balance.qty, lot.item, system)
        return f"{_('kit')}: {lot.item.name}, {lot.serial or lot.code} ({there})"
    return f"{_('battery bank')}: {thing.bank} ({thing.position})"
