"""Which line of the bill of consumables an item fits into, on the day on which it goes into its position."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class BillLine:
    """From `valid_from` through `valid_to` (None: without end) a position takes the item of this key and name."""

    item: Hashable
    name: str
    valid_from: date
    valid_to: date | None = None


@dataclass(frozen=True, slots=True)
class Misfit:
    """No line takes the item; `wanted` is the name of one that fits, None when the bill has no such position."""

    wanted: str | None


def fitting_line(lines: Sequence[BillLine], day: date, item: Hashable) -> int | Misfit:
    """Number of the line among `lines`, all of one position, into which `item` goes on `day`.

    Lines of that day count if there are any, else those of another time: the bill was written down later than the
    part was fitted, or has run out.
    """
    numbers = range(len(lines))
    of_day = [number for number in numbers if _holds(lines[number], day)] or list(numbers)
    for number in of_day:
        if lines[number].item == item:
            return number
    return Misfit(lines[of_day[0]].name if of_day else None)


def _holds(line: BillLine, day: date) -> bool:
    return line.valid_from <= day and (line.valid_to is None or line.valid_to >= day)
