"""The board drawn on the server: a strip a bay over the hours, and beneath them the load against what the supply allows.

Positions are percentages, so words and strokes keep their size; state is told by form and word, colour only helps. Each bar
is a link to its line in the list, so the board is walked by the tab key as well.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils import formats
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from fleet.lib.dates import find_zone
from fleet.web.drawing import percent
from readiness.web.bay_board import LineView, PlanView

STRIP_PX = 34
LOAD_PX = 64
HOUR = dt.timedelta(hours=1)
# A bar at least this share of the width carries its name.
NAME_SHARE = 0.035
LETTER_SHARE = 0.0075


@dataclass(frozen=True)
class BoardRow:
    bay: str
    words: str
    svg: SafeString


@dataclass(frozen=True)
class BoardDay:
    """What the cursor says of one day."""

    at: str
    day: str
    connect: str
    take_off: str
    load: str


@dataclass(frozen=True)
class Board:
    axis: SafeString
    rows: tuple[BoardRow, ...]
    load: SafeString
    load_words: str
    days: tuple[BoardDay, ...]
    first: str
    last: str


@dataclass(frozen=True)
class _Span:
    begin: dt.datetime
    end: dt.datetime
    zone: dt.tzinfo

    @property
    def whole(self) -> float:
        return (self.end - self.begin) / HOUR

    def share(self, at: dt.datetime) -> float:
        return min(1.0, max(0.0, (at - self.begin) / HOUR / self.whole))

    def x(self, at: dt.datetime) -> str:
        return percent(self.share(at), 1.0)

    def width(self, begin: dt.datetime, end: dt.datetime) -> str:
        return percent(self.share(end) - self.share(begin), 1.0)

    def shown(self, begin: dt.datetime, end: dt.datetime) -> bool:
        return begin < self.end and end > self.begin

    def midnights(self) -> list[dt.datetime]:
        day = self.begin.astimezone(self.zone).date()
        found: list[dt.datetime] = []
        while True:
            at = dt.datetime.combine(day, dt.time(0), tzinfo=self.zone).astimezone(dt.UTC)
            if at >= self.end:
                return found
            if at > self.begin:
                found.append(at)
            day += dt.timedelta(days=1)


def board(view: PlanView, bays: Sequence[str], *, now: dt.datetime, days: int | None = None) -> Board:
    """`bays`: names in the order of the depot; `days`: from the start of the plan, or from now on, so many."""
    frozen = view.plan.frozen
    begin = dt.datetime.fromisoformat(frozen["starts_at"])
    last = begin + frozen["slots"] * frozen["slot_h"] * HOUR
    zone = find_zone(view.zone)
    if days is not None:
        local = max(begin, min(now, last - HOUR)).astimezone(zone)
        first = dt.datetime.combine(local.date(), dt.time(0), tzinfo=zone).astimezone(dt.UTC)
        span = _Span(max(begin - 12 * HOUR, first), min(last, first + days * 24 * HOUR), zone)
    else:
        span = _Span(begin, last, zone)
    closed = _closed(frozen, span, begin)
    names = list(dict.fromkeys([*bays, *(line.bay for line in view.lines)]))
    return Board(
        axis=_axis(span),
        rows=tuple(
            _row(span, name, [line for line in view.lines if line.bay == name], closed, now) for name in names
        ),
        load=_load(span, frozen, begin, now),
        load_words=_load_words(frozen),
        days=tuple(_days(span, view, frozen, begin)),
        first=formats.date_format(span.begin.astimezone(zone), "D j M, H:i"),
        last=formats.date_format(span.end.astimezone(zone), "D j M, H:i"),
    )


def _closed(frozen: Mapping[str, Any], span: _Span, begin: dt.datetime) -> SafeString:
    """Hours in which nobody is there, as a quiet ground."""
    pieces = []
    slot = frozen["slot_h"] * HOUR
    present = frozen["problem"]["open"]
    start = None
    for number, there in enumerate([*present, 1]):
        if not there and start is None:
            start = number
        elif there and start is not None:
            a, b = begin + start * slot, begin + number * slot
            if span.shown(a, b):
                pieces.append(
                    format_html(
                        '<rect class="bays__closed" x="{}" width="{}" y="0" height="100%"/>',
                        span.x(a),
                        span.width(a, b),
                    )
                )
            start = None
    return format_html_join("", "{}", ((piece,) for piece in pieces))


def _day_lines(span: _Span) -> SafeString:
    return format_html_join(
        "",
        '<line class="bays__day" x1="{}" x2="{}" y1="0" y2="100%"/>',
        ((span.x(at), span.x(at)) for at in span.midnights()),
    )


def _now_line(span: _Span, now: dt.datetime) -> SafeString:
    if not span.begin <= now <= span.end:
        return mark_safe("")
    return format_html('<line class="bays__now" x1="{x}" x2="{x}" y1="0" y2="100%"/>', x=span.x(now))


def _row(span: _Span, bay: str, lines: Sequence[LineView], closed: SafeString, now: dt.datetime) -> BoardRow:
    shown = [line for line in lines if span.shown(line.starts_at, line.off_at)]
    words = _("%(n)d charges") % {"n": len(shown)} if len(shown) != 1 else _("1 charge")
    return BoardRow(
        bay,
        words,
        format_html(
            '<svg height="{}" class="bays__svg" aria-label="{}" role="group">{}{}{}{}</svg>',
            STRIP_PX,
            _("Bay %(bay)s: %(words)s") % {"bay": bay, "words": words},
            closed,
            _day_lines(span),
            format_html_join("", "{}", ((_bar(span, line),) for line in shown)),
            _now_line(span, now),
        ),
    )


def _bar(span: _Span, line: LineView) -> SafeString:
    wide = span.share(line.ends_at) - span.share(line.starts_at)
    name = line.unit or line.bank
    named = wide >= NAME_SHARE and wide >= LETTER_SHARE * len(name)
    waits = (
        format_html(
            '<rect class="bays__waits" x="{}" width="{}" y="13" height="8"/>',
            span.x(line.ends_at),
            span.width(line.ends_at, line.off_at),
        )
        if line.off_at > line.ends_at
        else ""
    )
    return format_html(
        '<a href="#line-{pk}" class="bays__link" aria-label="{title}"><title>{title}</title>{waits}'
        '<rect class="bays__bar bays__bar--{state}" x="{x}" width="{width}" y="5" height="24"/>{name}</a>',
        pk=line.pk,
        title=_("%(bank)s %(unit)s, %(state)s: %(starts)s to %(ends)s")
        % {
            "bank": line.bank,
            "unit": line.unit,
            "state": line.state_words,
            "starts": line.starts,
            "ends": line.ends,
        },
        waits=waits,
        state=line.state,
        x=span.x(line.starts_at),
        width=span.width(line.starts_at, line.ends_at),
        name=format_html(
            '<svg x="{}" overflow="visible"><text class="bays__name bays__name--{}" x="4" y="21">{}</text></svg>',
            span.x(line.starts_at),
            line.state,
            name,
        )
        if named
        else "",
    )


def _axis(span: _Span) -> SafeString:
    marks = span.midnights()
    step = max(1, len(marks) // 10)
    first = formats.date_format(span.begin.astimezone(span.zone), "D j M")
    words = [("0%", first)] + [
        (span.x(at), formats.date_format(at.astimezone(span.zone), "D j M"))
        for number, at in enumerate(marks)
        if number % step == 0 and 0.08 < span.share(at) < 0.95
    ]
    return format_html(
        '<svg height="24" class="bays__svg" aria-hidden="true">{}{}</svg>',
        _day_lines(span),
        format_html_join("", '<svg x="{}" overflow="visible"><text x="3" y="15">{}</text></svg>', words),
    )


def load_of(frozen: Mapping[str, Any]) -> list[float]:
    """What is drawn in each slot, base load included [kW]."""
    problem = frozen["problem"]
    load = list(problem["base_kw"])
    needs = {job["key"]: job["needs"] for job in problem["jobs"]}
    for key, charge in frozen["charges"].items():
        bulk, kw, tail = needs[key][charge["kind"]]
        for slot, drawn in zip(charge["slots"], [kw] * bulk + list(tail), strict=True):
            load[slot] += drawn
    return load


def _load(span: _Span, frozen: Mapping[str, Any], begin: dt.datetime, now: dt.datetime) -> SafeString:
    load, supply = load_of(frozen), frozen["problem"]["supply_kw"]
    top = max([*load, *supply, 0.1]) * 1.05
    slot = frozen["slot_h"] * HOUR
    pieces: list[SafeString] = []
    for values, name in ((load, "load"), (supply, "limit")):
        start = 0
        for number in range(1, len(values) + 1):
            if number < len(values) and values[number] == values[start]:
                continue
            a, b = begin + start * slot, begin + number * slot
            if span.shown(a, b):
                y = percent(1 - values[start] / top, 1.0)
                if name == "load":
                    pieces.append(
                        format_html(
                            '<rect class="bays__load" x="{}" width="{}" y="{}" height="{}"/>',
                            span.x(a),
                            span.width(a, b),
                            y,
                            percent(values[start] / top, 1.0),
                        )
                    )
                else:
                    pieces.append(
                        format_html(
                            '<line class="bays__limit" x1="{}" x2="{}" y1="{y}" y2="{y}"/>',
                            span.x(a),
                            span.x(b),
                            y=y,
                        )
                    )
            start = number
    return format_html(
        '<svg height="{}" class="bays__svg" role="img"><title>{}</title>{}{}{}</svg>',
        LOAD_PX,
        _load_words(frozen),
        _day_lines(span),
        format_html_join("", "{}", ((piece,) for piece in pieces)),
        _now_line(span, now),
    )


def _load_words(frozen: Mapping[str, Any]) -> str:
    load, supply = load_of(frozen), frozen["problem"]["supply_kw"]
    return _("At most %(most).1f kW at once; the supply allows %(low).1f to %(high).1f kW.") % {
        "most": max(load, default=0.0),
        "low": min(supply, default=0.0),
        "high": max(supply, default=0.0),
    }


def _days(span: _Span, view: PlanView, frozen: Mapping[str, Any], begin: dt.datetime) -> list[BoardDay]:
    found: list[BoardDay] = []
    load = load_of(frozen)
    slot = frozen["slot_h"] * HOUR
    day = span.begin.astimezone(span.zone).date()
    while True:
        starts = dt.datetime.combine(day, dt.time(0), tzinfo=span.zone).astimezone(dt.UTC)
        ends = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(0), tzinfo=span.zone).astimezone(
            dt.UTC
        )
        if starts >= span.end:
            return found
        a, b = max(starts, span.begin), min(ends, span.end)
        hours = [
            kw
            for number, kw in enumerate(load)
            if a < begin + (number + 1) * slot and begin + number * slot < b
        ]
        found.append(
            BoardDay(
                at=percent((span.share(a) + span.share(b)) / 2, 1.0),
                day=formats.date_format(day, "D j M Y"),
                connect=_short(
                    [line for line in view.lines if starts <= line.starts_at < ends], "starts_at", span
                ),
                take_off=_short(
                    [line for line in view.lines if starts <= line.off_at < ends], "off_at", span
                ),
                load=f"{max(hours):.1f} kW" if hours else "",
            )
        )
        day += dt.timedelta(days=1)


def _short(lines: Sequence[LineView], which: str, span: _Span) -> str:
    ordered = sorted(lines, key=lambda line: getattr(line, which))
    return "; ".join(
        f"{getattr(line, which).astimezone(span.zone):%H:%M} {line.bay} {line.unit or line.bank}"
        for line in ordered
    )
