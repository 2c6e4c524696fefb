"""Records of a unit in words, for its history and for the question before one is corrected."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.lib.quantities import System, format_quantity
from fleet.web.days import moment_words
from readiness.models import Reading
from readiness.selectors.pages_unit import Event


@dataclass(frozen=True)
class Link:
    label: str
    url: str


@dataclass(frozen=True)
class HistoryLine:
    """One line of ``components/timeline.html``."""

    when_words: str
    title: str
    detail: str
    who: str
    struck: bool = False
    struck_reason: str = ""
    links: tuple[Link, ...] = field(default_factory=tuple)


TITLES = {
    "reading": gettext_lazy("Reading"),
    "charge": gettext_lazy("Charge"),
    "bank-test": gettext_lazy("Bank test"),
    "supply-state": gettext_lazy("Supply"),
    "inspection": gettext_lazy("Inspection"),
    "fault": gettext_lazy("Fault"),
    "modification": gettext_lazy("Change to the unit"),
    "weighing": gettext_lazy("Weighing"),
    "wet-state": gettext_lazy("Water side"),
    "certificate": gettext_lazy("Certificate"),
}


def history_lines(
    events: Iterable[Event], *, zone: str, system: System, may_correct: bool
) -> list[HistoryLine]:
    lines = []
    for event in events:
        row = event.row
        superseded = row.superseded_by_id is not None
        struck = row.struck_at is not None or superseded
        links: tuple[Link, ...] = ()
        if may_correct and not struck:
            links = (
                Link(_("Strike out"), reverse("readiness:record-strike", args=[event.kind, row.pk])),
                Link(_("Wrong unit"), reverse("readiness:record-move", args=[event.kind, row.pk])),
            )
        lines.append(
            HistoryLine(
                when_words=moment_words(event.at, zone),
                title=str(TITLES[event.kind]),
                detail=DETAILS[event.kind](row, zone, system),
                who=_("by %(who)s") % {"who": row.recorded_by} if row.recorded_by else "",
                struck=struck,
                struck_reason=_("replaced by a corrected record") if superseded else row.struck_reason,
                links=links,
            )
        )
    return lines


def record_words(kind: str, row: Any, zone: str) -> str:
    """One record in a sentence, for the question before it is corrected."""
    when = getattr(row, "happened_at", None)
    told = f"{TITLES[kind]}, {moment_words(when, zone)}" if when else str(TITLES[kind])
    return f"{told}: {DETAILS[kind](row, zone, 'si')}"


def _reading(row: Reading, zone: str, system: System) -> str:
    value = {
        Reading.Kind.VOLTAGE: format_quantity(row.volts_v, "v", system),
        Reading.Kind.GRAVITY: f"{row.gravity_sg:.3f}" if row.gravity_sg else "",
        Reading.Kind.METER: format_quantity(row.meter_soc, "soc", system),
    }[Reading.Kind(row.kind)]
    parts = [f"{row.get_kind_display()} {value}"]
    if row.temp_c is not None:
        parts.append(_("at %(temp)s") % {"temp": format_quantity(row.temp_c, "c", system)})
    if row.rest_h is not None:
        parts.append(_("rested %(hours)s") % {"hours": format_quantity(row.rest_h, "h", system)})
    if row.note:
        parts.append(row.note)
    return ", ".join(parts)


def _charge(row: Any, zone: str, system: System) -> str:
    if row.ended_at is None:
        parts = [_("running"), row.get_purpose_display()]
    else:
        parts = [_("until %(end)s") % {"end": moment_words(row.ended_at, zone)}, row.get_end_sign_display()]
        if row.ah_in is not None:
            parts.append(format_quantity(row.ah_in, "ah", system))
    if row.bay:
        parts.append(_("bay %(bay)s") % {"bay": row.bay})
    if row.tripped:
        parts.append(_("the charger tripped"))
    if row.note:
        parts.append(row.note)
    return ", ".join(str(part) for part in parts)


def _bank_test(row: Any, zone: str, system: System) -> str:
    if row.capacity_ah is not None:
        return f"{row.get_kind_display()}: {format_quantity(row.capacity_ah, 'ah', system)}"
    return _("%(kind)s: worst block at %(ratio)s of its baseline") % {
        "kind": row.get_kind_display(),
        "ratio": f"{100 * (row.worst_ratio or 0):.0f} %",
    }


def _inspection(row: Any, zone: str, system: System) -> str:
    return f"{row.type}: {_('passed') if row.passed else _('did not pass')}" + (
        f", {row.note}" if row.note else ""
    )


def _fault(row: Any, zone: str, system: System) -> str:
    parts = [row.description, row.get_severity_display()]
    if row.closed_at:
        parts.append(
            _("mended %(when)s: %(what)s")
            % {"when": moment_words(row.closed_at, zone), "what": row.closing_note}
        )
    return ", ".join(str(part) for part in parts)


def _modification(row: Any, zone: str, system: System) -> str:
    return f"{row.get_kind_display()}: {row.description}"


def _certificate(row: Any, zone: str, system: System) -> str:
    return f"{row.get_kind_display()} {row.number}".strip()


DETAILS: dict[str, Callable[[Any, str, System], str]] = {
    "reading": _reading,
    "charge": _charge,
    "bank-test": _bank_test,
    "supply-state": lambda row, zone, system: str(row.get_kind_display()),
    "inspection": _inspection,
    "fault": _fault,
    "modification": _modification,
    "weighing": lambda row, zone, system: format_quantity(row.mass_kg, "kg", system),
    "wet-state": lambda row, zone, system: str(row.get_kind_display()),
    "certificate": _certificate,
}
