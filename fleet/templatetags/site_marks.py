"""Tags and filters for numbers and small drawings; every page's numbers pass through here."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from fleet.lib.quantities import UNITS, System, format_quantity
from fleet.web.drawing import band_of_doubt
from fleet.web.limits import need_words, spare_words

register = template.Library()


@register.simple_tag
def band_gauge(low: float, high: float, mid: float | None = None, floor: float | None = None) -> SafeString:
    """The gauge of ``components/band.html``."""
    return band_of_doubt(low, high, mid=mid, floor=floor)


@register.filter
def share(value: float | None) -> str:
    """0.724 as ``72``: a share of 1 in whole percent."""
    return "" if value is None else f"{100 * value:.0f}"


@register.filter
def quantity_abs(value: float | None, unit: str) -> str:
    """The size of a number with its unit, a key of the conversion table or a word: ``12 days``, ``3 pieces``."""
    if value is None:
        return ""
    return format_quantity(abs(value), unit) if unit in UNITS else f"{abs(value):g} {unit}"


@register.simple_tag(takes_context=True)
def quantity(context: dict[str, Any], value: float | None, unit: str, digits: int | None = None) -> str:
    """A number with its unit in the system this person chose: ``{% quantity unit.mass_kg 'kg' %}``."""
    return format_quantity(value, unit, _system(context), digits=digits)


def _system(context: dict[str, Any]) -> System:
    site = context.get("site")
    return "us" if site is not None and site.unit_system == "us" else "si"


@register.simple_tag(takes_context=True)
def need(context: dict[str, Any], value: float | None, unit: str) -> str:
    """What must be carried or must pass, never rounded down: ``{% need form.mass_kg 'kg' %}``."""
    return need_words(value, unit, _system(context))


@register.simple_tag(takes_context=True)
def spare(context: dict[str, Any], value: float | None, unit: str) -> SafeString:
    """What is left of a limit, never rounded up: ``{% spare row.margin_kg 'kg' %}``."""
    words = spare_words(value, unit, _system(context))
    if value is None or not words:
        return format_html('<span class="quiet">{}</span>', _("not known"))
    short = " margin-value--short" if value < 0 else ""
    return format_html('<span class="margin-value{}">{}</span>', short, words)
