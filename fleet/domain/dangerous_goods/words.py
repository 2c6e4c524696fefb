"""The words of an answer: modes, verdicts, and which of several verdicts is the worst."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum, StrEnum

from fleet.lib.errors import DomainError


class Mode(StrEnum):
    AIR = "AIR"
    ROAD = "ROAD"
    SEA = "SEA"
    ROAD_US = "ROAD_US"


class Verdict(IntEnum):
    """From best to worst: the worst item of a unit decides."""

    NOT_RESTRICTED = 0
    PERMITTED = 1
    CARGO_AIRCRAFT_ONLY = 2
    APPROVAL_NEEDED = 3
    CANNOT_DECIDE = 4
    FORBIDDEN = 5

    @property
    def word(self) -> str:
        return _WORDS[self]

    @property
    def may_go(self) -> bool:
        """Whether it may go as presented, without a special approval."""
        return self <= Verdict.CARGO_AIRCRAFT_ONLY


_WORDS = {
    Verdict.NOT_RESTRICTED: "not_restricted",
    Verdict.PERMITTED: "permitted_with_conditions",
    Verdict.CARGO_AIRCRAFT_ONLY: "cargo_aircraft_only",
    Verdict.APPROVAL_NEEDED: "approval_needed",
    Verdict.CANNOT_DECIDE: "cannot_decide",
    Verdict.FORBIDDEN: "forbidden",
}
_BY_WORD = {word: verdict for verdict, word in _WORDS.items()} | {"unknown": Verdict.CANNOT_DECIDE}


def verdict_of(word: str) -> Verdict:
    """The verdict a word names. Raises DomainError for a word that is none."""
    try:
        return _BY_WORD[word]
    except KeyError:
        raise DomainError(
            "goods.verdict_unknown",
            "'{word}' is not a verdict; the verdicts are: {words}.",
            word=word,
            words=", ".join(_BY_WORD),
        ) from None


def mode_of(word: str) -> Mode:
    """The mode a word names. Raises DomainError for a word that is none."""
    try:
        return Mode(word)
    except ValueError:
        raise DomainError(
            "goods.mode_unknown",
            "'{word}' is not a mode; the modes are: {words}.",
            word=word,
            words=", ".join(Mode),
        ) from None


def worst_of(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst verdict, whatever the order; nothing listed cannot be decided."""
    return max(verdicts, default=Verdict.CANNOT_DECIDE)
