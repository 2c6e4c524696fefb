"""One cell as a typed value. Every refusal is a sentence with a mend."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import Any

from fleet.domain.intake.spec import NO, YES, ColumnSpec, Conventions, HeaderCell, fold
from fleet.lib.dates import date_from_serial, instant_from_local, parse_date, parse_instant
from fleet.lib.errors import DomainError
from fleet.lib.numbers import MAX_MAGNITUDE, DecimalMark, normalise, parse_number
from fleet.lib.quantities import UNITS, convert_exact, parse_quantity
from fleet.lib.sheets import BadCell, Measured, Value


def read_cell(raw: Value, cell: HeaderCell, zone: str, conventions: Conventions) -> tuple[Any, str]:
    """One cell as a typed value, and the text as typed where it says more than the value. Raises DomainError."""
    if isinstance(raw, BadCell):
        raise _bad_cell(raw)
    stored = raw.value if isinstance(raw, Measured) else raw
    if isinstance(stored, float) and not abs(stored) < float(MAX_MAGNITUDE):
        raise DomainError("number.too_large", "'{text}' is too large to be meant.", text=shown(raw))
    kind = cell.column.kind
    if kind == "quantity":
        return _in_bounds(cell.column, *_quantity(raw, cell, conventions))
    if kind in ("number", "integer"):
        return _in_bounds(cell.column, *_number(raw, kind, conventions))
    if kind in ("latitude", "longitude"):
        return _coordinate(raw, kind, conventions)
    if kind == "date":
        return _date(raw, conventions)
    if kind == "instant":
        return _instant(raw, zone, conventions)
    if kind == "flag":
        return _flag(raw), ""
    text = _text(raw)
    if kind == "choice":
        return _choice(text, cell.column), ""
    if cell.column.max_length and len(text) > cell.column.max_length:
        raise DomainError(
            "cell.too_long",
            "The text has {length} characters; {most} are possible.",
            length=len(text),
            most=cell.column.max_length,
            mend="Shorten it.",
        )
    return text, ""


def shown(raw: Value) -> str:
    """A cell as a person would recognise it."""
    if isinstance(raw, BadCell):
        return raw.text
    if isinstance(raw, Measured):
        return f"{raw.value:g} {raw.unit}"
    if isinstance(raw, float):
        return f"{raw:.15g}"
    return "" if raw is None else str(raw)


def mend_of(column: ColumnSpec) -> str:
    if column.kind == "choice":
        return (
            "Write one of: "
            + ", ".join(words[0] if words else code for code, words in column.choices.items())
            + "."
        )
    if column.example:
        return f"Write for instance '{column.example}'."
    return {
        "date": "Write for instance '2026-11-03' or '3 Nov 2026'.",
        "instant": "Write for instance '2026-11-03 14:30'.",
        "flag": "Write yes or no.",
        "integer": "Write a whole number.",
        "number": "Write a number.",
        "quantity": "Write a number with its unit.",
    }.get(column.kind, "Mend the cell.")


_BAD_CELLS = {
    "error": ("The cell holds the error {text}.", "Mend the formula, or type the value."),
    "no_result": (
        "The cell holds a formula whose result was never stored.",
        "Open the file in your spreadsheet program, save it, and bring it again; or type the value.",
    ),
    "merged": (
        "The cell is merged with another, so it is not clear whether it has the same value.",
        "Split the merged cell and fill in each row.",
    ),
    "bad_date": ("The cell is formatted as a date but holds none.", "Type the date."),
}


def _bad_cell(raw: BadCell) -> DomainError:
    template, mend = _BAD_CELLS[raw.kind]
    return DomainError(f"cell.{raw.kind}", template, text=raw.text, mend=mend)


def _text(raw: Value) -> str:
    if isinstance(raw, bool):
        return "yes" if raw else "no"
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        return str(int(raw))
    if isinstance(raw, (dt.datetime, dt.date)):
        raise DomainError(
            "cell.date_for_text",
            "The cell holds a date ({text}) where a text is needed; the spreadsheet program may have changed it.",
            text=raw.isoformat(),
            mend="Format the column as text and type the value again.",
        )
    return shown(raw).strip()


def _quantity(raw: Value, cell: HeaderCell, conventions: Conventions) -> tuple[float, str]:
    base, default = cell.column.unit, cell.unit or cell.column.unit
    if default.startswith("?"):
        raise DomainError(
            "header.unit", "The unit in the header is not known.", mend="Mend the header of the column."
        )
    if isinstance(raw, Measured):
        exact = parse_quantity(f"{Decimal(repr(raw.value)):f} {raw.unit}", base).exact
        return float(exact), shown(raw)
    if isinstance(raw, (dt.timedelta, dt.time)) and UNITS[base].dimension == "time":
        seconds = (
            raw.total_seconds()
            if isinstance(raw, dt.timedelta)
            else float(raw.hour * 3600 + raw.minute * 60 + raw.second)
        )
        return float(convert_exact(Decimal(repr(seconds)), "s", base)), str(raw)
    if isinstance(raw, (int, float)) and not isinstance(raw, bool):
        value = float(convert_exact(Decimal(repr(raw)), default, base))
        return value, f"{shown(raw)} {UNITS[default].symbol}" if default != base else ""
    if not isinstance(raw, str):
        raise DomainError("cell.not_a_quantity", "'{text}' is not a quantity.", text=shown(raw))
    quantity = parse_quantity(raw, base, decimal_mark=conventions.decimal_mark, default_unit=default)
    bare = quantity.unit == base and re.fullmatch(r"[\d.\s]+", raw)
    typed = raw if not cell.unit or quantity.unit != cell.unit else f"{raw} ({UNITS[cell.unit].symbol})"
    return quantity.value, "" if bare and default == base else typed


def _number(raw: Value, kind: str, conventions: Conventions) -> tuple[Any, str]:
    if isinstance(raw, bool) or not isinstance(raw, (int, float, str)):
        raise DomainError("cell.not_a_number", "'{text}' is not a number.", text=shown(raw))
    number = parse_number(raw, conventions.decimal_mark) if isinstance(raw, str) else Decimal(repr(raw))
    if kind == "number":
        return number, ""
    if number != number.to_integral_value():
        raise DomainError("cell.not_whole", "'{text}' is not a whole number.", text=shown(raw))
    return int(number), ""


def _in_bounds(column: ColumnSpec, value: Any, typed: str) -> tuple[Any, str]:
    low, high = column.minimum, column.maximum
    if (low is not None and value < low) or (high is not None and value > high):
        symbol = UNITS[column.unit].symbol if column.unit else ""
        bounds = " and ".join(
            part
            for part in (
                f"at least {low:g}" if low is not None else "",
                f"at most {high:g}" if high is not None else "",
            )
            if part
        )
        raise DomainError(
            "cell.out_of_bounds",
            "{value} cannot be: '{label}' is {bounds} {symbol}.".replace(
                " {symbol}", f" {symbol}" if symbol else ""
            ),
            value=f"{float(value):g} {symbol}".strip(),
            label=column.label,
            bounds=bounds,
        )
    return value, typed


_DMS = re.compile(
    r"(?P<d>\d{1,3})\s*(?:\u00b0|deg|d|\s)\s*(?P<m>\d{1,2}(?:[.,]\d+)?)\s*(?:'|m)?\s*(?:(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:\"|''|s)?)?\Z"
)


def _coordinate(raw: Value, kind: str, conventions: Conventions) -> tuple[float, str]:
    letters, most = ("NS", 90.0) if kind == "latitude" else ("EW", 180.0)
    if isinstance(raw, (int, float)) and not isinstance(raw, bool):
        degrees, typed = float(raw), ""
    elif isinstance(raw, str):
        degrees, typed = _typed_coordinate(raw, letters, conventions.decimal_mark), raw
        typed = "" if re.fullmatch(r"-?[\d.]+", raw) else raw
    else:
        raise DomainError("cell.not_a_number", "'{text}' is not a position.", text=shown(raw))
    if abs(degrees) > most:
        raise DomainError(
            "cell.out_of_bounds", "{value} is beyond {most} degrees.", value=f"{degrees:g}", most=f"{most:g}"
        )
    return degrees, typed


def _typed_coordinate(raw: str, letters: str, mark: DecimalMark) -> float:
    text = normalise(raw).strip().upper()
    if letters == "EW" and "O" in (text[:1], text[-1:]):
        # 'Ost' is east, 'oeste' and 'ouest' are west: the letter alone says nothing.
        raise DomainError(
            "cell.east_or_west",
            "'{text}' does not say whether east or west is meant: O is east in some languages and west in others.",
            text=raw,
            mend="Write E for east or W for west, or a minus sign for west.",
        )
    sign = 1
    for letter in "NSEW":
        if text.startswith(letter) or text.endswith(letter):
            if "-" in text:
                raise DomainError(
                    "cell.two_signs",
                    "'{text}' has a letter and a minus sign, which may or may not mean the same.",
                    text=raw,
                    mend=f"Write {letters[0]} or {letters[1]} without a sign, or the sign without a letter.",
                )
            if letter not in letters:
                raise DomainError(
                    "cell.wrong_hemisphere", "'{text}' names {letter} here.", text=raw, letter=letter
                )
            sign = -1 if letter in "SW" else 1
            text = text.strip(letter).strip()
            break
    match = _DMS.match(text.lower())
    if match is None:
        return sign * float(parse_number(text.replace("\u00b0", "").strip(), mark))
    minutes = float(match["m"].replace(",", "."))
    seconds = float((match["s"] or "0").replace(",", "."))
    if minutes >= 60 or seconds >= 60:
        raise DomainError("cell.not_a_number", "'{text}' has 60 or more minutes or seconds.", text=raw)
    return sign * (int(match["d"]) + minutes / 60 + seconds / 3600)


def _date(raw: Value, conventions: Conventions) -> tuple[dt.date, str]:
    if isinstance(raw, dt.datetime):
        raise DomainError(
            "date.time_given", "'{text}' has a time of day; here only the day counts.", text=shown(raw)
        )
    if isinstance(raw, dt.date):
        return raw, ""
    if isinstance(raw, bool) or not isinstance(raw, (int, float, str)):
        raise DomainError("date.unreadable", "'{text}' is not a date.", text=shown(raw))
    if isinstance(raw, str):
        found = parse_date(raw, conventions.day_order, epoch=conventions.epoch)
        return found.day, "" if raw == found.day.isoformat() else raw
    if float(raw).is_integer() and 19000101 <= raw <= 21491231:
        return parse_date(str(int(raw))).day, shown(raw)
    return date_from_serial(float(raw), epoch=conventions.epoch).date(), shown(raw)


def _instant(raw: Value, zone: str, conventions: Conventions) -> tuple[dt.datetime, str]:
    if isinstance(raw, str):
        found = parse_instant(raw, zone, conventions.day_order, epoch=conventions.epoch)
        return found.instant, raw
    if isinstance(raw, dt.datetime):
        return instant_from_local(raw.replace(microsecond=0), zone).instant, raw.isoformat(sep=" ")
    if isinstance(raw, dt.date):
        local = dt.datetime.combine(raw, dt.time(0))
        return instant_from_local(local, zone, day_only=True).instant, raw.isoformat()
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise DomainError("date.unreadable", "'{text}' is not an instant.", text=shown(raw))
    local = date_from_serial(float(raw), epoch=conventions.epoch)
    return instant_from_local(local, zone, day_only=local.time() == dt.time(0)).instant, shown(raw)


def _flag(raw: Value) -> bool:
    if isinstance(raw, bool):
        return raw
    word = shown(raw).strip().casefold()
    if word in YES:
        return True
    if word in NO:
        return False
    raise DomainError(
        "cell.not_yes_no",
        "'{text}' is neither yes nor no.",
        text=shown(raw),
        mend="Write yes or no; leave the cell empty to change nothing.",
    )


def _choice(text: str, column: ColumnSpec) -> str:
    wanted = fold(text)
    for code, words in column.choices.items():
        if wanted == fold(code) or any(wanted == fold(word) for word in words):
            return code
    raise DomainError(
        "cell.not_a_choice", "'{text}' is not one of the words for '{label}'.", text=text, label=column.label
    )
