"""Words for loggers: how far one is believed, what stands in for it, and what to do. No query, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l

from readiness.domain.loggers import LEAST_QUARTERS, PLAUSIBLE_K, STUCK_DAYS, LoggerState

STATE_WORDS: dict[LoggerState, Any] = {
    LoggerState.LIVE: _l("live"),
    LoggerState.OFF: _l("taken off"),
    LoggerState.NO_TEMPERATURE: _l("no temperature"),
    LoggerState.SILENT: _l("silent"),
    LoggerState.STUCK: _l("stuck"),
    LoggerState.IMPLAUSIBLE: _l("not plausible"),
    LoggerState.SPARSE: _l("too few values"),
}
_BELIEVED = {
    LoggerState.LIVE: _l("Logger live; its temperatures are used for the days that are over."),
    LoggerState.OFF: _l("Logger taken off on %(since)s; climate used."),
    LoggerState.NO_TEMPERATURE: _l("Logger sends no temperature; climate used."),
    LoggerState.SILENT: _l("Logger silent since %(since)s; climate used."),
    LoggerState.STUCK: _l("Logger stuck since %(since)s, always the same value; climate used."),
    LoggerState.IMPLAUSIBLE: _l("Logger not plausible since %(since)s; climate used."),
    LoggerState.SPARSE: _l("Logger sends too few values a day since %(since)s; climate used."),
}
_MEND = {
    LoggerState.SILENT: _l("See whether it has power and reaches the network."),
    LoggerState.STUCK: _l("See to its sensor and the wire."),
    LoggerState.IMPLAUSIBLE: _l("Measure beside its sensor: it may hang in the sun, or on another bank."),
    LoggerState.SPARSE: _l("Let it send at least every six hours."),
    LoggerState.NO_TEMPERATURE: _l("Connect its temperature sensor, if it has one."),
}
# What an alert and a check are about: a logger that should be believed and cannot be.
FAILING = frozenset({LoggerState.SILENT, LoggerState.STUCK, LoggerState.IMPLAUSIBLE, LoggerState.SPARSE})


def believed_words(state: LoggerState, since: str) -> str:
    """One sentence: how far the logger is believed, since when, and what is used instead."""
    return str(_BELIEVED[state]) % {"since": since or _("the first day")}


def mend_words(state: LoggerState) -> str:
    return str(_MEND.get(state, ""))


def logger_sentence(data: Mapping[str, Any], since: str) -> str:
    """What a stored check says of a logger that is not believed."""
    state = LoggerState(int(data.get("state") or LoggerState.SILENT))
    return f"{believed_words(state, since)} {mend_words(state)}".strip()


def rule_words() -> list[str]:
    """How loggers are believed, for the page of loggers."""
    facts = {"k": PLAUSIBLE_K, "days": STUCK_DAYS, "quarters": LEAST_QUARTERS}
    return [
        _("Silent: no new temperature for three times its expected interval."),
        _("Stuck: the very same value for %(days)d days.") % facts,
        _(
            "Not plausible: more than %(k)d K from the climate of the place and the allowance of the enclosure."
        )
        % facts,
        _("A day counts once it is over, with temperatures in %(quarters)d of its four quarters (UTC).")
        % facts,
        _(
            "Any other day has the mean of the climate and the heat allowance of the enclosure. Of the voltages one a week "
            "counts as a reading: the lowest that had rested."
        ),
    ]
