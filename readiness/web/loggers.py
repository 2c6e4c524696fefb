"""Loggers as their pages show them: one sentence how far each is believed, its days, and its course as a chart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l

from fleet.lib.quantities import System, format_quantity
from fleet.web.days import day_words, moment_words
from fleet.web.drawing import BandPoint, Chart, Dot, line_chart
from readiness.domain.loggers import LoggerState
from readiness.logger_words import FAILING, STATE_WORDS, believed_words, mend_words
from readiness.selectors.loggers import DayLine, LoggerView
from readiness.web.unit_parts import Pair

WHY_NOT: dict[str, object] = {
    "no_temperature": _l("no temperature"),
    "stuck": _l("stuck"),
    "implausible": _l("too far from the climate"),
    "not_over": _l("not over yet"),
    "sparse": _l("too few values"),
}


@dataclass(frozen=True)
class LoggerLine:
    """One logger in words; `failing`: somebody is to look at it."""

    view: LoggerView
    serial: str
    url: str
    where: str
    unit_tag: str
    word: str
    sentence: str
    mend: str
    heard: str
    failing: bool


def zone_of(view: LoggerView) -> str:
    return view.depot.time_zone if view.depot else "UTC"


def since_words(view: LoggerView) -> str:
    """A silence begins at an instant; what shows in whole days is told by its first day, which is one in UTC."""
    if view.since is None:
        return ""
    if view.state in (LoggerState.SILENT, LoggerState.OFF):
        return moment_words(view.since, zone_of(view))
    return day_words(view.since.date())


def logger_line(view: LoggerView) -> LoggerLine:
    zone = zone_of(view)
    stay = view.stay
    return LoggerLine(
        view=view,
        serial=view.bank.serial,
        url=reverse("readiness:logger-show", args=[view.bank.pk]),
        where=(stay.place.name if stay.place else "") if stay else _("nowhere on file"),
        unit_tag=stay.unit.tag if stay and stay.unit else "",
        word=str(STATE_WORDS[view.state]),
        sentence=believed_words(view.state, since_words(view)),
        mend=mend_words(view.state),
        heard=moment_words(view.logger.last_at, zone),
        failing=view.state in FAILING,
    )


def instead_words(view: LoggerView, system: System) -> str:
    """What stands in for it now."""
    if view.state == LoggerState.LIVE:
        return ""
    allowance = f"{view.heat_c:g} K"
    if view.instead_c is None:
        return _("No climate of its place is on file.")
    return _("Climate of this month and %(allowance)s of the enclosure: %(value)s.") % {
        "allowance": allowance,
        "value": format_quantity(round(view.instead_c, 1), "c", system),
    }


def temperature_pairs(view: LoggerView | None, system: System) -> list[Pair]:
    """The line on the page of a bank with a logger: whence the temperature comes by which its charge is worked out."""
    if view is None:
        return []
    line = logger_line(view)
    note = " ".join(part for part in (instead_words(view, system), line.mend) if part)
    if view.state == LoggerState.LIVE and view.value_c is not None:
        note = _("Last daily mean %(value)s.") % {
            "value": format_quantity(round(view.value_c, 1), "c", system)
        }
    return [Pair(_("Temperature"), line.sentence, note, line.url)]


def logger_pairs(view: LoggerView, system: System) -> list[Pair]:
    zone, logger = zone_of(view), view.logger
    line = logger_line(view)
    counts = _("%(kept)d kept, %(known)d sent again, %(refused)d refused") % {
        "kept": logger.kept,
        "known": logger.known,
        "refused": logger.refused,
    }
    pairs = [
        Pair(
            _("State"),
            line.sentence,
            " ".join(part for part in (instead_words(view, system), line.mend) if part),
        ),
        Pair(_("Last sample"), moment_words(logger.last_at, zone)),
        Pair(_("Last temperature"), moment_words(logger.last_temp_at, zone)),
        Pair(
            _("Expected every"),
            _("%(min)d min") % {"min": logger.expected_min},
            _("silent after %(h)s h") % {"h": f"{logger.expected_min * 3 / 60:g}"},
        ),
        Pair(_("Samples"), counts),
    ]
    if logger.off_at:
        pairs.append(Pair(_("Taken off"), moment_words(logger.off_at, zone)))
    return pairs


@dataclass(frozen=True)
class DayWords:
    line: DayLine
    mean: str
    span: str
    expected: str
    used: str


def day_words_of(days: Sequence[DayLine], system: System) -> list[DayWords]:
    def degrees(value: float | None) -> str:
        return "–" if value is None else format_quantity(round(value, 1), "c", system)

    return [
        DayWords(
            line=day,
            mean=degrees(day.mean_c),
            span=f"{degrees(day.low_c)} … {degrees(day.high_c)}" if day.low_c is not None else "–",
            expected=degrees(day.expected_c),
            used=_("yes") if not day.why_not else _("no: %(why)s") % {"why": WHY_NOT[day.why_not]},
        )
        for day in days
    ]


def logger_chart(view: LoggerView) -> Chart | None:
    """Daily lowest, mean and highest value in degC, and as dots what the climate and the allowance would have been."""
    days = sorted((day for day in view.days if day.mean_c is not None), key=lambda day: day.day)
    if len(days) < 2:
        return None
    values = [value for day in days for value in (day.low_c, day.high_c, day.expected_c) if value is not None]
    words = _("climate and allowance")
    drawn = line_chart(
        title=_("Logged temperature, °C"),
        description=_(
            "Lowest, mean and highest value of each day; as dots what stands in where a day does not count."
        ),
        series=[BandPoint(day.day, day.low_c, day.mean_c, day.high_c) for day in days],
        dots=[
            Dot(day.day, round(day.expected_c, 1), words)
            for day in days
            if day.why_not and day.expected_c is not None
        ],
        low=math.floor(min(values) / 5) * 5.0,
        high=math.ceil(max(values) / 5) * 5.0 + (5.0 if min(values) == max(values) else 0.0),
        as_percent=False,
        unit="°C",
    )
    return replace(
        drawn, columns=(_("Day"), _("Lowest"), _("Mean"), _("Highest"), _("Climate and allowance"))
    )


def lists_of_loggers(lines: Sequence[LoggerLine]) -> dict[str, Any]:
    """The list of loggers as columns and rows of a file; instants in UTC."""
    columns = (
        "Bank",
        "Logger",
        "Where",
        "State",
        "Since",
        "Last sample",
        "Kept",
        "Sent again",
        "Other values",
        "Refused",
    )
    rows = [
        (
            line.serial,
            line.view.logger.label,
            line.unit_tag or line.where,
            line.word,
            line.view.since,
            line.view.logger.last_at,
            line.view.logger.kept,
            line.view.logger.known,
            line.view.logger.conflicts,
            line.view.logger.refused,
        )
        for line in lines
    ]
    return {"columns": columns, "rows": rows}


def lists_of_days(days: Sequence[DayLine]) -> dict[str, Any]:
    """The days of a logger as columns and rows of a file, in degC, V and shares."""
    columns = (
        "Day (UTC)",
        "Samples",
        "Mean, °C",
        "Lowest, °C",
        "Highest, °C",
        "Climate and allowance, °C",
        "Replaces the climate",
        "Rested voltage, V",
        "Counter, 0..1",
    )
    rows = [
        (
            day.day,
            day.samples,
            day.mean_c,
            day.low_c,
            day.high_c,
            day.expected_c,
            "yes" if not day.why_not else f"no: {WHY_NOT[day.why_not]}",
            day.rest_v,
            day.counter_soc,
        )
        for day in days
    ]
    return {"columns": columns, "rows": rows}
