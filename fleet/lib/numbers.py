"""Numbers as people type them, and the decimal mark of a file settled once.

``1.234`` is one thousand two hundred and thirty-four in one country and a little over one in another. So the mark is
settled per file: stated by the person, or shown by a cell that can be read in one way only. A mark before exactly three
digits decides nothing. Where cells disagree or none decides, one :class:`Question` is asked for the whole file.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Literal

from fleet.lib.errors import DomainError

DecimalMark = Literal[".", ","]

SPACES = "\u0020\u00a0\u202f\u2009\u2007\u2002\u2003"
MINUS_SIGNS = "\u2212\u2012\u2013\ufe63\uff0d"
APOSTROPHES = "\u2019\u2018\u2032\u02bc"
MAX_MAGNITUDE = Decimal("1e15")

_GROUPABLE = re.compile(rf"[{SPACES}']")
_MARKS = re.compile(r"[.,]")
_NUMBER_LIKE = re.compile(r"\d[\d.,]*\d")
_PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?\Z")


class NumberError(DomainError):
    """A text is not a number, or not under the decimal mark of this file."""


@dataclass(frozen=True, slots=True)
class Example:
    """Where in the file a doubt was found."""

    sheet: str
    row: int
    column: str
    value: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something that only the person who brought the file can settle; asked once per file."""

    key: str
    reason: Literal["disagree", "undecided"]
    sentence: str
    choices: tuple[tuple[str, str], ...]
    examples: tuple[Example, ...] = ()


@lru_cache(maxsize=10_000)
def normalise(text: str) -> str:
    """Text with one kind of space, minus, apostrophe and digit, trimmed; what was typed is kept by the caller."""
    if text.isascii():
        return " ".join(text.split())
    for sign in MINUS_SIGNS:
        text = text.replace(sign, "-")
    for mark in APOSTROPHES:
        text = text.replace(mark, "'")
    text = text.replace("\u2033", '"').replace("\u201c", '"').replace("\u201d", '"')
    text = re.sub(r"(\d)\s*([\u00bc-\u00be\u2150-\u215e])", r"\1 \2", text)
    text = unicodedata.normalize("NFKC", text).replace("\u2044", "/")
    return re.sub(r"\s+", " ", text).strip()


@lru_cache(maxsize=10_000)
def decimal_evidence(text: str) -> DecimalMark | Literal["?"] | None:
    """What one typed number says about the decimal mark.

    Returns ``"."`` or ``","`` when only that mark can be meant, ``"?"`` when both could, None when it has no mark.
    """
    verdict: DecimalMark | Literal["?"] | None = None
    for match in _NUMBER_LIKE.finditer(normalise(text)):
        found = _evidence_of_number(match.group())
        if found in (".", ","):
            return found
        verdict = verdict or found
    return verdict


def _evidence_of_number(number: str) -> DecimalMark | Literal["?"] | None:
    marks = _MARKS.findall(number)
    if not marks:
        return None
    kinds = set(marks)
    if len(kinds) == 2:
        last: DecimalMark = "," if marks[-1] == "," else "."
        return last if marks.count(last) == 1 else "?"
    mark = marks[0]
    if len(marks) > 1:
        return "." if mark == "," else ","
    if len(number.rsplit(mark, 1)[1]) == 3:
        return "?"
    return "," if mark == "," else "."


@dataclass
class DecimalSettler:
    """Collects what the cells of a file show about its decimal mark."""

    stated: DecimalMark | None = None
    seen: dict[str, Example] = field(default_factory=dict)

    def look(self, text: str, sheet: str = "", row: int = 0, column: str = "") -> None:
        """Take one typed number into account; keeps the first example of each kind."""
        evidence = decimal_evidence(text)
        if evidence is not None and evidence not in self.seen:
            self.seen[evidence] = Example(sheet, row, column, text)

    def settle(self) -> DecimalMark | Question:
        """The mark of the file, or the question to ask once."""
        if self.stated:
            return self.stated
        if "." in self.seen and "," in self.seen:
            return self._question("disagree")
        if "." in self.seen:
            return "."
        if "," in self.seen:
            return ","
        return self._question("undecided") if "?" in self.seen else "."

    def _question(self, reason: Literal["disagree", "undecided"]) -> Question:
        sentence = (
            "Some numbers in this file use a comma as the decimal mark and others a point. Which is it?"
            if reason == "disagree"
            else "No number in this file shows whether the comma or the point is the decimal mark. Which is it?"
        )
        choices = ((".", "Point: 12.65 is twelve and a bit"), (",", "Comma: 12,65 is twelve and a bit"))
        return Question("decimal_mark", reason, sentence, choices, tuple(self.seen.values()))


def settle_decimal_mark(texts: Iterable[str], stated: DecimalMark | None = None) -> DecimalMark | Question:
    """Settle the decimal mark of a file from its typed numbers."""
    settler = DecimalSettler(stated)
    for text in texts:
        settler.look(text)
    return settler.settle()


def parse_number(text: str, decimal_mark: DecimalMark = ".") -> Decimal:
    """Read one typed number exactly.

    Groups of three may be parted by spaces, an apostrophe or the mark that is not the decimal mark. Raises NumberError
    with a sentence that says what is wrong.
    """
    plain = plain_number(normalise(text), decimal_mark)
    if plain is None or not _PLAIN.match(plain):
        raise NumberError(
            "number.unreadable",
            "'{text}' is not a number when the decimal mark is '{mark}'.",
            text=text.strip(),
            mark=decimal_mark,
        )
    try:
        value = Decimal(plain)
    except InvalidOperation:
        raise NumberError("number.unreadable", "'{text}' is not a number.", text=text.strip()) from None
    if abs(value) >= MAX_MAGNITUDE:
        raise NumberError("number.too_large", "'{text}' is too large to be meant.", text=text.strip())
    return value


def plain_number(number: str, decimal_mark: DecimalMark) -> str | None:
    """``number`` with groups joined and a point as decimal mark, or None when its groups cannot be right."""
    other = "," if decimal_mark == "." else "."
    if number.count(decimal_mark) > 1:
        return None
    whole, mark, fraction = number.partition(decimal_mark)
    if other in fraction or _GROUPABLE.search(fraction):
        return None
    joined = _join_groups(whole, other)
    if joined is None:
        return None
    return f"{joined}.{fraction}" if mark else joined


def _join_groups(whole: str, other: str) -> str | None:
    separators = {char for char in whole if char in f"{other}'{SPACES}"}
    if not separators:
        return whole
    if len(separators) > 1:
        return None
    sign = whole[:1] if whole[:1] in "+-" else ""
    head, *groups = whole[len(sign) :].strip().split(separators.pop())
    if not re.fullmatch(r"[1-9]\d{0,2}", head) or any(not re.fullmatch(r"\d{3}", group) for group in groups):
        return None
    return sign + head + "".join(groups)
