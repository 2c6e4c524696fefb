"""Battery records as columns, so that one pass of the procedure answers any number of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.records import WORDS, Battery
from fleet.lib.errors import DomainError

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int8]

NUMBERS = (
    "wh",
    "li_g",
    "soc_pct",
    "indicated_pct",
    "net_mass_kg",
    "package_gross_kg",
    "spare_sets",
    "ctu_gross_kg",
)
ANSWERS = (
    "terminals_protected",
    "vib_pressure_ok",
    "no_free_liquid_55c",
    "marked_nonspillable",
    "upright_secured",
    "sp598_ok",
    "us_159e_ok",
    "sodium_molten",
    "adr_1137_ruling",
)
CODES: dict[str, dict[object, int]] = {
    name: {None: 0, **{word: code for code, word in enumerate(words, 1)}} for name, words in WORDS.items()
}
YES, NO, NOT_KNOWN = 1, 2, 0
_ANSWER_CODES: dict[object, int] = {None: NOT_KNOWN, True: YES, False: NO}


@dataclass(frozen=True, slots=True)
class BatteryColumns:
    """n records: words and yes/no answers as codes (0 = not known), numbers as floats (nan = not known)."""

    size: int
    codes: dict[str, CodeArray]
    answers: dict[str, CodeArray]
    numbers: dict[str, FloatArray]

    def isin(self, name: str, *words: str) -> BoolArray:
        """Which records have one of the words in the column; not known is none of them."""
        codes = CODES[name]
        column = self.codes[name]
        hit: BoolArray = column == codes[words[0]]
        for word in words[1:]:
            hit |= column == codes[word]
        return hit

    def known(self, name: str) -> BoolArray:
        if name in self.codes:
            return np.not_equal(self.codes[name], 0)
        if name in self.answers:
            return np.not_equal(self.answers[name], NOT_KNOWN)
        return ~np.isnan(self.numbers[name])

    def yes(self, name: str) -> BoolArray:
        return np.equal(self.answers[name], YES)

    def no(self, name: str) -> BoolArray:
        return np.equal(self.answers[name], NO)

    def number(self, name: str) -> FloatArray:
        """The column [unit of its name]; comparisons with nan are False, so not known never satisfies a limit."""
        return self.numbers[name]


def battery_columns(records: Sequence[Battery]) -> BatteryColumns:
    """Columns of n records. Raises DomainError naming record, attribute and value of what cannot be used."""
    size = len(records)
    codes = {name: _coded(records, name, table) for name, table in CODES.items()}
    answers = {name: _coded(records, name, _ANSWER_CODES) for name in ANSWERS}
    numbers = {name: _numbers(records, name) for name in NUMBERS}
    return BatteryColumns(size, codes, answers, numbers)


def _coded(records: Sequence[Battery], name: str, codes: Mapping[object, int]) -> CodeArray:
    values = list(map(attrgetter(name), records))
    try:
        return np.fromiter(map(codes.__getitem__, values), dtype=np.int8, count=len(values))
    except (KeyError, TypeError):
        place, value = next((i, v) for i, v in enumerate(values) if not _usable(v, codes))
        raise DomainError(
            "goods.word_unknown",
            "Battery record {place}, {name}: '{value}' cannot be used; write one of: {words}.",
            place=place + 1,
            name=name,
            value=value,
            words=", ".join(str(word) for word in codes if word is not None),
        ) from None


def _usable(value: object, codes: Mapping[object, int]) -> bool:
    try:
        return value in codes
    except TypeError:
        return False


def _numbers(records: Sequence[Battery], name: str) -> FloatArray:
    values = list(map(attrgetter(name), records))
    try:
        column = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    except (TypeError, ValueError):
        column = np.full(len(values), -1.0)
    bad = (column < 0) | np.isinf(column)
    if bad.any():
        place = int(np.argmax(bad))
        raise DomainError(
            "goods.number_bad",
            "Battery record {place}, {name}: '{value}' cannot be used; write a number that is not negative.",
            place=place + 1,
            name=name,
            value=values[place],
        )
    return column
