import math
from decimal import Decimal

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.lib.errors import DomainError
from fleet.lib.quantities import (
    DISPLAY,
    UNITS,
    convert,
    display_unit,
    display_value,
    format_quantity,
    parse_quantity,
    round_down,
    round_up,
    suffix_unit,
)

TYPED = [
    ("8 200 lb", "kg", 3719.457434, "lb"),
    ("3720 kg", "kg", 3720.0, "kg"),
    ("3.72 t", "kg", 3720.0, "t"),
    ("3720", "kg", 3720.0, "kg"),
    ("77 \u00b0F", "c", 25.0, "f"),
    ("77F", "c", 25.0, "f"),
    ("-40 \u00b0C", "c", -40.0, "c"),
    ("1.2 m3", "m3", 1.2, "m3"),
    ("1.2 m\u00b3", "l", 1200.0, "m3"),
    ("317 gal", "l", 1199.975535528, "gal"),
    ("12 ft 6 in", "mm", 3810.0, "ft"),
    ("12' 6\"", "mm", 3810.0, "ft"),
    ("12\u20326\u2033", "mm", 3810.0, "ft"),
    ("7 5/8 in", "mm", 193.675, "in"),
    ("6\u00bd in", "mm", 165.1, "in"),
    ("80 %", "soc", 0.8, "pct"),
    ("0.8", "soc", 0.8, "soc"),
    ("2 h 30 min", "h", 2.5, "h"),
    ("100Ah", "ah", 100.0, "ah"),
    ("1.2 kWh", "wh", 1200.0, "kwh"),
    ("12'600 kg", "kg", 12600.0, "kg"),
    ("1,150 m", "m", 1150.0, "m"),
    ("2 weeks", "days", 14.0, "weeks"),
    ("10 lb/ft2", "kg_m2", 48.824276363831, "lb_ft2"),
    ("9 \u00b0F", "k", 5.0, "delta_f"),
]


@pytest.mark.parametrize(("text", "base", "value", "unit"), TYPED)
def test_quantities_as_people_type_them(text, base, value, unit):
    quantity = parse_quantity(text, base)
    assert quantity.value == pytest.approx(value, rel=1e-12)
    assert (quantity.typed, quantity.unit) == (text, unit)


def test_a_decimal_comma_and_a_default_unit():
    assert parse_quantity("12,5 kg", "kg", decimal_mark=",").value == 12.5
    assert parse_quantity("1.200,5 lb", "kg", decimal_mark=",").exact == Decimal("1200.5") * Decimal(
        "0.45359237"
    )
    assert parse_quantity("2.5", "mm", default_unit="m").value == 2500.0


@pytest.mark.parametrize(
    ("text", "base", "key", "word"),
    [
        ("12 V", "kg", "quantity.wrong_dimension", "voltage"),
        ("12 foo", "kg", "quantity.unknown_unit", "foo"),
        ("about 12 kg", "kg", "quantity.unreadable", "about 12 kg"),
        ("", "kg", "quantity.unreadable", "12.5 kg"),
        ("12 in 6 ft", "mm", "quantity.compound", "12 in 6 ft"),
        ("12 6", "mm", "quantity.unreadable", "12 6"),
        ("5 \u00b0C 3 \u00b0F", "c", "quantity.compound", "5"),
        ("1/0 in", "mm", "quantity.unreadable", "1/0"),
        ("1,5 kg", "kg", "number.unreadable", "1,5"),
        ("5 M\u03a9", "mohm", "quantity.unknown_unit", "5"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_sentence(text, base, key, word):
    with pytest.raises(DomainError) as caught:
        parse_quantity(text, base)
    assert caught.value.key == key
    assert word in caught.value.sentence


PINT_NAMES = {
    "in": "inch", "ft": "foot", "yd": "yard", "mi": "mile", "nmi": "nautical_mile", "lb": "pound", "oz": "ounce",
    "t": "metric_ton", "short_ton": "short_ton", "long_ton": "long_ton", "gal": "gallon", "imp_gal": "imperial_gallon",
    "ft3": "foot**3", "m3": "meter**3", "gpm": "gallon/minute", "gpd": "gallon/day", "m3_day": "meter**3/day",
    "l_min": "liter/minute", "hp": "horsepower", "kwh": "kilowatt_hour", "psi": "psi", "bar": "bar", "kn": "knot",
    "mph": "mile/hour", "m_s": "meter/second", "ft2": "foot**2", "lb_ft2": "pound/foot**2", "delta_f": "delta_degF",
    "weeks": "week", "min": "minute",
}  # fmt: skip
PINT_BASES = {
    "length": ("m", "meter"), "mass": ("kg", "kilogram"), "volume": ("l", "liter"), "flow": ("m3_h", "meter**3/hour"),
    "power": ("kw", "kilowatt"), "energy": ("wh", "watt_hour"), "pressure": ("kpa", "kilopascal"),
    "speed": ("kmh", "kilometer/hour"), "area": ("m2", "meter**2"), "area load": ("kg_m2", "kilogram/meter**2"),
    "temperature difference": ("k", "kelvin"), "time": ("h", "hour"),
}  # fmt: skip


@pytest.mark.parametrize("key", PINT_NAMES)
def test_factors_agree_with_an_outside_library(key):
    registry = pint.get_application_registry()
    base, name = PINT_BASES[UNITS[key].dimension]
    outside = registry.Quantity(1.0, PINT_NAMES[key]).to(name).magnitude
    assert convert(1.0, key, base) == pytest.approx(outside, rel=1e-9)


def test_temperatures_agree_with_an_outside_library():
    registry = pint.get_application_registry()
    for degrees in (-40.0, 0.0, 32.0, 77.0, 212.0):
        outside = registry.Quantity(degrees, "degF").to("degC").magnitude
        assert convert(degrees, "f", "c") == pytest.approx(outside, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "base", "system", "text"),
    [
        (3720.0, "kg", "si", "3720 kg"),
        (3720.0, "kg", "us", "8201 lb"),
        (123456.0, "mm", "si", "123\u202f456 mm"),
        (25.0, "c", "us", "77 \u00b0F"),
        (0.805, "soc", "si", "80 %"),
        (12.645, "v", "us", "12.64 V"),
        (-0.2, "c", "si", "0 \u00b0C"),
        (None, "kg", "si", ""),
        (math.nan, "kg", "si", ""),
        (51.5, "deg", "si", "51.5\u00b0"),
    ],
)
def test_display(value, base, system, text):
    assert format_quantity(value, base, system).replace("\u00a0", " ") == text


def test_rounding_never_goes_the_harmful_way():
    assert round_up(3720.2, "kg").startswith("3721")
    assert round_down(3720.9, "kg").startswith("3720")
    assert round_up(3720.0, "kg").startswith("3720")
    assert round_up(0.1 + 0.2, "v", digits=1).startswith("0.3")


def test_names_carry_their_unit():
    assert [suffix_unit(name) for name in ("mass_kg", "flow_m3_h", "kg", "name", "raw_m3_day", "load_kg_m2")] == [
        "kg", "m3_h", None, None, "m3_day", "kg_m2",
    ]  # fmt: skip


finite = st.floats(min_value=-1e7, max_value=1e7, allow_nan=False)


@given(finite, st.sampled_from(sorted(UNITS)))
def test_a_written_quantity_is_read_back(value, key):
    unit = UNITS[key]
    typed = f"{value:.6f} {unit.symbol}".strip()
    base = next(other.key for other in UNITS.values() if other.dimension == unit.dimension)
    assert convert(parse_quantity(typed, base).value, base, key) == pytest.approx(value, rel=1e-9, abs=1e-5)


@given(finite, st.sampled_from(sorted(DISPLAY)), st.sampled_from(["si", "us"]))
def test_rounded_text_brackets_the_value(value, base, system):
    shown = convert(value, base, display_unit(base, system).key)
    slack = abs(shown) * 1e-11
    assert float(display_value(value, base, system, direction="up")) >= shown - slack
    assert float(display_value(value, base, system, direction="down")) <= shown + slack


@given(finite, st.sampled_from(sorted(UNITS)))
def test_what_is_shown_can_be_typed_again(value, base):
    text = format_quantity(value, base, digits=3)
    shown = display_unit(base).key
    again = convert(parse_quantity(text, base).value, base, shown)
    assert again == pytest.approx(convert(value, base, shown), abs=6e-4, rel=1e-9)


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    try:
        assert math.isfinite(parse_quantity(text, "kg").value)
    except DomainError as error:
        assert error.sentence  # noqa: PT017
