"""Dates and instants as people type them; the day-month order of a file settled once.

``03/11/2026`` is the third of November in most of the world and the eleventh of March in some of it. The order is
settled per file: stated, or shown by a cell that can be read in one way only; else one question is asked. A month
alone (``11/2026``) means its last day, because a thing dated so is good through that month. A time that a clock change
skips or repeats is a fault, never a guess.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fleet.lib.errors import DomainError
from fleet.lib.numbers import Example, Question, normalise

DayOrder = Literal["day_first", "month_first"]

FIRST_YEAR, LAST_YEAR = 1950, 2149
NOON = dt.time(12, 0)
EPOCH_1900 = dt.datetime(1899, 12, 30)  # noqa: DTZ001 - a clock time in a cell has no zone
EPOCH_1904 = dt.datetime(1904, 1, 1)  # noqa: DTZ001
SERIAL_FIRST, SERIAL_LAST = 18264.0, 91312.0

_MONTH_WORDS = (
    "january januar janvier enero janeiro gennaio januari jan ene gen",
    "february februar fevrier febrero fevereiro febbraio februari feb fev fevr",
    "march marz maerz mars marzo marco maart mar mrz mrt",
    "april avril abril aprile apr avr abr",
    "may mai mayo maio maggio mei mag",
    "june juni juin junio junho giugno jun giu",
    "july juli juillet julio julho luglio jul juil lug",
    "august aout agosto augustus aug ago",
    "september septembre septiembre setembro settembre sep sept set",
    "october oktober octobre octubre outubro ottobre oct okt out ott",
    "november novembre noviembre novembro nov",
    "december dezember decembre diciembre dezembro dicembre dec dez dic",
)
MONTHS = {word: number for number, words in enumerate(_MONTH_WORDS, start=1) for word in words.split()}

_SEP = r"[./\-\s]"
_ISO = re.compile(r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})\Z")
_ISO_TIGHT = re.compile(r"(?P<y>(19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})\Z")
_NUMERIC = re.compile(r"(?P<a>\d{1,2})[-/.](?P<b>\d{1,2})[-/.](?P<y>\d{4}|\d{2})\Z")
_DAY_NAME_YEAR = re.compile(
    rf"(?P<d>\d{{1,2}})(st|nd|rd|th|\.)?{_SEP}*(de )?(?P<n>[a-z]{{3,}})\.?,?{_SEP}*(de )?(?P<y>\d{{4}}|\d{{2}})\Z"
)
_NAME_DAY_YEAR = re.compile(
    rf"(?P<n>[a-z]{{3,}})\.?{_SEP}*(?P<d>\d{{1,2}})(st|nd|rd|th)?(,\s*|{_SEP}+)(?P<y>\d{{4}})\Z"
)
_YEAR_NAME_DAY = re.compile(rf"(?P<y>\d{{4}}){_SEP}+(?P<n>[a-z]{{3,}})\.?{_SEP}+(?P<d>\d{{1,2}})\Z")
_NAME_YEAR = re.compile(rf"(?P<n>[a-z]{{3,}})\.?,?{_SEP}*(de )?(?P<y>\d{{4}})\Z")
_MONTH_YEAR = re.compile(r"(?P<m>\d{1,2})[-/.](?P<y>\d{4})\Z")
_YEAR_MONTH = re.compile(r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})\Z")
_WEEKDAY = re.compile(r"(mon|tues?|wed(nes)?|thu(rs)?|fri|sat(ur)?|sun)(day)?[.,]?\s+")
_SERIAL = re.compile(r"\d{5}([.,]\d+)?\Z")
_TIME = re.compile(
    r"(?P<h>\d{1,2})\s*(?:[:.h]\s*(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,]\d+)?)?|(?P<bare>(?=\s*[ap]\.?m)))"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?:h|hrs|uhr)?\Z"
)
_TIME_TIGHT = re.compile(r"(?P<h>[01]\d|2[0-3])(?P<m>[0-5]\d)\s*(?:h|hrs)?\Z")
_OFFSET = re.compile(r"\s*(?:utc|gmt)?\s*(?P<sign>[+-])(?P<h>\d{1,2}):?(?P<m>\d{2})?\Z", re.IGNORECASE)
_ZONE_NAME = re.compile(r"\s+(?P<zone>[A-Za-z]+/[A-Za-z_]+(?:/[A-Za-z_]+)?)\Z")
_ZULU = re.compile(r"\s*(z|utc|gmt)\Z", re.IGNORECASE)
_ZONE_LETTERS = re.compile(r"\s+(?P<zone>[A-Z]{3,5})\Z")


class DateError(DomainError):
    """A text is not a date or an instant that can be used."""


@dataclass(frozen=True, slots=True)
class TypedDate:
    """A calendar day with what was typed: ``month_only`` when the day was filled in as the last of the month."""

    day: dt.date
    typed: str
    month_only: bool = False


@dataclass(frozen=True, slots=True)
class TypedInstant:
    """An aware UTC instant; ``day_only`` when no time was given and noon at the place was taken."""

    instant: dt.datetime
    typed: str
    day_only: bool = False


@lru_cache(maxsize=10_000)
def day_order_evidence(text: str) -> DayOrder | Literal["?"] | None:
    """What one typed date says about the day-month order; ``"?"`` = could be both, None = does not matter."""
    match = _NUMERIC.match(_date_part(_clean(text)))
    if match is None:
        return None
    first, second = int(match["a"]), int(match["b"])
    if first == second or not (first and second):
        return None
    if first > 12 and second > 12:
        return None
    if first > 12:
        return "day_first"
    if second > 12:
        return "month_first"
    return "?"


@dataclass
class DayOrderSettler:
    """Collects what the cells of a file show about its day-month order."""

    stated: DayOrder | None = None
    seen: dict[str, Example] = field(default_factory=dict)

    def look(self, text: str, sheet: str = "", row: int = 0, column: str = "") -> None:
        """Take one typed date into account; keeps the first example of each kind."""
        evidence = day_order_evidence(text)
        if evidence is not None and evidence not in self.seen:
            self.seen[evidence] = Example(sheet, row, column, text)

    def settle(self) -> DayOrder | Question:
        """The order of the file, or the question to ask once."""
        if self.stated:
            return self.stated
        if "day_first" in self.seen and "month_first" in self.seen:
            return self._question("disagree")
        if "day_first" in self.seen:
            return "day_first"
        if "month_first" in self.seen:
            return "month_first"
        return self._question("undecided") if "?" in self.seen else "day_first"

    def _question(self, reason: Literal["disagree", "undecided"]) -> Question:
        sentence = (
            "Some dates in this file have the day first and others the month. Which comes first?"
            if reason == "disagree"
            else "No date in this file shows whether the day or the month comes first. Which is it?"
        )
        choices = (
            ("day_first", "Day first: 03/11/2026 is 3 November"),
            ("month_first", "Month first: 03/11/2026 is 11 March"),
        )
        return Question("day_order", reason, sentence, choices, tuple(self.seen.values()))


def parse_date(text: str, order: DayOrder = "day_first", *, epoch: dt.datetime = EPOCH_1900) -> TypedDate:
    """Read a calendar day: ISO, ``3 Nov 2026``, ``03/11/2026`` by ``order``, ``11/2026``, or a sheet serial.

    Raises DateError with a sentence.
    """
    cleaned = _clean(text)
    if _SERIAL.match(cleaned):
        return TypedDate(_from_serial(float(cleaned.replace(",", ".")), text, epoch).date(), text.strip())
    date_text, time_text = _split_time(cleaned)
    if time_text and not _is_midnight(time_text):
        raise DateError(
            "date.time_given", "'{text}' has a time of day; here only the day counts.", text=text.strip()
        )
    return _read_day(date_text, text, order)


def date_from_serial(serial: float, *, epoch: dt.datetime = EPOCH_1900) -> dt.datetime:
    """The local date and time behind a spreadsheet's serial number (days since its epoch), to the second."""
    return _from_serial(serial, f"{serial:g}", epoch)


def parse_instant(
    text: str,
    zone: str,
    order: DayOrder = "day_first",
    *,
    epoch: dt.datetime = EPOCH_1900,
    day_time: dt.time = NOON,
) -> TypedInstant:
    """Read an instant; without a zone in the text it is in ``zone``, the zone of the place.

    A day alone is taken at ``day_time`` and marked so. Raises DateError for an unreadable text, an unknown zone, a
    time that does not exist there (clocks went forward) and one that happened twice (clocks went back).
    """
    cleaned = normalise(text)
    if _SERIAL.match(cleaned):
        local = _from_serial(float(cleaned.replace(",", ".")), text, epoch)
        return instant_from_local(local, zone, text, day_only=local.time() == dt.time(0), day_time=day_time)
    body, tz = _split_zone(cleaned, text)
    date_text, time_text = _split_time(_clean(body))
    typed_day = _read_day(date_text, text, order)
    if typed_day.month_only:
        raise DateError(
            "date.day_missing", "'{text}' names a month; here the day is needed.", text=text.strip()
        )
    time = _read_time(time_text, text) if time_text else day_time
    local = dt.datetime.combine(typed_day.day, time)
    if tz is not None:
        if isinstance(tz, ZoneInfo):
            return TypedInstant(resolve_local(local, tz.key, text), text.strip(), not time_text)
        return TypedInstant(local.replace(tzinfo=tz).astimezone(dt.UTC), text.strip(), not time_text)
    return TypedInstant(resolve_local(local, zone, text), text.strip(), not time_text)


def instant_from_local(
    local: dt.datetime, zone: str, text: str = "", *, day_only: bool = False, day_time: dt.time = NOON
) -> TypedInstant:
    """An instant from the clock time of a cell; a day alone is taken at ``day_time``."""
    typed = text.strip() or local.isoformat(sep=" ")
    if local.tzinfo is not None:
        return TypedInstant(local.astimezone(dt.UTC), typed, False)
    if day_only:
        local = dt.datetime.combine(local.date(), day_time)
    _check_year(local.year, typed)
    return TypedInstant(resolve_local(local, zone, typed), typed, day_only)


def resolve_local(local: dt.datetime, zone: str, text: str = "") -> dt.datetime:
    """The UTC instant of a clock time in ``zone``; a skipped or repeated clock time is refused with a sentence."""
    tz = find_zone(zone)
    typed = (text or local.isoformat(sep=" ")).strip()
    earlier, later = (local.replace(tzinfo=tz, fold=fold).astimezone(dt.UTC) for fold in (0, 1))
    if earlier == later:
        return earlier
    if earlier.astimezone(tz).replace(tzinfo=None) != local:
        raise DateError(
            "date.skipped_hour",
            "'{text}' does not exist in {zone}: the clocks went forward over it.",
            text=typed,
            zone=zone,
        )
    offsets = [local.replace(tzinfo=tz, fold=fold).strftime("%z") for fold in (0, 1)]
    raise DateError(
        "date.repeated_hour",
        "'{text}' happened twice in {zone}, because the clocks went back: add {first} or {second} to say which.",
        text=typed,
        zone=zone,
        first=f"{offsets[0][:3]}:{offsets[0][3:]}",
        second=f"{offsets[1][:3]}:{offsets[1][3:]}",
    )


def find_zone(zone: str) -> ZoneInfo:
    """The time zone with this IANA name."""
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise DateError(
            "date.unknown_zone", "'{zone}' is not a time zone; write for instance 'Europe/Oslo'.", zone=zone
        ) from None


def last_day_of_month(year: int, month: int) -> dt.date:
    """The last calendar day of a month."""
    return dt.date(year, month, calendar.monthrange(year, month)[1])


def _clean(text: str) -> str:
    folded = unicodedata.normalize("NFKD", normalise(text)).encode("ascii", "ignore").decode().lower()
    return _WEEKDAY.sub("", folded, count=1).strip()


def _date_part(cleaned: str) -> str:
    return _split_time(cleaned)[0]


def _split_time(cleaned: str) -> tuple[str, str]:
    match = re.match(r"(\d{4}-\d{1,2}-\d{1,2})t(?=\d)", cleaned)
    if match:
        return match.group(1), cleaned[match.end() :].strip()
    words = re.split(r",?\s+", cleaned)
    for start in range(1, len(words)):
        tail = " ".join(words[start:])
        if _TIME.match(tail) or (_TIME_TIGHT.match(tail) and re.search(r"\d{4}", " ".join(words[:start]))):
            head = cleaned[: len(" ".join(words[:start]))] if ", " not in cleaned else " ".join(words[:start])
            return re.sub(r"\s+(at|um|kl\.?|a las)$", "", head), tail
    return cleaned, ""


def _is_midnight(time_text: str) -> bool:
    return bool(re.fullmatch(r"0{1,2}:00(:00(\.0+)?)?", time_text))


def _split_zone(cleaned: str, typed: str) -> tuple[str, dt.tzinfo | None]:
    if not re.search(r"\d[:.h]\d{2}|[T\s]\d{4}\b|[ap]\.?m", cleaned, re.IGNORECASE):
        return cleaned, None
    if match := _ZULU.search(cleaned):
        return cleaned[: match.start()], dt.UTC
    if match := _ZONE_NAME.search(cleaned):
        return cleaned[: match.start()], find_zone(match["zone"])
    match = _OFFSET.search(cleaned)
    if match and re.search(
        r"\d[:.h]\d{2}(:\d{2}([.,]\d+)?)?\s*(utc|gmt)?\s*$", cleaned[: match.start("sign")], re.IGNORECASE
    ):
        minutes = int(match["h"]) * 60 + int(match["m"] or 0)
        if minutes > 14 * 60:
            raise DateError("date.offset", "'{text}' has an offset of over 14 hours.", text=typed.strip())
        offset = dt.timedelta(minutes=minutes if match["sign"] == "+" else -minutes)
        return cleaned[: match.start()], dt.timezone(offset)
    match = _ZONE_LETTERS.search(cleaned)
    if match and match["zone"] not in {"AM", "PM", "HRS", "UHR"} and match["zone"].lower() not in MONTHS:
        raise DateError(
            "date.zone_letters",
            "'{zone}' in '{text}' means several time zones; write an offset such as +02:00, or UTC.",
            zone=match["zone"],
            text=typed.strip(),
        )
    return cleaned, None


def _read_day(cleaned: str, typed: str, order: DayOrder) -> TypedDate:
    shown = typed.strip()
    if match := _ISO.match(cleaned) or _ISO_TIGHT.match(cleaned):
        return TypedDate(_day(match["y"], match["m"], match["d"], shown), shown)
    if match := _NUMERIC.match(cleaned):
        day, month = (match["a"], match["b"]) if order == "day_first" else (match["b"], match["a"])
        return TypedDate(_day(match["y"], month, day, shown, order), shown)
    for pattern in (_DAY_NAME_YEAR, _NAME_DAY_YEAR, _YEAR_NAME_DAY):
        if (match := pattern.match(cleaned)) and match["n"] in MONTHS:
            return TypedDate(_day(match["y"], MONTHS[match["n"]], match["d"], shown), shown)
    if (match := _NAME_YEAR.match(cleaned)) and match["n"] in MONTHS:
        return _month_end(match["y"], MONTHS[match["n"]], shown)
    if match := _MONTH_YEAR.match(cleaned) or _YEAR_MONTH.match(cleaned):
        return _month_end(match["y"], match["m"], shown)
    if re.fullmatch(r"(19|20)\d{2}", cleaned):
        raise DateError(
            "date.year_only", "'{text}' is a year; write the day or at least the month.", text=shown
        )
    raise DateError(
        "date.unreadable", "'{text}' is not a date; write for instance 2026-11-03 or 3 Nov 2026.", text=shown
    )


def _day(year: str, month: str | int, day: str, typed: str, order: DayOrder | None = None) -> dt.date:
    number = _full_year(year)
    _check_year(number, typed)
    try:
        return dt.date(number, int(month), int(day))
    except ValueError:
        how = {"day_first": " with the day first", "month_first": " with the month first", None: ""}[order]
        raise DateError(
            "date.no_such_day", "'{text}' is not a day of the calendar{how}.", text=typed, how=how
        ) from None


def _month_end(year: str, month: str | int, typed: str) -> TypedDate:
    number = _full_year(year)
    _check_year(number, typed)
    if not 1 <= int(month) <= 12:
        raise DateError(
            "date.no_such_day", "'{text}' is not a month of the calendar{how}.", text=typed, how=""
        )
    return TypedDate(last_day_of_month(number, int(month)), typed, True)


def _full_year(year: str) -> int:
    number = int(year)
    if len(year) > 2:
        return number
    return 2000 + number if number < 80 else 1900 + number


def _check_year(year: int, typed: str) -> None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise DateError(
            "date.year_range", "'{text}': the year {year} cannot be meant.", text=typed, year=year
        )


def _read_time(cleaned: str, typed: str) -> dt.time:
    match = _TIME.match(cleaned)
    if match is None:
        tight = _TIME_TIGHT.match(cleaned)
        if tight is None:
            raise DateError(
                "date.time_unreadable", "'{text}' has no time that can be read.", text=typed.strip()
            )
        return dt.time(int(tight["h"]), int(tight["m"]))
    hour, minute, second = int(match["h"]), int(match["m"] or 0), int(match["s"] or 0)
    if half := match["half"]:
        if not 1 <= hour <= 12:
            raise DateError(
                "date.time_unreadable", "'{text}' has no time that can be read.", text=typed.strip()
            )
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise DateError("date.time_unreadable", "'{text}' has no time that can be read.", text=typed.strip())
    return dt.time(hour, minute, second)


def _from_serial(serial: float, typed: str, epoch: dt.datetime) -> dt.datetime:
    if not SERIAL_FIRST <= serial < SERIAL_LAST:
        raise DateError("date.serial_range", "'{text}' is not a date.", text=typed.strip())
    moment = epoch + dt.timedelta(seconds=round(serial * 86400))
    return moment
