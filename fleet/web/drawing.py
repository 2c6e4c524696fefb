"""Charts drawn on the server as SVG: no script and no library is needed to read or to print them.

Positions are percentages of the plot, so text, marks and strokes keep their size from a phone to paper. Every
chart carries a title, a description and the rows of the data table shown beneath it.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from django.utils import formats
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

PLOT_HEIGHT_PX = 240
_ids = itertools.count(1)


@dataclass(frozen=True)
class BandPoint:
    """One day of a band of doubt: the low end, the best estimate and the high end, in the unit of the chart.

    A day of which nothing is known carries None throughout and leaves a gap.
    """

    day: dt.date
    low: float | None
    mid: float | None
    high: float | None

    @property
    def known(self) -> bool:
        return None not in (self.low, self.mid, self.high)


@dataclass(frozen=True)
class Dot:
    """One thing somebody measured. ``counted`` is false when it was refused or struck out."""

    at: dt.datetime | dt.date
    value: float
    words: str
    counted: bool = True


@dataclass(frozen=True)
class Threshold:
    value: float
    words: str


@dataclass(frozen=True)
class ChartRow:
    """One row of the table beneath a chart; ``at`` is its place on the day axis in percent, for the cursor."""

    at: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Chart:
    title: str
    svg: SafeString
    columns: tuple[str, ...]
    rows: tuple[ChartRow, ...] = field(default_factory=tuple)


def percent(part: float, whole: float) -> str:
    """``part`` of ``whole`` as an SVG percentage with two decimals; a whole of nothing is 0 %."""
    return f"{100 * part / whole:.2f}%" if whole else "0%"


def short_day(day: dt.date) -> str:
    return formats.date_format(day, "j M Y")


def axis_days(first: dt.date, last: dt.date, *, at_most: int = 6) -> list[dt.date]:
    """Month starts strictly between two days, thinned to at most ``at_most``; weeks when the span is short."""
    span = (last - first).days
    if span <= 45:
        step = max(7, 7 * math.ceil(span / 7 / at_most))
        monday = first + dt.timedelta(days=(7 - first.weekday()) % 7 or 7)
        return [monday + dt.timedelta(days=n) for n in range(0, max(0, (last - monday).days), step)]
    months: list[dt.date] = []
    year, month = first.year, first.month
    while True:
        month += 1
        if month > 12:
            year, month = year + 1, 1
        start = dt.date(year, month, 1)
        if start >= last:
            break
        months.append(start)
    return months[:: max(1, math.ceil(len(months) / at_most))]


def nice_steps(low: float, high: float, *, about: int = 4) -> list[float]:
    """Round values between two bounds, about ``about`` of them, for horizontal grid lines."""
    if high <= low:
        return [low]
    raw = (high - low) / about
    magnitude = 10.0 ** math.floor(math.log10(raw))
    step = next(m * magnitude for m in (1, 2, 2.5, 5, 10) if m * magnitude >= raw)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _ordinal(moment: dt.datetime | dt.date) -> float:
    if isinstance(moment, dt.datetime):
        return moment.toordinal() + (moment.hour * 60 + moment.minute) / 1440
    return float(moment.toordinal())


@dataclass(frozen=True)
class _Plot:
    first: dt.date
    last: dt.date
    low: float
    high: float

    def across(self, moment: dt.datetime | dt.date) -> float:
        return _ordinal(moment) - self.first.toordinal()

    @property
    def width(self) -> float:
        return float((self.last - self.first).days) or 1.0

    def x(self, moment: dt.datetime | dt.date) -> str:
        return percent(self.across(moment), self.width)

    def y(self, value: float) -> str:
        return percent(self.high - value, self.high - self.low)

    def point(self, moment: dt.datetime | dt.date, value: float) -> str:
        x = 1000 * self.across(moment) / self.width
        y = 1000 * (self.high - value) / (self.high - self.low)
        return f"{x:.1f},{min(max(y, -50), 1050):.1f}"


def line_chart(
    *,
    title: str,
    description: str,
    series: Sequence[BandPoint],
    dots: Sequence[Dot] = (),
    threshold: Threshold | None = None,
    today: dt.date | None = None,
    low: float = 0.0,
    high: float = 1.0,
    as_percent: bool = True,
    unit: str = "",
) -> Chart:
    """A line with its band of doubt, a threshold, what was measured and where today stands.

    ``series`` must be in day order; values are in one unit, shown as percent of 1 when ``as_percent``. An empty series
    with no dots draws the frame only.
    """
    days = [point.day for point in series] + [_day_of(dot.at) for dot in dots] + ([today] if today else [])
    first, last = (min(days), max(days)) if days else (dt.date(2000, 1, 1), dt.date(2000, 1, 2))
    plot = _Plot(first, last, low, high)

    def words(value: float) -> str:
        return f"{100 * value:.0f} %" if as_percent else f"{value:g} {unit}".strip()

    parts = [
        *(_grid_line(plot, value, words(value)) for value in nice_steps(low, high)),
        *(_day_line(plot, day) for day in axis_days(first, last)),
        _curves(plot, series),
        _threshold_line(plot, threshold),
        _today_line(plot, today),
        *(_dot(plot, dot) for dot in dots),
    ]
    return Chart(
        title=title,
        svg=_frame(title, description, mark_safe("".join(parts)), height_px=PLOT_HEIGHT_PX),
        columns=(_("Day"), _("Low end"), _("Best estimate"), _("High end"), _("Measured")),
        rows=_table_rows(plot, series, dots, words),
    )


def _day_of(moment: dt.datetime | dt.date) -> dt.date:
    return moment.date() if isinstance(moment, dt.datetime) else moment


def _frame(title: str, description: str, inside: SafeString, *, height_px: int) -> SafeString:
    number = next(_ids)
    return format_html(
        '<svg class="chart__svg" role="img" aria-labelledby="chart-{n}-title chart-{n}-desc" height="{height}">'
        '<title id="chart-{n}-title">{title}</title><desc id="chart-{n}-desc">{description}</desc>'
        '<svg y="8" height="{inner}" width="100%" overflow="visible">{inside}</svg></svg>',
        n=number,
        height=height_px,
        inner=height_px - 34,
        title=title,
        description=description,
        inside=inside,
    )


def _grid_line(plot: _Plot, value: float, words: str) -> SafeString:
    return format_html(
        '<line class="chart__grid" x1="0" x2="100%" y1="{y}" y2="{y}"/>'
        '<svg y="{y}" overflow="visible"><text class="halo" x="0" y="-4">{words}</text></svg>',
        y=plot.y(value),
        words=words,
    )


def _day_line(plot: _Plot, day: dt.date) -> SafeString:
    spelled = formats.date_format(
        day, "M Y" if day.day == 1 and day.month == 1 else "M" if day.day == 1 else "j M"
    )
    return format_html(
        '<line class="chart__grid" x1="{x}" x2="{x}" y1="0" y2="100%"/>'
        '<svg x="{x}" y="100%" overflow="visible"><text x="0" y="18" text-anchor="middle">{words}</text></svg>',
        x=plot.x(day),
        words=spelled,
    )


def _curves(plot: _Plot, series: Sequence[BandPoint]) -> SafeString:
    """One band per run of known days."""
    runs = [list(run) for known, run in itertools.groupby(series, key=lambda point: point.known) if known]
    return format_html(
        '<line class="chart__axis" x1="0" x2="100%" y1="100%" y2="100%"/>'
        '<svg viewBox="0 0 1000 1000" preserveAspectRatio="none" width="100%" height="100%">{}</svg>',
        format_html_join("", "{}", ((_run(plot, run),) for run in runs)),
    )


def _run(plot: _Plot, run: Sequence[BandPoint]) -> SafeString:
    highs = [plot.point(p.day, p.high or 0.0) for p in run]
    lows = [plot.point(p.day, p.low or 0.0) for p in run]
    mids = [plot.point(p.day, p.mid or 0.0) for p in run]
    return format_html(
        '<polygon class="chart__band" points="{area}"/><polyline class="chart__edge" points="{lows}"/>'
        '<polyline class="chart__edge" points="{highs}"/><polyline class="chart__line" points="{mids}"/>',
        area=" ".join([*highs, *reversed(lows)]),
        lows=" ".join(lows),
        highs=" ".join(highs),
        mids=" ".join(mids),
    )


def _threshold_line(plot: _Plot, threshold: Threshold | None) -> SafeString:
    if threshold is None:
        return mark_safe("")
    return format_html(
        '<line class="chart__threshold" x1="0" x2="100%" y1="{y}" y2="{y}"/>'
        '<svg x="100%" y="{y}" overflow="visible"><text class="chart__threshold-name halo" x="0" y="-5" '
        'text-anchor="end">{words}</text></svg>',
        y=plot.y(threshold.value),
        words=threshold.words,
    )


def _today_line(plot: _Plot, today: dt.date | None) -> SafeString:
    if today is None:
        return mark_safe("")
    late = plot.across(today) > 0.85 * plot.width
    return format_html(
        '<line class="chart__today" x1="{x}" x2="{x}" y1="0" y2="100%"/>'
        '<svg x="{x}" overflow="visible"><text class="halo" x="{dx}" y="10" text-anchor="{anchor}">{words}</text></svg>',
        x=plot.x(today),
        dx=-5 if late else 5,
        anchor="end" if late else "start",
        words=_("today"),
    )


def _dot(plot: _Plot, dot: Dot) -> SafeString:
    shape = (
        mark_safe('<circle class="chart__dot chart__dot--full" r="4.5"/>')
        if dot.counted
        else mark_safe('<path class="chart__dot chart__dot--void" d="M-5-5 5 5M5-5-5 5"/>')
    )
    return format_html(
        '<svg x="{}" y="{}" overflow="visible"><g>{}<title>{}</title></g></svg>',
        plot.x(dot.at),
        plot.y(min(max(dot.value, plot.low), plot.high)),
        shape,
        dot.words,
    )


def _table_rows(
    plot: _Plot, series: Sequence[BandPoint], dots: Sequence[Dot], words: Callable[[float], str]
) -> tuple[ChartRow, ...]:
    measured: dict[dt.date, list[str]] = {}
    for dot in dots:
        measured.setdefault(_day_of(dot.at), []).append(dot.words)
    drawn = {point.day: point for point in series}
    rows = []
    for day in sorted(set(drawn) | set(measured)):
        point = drawn.get(day)
        ends = (point.low, point.mid, point.high) if point else (None, None, None)
        band = tuple("" if end is None else words(end) for end in ends)
        rows.append(ChartRow(plot.x(day), (short_day(day), *band, "; ".join(measured.get(day, [])))))
    return tuple(rows)


def band_of_doubt(
    low: float, high: float, *, mid: float | None = None, floor: float | None = None
) -> SafeString:
    """A small gauge from 0 to 1 with the band shaded, the best estimate and the floor; decoration for the words beside."""
    low, high = min(max(low, 0.0), 1.0), min(max(high, 0.0), 1.0)
    pieces = [
        mark_safe('<rect class="band__track" x="0.5" y="3.5" width="131" height="9"/>'),
        format_html(
            '<rect class="band__doubt" x="{}" y="3.5" width="{}" height="9"/>',
            f"{132 * low:.1f}",
            f"{max(132 * (high - low), 1.0):.1f}",
        ),
    ]
    for value, name in ((mid, "band__mid"), (floor, "band__floor")):
        if value is not None:
            pieces.append(
                format_html(
                    '<line class="{}" x1="{x}" x2="{x}" y1="0" y2="16"/>', name, x=f"{132 * value:.1f}"
                )
            )
    return format_html(
        '<svg aria-hidden="true" width="132" height="16">{}</svg>',
        format_html_join("", "{}", ((p,) for p in pieces)),
    )
