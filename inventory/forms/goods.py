"""What an item is to the transport rules: a field for every standing fact of its kind, none of them assumed."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.dangerous_goods.entered import DATED, WORDS_OF
from fleet.domain.dangerous_goods.records import KINDS
from fleet.lib.errors import DomainError
from fleet.lib.numbers import parse_number
from fleet.web.edited import EditedForm
from fleet.web.fields import decimal_mark
from fleet.web.goods_words import fact_words, value_words
from fleet.web.words import spoken
from inventory.forms.stock import OnceForm
from inventory.models import GoodsKind, ItemGoods

NOT_KNOWN = ("", _("not known"))
WHERE_IT_STANDS: dict[str, Any] = {
    "un": _("Section 14 of the safety sheet; 'none' if it says that the thing is not regulated."),
    "pg": _("Section 14 of the safety sheet."),
    "qty": _("In one package, as it travels. Empty: all that is aboard counts as one package."),
    "active_chlorine_pct": _("Section 3 or 9 of the safety sheet."),
    "hg_g_each": _("The maker's data sheet, in g: 10 mg are 0.01."),
    "activation": _("The maker's data sheet."),
    "n4_result": _("The maker's test report (UN Manual of Tests and Criteria, test N.4)."),
    "sds_env_hazard": _("Section 12 and 14 of the safety sheet."),
    "un383": _("The test summary that maker or seller must hand out."),
    "wh": _("On the case; else volts × ampere hours."),
    "li_g": _("Metal cells only: the data sheet."),
}


class NumberField(forms.CharField):
    """A bare number, with a comma or a point."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(max_length=40, required=False, **kwargs)

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            return float(parse_number(text, decimal_mark(text)))
        except DomainError as error:
            raise forms.ValidationError(spoken(error)) from error

    def run_validators(self, value: Any) -> None:
        """The text's length was settled by the box; the value is a number here."""

    def prepare_value(self, value: Any) -> Any:
        return f"{value:.10g}" if isinstance(value, float) else value


class YesNoField(forms.TypedChoiceField):
    """Yes, no, or nobody knows."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            choices=[NOT_KNOWN, ("yes", _("yes")), ("no", _("no"))],
            required=False,
            coerce=lambda text: text == "yes",
            empty_value=None,
            **kwargs,
        )

    def prepare_value(self, value: Any) -> Any:
        return ("yes" if value else "no") if isinstance(value, bool) else value


def facts_asked(kind: str) -> dict[str, forms.Field]:
    """A field for every standing fact of a kind, none of them required: empty means not known. '' and none: no fact."""
    if kind not in KINDS:
        return {}
    asked: dict[str, forms.Field] = {}
    for field in fields(KINDS[kind]):
        name, type_name = field.name, str(field.type).partition(" ")[0]
        if name in DATED.get(kind, frozenset()):
            continue
        told: dict[str, Any] = {"label": headed(fact_words(name)), "help_text": WHERE_IT_STANDS.get(name, "")}
        words = WORDS_OF.get(kind, {}).get(name)
        if type_name == "bool":
            asked[name] = YesNoField(**told)
        elif words:
            choices: list[tuple[str, Any]] = [NOT_KNOWN, *[(word, value_words(word)) for word in words]]
            asked[name] = forms.ChoiceField(choices=choices, required=False, **told)
        elif type_name == "float":
            asked[name] = NumberField(**told)
        else:
            asked[name] = forms.CharField(max_length=20, required=False, **told)
    return asked


def headed(words: str) -> str:
    """With a capital at its head; signs of units and names inside stay as they are."""
    return words[:1].upper() + words[1:]


class ItemGoodsForm(EditedForm, OnceForm):
    """The facts of one kind; `fact` is the one the link was about."""

    kind = forms.ChoiceField(choices=GoodsKind.choices, widget=forms.HiddenInput)

    def __init__(
        self, *args: Any, goods_kind: str, there: ItemGoods | None, fact: str = "", **kwargs: Any
    ) -> None:
        self.facts = facts_asked(goods_kind)
        known = there.attributes if there is not None and there.kind == goods_kind else {}
        kwargs["initial"] = {
            "kind": goods_kind,
            "seen": self.mark(there),
            "removable": there.removable if there is not None else True,
            "source": there.source if there is not None else "",
            **{name: value for name, value in known.items() if name in self.facts},
        }
        super().__init__(*args, **kwargs)
        self.fields.update(self.facts)
        if goods_kind != GoodsKind.NONE:
            self.fields["removable"] = forms.BooleanField(
                label=_("Can be sent apart or bought there"),
                required=False,
                help_text=_("Then the answer says what holds without it."),
            )
        self.fields["source"] = forms.CharField(
            label=_("Where this is written"),
            max_length=200,
            help_text=_("Safety sheet, data sheet or person, with its date."),
        )
        self.fields["source"].wide = True  # type: ignore[attr-defined]
        if fact in self.facts:
            self.fields[fact].widget.attrs["autofocus"] = True

    def said(self, name: str, value: Any) -> str:
        if name == "attributes":
            return (
                ", ".join(f"{fact_words(fact)}: {value_words(each)}" for fact, each in value.items()) or "–"
            )
        return super().said(name, value)

    def values(self) -> dict[str, Any]:
        """The keyword arguments of the service."""
        data = self.cleaned_data
        return {
            "kind": data["kind"],
            "attributes": {name: data[name] for name in self.facts if data[name] not in (None, "")},
            "removable": data.get("removable", True),
            "source": data["source"],
            "seen_version": self.seen_version(),
        }
