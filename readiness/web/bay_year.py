"""How many bays a depot needs, in words and as small drawings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.quantities import format_quantity
from fleet.models import Job
from fleet.web.days import day_words, moment_words
from readiness.selectors.bay_year import BACK_DUE_H, BACK_SOC, TARGET_USE, YearQuestion
from readiness.web.bay_settings import chemistry_words

# Less than a bank-day late in a year is taken as none.
ENOUGH_H = 24.0
STOPS = {
    "bays": lambda: _("No bay is on file."),
    "hours": lambda: _("The crew has no hours on file: no charge can begin."),
    "terms": lambda: _("The terms of charging are not on file."),
    "supply": lambda: _("The supply limit is not known: what is not stated is never taken as enough."),
    "banks": lambda: _("No bank at home here can be played: see why below."),
}
LEFT_OUT = {
    "climate": lambda: _("the climate of its place is not on file"),
    "needs": lambda: _("its capacity or its charger is not on file"),
    "bay": lambda: _("no bay here can charge it"),
    "window": lambda: _("it may not charge unattended, and its charge is longer than the crew ever stays"),
}


@dataclass(frozen=True)
class Bar:
    name: str
    late_h: float
    low_h: float
    high_h: float
    now: bool


def stops_words(question: YearQuestion) -> list[str]:
    return [STOPS[key]() for key in question.stops]


def left_out_words(question: YearQuestion) -> list[str]:
    lines = [
        _("%(bank)s is not played: %(why)s.") % {"bank": bank, "why": LEFT_OUT[why]()}
        for bank, why in question.left_out
    ]
    if question.shortened:
        lines.append(
            _(
                "%(banks)s: from empty the charge is longer than the crew stays, and it may not run unattended; it counts "
                "as one whole shift, though in truth it takes two."
            )
            % {"banks": ", ".join(question.shortened)}
        )
    return lines


def rule_words(question: YearQuestion) -> list[str]:
    """The sizing rule, with its numbers."""
    rule = question.rule
    if rule is None:
        return []
    lines = [
        _("The banks at home ask for %(h).1f bay hours a week; the crew is there for %(crew).1f h a week.")
        % {"h": rule.asked_h, "crew": rule.crew_h}
    ]
    if rule.bays is not None:
        lines.append(
            ngettext(
                "With a bay used for %(use)d %% of the crew's hours, %(n)d bay is enough on the average.",
                "With a bay used for %(use)d %% of the crew's hours, %(n)d bays are enough on the average.",
                rule.bays,
            )
            % {"use": round(100 * TARGET_USE), "n": rule.bays}
        )
    lines.append(
        _(
            "At full power they ask for %(kwh).0f kWh a week; in the crew's hours the supply leaves %(left).0f kWh."
        )
        % {"kwh": rule.kwh_week, "left": rule.supply_kwh_week}
    )
    lines.append(
        _(
            "This is a lower limit: what falls together, closures, voltages and the supply of the hour ask for more. "
            "The year says how much."
        )
    )
    return lines


def input_pairs(inputs: dict[str, Any], zone_day: Any, system: Any) -> list[dict[str, str]]:
    """What the year is played with."""
    return [
        {"label": _("Banks at home"), "value": str(inputs["banks"])},
        {"label": _("Bays now"), "value": ", ".join(inputs["bay_names"])},
        {
            "label": _("A bay for every bank"),
            "value": _("any voltage and programme, up to %(a)s")
            % {"a": format_quantity(inputs["any_a"], "a", system)},
        },
        {"label": _("Supply limit"), "value": format_quantity(inputs["limit_kw"], "kw", system)},
        {"label": _("Drawn anyway"), "value": format_quantity(inputs["base_kw"], "kw", system)},
        {"label": _("The crew is there"), "value": _("%(h).1f h a week") % {"h": inputs["crew_h_week"]}},
        {
            "label": _("May charge while nobody is there"),
            "value": chemistry_words(inputs["unattended"]) or _("nothing"),
        },
        {"label": _("Calls of one unit in a year"), "value": f"{inputs['calls_per_year']:g}"},
        {"label": _("The year begins"), "value": day_words(zone_day)},
        {
            "label": _("Taken as usual"),
            "value": _(
                "home from a call at %(soc)d %%, wanted full within %(h)d h; wear of a bank scatters by 15 %%"
            )
            % {"soc": round(100 * BACK_SOC), "h": round(BACK_DUE_H)},
        },
    ]


def answer_view(job: Job | None, question: YearQuestion, zone: str, system: Any) -> dict[str, Any] | None:
    """The last answer: two small drawings with their tables, and one sentence."""
    if job is None or not job.result:
        return None
    result = job.result
    by_name = {each["name"]: each for each in result["choices"]}
    now = by_name["now"]
    bays = [(int(name.split(":")[1]), each) for name, each in by_name.items() if name.startswith("bays:")]
    limit = float(result["inputs"]["limit_kw"])
    power = sorted(
        [
            (limit + each["more_kw"], each, each is now)
            for each in by_name.values()
            if not each["name"].startswith("bays:")
        ],
        key=lambda row: row[0],
    )
    return {
        "when": moment_words(job.finished_at, zone),
        "stale": question.banks is not None and question.mark != result["mark"],
        "sentence": _conclusion(now, bays, power, limit, system),
        "now": _row(_("as it is now"), now),
        "bays_chart": bars_svg(
            _("Hours late in a year, by number of bays that can charge every bank"),
            [_bar(str(number), each, False) for number, each in bays],
        ),
        "bays_rows": [_row(str(number), each) for number, each in bays],
        "kw_chart": bars_svg(
            _("Hours late in a year, by the supply limit with the bays of now"),
            [_bar(f"{value:.3g} kW", each, is_now) for value, each, is_now in power],
        ),
        "kw_rows": [
            _row(format_quantity(round(value, 3), "kw", system) + (" " + _("(now)") if is_now else ""), each)
            for value, each, is_now in power
        ],
        "runs": result["runs"],
        "seed": result["seed"],
    }


def _bar(name: str, each: dict[str, Any], now: bool) -> Bar:
    return Bar(name, each["late_h"], each["late_low_h"], each["late_high_h"], now)


def _row(name: str, each: dict[str, Any]) -> dict[str, str]:
    return {
        "name": name,
        "late_h": f"{each['late_h']:,.0f}",
        "band": f"{each['late_low_h']:,.0f} – {each['late_high_h']:,.0f}",
        "late": f"{each['late']:g}",
        "charges": f"{each['charges']:g}",
        "left": f"{each['left']:g}",
        "use": f"{100 * each['use']:.0f} %",
        "peak": f"{each['peak_kw']:.1f} kW",
    }


def _conclusion(now: dict[str, Any], bays: Any, power: Any, limit: float, system: Any) -> list[str]:
    lines = []
    if now["late_h"] < ENOUGH_H:
        lines.append(_("As it is now, banks stand late for less than a day in a year, all together."))
    else:
        lines.append(
            _("As it is now, banks stand late for %(h)s hours in a year, all together.")
            % {"h": f"{now['late_h']:,.0f}"}
        )
    enough = next((number for number, each in bays if each["late_h"] < ENOUGH_H), None)
    if enough is None:
        best = min(each["late_h"] for _number, each in bays)
        lines.append(
            _("No number of bays alone mends it: %(h)s hours stay, for want of power or of the crew's hours.")
            % {"h": f"{best:,.0f}"}
        )
    else:
        lines.append(
            ngettext(
                "%(n)d bay that can charge every bank would do.",
                "%(n)d bays that can charge every bank would do.",
                enough,
            )
            % {"n": enough}
        )
    least = next((value for value, each, _now in power if each["late_h"] < ENOUGH_H), None)
    if least is not None and least < limit - 1e-9:
        lines.append(
            _("With the bays of now, %(kw)s would do instead of %(limit)s.")
            % {
                "kw": format_quantity(round(least, 3), "kw", system),
                "limit": format_quantity(limit, "kw", system),
            }
        )
    elif least is not None and least > limit + 1e-9:
        lines.append(
            _("With the bays of now, it takes %(kw)s.")
            % {"kw": format_quantity(round(least, 3), "kw", system)}
        )
    return lines


WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 440, 200, 60, 28, 16


def bars_svg(title: str, bars: Sequence[Bar]) -> SafeString:
    """Bars of the mean, with a stroke from the tenth to the ninetieth of the runs. The table beneath says the same."""
    top = max([bar.high_h for bar in bars] + [ENOUGH_H])
    plot_h, step = HEIGHT - BOTTOM - TOP, (WIDTH - LEFT) / max(len(bars), 1)
    said = "; ".join(f"{bar.name}: {bar.late_h:,.0f} h" for bar in bars)

    def y(value: float) -> float:
        return TOP + plot_h * (1.0 - _squeezed(value) / _squeezed(top))

    grid = format_html_join(
        "",
        '<line class="chart__grid" x1="0" x2="{}" y1="{}" y2="{}"/><text class="halo" x="0" y="{}">{}</text>',
        (
            (WIDTH, f"{y(value):.1f}", f"{y(value):.1f}", f"{y(value) - 4:.1f}", f"{value:,.0f} h")
            for value in _marks(top)
        ),
    )
    drawn = format_html_join(
        "",
        '<rect class="year__bar{}" x="{}" width="{}" y="{}" height="{}"/>'
        '<line class="year__band" x1="{}" x2="{}" y1="{}" y2="{}"/>'
        '<text class="halo" x="{}" y="{}" text-anchor="middle">{}</text>',
        (
            (
                " year__bar--now" if bar.now else "",
                f"{LEFT + step * n + step * 0.25:.1f}",
                f"{step * 0.5:.1f}",
                f"{y(bar.late_h):.1f}",
                f"{max(TOP + plot_h - y(bar.late_h), 0.0):.1f}",
                *(f"{LEFT + step * (n + 0.5):.1f}",) * 2,
                f"{y(bar.low_h):.1f}",
                f"{y(bar.high_h):.1f}",
                f"{LEFT + step * (n + 0.5):.1f}",
                HEIGHT - 8,
                bar.name,
            )
            for n, bar in enumerate(bars)
        ),
    )
    return format_html(
        '<svg class="chart__svg year" role="img" viewBox="0 0 {w} {h}" aria-label="{title}: {said}">'
        "<title>{title}</title><desc>{said}</desc>{grid}{drawn}"
        '<line class="chart__axis" x1="0" x2="{w}" y1="{base}" y2="{base}"/></svg>',
        w=WIDTH,
        h=HEIGHT,
        title=title,
        said=said,
        grid=grid,
        drawn=drawn,
        base=TOP + plot_h,
    )


def _squeezed(value: float) -> float:
    """Late hours span from none to tens of thousands: heights go by the logarithm, none is the floor."""
    return math.log10(1.0 + max(value, 0.0))


def _marks(top: float) -> list[float]:
    return [value for value in (10.0, 100.0, 1000.0, 10_000.0, 100_000.0) if value <= top] or [ENOUGH_H]
