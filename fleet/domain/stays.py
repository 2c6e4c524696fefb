"""Where a thing was, stretch by stretch, and how a stretch away that is told later fits into that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fleet.lib.errors import DomainError


@dataclass(frozen=True, slots=True)
class Span:
    """One stay: from `start` to `end` (None: still there), in a place or, when `away`, in an absence.

    `where`: key of the place, None when away or not told.
    """

    start: datetime
    end: datetime | None
    away: bool
    label: str = ""
    where: int | None = None


@dataclass(frozen=True, slots=True)
class Cut:
    """How stays make room for a stretch away.

    `split`: number of the stay that is cut in two. `later`: number of the first stay on file, which begins when the
    stretch ends. `fill`: between the end of the stretch and the next stay on file (`fill_until`, None: till now) nothing
    is known, so that the thing was at home.
    """

    split: int | None = None
    later: int | None = None
    fill: bool = False
    fill_until: datetime | None = None


def cut(stays: Sequence[Span], start: datetime, end: datetime) -> Cut:
    """How `stays` (in order of their start) make room for a stretch away from `start` to `end`, both known.

    Raises DomainError when the thing was away already within that stretch, or changed its place in it.
    """
    touching = [
        number
        for number, stay in enumerate(stays)
        if stay.start < end and (stay.end is None or stay.end > start)
    ]
    for number in touching:
        if stays[number].away:
            raise DomainError(
                "stay.away_then",
                "On file it was away in that time already ({there}, from {since} to {until}).",
                there=stays[number].label,
                since=_day(stays[number].start),
                until=_day(stays[number].end),
                mend="Correct the days, or leave the row out.",
            )
    if not touching:
        return _in_a_gap(stays, start, end)
    stay = stays[touching[0]]
    whole = stay.end is None or stay.end >= end
    if len(touching) == 1 and stay.start <= start and whole:
        return Cut(split=touching[0])
    if touching == [0] and whole:
        return Cut(later=0)
    moved = stays[touching[-1]]
    raise DomainError(
        "stay.moved_then",
        "On file it came to {there} on {since}, so it was not away then.",
        there=moved.label,
        since=_day(moved.start),
        mend="Correct the days, or leave the row out.",
    )


def unmoved(stays: Sequence[Span], number: int) -> range:
    """Numbers of the stays around stay `number` through which the thing never moved: each touches the next, in one place.

    `stays` in order of their start. A stay away, or in a place not told, stands alone.
    """
    first = last = number
    while first > 0 and _goes_on(stays[first - 1], stays[first]):
        first -= 1
    while last + 1 < len(stays) and _goes_on(stays[last], stays[last + 1]):
        last += 1
    return range(first, last + 1)


def _goes_on(stay: Span, following: Span) -> bool:
    return stay.where is not None and stay.where == following.where and stay.end == following.start


def _in_a_gap(stays: Sequence[Span], start: datetime, end: datetime) -> Cut:
    after = [number for number, stay in enumerate(stays) if stay.start >= end]
    if not after:
        return Cut(fill=True)
    following = stays[after[0]]
    if after[0] == 0 and not following.away:
        return Cut(later=0)
    return Cut(fill=following.start > end, fill_until=following.start)


def beside_others(
    stays: Sequence[Span], start: datetime, end: datetime | None
) -> tuple[datetime, datetime | None]:
    """A stretch of which only days are known, moved within its first and last day so that it meets its neighbours.

    `start` and `end` carry the zone by whose clock the days are meant. A unit that is back from one mission in the
    evening may have left on the next in the afternoon, for all a list of days tells.
    """
    for stay in stays:
        if not stay.away:
            continue
        if stay.end is not None and stay.end > start and _same_day(stay.end, start) and stay.start < start:
            start = stay.end
        if end is not None and stay.start < end and _same_day(stay.start, end) and stay.start >= start:
            end = stay.start
    return start, end if end is None else max(start, end)


def _same_day(moment: datetime, other: datetime) -> bool:
    return moment.astimezone(other.tzinfo).date() == other.date()


def _day(moment: datetime | None) -> str:
    return "now" if moment is None else moment.date().isoformat()
