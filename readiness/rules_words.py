"""When the editions of the rules that are held end, in words: for the pages, the command and the morning mail."""

from __future__ import annotations

import datetime as dt

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.words import Mode
from readiness.sentences import day_text

MODE_WORDS = {
    Mode.AIR: gettext_lazy("By air"),
    Mode.ROAD: gettext_lazy("By road (ADR)"),
    Mode.SEA: gettext_lazy("By sea"),
    Mode.ROAD_US: gettext_lazy("By road (United States)"),
}
# So many days before the last one the owner is asked for the next edition: it must be got, read, loaded and released.
WARN_DAYS = 90


def ending_words(rules: Rules, mode: Mode, today: dt.date, within_days: int = WARN_DAYS) -> str:
    """That a mode can soon be decided no longer, or cannot already; empty while its editions reach far enough."""
    title = MODE_WORDS[mode]
    fault = next((fault for fault in rules.faults if fault.mode is mode), None)
    if fault is not None:
        if fault.first_day is None:
            words = _(
                "%(mode)s: the released edition %(name)s cannot be used, so nothing is decided. %(why)s"
            )
        else:
            words = _(
                "%(mode)s: the released edition %(name)s cannot be used, so nothing is decided from %(day)s on. %(why)s"
            )
        data = {"mode": title, "name": fault.name, "day": day_text(fault.first_day), "why": fault.sentence}
        return str(words % data)
    end = rules.ends_on(mode)
    if end is None or end > today + dt.timedelta(days=within_days):
        return ""
    if end < today:
        return str(
            _(
                "%(mode)s: the editions held ended on %(day)s. Nothing that leaves now can be decided: load the next one."
            )
            % {"mode": title, "day": day_text(end)}
        )
    days = (end - today).days
    words = ngettext(
        "%(mode)s: the editions held end on %(day)s, %(days)d day from now. What leaves later cannot be decided until the "
        "next one is loaded and released.",
        "%(mode)s: the editions held end on %(day)s, %(days)d days from now. What leaves later cannot be decided until the "
        "next one is loaded and released.",
        days,
    )
    return str(words % {"mode": title, "day": day_text(end), "days": days})


def endings(rules: Rules, today: dt.date, within_days: int = WARN_DAYS) -> list[str]:
    """The warnings of all modes that have one."""
    return [words for mode in MODE_WORDS if (words := ending_words(rules, mode, today, within_days))]
