"""Forms that edit a row which others may edit, too: what was not touched stays exact, and a clash shows both versions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms
from django.db import models
from django.utils.translation import gettext as _

from fleet.lib.quantities import format_quantity
from fleet.models import User
from fleet.services.versions import Conflict
from fleet.web.days import day_words
from fleet.web.fields import QuantityField


@dataclass(frozen=True)
class ShownDifference:
    """A field that both changed, in words."""

    label: str
    theirs: str
    yours: str


@dataclass(frozen=True)
class ShownConflict:
    """What `components/conflict.html` shows."""

    by: User | None
    differences: tuple[ShownDifference, ...]


class EditedForm(forms.Form):
    """`seen` is what the page showed: see `mark`. Give the form `initial` from the row also when it is bound."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False)

    @staticmethod
    def mark(row: Any) -> str:
        """What the page remembers of the row it shows; '' while there is none."""
        return str(row.version) if row is not None else ""

    def seen_version(self) -> int | None:
        text = str(self.cleaned_data.get("seen") or "")
        return int(text) if text.isdecimal() and len(text) < 10 else None

    def exact(self, name: str) -> Any:
        """What was typed; a box left as it was shown means the value it was shown for, not the rounded one."""
        field, shown = self.fields[name], self.initial.get(name)
        typed = self.data.get(self.add_prefix(name))
        if shown is not None and isinstance(field, QuantityField) and typed == field.prepare_value(shown):
            return shown
        return self.cleaned_data[name]

    def said(self, name: str, value: Any) -> str:
        """A value as the form says it."""
        field = self.fields.get(name)
        if value is None or value == "":
            return "–"
        if isinstance(field, QuantityField):
            return format_quantity(value, field.base, field.system)
        if isinstance(value, bool):
            return _("yes") if value else _("no")
        if isinstance(field, forms.ChoiceField):
            return str(dict(field.choices).get(value, value))  # type: ignore[arg-type]
        return day_words(value) if hasattr(value, "isoformat") else str(value)

    def over_theirs(self, clash: Conflict) -> ShownConflict:
        """After a clash: shows both, and the next send is meant to write over theirs."""
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("seen")] = self.mark(clash.theirs)
        return ShownConflict(
            clash.by,
            tuple(
                ShownDifference(
                    self._label(each.field, each.label),
                    self.said(each.field, each.theirs),
                    self.said(each.field, each.yours),
                )
                for each in clash.differences
            ),
        )

    def _label(self, name: str, usual: str) -> str:
        field = self.fields.get(name)
        return str(field.label) if field is not None and field.label else usual.capitalize()


def values_of(row: models.Model | None, names: tuple[str, ...]) -> dict[str, Any]:
    """The initial values of a form from its row; nothing while there is none."""
    return {} if row is None else {name: getattr(row, name) for name in names}
