"""Parts in and out of a position, as one does it with the part in the other hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import Place, Unit
from fleet.web.days import day_words
from fleet.web.fields import MomentField, QuantityField
from inventory.models import Balance, DesignItem, FittedPart, Lot
from inventory.selectors.parts import used_pieces
from inventory.services.parts import EarlierUse
from readiness.forms.records import RecordForm

ABOARD, STORES, SCRAPPED = "aboard", "stores", "scrapped"
NEW_PIECE = "new"


class PartChoice(forms.ModelChoiceField):
    def label_from_instance(self, part: FittedPart) -> str:
        return f"{part.position}: {part.lot.item.name}, {part.lot.serial or part.lot.code}"


class PartFitForm(RecordForm):
    """The lot says where the piece comes from: aboard the unit, or the stores of its home depot."""

    position = forms.ChoiceField(label=_("Position"))
    stock = forms.ChoiceField(label=_("Part to fit"))
    old_part = forms.ChoiceField(
        label=_("The part that is in there"),
        choices=[(SCRAPPED, _("is thrown away")), (ABOARD, _("stays aboard"))],
        widget=forms.RadioSelect,
        required=False,
        initial=SCRAPPED,
        help_text=_("Only where the position is not empty."),
    )
    piece = forms.ChoiceField(label=_("Which piece is it?"), widget=forms.RadioSelect, required=False)
    happened_at = MomentField(label=_("Fitted at"))
    reason = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(
        self,
        *args: Any,
        unit: Unit,
        bill: Sequence[DesignItem],
        fitted: Sequence[FittedPart],
        stock: Sequence[Balance],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.unit = unit
        self.fitted = {part.position: part for part in fitted}
        self.at_hand = {str(balance.pk): balance for balance in stock}
        self.fields["position"].choices = [  # type: ignore[attr-defined]
            (line.position, self._position_words(line))
            for line in bill
            if line.purpose == DesignItem.Purpose.FITTED
        ]
        self.fields["stock"].choices = [(key, _stock_words(balance)) for key, balance in self.at_hand.items()]  # type: ignore[attr-defined]
        if not self.fitted:
            del self.fields["old_part"]
        self._ask_which_piece()

    def _position_words(self, line: DesignItem) -> str:
        holds = self.fitted.get(line.position)
        words = str(_("empty")) if holds is None else holds.lot.serial or holds.lot.code
        return f"{line.position}: {line.item.name} ({words})"

    def _ask_which_piece(self) -> None:
        """Only once a lot is chosen of which used pieces may lie about: their hours count on."""
        chosen = self.at_hand.get(self.data.get(self.add_prefix("stock"), "")) if self.is_bound else None
        self.pieces = {str(part.pk): part for part in used_pieces(chosen.lot)} if chosen else {}
        if not self.pieces or (chosen and chosen.lot.item.serialised):
            del self.fields["piece"]
            return
        self.fields["piece"].choices = [  # type: ignore[attr-defined]
            (NEW_PIECE, _("a new piece")),
            *((key, _piece_words(part)) for key, part in self.pieces.items()),
        ]

    @property
    def replaced(self) -> FittedPart | None:
        """What sits in the chosen position now."""
        return self.fitted.get(self.cleaned_data["position"])

    def values(self) -> dict[str, Any]:
        """The keyword arguments that fitting and replacing share."""
        balance = self.at_hand[self.cleaned_data["stock"]]
        piece = self.cleaned_data.get("piece", "")
        return {
            "lot": balance.lot,
            "from_place": balance.place,
            "used_part": self.pieces.get(piece),
            "new_piece": piece == NEW_PIECE,
            "happened_at": self.cleaned_data["happened_at"],
            "reason": self.cleaned_data["reason"],
            "token": self.cleaned_data["token"],
        }


def _stock_words(balance: Balance) -> str:
    lot: Lot = balance.lot
    place: Place | None = balance.place
    where = place.name if place else _("aboard")
    good = f", {_('good through')} {day_words(lot.expires_on)}" if lot.expires_on else ""
    return f"{lot.item.name}, {lot.serial or lot.code} ({where}{good})"


def _piece_words(part: FittedPart) -> str:
    return _("the one that was in %(position)s of %(unit)s") % {
        "position": part.position,
        "unit": part.unit.tag,
    }


class PartRemoveForm(RecordForm):
    part = PartChoice(FittedPart.objects.none(), label=_("Part"), empty_label=None)
    then = forms.ChoiceField(
        label=_("Where does it go?"),
        choices=[
            (SCRAPPED, _("thrown away")),
            (ABOARD, _("stays aboard")),
            (STORES, _("back to the stores")),
        ],
        widget=forms.RadioSelect,
    )
    happened_at = MomentField(label=_("Taken out at"))
    reason = forms.CharField(label=_("Why"), max_length=400, required=False)

    def __init__(self, *args: Any, fitted: Sequence[FittedPart], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        keys = [part.pk for part in fitted]
        parts = (
            FittedPart.objects.select_related("lot__item", "unit__home")
            .filter(pk__in=keys)
            .order_by("position")
        )
        self.fields["part"].queryset = parts  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        part: FittedPart = data["part"]
        return {
            "part": part,
            "scrap": data["then"] == SCRAPPED,
            "to_place": part.unit.home if data["then"] == STORES else None,
            "happened_at": data["happened_at"],
            "reason": data["reason"],
            "token": data["token"],
        }


class PartFoundForm(RecordForm):
    """A look found a part in a position that the ledger holds for empty. What it did before may be known or not."""

    position = forms.ChoiceField(label=_("Position"))
    lot = forms.ModelChoiceField(
        Lot.objects.none(),
        label=_("Which part is it?"),
        empty_label=None,
        help_text=_(
            "By its lot or serial number. A lot that is not here is written down under Stores, Receive."
        ),
    )
    earlier_h = QuantityField(
        label=_("Hours it ran before"),
        base="h",
        required=False,
        low=0,
        help_text=_("Empty: nobody knows, and its life is then shown as not known."),
    )
    earlier_m3 = QuantityField(label=_("Water it had before"), base="m3", required=False, low=0)
    happened_at = MomentField(label=_("Found at"))
    reason = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, empty: Sequence[DesignItem], lots: Sequence[Lot], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.items = {line.position: line.item_id for line in empty}
        self.fields["position"].choices = [  # type: ignore[attr-defined]
            (line.position, f"{line.position}: {line.item.name}") for line in empty
        ]
        for name in ("position", "lot"):
            self.fields[name].wide = True  # type: ignore[attr-defined]
        field: Any = self.fields["lot"]
        field.queryset = Lot.objects.select_related("item").filter(pk__in=[lot.pk for lot in lots])
        field.choices = [(lot.pk, f"{lot.item.name}, {lot.serial or lot.code}") for lot in lots]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        position, lot = data.get("position"), data.get("lot")
        if position and lot and self.items.get(position, lot.item_id) != lot.item_id:
            self.add_error("lot", _("That is another item than this position takes. Look at both again."))
        return data

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        hours, volume = data["earlier_h"], data["earlier_m3"]
        earlier = None if hours is None else EarlierUse(hours_h=hours, volume_m3=volume or 0.0)
        kept = ("lot", "position", "happened_at", "reason", "token")
        return {name: data[name] for name in kept} | {"earlier": earlier}
