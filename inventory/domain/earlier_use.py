"""Whether what a list says about the use of a part before its fitting is all that its service life asks for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """By what the service life of an item is limited."""

    hours: bool = False
    starts: bool = False
    volume: bool = False
    months: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """What was said of the use before: hours [h], volume [m3], starts, and whether its first fitting; None: nothing."""

    hours_h: float | None = None
    volume_m3: float | None = None
    starts: int | None = None
    first_fitted: bool = False


def use_is_told(limits: Limits, told: Told) -> bool:
    """Whether nothing that the limits need is missing. What nobody said is never taken for 'new'.

    A part of which only zeros are said was new, so that its months count from its fitting.
    """
    numbers = [value for value in (told.hours_h, told.volume_m3, told.starts) if value is not None]
    if not numbers and not told.first_fitted:
        return False
    needed = (
        (limits.hours, told.hours_h is not None),
        (limits.starts, told.starts is not None),
        (limits.volume, told.volume_m3 is not None),
        (limits.months, told.first_fitted or (bool(numbers) and not any(numbers))),
    )
    return all(said for wanted, said in needed if wanted)
