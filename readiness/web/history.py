"""Records of a unit in words, for its history and for the question before one is corrected."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from fleet.lib.quantities import System, format_quantity
from fleet.models import (
    Absence,
    Certificate,
    Correctable,
    DayLog,
    Modification,
    SupplyState,
    Weighing,
    WetState,
)
from fleet.web.days import day_words, moment_words
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck
from readiness.models import BankTest, Charge, Fault, Inspection, Reading
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


def history_lines(
    events: Iterable[Event],
    *,
    zone: str,
    system: System,
    may_correct: bool,
    may_send: bool = False,
    back: str = "",
) -> list[HistoryLine]:
    """`may_correct`: records of upkeep; `may_send`: what whoever sends units out writes down, too. `back`: the
    page of the bank whose history it is, to which a correction returns.
    """
    lines = []
    for event in events:
        row, kind = event.row, KINDS[event.kind]
        superseded = getattr(row, "superseded_by_id", None) is not None
        struck = getattr(row, "struck_at", None) is not None or superseded
        allowed = may_correct or (may_send and event.kind in SENT)
        writer = getattr(row, "recorded_by", None)
        lines.append(
            HistoryLine(
                when_words=moment_words(event.at, zone),
                title=str(kind.title),
                detail=kind.words(row, zone, system),
                who=_("by %(who)s") % {"who": writer} if writer else "",
                struck=struck,
                struck_reason=_("replaced by a corrected record") if superseded else _reason(row),
                links=_links(event.kind, row.pk, back) if kind.model and allowed and not struck else (),
            )
        )
    return lines


def _reason(row: Any) -> str:
    return getattr(row, "struck_reason", "")


def _links(kind: str, pk: int, back: str) -> tuple[Link, ...]:
    """An absence that was another unit's is struck out and written down there: it is more than one record."""
    after = f"?{urlencode({'next': back})}" if back else ""
    strike = Link(_("Strike out"), reverse("readiness:record-strike", args=[kind, pk]) + after)
    if not KINDS[kind].movable:
        return (strike,)
    words = _("Wrong bank") if back else _("Wrong unit")
    return strike, Link(words, reverse("readiness:record-move", args=[kind, pk]) + after)


def record_words(kind: str, row: Any, zone: str) -> str:
    """One record in a sentence, for the question before it is corrected."""
    told = f"{KINDS[kind].title}, {moment_words(Event(kind, row).at, zone)}"
    return f"{told}: {KINDS[kind].words(row, zone, 'si')}"


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
    named = f"{row.get_kind_display()} {row.number}".strip()
    issued = _("issued %(day)s") % {"day": day_words(row.issued_on)}
    ends = _("good through %(day)s") % {"day": day_words(row.expires_on)} if row.expires_on else _("no end")
    return f"{named}, {issued}, {ends}"


def _day_log(row: Any, zone: str, system: System) -> str:
    parts = [_("%(code)s, day %(day)s") % {"code": row.deployment.code, "day": day_words(row.day)}]
    trains = (("A", row.hours_a_h, row.volume_a_m3), ("B", row.hours_b_h, row.volume_b_m3))
    for train, hours, volume in trains:
        figures = [
            format_quantity(value, base, system)
            for value, base in ((hours, "h"), (volume, "m3"))
            if value is not None
        ]
        if figures:
            parts.append(_("train %(train)s %(figures)s") % {"train": train, "figures": " / ".join(figures)})
    if row.note:
        parts.append(row.note)
    return ", ".join(parts)


def _absence(row: Any, zone: str, system: System) -> str:
    parts = [row.get_purpose_display(), _("with %(who)s") % {"who": row.custodian}]
    if row.place:
        parts.append(row.place.name)
    parts.append(
        _("back %(when)s") % {"when": moment_words(row.ended_at, zone)} if row.ended_at else _("not back yet")
    )
    if row.note:
        parts.append(row.note)
    return ", ".join(str(part) for part in parts)


def leg_words(row: Any, zone: str, system: System = "si") -> str:
    way = _("%(number)d, %(conveyance)s: %(origin)s → %(destination)s") % {
        "number": row.sequence,
        "conveyance": row.conveyance,
        "origin": row.origin.name,
        "destination": row.destination.name,
    }
    left = (
        _("left %(when)s") % {"when": moment_words(row.departed_at, zone)}
        if row.departed_at
        else _("not left yet")
    )
    there = (
        _("arrived %(when)s") % {"when": moment_words(row.arrived_at, zone)}
        if row.arrived_at
        else _("not arrived yet")
    )
    return f"{way}, {left}, {there}"


def _kind_only(row: Any, zone: str, system: System) -> str:
    return str(row.get_kind_display())


def _wet_state(row: Any, zone: str, system: System) -> str:
    words = _kind_only(row, zone, system)
    if row.good_until is None:
        return words
    return f"{words}, {_('good through %(day)s') % {'day': day_words(row.good_until)}}"


def _weighing(row: Any, zone: str, system: System) -> str:
    """With what aboard it was weighed decides what is added to it."""
    aboard = {
        _("with its kit"): row.kit_aboard,
        _("without its kit"): row.kit_aboard is False,
        _("with water inside"): row.water_inside,
        _("without water inside"): row.water_inside is False,
    }
    fuel = (
        "" if row.fuel_l is None else _("fuel %(fuel)s") % {"fuel": format_quantity(row.fuel_l, "l", system)}
    )
    words = [word for word, counts in aboard.items() if counts]
    return ", ".join(filter(None, [format_quantity(row.mass_kg, "kg", system), *words, fuel, row.method]))


def _goods_line(row: Any, zone: str, system: System) -> str:
    parts = [row.label, row.get_kind_display()]
    if row.pieces != 1:
        parts.append(_("%(n)s pieces") % {"n": row.pieces})
    if row.mass_kg is not None:
        parts.append(format_quantity(row.mass_kg, "kg", system))
    return ", ".join(str(part) for part in parts)


def _goods_check(row: Any, zone: str, system: System) -> str:
    parts = [f"{row.bank or row.line.label}: {row.get_kind_display()}", row.get_answer_display()]
    if row.fill_pct is not None:
        parts.append(_("filled to %(share)s %%") % {"share": f"{row.fill_pct:g}"})
    if row.fuel_l is not None:
        parts.append(format_quantity(row.fuel_l, "l", system))
    if row.soc_pct is not None:
        parts.append(f"{row.soc_pct:g} %")
    if row.note:
        parts.append(row.note)
    return ", ".join(str(part) for part in parts)


def _goods_list(row: Any, zone: str, system: System) -> str:
    told = ngettext("said to be complete: %(n)d line", "said to be complete: %(n)d lines", len(row.keys))
    return ", ".join(filter(None, [told % {"n": len(row.keys)}, row.note]))


@dataclass(frozen=True)
class RecordKind:
    """What people write down: what it is called, the row (None: it is no record that can be struck out), its words.

    `stays`: it hangs together with other records of its unit, so it is struck out and written down there anew.
    """

    title: Any
    model: type[Correctable | Absence] | None
    words: Callable[[Any, str, System], str]
    stays: bool = False

    @property
    def movable(self) -> bool:
        return self.model is not None and issubclass(self.model, Correctable) and not self.stays


KINDS: dict[str, RecordKind] = {
    "reading": RecordKind(gettext_lazy("Reading"), Reading, _reading),
    "charge": RecordKind(gettext_lazy("Charge"), Charge, _charge),
    "bank-test": RecordKind(gettext_lazy("Bank test"), BankTest, _bank_test),
    "supply-state": RecordKind(gettext_lazy("Supply"), SupplyState, _kind_only),
    "inspection": RecordKind(gettext_lazy("Inspection"), Inspection, _inspection),
    "fault": RecordKind(gettext_lazy("Fault"), Fault, _fault),
    "modification": RecordKind(gettext_lazy("Change to the unit"), Modification, _modification),
    "weighing": RecordKind(gettext_lazy("Weighing"), Weighing, _weighing),
    "wet-state": RecordKind(gettext_lazy("Water side"), WetState, _wet_state),
    "certificate": RecordKind(gettext_lazy("Certificate"), Certificate, _certificate),
    "goods-line": RecordKind(gettext_lazy("Dangerous goods"), GoodsLine, _goods_line, stays=True),
    "goods-check": RecordKind(gettext_lazy("Look at dangerous goods"), GoodsCheck, _goods_check, stays=True),
    "goods-list": RecordKind(gettext_lazy("List of goods"), GoodsListCheck, _goods_list, stays=True),
    "day-log": RecordKind(gettext_lazy("Day on site"), DayLog, _day_log),
    "absence": RecordKind(gettext_lazy("Away"), Absence, _absence),
    "leg": RecordKind(gettext_lazy("Leg"), None, leg_words),
}
# Written down by whoever sends units out, and so put right by them, too.
SENT = frozenset({"day-log", "absence"})
