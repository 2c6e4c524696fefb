"""Form fields that read what people type: a quantity with its unit, a moment in the place's own time."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.lib.dates import find_zone, parse_instant
from fleet.lib.errors import DomainError
from fleet.lib.quantities import System, display_unit, format_quantity, parse_quantity
from fleet.models import Unit

from .words import spoken

LISTED_UNITS = 200


class UnitField(forms.ModelChoiceField):
    """A unit by its tag: a list to choose from while that is short, else a box into which the tag is typed or scanned.

    Once the form knows which units may be named it sets ``queryset`` and calls ``list_or_box``.
    """

    def __init__(self, queryset: Any = None, **kwargs: Any) -> None:
        found = Unit.objects.none() if queryset is None else queryset
        super().__init__(found, to_field_name="tag", empty_label=_("choose one"), **kwargs)

    def list_or_box(self) -> None:
        """One query."""
        assert self.queryset is not None
        if self.queryset.order_by()[LISTED_UNITS : LISTED_UNITS + 1].exists():
            self.widget = forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"})
            self.widget.is_required = self.required
            self.help_text = self.help_text or _("Type or scan its tag.")

    def to_python(self, value: Any) -> Any:
        if not isinstance(value, str):
            return super().to_python(value)
        try:
            return super().to_python(value.strip())
        except ValidationError:
            assert self.queryset is not None
            typed = self.queryset.filter(tag__iexact=value.strip()).first()
            if typed is None:
                raise
            return typed


class QuantityField(forms.CharField):
    """A number stored in ``base`` (the suffix of the column), typed in any unit of its kind; bare numbers are in the
    unit this person sees."""

    def __init__(self, *, base: str, system: System = "si", low: float | None = None, **kwargs: Any) -> None:
        self.base, self.system, self.low = base, system, low
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(max_length=40, **kwargs)

    @property
    def symbol(self) -> str:
        return display_unit(self.base, self.system).symbol

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            typed = parse_quantity(
                text,
                self.base,
                decimal_mark=decimal_mark(text),
                default_unit=display_unit(self.base, self.system).key,
            )
        except DomainError as error:
            raise ValidationError(spoken(error)) from error
        if self.low is not None and typed.value < self.low:
            raise ValidationError(
                _("This cannot be less than %(low)s."),
                params={"low": format_quantity(self.low, self.base, self.system)},
            )
        return typed.value

    def validate(self, value: Any) -> None:
        if value is None and self.required:
            raise ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """The text's length was settled in ``to_python``; the value is a number here."""

    def prepare_value(self, value: Any) -> Any:
        return format_quantity(value, self.base, self.system) if isinstance(value, float) else value


def decimal_mark(text: str) -> Any:
    """In a form one number stands alone: a single comma that is not followed by exactly three digits is a decimal mark."""
    head, comma, tail = text.partition(",")
    digits = tail[: len(tail) - len(tail.lstrip("0123456789"))]
    return "," if comma and "." not in text and head.strip() and len(digits) != 3 else "."


class MomentField(forms.CharField):
    """A moment typed or picked in the place's own time; the value is an aware UTC instant. Empty means now."""

    def __init__(self, *, zone: str = "UTC", **kwargs: Any) -> None:
        self.zone = zone
        kwargs.setdefault("label", _("When"))
        kwargs.setdefault("required", False)
        kwargs.setdefault(
            "widget", forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        )
        super().__init__(max_length=40, **kwargs)

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None if self.required else timezone.now()
        try:
            return parse_instant(text, self.zone).instant
        except DomainError as error:
            raise ValidationError(spoken(error)) from error

    def validate(self, value: Any) -> None:
        if value is None and self.required:
            raise ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """The text's length was settled in ``to_python``; the value is an instant here."""

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, dt.datetime) and timezone.is_aware(value):
            return value.astimezone(find_zone(self.zone)).strftime("%Y-%m-%dT%H:%M")
        return value
