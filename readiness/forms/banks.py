"""Blocks in and out of a battery bank."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBlock, Place
from fleet.web.fields import MomentField
from readiness.forms.records import RecordForm


class BlockInForm(RecordForm):
    """A block from a shelf or out of another bank into a position; what was in there goes to a shelf."""

    block = forms.CharField(
        label=_("Serial number of the block"),
        max_length=60,
        help_text=_("From a shelf, or out of another bank: that one is then left without it."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    position = forms.CharField(label=_("Place in the bank"), max_length=30)
    old_to = forms.ModelChoiceField(
        Place.objects.none(),
        label=_("The block that was in there goes to"),
        empty_label=None,
        help_text=_("Only where the place is not empty."),
    )
    like_for_like = forms.BooleanField(
        label=_("Like for like"),
        required=False,
        help_text=_("Same make and capacity: then no evidence of the unit is touched."),
    )
    happened_at = MomentField(label=_("Done at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, depots: Iterable[Place], home: int | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["old_to"].queryset = Place.objects.filter(pk__in=[each.pk for each in depots])  # type: ignore[attr-defined]
        if home is not None:
            self.initial.setdefault("old_to", home)

    def clean_block(self) -> BatteryBlock:
        block = BatteryBlock.objects.filter(serial__iexact=self.cleaned_data["block"].strip()).first()
        if block is None:
            raise forms.ValidationError(
                _("No battery block bears this serial number. New ones are brought in by a sheet of blocks.")
            )
        return block

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        kept = ("block", "position", "old_to", "like_for_like", "note")
        return {name: data[name] for name in kept} | {"at": data["happened_at"]}


class BlockChoice(forms.ModelChoiceField):
    def label_from_instance(self, block: BatteryBlock) -> str:
        return block.serial


class BlockOutForm(RecordForm):
    block = BlockChoice(BatteryBlock.objects.none(), label=_("Block"), empty_label=None)
    place = forms.ModelChoiceField(Place.objects.none(), label=_("Where does it go?"), empty_label=None)
    happened_at = MomentField(label=_("Taken out at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(
        self,
        *args: Any,
        blocks: Sequence[BatteryBlock],
        depots: Iterable[Place],
        home: int | None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["block"].queryset = BatteryBlock.objects.filter(pk__in=[each.pk for each in blocks])  # type: ignore[attr-defined]
        self.fields["place"].queryset = Place.objects.filter(pk__in=[each.pk for each in depots])  # type: ignore[attr-defined]
        if home is not None:
            self.initial.setdefault("place", home)

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "block": data["block"],
            "place": data["place"],
            "note": data["note"],
            "at": data["happened_at"],
        }
