"""The owner's transport terms in words: their groups, their values, and what a change of them does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from fleet.lib.quantities import System, format_quantity
from fleet.models import TransportTerms
from fleet.services.transport_terms import TERMS, TIMES, stricter

TERM_GROUPS: tuple[tuple[Any, tuple[str, ...]], ...] = (
    (
        gettext_lazy("How long a check counts"),
        ("terminals_days", "condition_days", "fixing_days", "tanks_days", "list_days", "soc_hours"),
    ),
    (gettext_lazy("Room kept free in a container"), ("container_l_mm", "container_w_mm", "container_h_mm")),
    (gettext_lazy("Room kept free in an aircraft with a ramp"), ("ramp_l_mm", "ramp_w_mm", "ramp_h_mm")),
    (gettext_lazy("Room kept free in other aircraft"), ("plane_l_mm", "plane_w_mm", "plane_h_mm")),
    (gettext_lazy("Loads and slings"), ("gap_mm", "rigging_kg")),
)


def term_label(name: str) -> str:
    """What a term is called above its box, with the unit in which it is typed."""
    words = str(TransportTerms._meta.get_field(name).verbose_name)  # type: ignore[union-attr]
    return words[:1].upper() + words[1:]


def term_name(name: str) -> str:
    """What a term is called beside its value, which says the unit itself."""
    return term_label(name).rpartition(",")[0] if name in TIMES else term_label(name)


def term_words(name: str, value: float, system: System) -> str:
    if name.endswith("_days"):
        return ngettext("%(n)d day", "%(n)d days", int(value)) % {"n": int(value)}
    if name.endswith("_hours"):
        return ngettext("%(n)d hour", "%(n)d hours", int(value)) % {"n": int(value)}
    return format_quantity(float(value), name.rpartition("_")[2], system)


def term_changes(old: TransportTerms, new: Mapping[str, Any], system: System) -> list[str]:
    """A sentence for every term that changes: what held, what will hold, and which way that goes."""
    found = []
    for name in TERMS:
        before, after = getattr(old, name), new[name]
        if before == after:
            continue
        effect = (
            _("stricter: answers that rest on it may turn to 'cannot decide' or no")
            if stricter(name, before, after)
            else _("looser: answers that rest on it may turn to yes")
        )
        found.append(
            _("%(term)s: %(old)s → %(new)s (%(effect)s)")
            % {
                "term": term_name(name),
                "old": term_words(name, before, system),
                "new": term_words(name, after, system),
                "effect": effect,
            }
        )
    return found
