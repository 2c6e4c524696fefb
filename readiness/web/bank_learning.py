"""What the records of a bank teach and give away, in words, for its page and the page of its unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l
from django.utils.translation import ngettext

from fleet.web.days import day_words, moment_words
from readiness.bank_words import FLAG_NAMES, UNKNOWN_WORDS, WHAT_TO_DO, FlagLine, rate_sentence, steps_of
from readiness.domain.bank_flags import Flag
from readiness.domain.check_rows import CHECK, CHECK_KINDS
from readiness.selectors.pages_charge import BankTold, StandsOut, Taught
from readiness.web.unit_parts import Pair

REFUSALS: dict[str, object] = {
    "ocv_not_usable": _l("voltage says nothing about this chemistry"),
    "temp_out_of_range": _l("a temperature that cannot be"),
    "not_rested": _l("not rested long enough, or on charge shortly before"),
    "ocv_implausible": _l("a voltage that this bank cannot have"),
    "sg_out_of_range": _l("a specific gravity that cannot be"),
    "sg_not_usable": _l("specific gravity of a bank that has no open cells"),
    "soc_out_of_range": _l("a charge state that cannot be"),
    "plateau": _l("on the flat part of its curve, where the voltage says little"),
}
# The check whose source stands behind each flag.
SOURCE_OF: dict[Flag, str] = {
    Flag.RATE_HIGH: "bank_rate",
    Flag.ALARM_OPEN: "charge_explained",
    Flag.OHMIC_INVESTIGATE: "bank_ohmic",
    Flag.OHMIC_TEST_OR_REPLACE: "bank_ohmic",
    Flag.CAPACITY_LOW: "bank_capacity",
    Flag.RETURNED_MORE: "bank_returned",
    Flag.RETURNED_LESS: "bank_returned",
    Flag.LIFE_NEAR_END: "bank_age",
    Flag.LIFE_OVER: "bank_age",
}
TEST_SOURCE = _l(
    "Every 24 months or a quarter of the design life, yearly once worn: IEEE 1188 practice (seen in a test-gear summary)"
)


@dataclass(frozen=True)
class LearningWords:
    """`said` in a sentence; `pairs` the figures; `alarm` the open alarm in words, '' while there is none."""

    said: str
    pairs: tuple[Pair, ...]
    alarm: str


def learning_words(told: BankTold, zone: str) -> LearningWords:
    taught = told.taught
    return LearningWords(_said(taught), tuple(_pairs(taught, zone)), _alarm(taught, zone))


def _said(taught: Taught) -> str:
    if not taught.used:
        return _("Nothing on file teaches its own rate yet: the published one counts, with its full doubt.")
    return _(
        "The forecast goes by its own rate. It may bring a charge forward freely; it never puts one off past the calendar "
        "or the limit its maker states."
    )


def _share(value: float | None) -> str:
    return "" if value is None else _("%(pct)s %% in 30 days") % {"pct": f"{value:.1f}"}


def _pairs(taught: Taught, zone: str) -> list[Pair]:
    pairs = []
    if taught.used and taught.total is not None:
        band = _("80 %% band %(low)s to %(high)s") % {
            "low": f"{taught.total_low:.1f}",
            "high": f"{taught.total_high:.1f}",
        }
        pairs.append(Pair(_("Loses by its own records"), _share(taught.total), band))
    note = "" if taught.published is not None else _("its standby draw is not on file")
    pairs.append(
        Pair(
            _("Published for its chemistry and age"),
            _share(taught.published),
            note or _("self-discharge at the reference temperature and the recorded draw"),
        )
    )
    if taught.used and taught.draw is not None and taught.draw > 0.1 and taught.draw_ma is not None:
        pairs.append(
            Pair(
                _("Of that, a draw nobody wrote down"),
                _share(taught.draw),
                _("about %(ma)s mA") % {"ma": f"{taught.draw_ma:.0f}"},
            )
        )
    since = ""
    if taught.first and taught.last:
        since = _("from %(first)s to %(last)s") % {
            "first": moment_words(taught.first, zone),
            "last": moment_words(taught.last, zone),
        }
    pairs.append(Pair(_("Records that taught it"), str(taught.used), since))
    refused = sum(count for _reason, count in taught.refused)
    why = "; ".join(f"{count} {REFUSALS.get(reason, reason)}" for reason, count in taught.refused)
    pairs.append(Pair(_("Readings refused"), str(refused), why))
    return pairs


def _alarm(taught: Taught, zone: str) -> str:
    if taught.alarm is None:
        return ""
    facts = {"when": moment_words(taught.alarm, zone), "again": moment_words(taught.confirmed, zone)}
    if taught.confirmed:
        return (
            _(
                "The reading of %(when)s lay far below the prediction, and that of %(again)s agreed: it is planned on."
            )
            % facts
        )
    return (
        _(
            "The reading of %(when)s lies far below the prediction. It is kept and planned on, not averaged away, until a "
            "second reading disproves it."
        )
        % facts
    )


def flag_lines(told: BankTold, zone: str) -> list[FlagLine]:
    """What stands out of a bank, the graver first, each with what to do and its source."""
    out, taught = told.stands_out, told.taught
    sources = {key: CHECK_KINDS[CHECK[key]].source for key in set(SOURCE_OF.values())}
    lines = []
    for flag, name in FLAG_NAMES.items():
        if not out.flags & int(flag):
            continue
        if flag == Flag.RATE_HIGH:
            steps = steps_of(out.likelier)
        else:
            steps = (str(WHAT_TO_DO[flag]),)
        if flag == Flag.ALARM_OPEN and taught.confirmed:
            steps = (_("Find the cause; a capacity test settles the matter."),)
        source = str(TEST_SOURCE) if flag == Flag.TEST_DUE else sources[SOURCE_OF[flag]]
        shown = str(name)
        lines.append(FlagLine(shown[:1].upper() + shown[1:], _SAID[flag](out, taught, zone), steps, source))
    return lines


def _rate(out: StandsOut, taught: Taught, zone: str) -> str:
    beside = (
        ngettext(
            "Compared with %(n)d bank of its chemistry.",
            "Compared with %(n)d banks of its chemistry.",
            out.peers,
        )
        % {"n": out.peers}
        if out.peers
        else _("Compared with the published rate: too few of its peers have taught theirs.")
    )
    return f"{rate_sentence(out.ratio, out.likelier)} {beside}"


def _returned(out: StandsOut, taught: Taught, zone: str) -> str:
    return _("The charge of %(day)s returned %(share)s times what was missing by prediction.") % {
        "day": moment_words(taught.returned, zone),
        "share": f"{taught.returned_share or 0:.1f}",
    }


def _ohmic(out: StandsOut, taught: Taught, zone: str) -> str:
    return _("Its worst block stands at %(ratio)s times its baseline.") % {
        "ratio": f"{out.ohmic_ratio or 0:.2f}"
    }


def _life(out: StandsOut, taught: Taught, zone: str) -> str:
    return _("%(pct)s %% of its float life is used, by its age and the warmth it stands in.") % {
        "pct": f"{100 * (out.life_used or 0):.0f}"
    }


def _test(out: StandsOut, taught: Taught, zone: str) -> str:
    if out.test_due is None:
        return _("Its capacity was never tested.")
    return _("Its capacity test was due on %(day)s.") % {"day": day_words(out.test_due)}


_SAID: dict[Flag, Callable[[StandsOut, Taught, str], str]] = {
    Flag.RATE_HIGH: _rate,
    Flag.ALARM_OPEN: lambda out, taught, zone: _alarm(taught, zone),
    Flag.OHMIC_INVESTIGATE: _ohmic,
    Flag.OHMIC_TEST_OR_REPLACE: _ohmic,
    Flag.CAPACITY_LOW: lambda out, taught, zone: (
        _("Its last capacity test showed %(pct)s %% of rated at 20 °C.")
        % {"pct": f"{out.capacity_pct or 0:.0f}"}
    ),
    Flag.RETURNED_MORE: _returned,
    Flag.RETURNED_LESS: _returned,
    Flag.LIFE_NEAR_END: _life,
    Flag.LIFE_OVER: _life,
    Flag.TEST_DUE: _test,
}


def unknown_words(told: BankTold) -> list[str]:
    """What cannot be told of a bank, because nobody measured it."""
    return [str(words) for bit, words in UNKNOWN_WORDS.items() if told.stands_out.unknown & int(bit)]
