"""A back-test as its page and its command show it: a small chart, a table, and what it says in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from fleet.models.banks import Chemistry

AIM_LOW, AIM_HIGH = 0.75, 0.85


@dataclass(frozen=True)
class Line:
    """A horizon of one group: how many readings, the share inside the 80 % band, width of the band and mean miss in points
    of charge state, by the bank's own rate and by the published one."""

    name: str
    days: int
    count: int
    inside: str
    plain_inside: str
    width: str
    plain_width: str
    miss: str
    plain_miss: str


@dataclass(frozen=True)
class BackTestWords:
    said: str
    lines: tuple[Line, ...]
    svg: SafeString | str


def back_test_words(result: Mapping[str, Any]) -> BackTestWords:
    groups = result.get("groups") or {}
    names = dict(Chemistry.choices)
    lines = [
        _line(_("all") if name == "all" else str(names.get(name, name)), row)
        for name, rows in groups.items()
        for row in rows
    ]
    rows = groups.get("all") or []
    return BackTestWords(_said(rows), tuple(lines), _drawing(rows) if rows else "")


def _line(name: str, row: Mapping[str, Any]) -> Line:
    return Line(
        name,
        int(row["horizon_days"]),
        int(row["count"]),
        *(f"{100 * row[key]:.0f} %" for key in ("inside", "plain_inside")),
        *(f"{100 * row[key]:.1f}" for key in ("width", "plain_width", "miss", "plain_miss")),
    )


def _said(rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows:
        return _(
            "Too few readings yet: one counts when nothing was charged, used or moved between the day of the prediction and "
            "it, and a horizon is told from ten readings on."
        )
    count = sum(int(row["count"]) for row in rows)
    inside = sum(row["inside"] * row["count"] for row in rows) / count
    width, plain = (sum(row[key] * row["count"] for row in rows) / count for key in ("width", "plain_width"))
    facts = {"inside": f"{100 * inside:.0f}", "width": f"{100 * width:.0f}", "plain": f"{100 * plain:.0f}"}
    said = _("%(inside)s %% of the readings fell into the band that should hold 80 %% of them.") % facts
    if inside < AIM_LOW:
        said += " " + _(
            "That is too few: the bands are narrower than they should be. Read more carefully, and plan on the low end."
        )
    elif inside > AIM_HIGH:
        said += " " + _("That is more than it says: the bands are wider than they would have to be.")
    return said + " " + _("With learning the band is %(width)s points wide, without it %(plain)s.") % facts


def _drawing(rows: Sequence[Mapping[str, Any]]) -> SafeString:
    """Two bars a horizon: filled by the bank's own rate, open by the published one; the line stands at 80 %."""
    part = 100.0 / len(rows)
    bars = []
    for number, row in enumerate(rows):
        left = number * part
        for place, key, look in ((0.14, "inside", "chart__dot--full"), (0.52, "plain_inside", "chart__dot")):
            high = 100.0 * float(row[key])
            bars.append(
                format_html(
                    '<rect class="{look}" x="{x}%" y="{y}%" width="{w}%" height="{h}%"/>'
                    '<svg x="{mid}%" y="{y}%" overflow="visible">'
                    '<text class="halo" y="-5" text-anchor="middle">{words} %</text></svg>',
                    look=look,
                    x=f"{left + place * part:.2f}",
                    y=f"{100.0 - high:.2f}",
                    w=f"{0.3 * part:.2f}",
                    h=f"{high:.2f}",
                    mid=f"{left + (place + 0.15) * part:.2f}",
                    words=f"{high:.0f}",
                )
            )
        bars.append(
            format_html(
                '<svg x="{x}%" y="100%" overflow="visible"><text y="18" text-anchor="middle">{words}</text></svg>',
                x=f"{left + 0.48 * part:.2f}",
                words=_("%(n)d days ahead") % {"n": int(row["horizon_days"])},
            )
        )
    said = "; ".join(
        _("%(n)d days ahead %(own)s %% with learning, %(plain)s %% without")
        % {
            "n": int(row["horizon_days"]),
            "own": f"{100 * row['inside']:.0f}",
            "plain": f"{100 * row['plain_inside']:.0f}",
        }
        for row in rows
    )
    return format_html(
        '<svg class="chart__svg" role="img" aria-labelledby="back-test-title back-test-desc" height="220">'
        '<title id="back-test-title">{title}</title><desc id="back-test-desc">{said}</desc>'
        '<svg y="20" height="166" width="100%" overflow="visible">'
        '<line class="chart__axis" x1="0" x2="100%" y1="100%" y2="100%"/>{bars}{limit}</svg></svg>',
        title=_("Readings inside the 80 % band"),
        said=said,
        bars=format_html_join("", "{}", ((bar,) for bar in bars)),
        limit=format_html('<line class="chart__threshold" x1="0" x2="100%" y1="{y}" y2="{y}"/>', y="20%"),
    )
