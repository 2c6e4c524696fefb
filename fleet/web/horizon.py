"""The horizon: units down the side, days across, one quiet strip each.

A strip shows until which day a unit stays ready and what its state is after that; marks above it show when charge,
parts, certificates and inspections run out. State is told by the form of the strip, the kind of a mark by its shape,
both again in words; colour only helps. Positions are percentages, so it fits a phone and prints as it is.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from django.utils import formats
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from .drawing import percent

STRIP_HEIGHT_PX = 34
BAR_TOP_PX = 22
BAR_HEIGHT_PX = 8
CROWD_HEIGHT_PX = 44


class State(StrEnum):
    """The four verdict words, as the horizon draws them."""

    READY = "ready"
    AFTER_WORK = "after_work"
    BLOCKED = "blocked"
    CANNOT_DECIDE = "cannot_decide"


class MarkKind(StrEnum):
    CHARGE = "charge"
    PART = "part"
    KIT = "kit"
    CERTIFICATE = "certificate"
    INSPECTION = "inspection"


@dataclass(frozen=True)
class Mark:
    """One thing that runs out. ``day`` is the last day it is good for, or due; a line runs from it to ``latest``."""

    kind: MarkKind
    day: dt.date
    words: str
    latest: dt.date | None = None


@dataclass(frozen=True)
class Stretch:
    """Days through ``last`` in one state, from the day after the stretch before it."""

    last: dt.date
    state: State


@dataclass(frozen=True)
class HorizonUnit:
    """One unit. ``stretches`` are in day order; days after the last of them repeat its state."""

    tag: str
    name: str
    url: str
    state: State
    stretches: Sequence[Stretch]
    marks: Sequence[Mark]
    words: str
    group: str = ""


@dataclass(frozen=True)
class HorizonRow:
    unit: HorizonUnit
    svg: SafeString


@dataclass(frozen=True)
class HorizonDay:
    """What the cursor says of one day: how many are ready, and what runs out on it."""

    at: str
    day: str
    ready: str
    events: str


@dataclass(frozen=True)
class LegendLine:
    svg: SafeString
    words: str


@dataclass(frozen=True)
class Horizon:
    defs: SafeString
    axis: SafeString
    crowd: SafeString
    crowd_words: str
    rows: tuple[HorizonRow, ...]
    days: tuple[HorizonDay, ...]
    legend: tuple[LegendLine, ...]


@dataclass(frozen=True)
class _Scale:
    first: dt.date
    days: int

    def start(self, day: dt.date) -> str:
        return percent((day - self.first).days, self.days)

    def middle(self, day: dt.date) -> str:
        return percent((day - self.first).days + 0.5, self.days)

    def holds(self, day: dt.date) -> bool:
        return 0 <= (day - self.first).days < self.days

    @property
    def all_days(self) -> list[dt.date]:
        return [self.first + dt.timedelta(days=n) for n in range(self.days)]


def horizon(units: Sequence[HorizonUnit], *, first_day: dt.date, days: int) -> Horizon:
    """Draws the fleet from ``first_day`` over ``days`` days (at least 1)."""
    scale = _Scale(first_day, days)
    ready_counts = [sum(state_on(unit, day) is State.READY for unit in units) for day in scale.all_days]
    return Horizon(
        defs=_defs(),
        axis=_axis(scale),
        crowd=_crowd(ready_counts, len(units)),
        crowd_words=_crowd_words(ready_counts, len(units)),
        rows=tuple(HorizonRow(unit, _strip(scale, unit)) for unit in units),
        days=_days(scale, units, ready_counts),
        legend=_legend(),
    )


def state_on(unit: HorizonUnit, day: dt.date) -> State:
    """The state of a unit on a day, as far as its stretches tell; without any it is the state of today."""
    for stretch in unit.stretches:
        if day <= stretch.last:
            return stretch.state
    return unit.stretches[-1].state if unit.stretches else unit.state


# --- Strips ------------------------------------------------------------------------------------------------


def _defs() -> SafeString:
    """Hatchings that every strip of the page refers to."""
    return mark_safe(
        '<svg class="horizon__defs" aria-hidden="true"><defs>'
        '<pattern id="hatch-after" patternUnits="userSpaceOnUse" width="6" height="6">'
        '<path class="hatch--after_work" d="M-1.5 7.5 7.5-1.5M-1.5 1.5 1.5-1.5M4.5 7.5 7.5 4.5"/></pattern>'
        '<pattern id="hatch-blocked" patternUnits="userSpaceOnUse" width="5" height="8">'
        '<path class="hatch--blocked" d="M2.5 0V40"/></pattern></defs></svg>'
    )


def _bar(x: str, width: str, state: State) -> SafeString:
    top, height = BAR_TOP_PX, BAR_HEIGHT_PX
    fills = {State.AFTER_WORK: "url(#hatch-after)", State.BLOCKED: "url(#hatch-blocked)"}
    fill = format_html(' fill="{}"', fills[state]) if state in fills else ""
    if state is not State.READY:
        top, height = BAR_TOP_PX + 1, BAR_HEIGHT_PX - 2
    return format_html(
        '<rect class="strip strip--{}" x="{}" y="{}" width="{}" height="{}"{}/>',
        state,
        x,
        top,
        width,
        height,
        fill,
    )


def _strip(scale: _Scale, unit: HorizonUnit) -> SafeString:
    pieces = [
        format_html('<line class="weekline" x1="{x}" x2="{x}" y1="0" y2="100%"/>', x=scale.start(day))
        for day in scale.all_days
        if day.day == 1 and day != scale.first
    ]
    begin = scale.first
    end = scale.first + dt.timedelta(days=scale.days - 1)
    for stretch in [*unit.stretches, Stretch(end, state_on(unit, end))]:
        last = min(stretch.last, end)
        if last < begin:
            continue
        length = (last - begin).days + 1
        pieces.append(_bar(scale.start(begin), percent(length, scale.days), stretch.state))
        begin = last + dt.timedelta(days=1)
    pieces += _marks(scale, unit.marks)
    return format_html(
        '<svg height="{}" role="img"><title>{}</title>{}</svg>',
        STRIP_HEIGHT_PX,
        f"{unit.tag}: {unit.words}",
        format_html_join("", "{}", ((piece,) for piece in pieces)),
    )


def _marks(scale: _Scale, marks: Sequence[Mark]) -> list[SafeString]:
    """Marks in day order; one that would sit upon its neighbour is lifted to the upper lane."""
    pieces: list[SafeString] = []
    last_place, lifted = -100.0, False
    for mark in sorted(marks, key=lambda m: (m.day, m.kind)):
        past = mark.day < scale.first
        day = scale.first if past else mark.day
        if not scale.holds(day):
            continue
        place = 100 * ((day - scale.first).days + 0.5) / scale.days
        lifted = not lifted and place - last_place < 2.4
        last_place = place
        y = 6 if lifted else 15
        if mark.latest and mark.latest > day:
            until = min(mark.latest, scale.first + dt.timedelta(days=scale.days - 1))
            pieces.append(
                format_html(
                    '<line class="whisker" x1="{}" x2="{}" y1="{y}" y2="{y}"/>',
                    scale.middle(day),
                    scale.middle(until),
                    y=y,
                )
            )
        pieces.append(
            format_html(
                '<svg x="{}" y="{}" overflow="visible"><g>{}<title>{}</title></g></svg>',
                scale.middle(day),
                y,
                shape_of(mark.kind, past=past),
                mark.words,
            )
        )
    return pieces


def shape_of(kind: MarkKind, *, past: bool = False) -> SafeString:
    """The shape of a mark, drawn about its own zero point; one already past is filled."""
    name = "mark mark--past" if past else "mark"
    paths = {
        MarkKind.CHARGE: "M-5-4H5L0 5Z",
        MarkKind.PART: "M-4-4H4V4H-4Z",
        MarkKind.KIT: "M-5 4H5L0-5Z",
        MarkKind.CERTIFICATE: "M0-5.5 5.5 0 0 5.5-5.5 0Z",
        MarkKind.INSPECTION: "M-4.5 0A4.5 4.5 0 1 0 4.5 0 4.5 4.5 0 1 0-4.5 0Z",
    }
    return format_html('<path class="{}" d="{}"/>', name, paths[kind])


# --- Axis, the line of all units, legend, days -------------------------------------------------------------


def _axis(scale: _Scale) -> SafeString:
    weekly = scale.days <= 120
    pieces: list[SafeString] = []
    words = _axis_words(scale)
    named = {x for x, _words in words}
    for day in scale.all_days:
        if day.day == 1:
            pieces.append(
                _tick(scale.start(day), 22 if scale.start(day) in named else 11, "tick tick--month")
            )
        elif day.weekday() == 0 and scale.days <= 400:
            pieces.append(_tick(scale.start(day), 8, "tick"))
        elif weekly:
            pieces.append(_tick(scale.start(day), 3, "tick"))
    pieces += [_axis_word(x, spelled) for x, spelled in words]
    return format_html(
        '<svg height="26" aria-hidden="true">{}</svg>', format_html_join("", "{}", ((p,) for p in pieces))
    )


def _tick(x: str, height: int, name: str) -> SafeString:
    return format_html(
        '<svg x="{}" y="100%" overflow="visible"><line class="{}" x1="0" x2="0" y1="0" y2="-{}"/></svg>',
        x,
        name,
        height,
    )


def _axis_words(scale: _Scale) -> list[tuple[str, str]]:
    """Today at the left edge, then month names; a month too close to an edge or to its neighbour keeps silent."""
    words = [(scale.start(scale.first), formats.date_format(scale.first, "j M"))]
    last_place = 0.0
    for day in scale.all_days[1:]:
        place = (day - scale.first).days / scale.days
        if day.day != 1 or place - last_place < 0.14 or place > 0.92:
            continue
        words.append((scale.start(day), formats.date_format(day, "M Y" if day.month == 1 else "M")))
        last_place = place
    return words


def _axis_word(x: str, words: str) -> SafeString:
    return format_html('<svg x="{}" overflow="visible"><text x="4" y="13">{}</text></svg>', x, words)


def _crowd(ready_counts: Sequence[int], total: int) -> SafeString:
    """How many units are ready on each day, as steps under the full count."""
    pieces = [mark_safe('<line class="crowd-rest" x1="0" x2="100%" y1="1" y2="1"/>')]
    days = len(ready_counts)
    start = 0
    for n in range(1, days + 1):
        if n < days and ready_counts[n] == ready_counts[start]:
            continue
        share = ready_counts[start] / total if total else 0
        pieces.append(
            format_html(
                '<rect class="crowd" x="{}" width="{}" y="{}" height="{}"/>',
                percent(start, days),
                percent(n - start + 0.05, days),
                percent(1 - share, 1),
                percent(share, 1),
            )
        )
        start = n
    return format_html(
        '<svg height="{}" role="img"><title>{}</title>{}</svg>',
        CROWD_HEIGHT_PX,
        _crowd_words(ready_counts, total),
        format_html_join("", "{}", ((p,) for p in pieces)),
    )


def _crowd_words(ready_counts: Sequence[int], total: int) -> str:
    if not total:
        return _("No units.")
    return _("%(now)d of %(total)d ready today, %(then)d on the last day if nothing is done.") % {
        "now": ready_counts[0],
        "then": ready_counts[-1],
        "total": total,
    }


def _legend() -> tuple[LegendLine, ...]:
    bars = [
        (State.READY, _("ready")),
        (State.AFTER_WORK, _("ready after work")),
        (State.BLOCKED, _("blocked")),
        (State.CANNOT_DECIDE, _("cannot decide")),
    ]
    marks = [
        (MarkKind.CHARGE, _("charge due (line: until its low end meets the floor)")),
        (MarkKind.PART, _("fitted part due")),
        (MarkKind.KIT, _("lot aboard expires")),
        (MarkKind.CERTIFICATE, _("certificate lapses")),
        (MarkKind.INSPECTION, _("inspection due")),
    ]
    lines = [
        LegendLine(
            format_html(
                '<svg aria-hidden="true" width="36" height="10"><svg y="-{}" overflow="visible">{}</svg></svg>',
                BAR_TOP_PX - 1,
                _bar("0", "36", state),
            ),
            words,
        )
        for state, words in bars
    ]
    for kind, words in marks:
        drawn = format_html(
            '<svg aria-hidden="true" width="14" height="14"><svg x="7" y="7" overflow="visible">{}</svg></svg>',
            shape_of(kind),
        )
        lines.append(LegendLine(drawn, words))
    return tuple(lines)


def _days(scale: _Scale, units: Sequence[HorizonUnit], ready_counts: Sequence[int]) -> tuple[HorizonDay, ...]:
    events: dict[dt.date, list[str]] = {}
    for unit in units:
        for mark in unit.marks:
            events.setdefault(mark.day, []).append(f"{unit.tag}: {mark.words}")
    return tuple(
        HorizonDay(
            at=scale.middle(day),
            day=formats.date_format(day, "D j M Y"),
            ready=ngettext("%(n)d ready", "%(n)d ready", count) % {"n": count},
            events="; ".join(events.get(day, [])),
        )
        for day, count in zip(scale.all_days, ready_counts, strict=True)
    )
