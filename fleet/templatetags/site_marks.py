"""Tags and filters for numbers and small drawings; every page's numbers pass through here."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.safestring import SafeString

from fleet.lib.quantities import UNITS, System, format_quantity
from fleet.web.drawing import band_of_doubt

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
    site = context.get("site")
    system: System = "us" if site is not None and site.unit_system == "us" else "si"
    return format_quantity(value, unit, system, digits=digits)
