"""What people write down about the goods of a unit: a line with its facts, a look with its date, the word on the list."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.web.fields import MomentField, QuantityField
from inventory.forms.goods import NumberField, facts_asked, headed
from inventory.models import GoodsCheck, GoodsKind
from readiness.forms.records import RecordForm

LINE_KINDS = tuple(choice for choice in GoodsKind.choices if choice[0] != GoodsKind.NONE)
NOT_LOOKED = ("", _("not looked at"))


class GoodsLineForm(RecordForm):
    """A line of its own; the facts asked for are those of its kind."""

    kind = forms.ChoiceField(choices=LINE_KINDS, widget=forms.HiddenInput)
    label = forms.CharField(
        label=_("What it is"), max_length=80, help_text=_("So that the next person finds it aboard.")
    )
    pieces = forms.IntegerField(label=_("How many"), min_value=1, initial=1)
    mass_kg = QuantityField(label=_("Mass of all together"), base="kg", required=False)
    happened_at = MomentField(label=_("Aboard since, or seen at"))

    def __init__(self, *args: Any, goods_kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial["kind"] = goods_kind
        self.facts = facts_asked(goods_kind)
        self.fields.update(self.facts)
        self.fields["removable"] = forms.BooleanField(
            label=_("Can be sent apart or bought there"), required=False
        )
        self.fields["source"] = forms.CharField(
            label=_("Where this is written"), max_length=200, required=False
        )

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        kept = ("kind", "label", "pieces", "mass_kg", "happened_at", "removable", "source", "token")
        return {name: data[name] for name in kept} | {
            "attributes": {name: data[name] for name in self.facts if data[name] not in (None, "")}
        }


class GoodsCheckForm(RecordForm):
    """One look at a bank or a line; what is left open was not looked at."""

    about = forms.CharField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, kinds: Collection[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kinds = list(kinds)
        answers = dict(GoodsCheck.Answer.choices)
        for kind in self.kinds:
            if kind == GoodsCheck.Kind.CHARGE:
                continue
            choices = [NOT_LOOKED, *((word, answers[word]) for word in GoodsCheck.ANSWERS_OF[kind])]
            label = headed(str(GoodsCheck.Kind(kind).label))
            self.fields[kind] = forms.ChoiceField(label=label, choices=choices, required=False)
        if GoodsCheck.Kind.TANK in self.kinds:
            self.fields["fill_pct"] = NumberField(label=_("Tank filled to, %"))
            fuel = QuantityField(label=_("Fuel in it"), base="l", required=False, low=0)
            fuel.system = self.system  # type: ignore[assignment]
            fuel.widget.attrs["placeholder"] = fuel.symbol
            self.fields["fuel_l"] = fuel
        if GoodsCheck.Kind.CHARGE in self.kinds:
            self.fields["soc_pct"] = NumberField(
                label=_("Charged to, %"),
                help_text=_(
                    "Of the rated capacity, by its own meter or display; the fullest of several. "
                    "A resting voltage proves none."
                ),
            )
        moment = MomentField(label=_("Looked at"), zone=self.zone)
        if not self.is_bound:
            moment.initial = timezone.now()
        self.fields["happened_at"] = moment
        note = forms.CharField(label=_("Note"), max_length=400, required=False)
        note.wide = True  # type: ignore[attr-defined]
        self.fields["note"] = note

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "answers": {kind: data[kind] for kind in self.kinds if data.get(kind)} | self._charge(),
            "fill_pct": data.get("fill_pct"),
            "fuel_l": data.get("fuel_l"),
            "soc_pct": data.get("soc_pct"),
            "happened_at": data["happened_at"],
            "note": data["note"],
            "token": data["token"],
        }

    def _charge(self) -> dict[str, str]:
        """How full it is is the answer: there is one way to measure that counts."""
        if self.cleaned_data.get("soc_pct") is None:
            return {}
        return {GoodsCheck.Kind.CHARGE.value: GoodsCheck.Answer.MEASURED.value}


class GoodsConfirmForm(RecordForm):
    """The word that the lines shown are all there is. `shown` are their keys, one a line."""

    shown = forms.CharField(widget=forms.HiddenInput, required=False)
    all_there = forms.BooleanField(
        label=_("I looked through the unit: these are all the dangerous goods aboard")
    )
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, keys: Sequence[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["all_there"].wide = True  # type: ignore[attr-defined]
        self.keys = list(keys)
        self.initial["shown"] = "\n".join(self.keys)

    def see_again(self) -> None:
        """After the list changed: the sentence tells how, the tick is to be set anew."""
        data: Any = self.data
        self.data = data = data.copy()
        data["shown"] = "\n".join(self.keys)
        data.pop("all_there", None)

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {
            "keys_shown": [key.strip() for key in data["shown"].split("\n") if key.strip()],
            "note": data["note"],
            "token": data["token"],
        }
