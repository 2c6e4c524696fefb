"""What every calculation about a site refuses, and how it says that something is missing.

A number that is not known is NaN (None at the door): it runs through every formula, and what rests on it cannot be decided.
It is never left out of a minimum.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.lib.errors import DomainError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

POSITIVE, NOT_NEGATIVE, SHARE = "more than 0", "0 or more", "between 0 and 1"


class BadSite(DomainError):
    """An input about a site that no honest calculation can use; `key` is stable (`site.people`, ...)."""


def floats(value: ArrayLike | None) -> Floats:
    """As float64; None is NaN, 'not known'."""
    return np.asarray(np.nan if value is None else value, dtype=np.float64)


def given(value: Any) -> Any:
    """Back to a plain float when a single value went in."""
    array = np.asarray(value)
    return float(array) if array.ndim == 0 else array


def positive(name: str, value: ArrayLike | None) -> Floats:
    """`value` as floats; BadSite when one is 0 or less. NaN passes: it is missing, not wrong."""
    return _checked(name, value, POSITIVE)


def not_negative(name: str, value: ArrayLike | None) -> Floats:
    return _checked(name, value, NOT_NEGATIVE)


def share(name: str, value: ArrayLike | None) -> Floats:
    return _checked(name, value, SHARE)


def _checked(name: str, value: ArrayLike | None, rule: str) -> Floats:
    number = floats(value)
    wrong = {
        POSITIVE: number <= 0.0,
        NOT_NEGATIVE: number < 0.0,
        SHARE: (number < 0.0) | (number > 1.0),
    }[rule] | np.isinf(number)
    if np.any(wrong):
        first = float(number[wrong].flat[0])
        raise BadSite(
            f"site.{name.replace(' ', '_')}",
            "The {name} must be {rule}; it is {value:g}.",
            name=name,
            rule=rule,
            value=first,
        )
    return number


def within(name: str, value: ArrayLike | None, low: float, high: float) -> Floats:
    """`value` as floats; BadSite when one lies outside [low, high]."""
    number = floats(value)
    wrong = (number < low) | (number > high)
    if np.any(wrong):
        raise BadSite(
            f"site.{name.replace(' ', '_')}",
            "The {name} must lie between {low:g} and {high:g}; it is {value:g}.",
            name=name,
            low=low,
            high=high,
            value=float(number[wrong].flat[0]),
        )
    return number


@dataclass(frozen=True, slots=True)
class Answer:
    """A number with what it rests on: `value` is None exactly when something is `missing`.

    `assumed` names every assumption that stands in for a fact, and is shown wherever the value is.
    """

    value: float | None
    unit: str
    missing: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        if self.value is None:
            return cannot_decide(self.missing)
        return f"{self.value:g} {self.unit}"


def cannot_decide(missing: Iterable[str]) -> str:
    return f"cannot decide: {', '.join(missing)} missing"


def missing_of(values: Mapping[str, Any]) -> tuple[str, ...]:
    """The words of what is not known (None or NaN), in the order given."""
    return tuple(word for word, value in values.items() if bool(np.any(np.isnan(floats(value)))))
