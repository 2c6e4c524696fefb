"""A limit is never rounded in the unit's favour: masses up, limits and margins down, in both systems of units."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.lib.quantities import convert
from fleet.web.limits import limit_words, need_words, shares_of_sum, spare_number, spare_words

LB = 0.45359237  # exact by definition: NIST Special Publication 811, appendix B


def plain(words: str) -> str:
    return words.replace("\u00a0", " ").replace("\u202f", "")


@pytest.mark.parametrize(
    ("kg", "system", "wanted"),
    [
        (2799.6, "si", "2800 kg"),
        (2800.0, "si", "2800 kg"),
        (2800.4, "si", "2801 kg"),
        (4999.5 * LB, "us", "5000 lb"),
        (5000.0 * LB, "us", "5000 lb"),
        (5000.1 * LB, "us", "5001 lb"),
        (None, "si", ""),
        (float("nan"), "si", ""),
    ],
)
def test_a_mass_is_rounded_up(kg: float | None, system: Any, wanted: str) -> None:
    assert plain(need_words(kg, "kg", system)) == wanted


@pytest.mark.parametrize(
    ("kg", "system", "wanted"),
    [
        (2800.9, "si", "2800 kg"),
        (4999.5 * LB, "us", "4999 lb"),
        (5000.0 * LB, "us", "5000 lb"),
        (None, "us", ""),
    ],
)
def test_a_limit_is_rounded_down(kg: float | None, system: Any, wanted: str) -> None:
    assert plain(limit_words(kg, "kg", system)) == wanted


@pytest.mark.parametrize(
    ("margin", "base", "system", "wanted"),
    [
        (2800.0 - 2799.6, "kg", "si", "0 kg to spare"),
        (2800.0 - 2800.4, "kg", "si", "short by 1 kg"),
        (0.0, "kg", "si", "0 kg to spare"),
        (12.9, "kg", "si", "12 kg to spare"),
        (0.5 * LB, "kg", "us", "0 lb to spare"),
        (-0.5 * LB, "kg", "us", "short by 1 lb"),
        (25.4, "mm", "us", "1.0 in to spare"),
        (26.0, "mm", "us", "1.0 in to spare"),
        (-26.0, "mm", "us", "short by 1.1 in"),
        (2.9, "lashings", "si", "2 lashings to spare"),
        (-0.5, "lashings", "si", "short by 1 lashings"),
        (None, "kg", "si", ""),
    ],
)
def test_a_margin_is_rounded_down(margin: float | None, base: str, system: Any, wanted: str) -> None:
    assert plain(spare_words(margin, base, system)) == wanted


@given(
    st.floats(0.001, 1e6),
    st.floats(0.001, 1e6),
    st.sampled_from(["si", "us"]),
)
def test_printed_mass_under_printed_limit_means_it_fits(mass: float, limit: float, system: Any) -> None:
    """Whoever reads the two printed numbers never concludes more than was computed."""
    unit = "kg" if system == "si" else "lb"

    def read(words: str) -> float:
        found = re.match(r"[0-9.]+", plain(words))
        assert found is not None
        return float(found.group())

    # the conversion keeps 17 significant digits, so nothing beyond float noise may be given away
    room = read(limit_words(limit, "kg", system)) - read(need_words(mass, "kg", system))
    true = convert(limit, "kg", unit) - convert(mass, "kg", unit)
    assert room <= true + 1e-6
    spare = spare_words(limit - mass, "kg", system)
    shown = read(spare.replace("short by ", "")) * (-1 if spare.startswith("short") else 1)
    assert shown <= convert(limit - mass, "kg", unit) + 1e-6


def test_numbers_for_files_and_programs_are_rounded_down_too() -> None:
    assert spare_number(0.39999, "kg") == 0.3
    assert spare_number(-0.31, "mm") == -0.4
    assert spare_number(None, "kg") is None
    assert spare_number(float("nan"), "kg") is None


@pytest.mark.parametrize("system", ["si", "us"])
def test_shares_add_up_to_the_sum_rounded_up(system) -> None:
    parts = [2650.0, 0.42, 0.42, 0.42, 12.345, -3.3]
    total = sum(parts)
    shown = [float(text.split("\N{NO-BREAK SPACE}")[0]) for text in shares_of_sum(parts, total, system)]
    whole = total if system == "si" else total / 0.45359237
    assert whole <= round(sum(shown), 1) < whole + 0.1 + 1e-9
    exact = parts if system == "si" else [part / 0.45359237 for part in parts]
    assert all(abs(said - part) < 0.1 for said, part in zip(shown, exact, strict=True))
    assert shares_of_sum([1.04, None], None)[0] == "1.1\N{NO-BREAK SPACE}kg"
