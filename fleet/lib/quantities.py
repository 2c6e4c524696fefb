"""Quantities as people type them and as pages show them: the one conversion table of the whole product.

Columns and arguments carry their unit as a suffix (``_kg``, ``_mm``, ``_c``); a value is stored in exactly that unit.
Conversion happens only in forms, imports and display, and all of it here. Factors are exact by definition (the
international foot, pound and US gallon; NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal
from functools import cache, lru_cache
from itertools import pairwise
from typing import Literal

from fleet.lib.errors import DomainError
from fleet.lib.numbers import SPACES, DecimalMark, normalise, parse_number

System = Literal["si", "us"]
Direction = Literal["nearest", "up", "down"]

_EXACT = Context(prec=34)
_NOISE = 1e-12
GROUP_SPACE = "\u202f"
UNIT_SPACE = "\u00a0"


class QuantityError(DomainError):
    """A typed quantity cannot be read, or has a unit that does not fit its column."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``value in reference unit of the dimension = value * factor + offset``."""

    key: str
    dimension: str
    factor: Decimal
    symbol: str
    spellings: tuple[str, ...]
    digits: int = 0
    offset: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A typed quantity: ``value`` [base unit of the column], with the text and the unit as typed."""

    value: float
    exact: Decimal
    typed: str
    unit: str


def _unit(
    key: str,
    dimension: str,
    factor: str,
    symbol: str,
    spellings: str = "",
    digits: int = 0,
    offset: str = "0",
) -> Unit:
    top, _, bottom = factor.partition("/")
    exact = _EXACT.divide(Decimal(top), Decimal(bottom or "1"))
    over, _, under = offset.partition("/")
    shift = _EXACT.divide(Decimal(over), Decimal(under or "1"))
    names = (key, symbol, *(name for name in spellings.split("|") if name))
    return Unit(key, dimension, exact, symbol, tuple(dict.fromkeys(names)), digits, shift)


_ALL = (
    _unit("mm", "length", "0.001", "mm", "millimetre|millimetres|millimeter|millimeters"),
    _unit("cm", "length", "0.01", "cm", "centimetre|centimetres|centimeter|centimeters", 1),
    _unit("m", "length", "1", "m", "metre|metres|meter|meters|mtr", 0),
    _unit("km", "length", "1000", "km", "kms|kilometre|kilometres|kilometer|kilometers", 1),
    _unit("in", "length", "0.0254", "in", "\"|''|inch|inches|ins", 1),
    _unit("ft", "length", "0.3048", "ft", "'|foot|feet", 0),
    _unit("yd", "length", "0.9144", "yd", "yard|yards", 0),
    _unit("mi", "length", "1609.344", "mi", "mile|miles", 1),
    _unit("nmi", "length", "1852", "NM", "nautical mile|nautical miles", 1),
    _unit("kg", "mass", "1", "kg", "kgs|kilo|kilos|kilogram|kilograms|kilogramme|kilogrammes"),
    _unit("g", "mass", "0.001", "g", "gram|grams|gramme|grammes"),
    _unit("t", "mass", "1000", "t", "tonne|tonnes|metric ton|metric tons|mt", 2),
    _unit("lb", "mass", "0.45359237", "lb", "lbs|pound|pounds|#"),
    _unit("oz", "mass", "0.028349523125", "oz", "ounce|ounces", 1),
    _unit("short_ton", "mass", "907.18474", "short tons", "short ton|us ton|us tons", 2),
    _unit("long_ton", "mass", "1016.0469088", "long tons", "long ton|uk ton|uk tons", 2),
    _unit("v", "voltage", "1", "V", "volt|volts|vdc|v dc", 2),
    _unit("mv", "voltage", "0.001", "mV", "millivolt|millivolts"),
    _unit("kv", "voltage", "1000", "kV", "", 2),
    _unit("a", "current", "1", "A", "amp|amps|ampere|amperes|adc", 1),
    _unit("ma", "current", "0.001", "mA", "milliamp|milliamps"),
    _unit("ah", "charge", "1", "Ah", "amp hour|amp hours|amp-hour|amp-hours|ampere hours|a h|a.h", 0),
    _unit("mah", "charge", "0.001", "mAh"),
    _unit("wh", "energy", "1", "Wh", "watt hour|watt hours|watt-hours|w h"),
    _unit("kwh", "energy", "1000", "kWh", "kilowatt hours|kw h", 1),
    _unit("w", "power", "0.001", "W", "watt|watts"),
    _unit("kw", "power", "1", "kW", "kilowatt|kilowatts", 1),
    _unit("hp", "power", "0.74569987158227022", "hp", "horsepower|bhp", 1),
    _unit("c", "temperature", "1", "\u00b0C", "deg c|degc|celsius|degrees c|degrees celsius|\u00ba c", 0),
    _unit("f", "temperature", "5/9", "\u00b0F", "deg f|degf|fahrenheit|degrees f|\u00ba f", 0, "-160/9"),
    _unit("kelvin", "temperature", "1", "K", "kelvin", 0, "-273.15"),
    _unit("k", "temperature difference", "1", "K", "kelvin|\u00b0c|c|deg c", 1),
    _unit("delta_f", "temperature difference", "5/9", "\u00b0F", "f|deg f", 1),
    _unit("l", "volume", "1", "L", "litre|litres|liter|liters|ltr|ltrs"),
    _unit("ml", "volume", "0.001", "mL", "millilitre|millilitres|milliliter|milliliters|cc"),
    _unit("m3", "volume", "1000", "m\u00b3", "m3|cu m|cum|cbm|m^3|cubic metres|cubic meters", 1),
    _unit("gal", "volume", "3.785411784", "gal", "gals|gallon|gallons|us gal|us gallon|us gallons|usg", 0),
    _unit(
        "imp_gal",
        "volume",
        "4.54609",
        "imp gal",
        "imp gallon|imp gallons|imperial gallons|uk gal|uk gallons",
        0,
    ),
    _unit("ft3", "volume", "28.316846592", "ft\u00b3", "ft3|cu ft|cuft|cubic foot|cubic feet|ft^3", 1),
    _unit("m3_h", "flow", "1", "m\u00b3/h", "m3/h|m3/hr|m3 per hour|cubic metres per hour", 1),
    _unit("m3_day", "flow", "1/24", "m\u00b3/day", "m3/day|m3/d|m3 per day|cubic metres per day", 1),
    _unit("l_h", "flow", "0.001", "L/h", "l/h|l/hr|lph|litres per hour|liters per hour"),
    _unit("l_min", "flow", "0.06", "L/min", "l/min|lpm|litres per minute|liters per minute", 1),
    _unit("l_day", "flow", "0.001/24", "L/day", "l/day|l/d|litres per day|liters per day"),
    _unit("gpm", "flow", "0.2271247070", "gal/min", "gpm|gal/min|us gpm|gallons per minute", 1),
    _unit("gpd", "flow", "0.003785411784/24", "gal/day", "gpd|gal/day|gallons per day"),
    _unit("s", "time", "1/3600", "s", "sec|secs|second|seconds"),
    _unit("min", "time", "1/60", "min", "mins|minute|minutes"),
    _unit("h", "time", "1", "h", "hr|hrs|hour|hours|h.", 1),
    _unit("days", "time", "24", "days", "d|day"),
    _unit("weeks", "time", "168", "weeks", "wk|wks|week"),
    _unit("months", "months", "1", "months", "month|mo|mos|mth|mths"),
    _unit("years", "months", "12", "years", "year|yr|yrs|y", 1),
    _unit("soc", "fraction", "1", "", "", 2),
    _unit("pct", "fraction", "0.01", "%", "percent|per cent|pct", 0),
    _unit("kmh", "speed", "1", "km/h", "kmh|kph|kmph", 0),
    _unit("m_s", "speed", "3.6", "m/s", "mps", 1),
    _unit("kn", "speed", "1.852", "kn", "kt|kts|knot|knots", 0),
    _unit("mph", "speed", "1.609344", "mph", "mi/h|miles per hour", 0),
    _unit("kpa", "pressure", "1", "kPa", "kilopascal|kilopascals", 0),
    _unit("bar", "pressure", "100", "bar", "bars", 2),
    _unit("psi", "pressure", "6.894757293168361", "psi", "lb/in2|lbf/in2", 0),
    _unit("m2", "area", "1", "m\u00b2", "m2|sq m|sqm|m^2", 1),
    _unit("ft2", "area", "0.09290304", "ft\u00b2", "ft2|sq ft|sqft|ft^2", 0),
    _unit("kg_m2", "area load", "1", "kg/m\u00b2", "kg/m2", 0),
    _unit("lb_ft2", "area load", "4.8824276363831", "lb/ft\u00b2", "lb/ft2|psf", 0),
    _unit("deg", "angle", "1", "\u00b0", "degrees|degree", 1),
    _unit("ntu", "turbidity", "1", "NTU", "fnu", 0),
    _unit("mg_l", "concentration", "1", "mg/L", "mg/l|ppm", 1),
    _unit("kwh_m2_day", "irradiation", "1", "kWh/m\u00b2/day", "kwh/m2/day|psh", 1),
    _unit("mohm", "resistance", "1", "m\u03a9", "mohms|milliohm|milliohms", 2),
)

UNITS: dict[str, Unit] = {unit.key: unit for unit in _ALL}

# What a suffix is shown as: (SI, US customary). A suffix not listed is shown as it is stored.
DISPLAY: dict[str, tuple[str, str]] = {
    "mm": ("mm", "in"),
    "m": ("m", "ft"),
    "km": ("km", "mi"),
    "kg": ("kg", "lb"),
    "g": ("g", "oz"),
    "c": ("c", "f"),
    "k": ("k", "delta_f"),
    "l": ("l", "gal"),
    "m3": ("m3", "gal"),
    "m3_h": ("m3_h", "gpm"),
    "m3_day": ("m3_day", "gpd"),
    "l_h": ("l_h", "gpm"),
    "l_day": ("l_day", "gpd"),
    "soc": ("pct", "pct"),
    "kmh": ("kmh", "mph"),
    "kpa": ("kpa", "psi"),
    "m2": ("m2", "ft2"),
    "kg_m2": ("kg_m2", "lb_ft2"),
}

_TERM = re.compile(
    r"(?P<fraction>(?:\d+[ -])?\d+/\d+)|"
    rf"(?P<number>\d{{1,3}}(?:[{SPACES}']\d{{3}})+(?!\d)(?:[.,]\d+)?|\d[\d.,]*(?:[eE][+-]?\d+(?![A-Za-z]))?|[.,]\d+)"
)


def unit(key: str) -> Unit:
    """The unit with this key (the suffix of a column name); an unknown key is an error that lists the known ones."""
    try:
        return UNITS[key]
    except KeyError:
        raise QuantityError(
            "quantity.unknown_unit_key",
            "There is no unit '{key}'; known are {known}.",
            key=key,
            known=", ".join(UNITS),
        ) from None


def suffix_unit(name: str) -> str | None:
    """The unit that a column or argument name carries as its suffix (``mass_kg`` -> ``kg``), or None."""
    parts = name.split("_")
    for length in (3, 2, 1):
        key = "_".join(parts[-length:])
        if len(parts) > length and key in UNITS:
            return key
    return None


def convert(value: float, source: str, target: str) -> float:
    """``value`` [source] in ``target``; both are keys of UNITS of one dimension."""
    if source == target:
        return float(value)
    return float(convert_exact(Decimal(repr(float(value))), source, target))


def convert_exact(value: Decimal, source: str, target: str) -> Decimal:
    """Like :func:`convert`, in decimal arithmetic to 34 places."""
    one, other = unit(source), unit(target)
    if one.dimension != other.dimension:
        raise QuantityError(
            "quantity.dimension",
            "{source} is a unit of {one}, {target} a unit of {other}.",
            source=one.symbol or one.key,
            one=one.dimension,
            target=other.symbol or other.key,
            other=other.dimension,
        )
    reference = _EXACT.add(_EXACT.multiply(value, one.factor), one.offset)
    return _EXACT.divide(_EXACT.subtract(reference, other.offset), other.factor)


def find_unit(spelling: str, dimension: str) -> Unit | None:
    """The unit of ``dimension`` that is written so, or None. Case is ignored, except that M never means milli."""
    cleaned = normalise(spelling)
    exact, folded = _spellings(dimension)
    found = exact.get(cleaned) or folded.get(_fold(cleaned))
    if found is not None and found.key == "mohm" and cleaned.startswith("M"):
        return None
    return found


def known_spellings(base: str) -> list[str]:
    """The symbols that may be typed for a column stored in ``base``, for help texts."""
    return [each.symbol or "0 to 1" for each in _ALL if each.dimension == unit(base).dimension]


@cache
def _spellings(dimension: str) -> tuple[dict[str, Unit], dict[str, Unit]]:
    exact: dict[str, Unit] = {}
    folded: dict[str, Unit] = {}
    for each in _ALL:
        if each.dimension != dimension:
            continue
        for name in each.spellings:
            cleaned = normalise(name)
            if not cleaned:
                continue
            exact.setdefault(cleaned, each)
            folded.setdefault(_fold(cleaned), each)
    return exact, folded


def _fold(text: str) -> str:
    return text.casefold().rstrip(".").replace("\u00ba", "\u00b0").replace(" ", "")


@lru_cache(maxsize=10_000)
def parse_quantity(
    text: str, base: str, *, decimal_mark: DecimalMark = ".", default_unit: str | None = None
) -> Quantity:
    """Read a typed quantity into ``base``.

    ``8 200 lb``, ``3720 kg``, ``77 \u00b0F``, ``1.2 m3``, ``12 ft 6 in``, ``7 5/8 in``; a bare number is in
    ``default_unit`` (``base`` when not given). Raises QuantityError or NumberError with a sentence.
    """
    cleaned = normalise(text)
    sign = 1
    body = cleaned
    if body[:1] in "+-" and body:
        sign = -1 if body[0] == "-" else 1
        body = body[1:].lstrip()
    terms = _split_terms(body, text, base)
    home = unit(base)
    units = [_unit_of_term(spelling, home, default_unit or base, text, len(terms)) for _, spelling in terms]
    _check_descending(units, text)
    total = Decimal(0)
    for (number, _), each in zip(terms, units, strict=True):
        signed = _term_value(number, decimal_mark) * sign
        total = _EXACT.add(total, convert_exact(signed, each.key, base))
    value = float(total)
    return Quantity(value, total, text.strip(), units[0].key)


def _split_terms(body: str, typed: str, base: str) -> list[tuple[str, str]]:
    terms: list[tuple[str, str]] = []
    position = 0
    while position < len(body):
        match = _TERM.match(body, position)
        if match is None:
            raise _unreadable(typed, base)
        following = _next_number(body, match.end())
        terms.append((match.group(), body[match.end() : following].strip().rstrip(",").strip()))
        position = following
    if not terms:
        raise _unreadable(typed, base)
    return terms


def _next_number(body: str, start: int) -> int:
    # A digit that belongs to a unit (m3, lb/ft2) follows a letter, a caret or a stroke directly.
    for position in range(start, len(body)):
        if body[position].isdigit() and not (body[position - 1].isalpha() or body[position - 1] in "^/"):
            return position
    return len(body)


def _unit_of_term(spelling: str, home: Unit, default: str, typed: str, terms: int) -> Unit:
    if not spelling:
        if terms > 1:
            raise _unreadable(typed, home.key)
        return unit(default)
    found = find_unit(spelling, home.dimension)
    if found is not None:
        return found
    other = next((each for each in _ALL if spelling in each.spellings), None)
    if other is not None:
        raise QuantityError(
            "quantity.wrong_dimension",
            "'{text}' is a {other}; here a {wanted} is needed ({known}).",
            text=typed.strip(),
            other=other.dimension,
            wanted=home.dimension,
            known=", ".join(known_spellings(home.key)),
        )
    raise QuantityError(
        "quantity.unknown_unit",
        "The unit '{spelling}' in '{text}' is not known here; use one of {known}.",
        spelling=spelling,
        text=typed.strip(),
        known=", ".join(known_spellings(home.key)),
    )


def _check_descending(units: list[Unit], typed: str) -> None:
    for larger, smaller in pairwise(units):
        if smaller.factor >= larger.factor or larger.offset or smaller.offset:
            raise QuantityError(
                "quantity.compound", "'{text}' adds units that do not go together.", text=typed.strip()
            )


def _term_value(number: str, decimal_mark: DecimalMark) -> Decimal:
    if "/" not in number:
        return parse_number(number, decimal_mark)
    whole, _, fraction = number.replace("-", " ").rpartition(" ")
    top, _, bottom = fraction.partition("/")
    if int(bottom) == 0:
        raise QuantityError("quantity.unreadable", "'{text}' divides by nothing.", text=number)
    return Decimal(int(whole or 0)) + _EXACT.divide(Decimal(int(top)), Decimal(int(bottom)))


def _unreadable(typed: str, base: str) -> QuantityError:
    return QuantityError(
        "quantity.unreadable",
        "'{text}' is not a number with a unit; write for instance '{example}'.",
        text=typed.strip(),
        example=f"12.5 {unit(base).symbol}".strip(),
    )


def display_unit(base: str, system: System = "si") -> Unit:
    """The unit in which a column stored in ``base`` is shown."""
    pair = DISPLAY.get(base, (base, base))
    return unit(pair[0] if system == "si" else pair[1])


def display_value(
    value: float,
    base: str,
    system: System = "si",
    *,
    direction: Direction = "nearest",
    digits: int | None = None,
) -> Decimal:
    """``value`` [base] in its display unit, rounded; ``up`` is never below and ``down`` never above the true value."""
    shown = display_unit(base, system)
    places = shown.digits if digits is None else digits
    exact = Decimal(repr(convert(value, base, shown.key)))
    return _rounded(exact, places, direction)


def _rounded(exact: Decimal, places: int, direction: Direction) -> Decimal:
    step = Decimal(1).scaleb(-places)
    nearest = exact.quantize(step, rounding=ROUND_HALF_EVEN, context=_EXACT)
    if direction == "nearest" or abs(nearest - exact) <= abs(exact) * Decimal(_NOISE):
        return nearest + 0
    rounding = ROUND_CEILING if direction == "up" else ROUND_FLOOR
    return exact.quantize(step, rounding=rounding, context=_EXACT) + 0


def format_quantity(
    value: float | None,
    base: str,
    system: System = "si",
    *,
    direction: Direction = "nearest",
    digits: int | None = None,
    with_unit: bool = True,
) -> str:
    """``value`` [base] as text for a page: ``3720 kg`` or ``8202 lb``; None and not-a-number are an empty text.

    ``direction`` says which way rounding may go: a mass held against a limit is rounded ``up``, a remaining margin
    ``down``, so that what is printed is never kinder than what was computed.
    """
    if value is None or not math.isfinite(value):
        return ""
    shown = display_unit(base, system)
    number = format_number(display_value(value, base, system, direction=direction, digits=digits))
    if not with_unit or not shown.symbol:
        return number
    return f"{number}{'' if shown.key == 'deg' else UNIT_SPACE}{shown.symbol}"


def format_number(number: Decimal) -> str:
    """A decimal with a point and, from five digits on, groups of three parted by a narrow space."""
    text = f"{abs(number):f}"
    whole, point, fraction = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", GROUP_SPACE)
    return ("-" if number < 0 else "") + whole + point + fraction


def round_up(value: float, base: str, system: System = "si", digits: int | None = None) -> str:
    """Text of ``value`` [base] that never understates it."""
    return format_quantity(value, base, system, direction="up", digits=digits)


def round_down(value: float, base: str, system: System = "si", digits: int | None = None) -> str:
    """Text of ``value`` [base] that never overstates it."""
    return format_quantity(value, base, system, direction="down", digits=digits)
