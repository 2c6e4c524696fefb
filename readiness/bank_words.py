"""Words for what the records of a bank give away: flags, what to do about them, and how to tell one cause from another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l

from readiness.domain.bank_flags import HOW_TO_TELL as STEPS
from readiness.domain.bank_flags import Flag, Likelier, Unknown

FLAG_NAMES: dict[Flag, Any] = {
    Flag.RATE_HIGH: _l("loses far more than its peers"),
    Flag.ALARM_OPEN: _l("a reading far too low"),
    Flag.OHMIC_TEST_OR_REPLACE: _l("ohmic value up by half"),
    Flag.OHMIC_INVESTIGATE: _l("ohmic value up by a third"),
    Flag.CAPACITY_LOW: _l("capacity under 80 %"),
    Flag.RETURNED_MORE: _l("charge returned more than was missing"),
    Flag.RETURNED_LESS: _l("charge returned less than was missing"),
    Flag.LIFE_OVER: _l("older than its life"),
    Flag.LIFE_NEAR_END: _l("near the end of its life"),
    Flag.TEST_DUE: _l("capacity test due"),
}
UNKNOWN_WORDS: dict[Unknown, Any] = {
    Unknown.RATE: _l("its own rate (fewer than two records that teach it)"),
    Unknown.OHMIC: _l("its ohmic value (never tested)"),
    Unknown.CAPACITY: _l("its capacity (never tested)"),
    Unknown.LIFE: _l(
        "how much of its life is used (age, design life or climate is not on file, or its chemistry has none)"
    ),
}
HOW_TO_TELL: dict[str, Any] = {
    "capacity_test": _l(
        "Test its capacity: a fading bank gives less than it did, a forgotten load changes nothing."
    ),
    "ohmic_reading": _l("Measure its ohmic values: in a fading bank a block stands out over its baseline."),
    "isolate_and_read_again": _l(
        "Open the isolator, read the rest voltage, and read it again after two weeks: if the loss goes on, it is the bank."
    ),
    "clamp_meter": _l(
        "Put a clamp meter for small currents on each cable of the bank with all switched off: is a load drawing?"
    ),
}
LIKELIER: dict[Likelier, Any] = {
    Likelier.NOT_ASKED: "",
    Likelier.FADING: _l("A fading bank is likelier than a forgotten load."),
    Likelier.FORGOTTEN_LOAD: _l("A forgotten load is likelier than a fading bank."),
    Likelier.EITHER: _l("A fading bank and a forgotten load explain it about equally well."),
}
WHAT_TO_DO: dict[Flag, Any] = {
    Flag.ALARM_OPEN: _l(
        "Read it again, rested and isolated; until a second reading disproves it, it is planned on."
    ),
    Flag.OHMIC_INVESTIGATE: _l("Look for the block and its connections, and measure again in a month."),
    Flag.OHMIC_TEST_OR_REPLACE: _l("Test its capacity, or replace the block."),
    Flag.CAPACITY_LOW: _l("Replace it, or send no unit on it that needs its rated capacity."),
    Flag.RETURNED_MORE: _l(
        "More was missing than predicted: read it again in two weeks, and look for a load nobody wrote down."
    ),
    Flag.RETURNED_LESS: _l(
        "It took less than was missing: test its capacity; check that the Ah were read off the right charger."
    ),
    Flag.LIFE_OVER: _l("Test its capacity now and every year; plan its replacement."),
    Flag.LIFE_NEAR_END: _l("Plan its replacement, and test its capacity when that is due."),
    Flag.TEST_DUE: _l(
        "Test its capacity as its maker's manual says, with the unit's work covered meanwhile."
    ),
}


def flag_names(bits: int) -> list[str]:
    """The flags of a bank in words, the graver first."""
    return [str(name) for flag, name in FLAG_NAMES.items() if bits & int(flag)]


@dataclass(frozen=True)
class FlagLine:
    """One flag as a page shows it: what stands out, why or how sure, what to do, and the published source or own rule."""

    name: str
    said: str
    steps: tuple[str, ...]
    source: str


def rate_sentence(ratio: float | None, likelier: int) -> str:
    if ratio is None:
        return ""
    return _("It loses %(ratio)s times as much as its peers.%(likelier)s") % {
        "ratio": f"{ratio:.1f}",
        "likelier": f" {LIKELIER[Likelier(likelier)]}" if likelier else "",
    }


def steps_of(likelier: int) -> tuple[str, ...]:
    """How to tell, the first thing first."""
    return tuple(str(HOW_TO_TELL[key]) for key in STEPS[Likelier(likelier)])


def bank_rate(data: Mapping[str, Any]) -> str:
    likelier = int(data.get("likelier") or 0)
    steps = steps_of(likelier)
    first = f" {_('First:')} {steps[0]}" if steps else ""
    return rate_sentence(float(data.get("ratio") or 0), likelier) + first


def bank_returned(data: Mapping[str, Any], day: str) -> str:
    share = float(data.get("share") or 0)
    said = _("The charge of %(day)s returned %(share)s times what was missing.") % {
        "day": day,
        "share": f"{share:.1f}",
    }
    return f"{said} {WHAT_TO_DO[Flag.RETURNED_MORE if share > 1.0 else Flag.RETURNED_LESS]}"


def bank_ohmic(data: Mapping[str, Any]) -> str:
    ratio = float(data.get("ratio") or 0)
    said = _("Its worst block stands at %(ratio)s times its baseline.") % {"ratio": f"{ratio:.2f}"}
    return (
        f"{said} {WHAT_TO_DO[Flag.OHMIC_TEST_OR_REPLACE if ratio >= 1.5 - 1e-9 else Flag.OHMIC_INVESTIGATE]}"
    )


def bank_capacity(data: Mapping[str, Any]) -> str:
    said = _("Its last capacity test showed %(pct)s %% of rated.") % {
        "pct": f"{float(data.get('pct') or 0):.0f}"
    }
    return f"{said} {WHAT_TO_DO[Flag.CAPACITY_LOW]}"


def bank_age() -> str:
    said = _("By its age and the warmth it stands in, its float life is over.")
    return f"{said} {WHAT_TO_DO[Flag.LIFE_OVER]}"
