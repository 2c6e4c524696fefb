"""What a rule refused, in the reader's language: the template is translated, then filled with the same data."""

from __future__ import annotations

from django.utils.translation import gettext

from fleet.lib.errors import DomainError


def spoken(error: DomainError) -> str:
    """One sentence for a page; never raises."""
    template = gettext(error.template) if error.template else error.key
    try:
        return template.format_map(error.data)
    except (KeyError, ValueError, IndexError, AttributeError):
        return error.sentence
