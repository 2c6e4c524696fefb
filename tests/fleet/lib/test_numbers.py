from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.lib.numbers import (
    DecimalSettler,
    NumberError,
    Question,
    decimal_evidence,
    parse_number,
    settle_decimal_mark,
)

EVIDENCE = [
    ("12.65", "."),
    ("12,65", ","),
    ("1.234,5", ","),
    ("1,234.5", "."),
    ("1,234,567", "."),
    ("1.234.567", ","),
    ("1,234", "?"),
    ("1.234", "?"),
    ("0,125", "?"),
    ("1 234", None),
    ("3720 kg", None),
    ("12,5 kg", ","),
    ("8,200 lb", "?"),
    ("12 ft 6.5 in", "."),
    ("abc", None),
    ("1\u202f234,50", ","),
]


@pytest.mark.parametrize(("text", "evidence"), EVIDENCE)
def test_what_one_number_shows(text, evidence):
    assert decimal_evidence(text) == evidence


NUMBERS = [
    ("12.65", ".", "12.65"),
    ("12,65", ",", "12.65"),
    ("1,234", ".", "1234"),
    ("1,234", ",", "1.234"),
    ("1.234,5", ",", "1234.5"),
    ("8 200", ".", "8200"),
    ("8\u00a0200,5", ",", "8200.5"),
    ("12'600", ".", "12600"),
    ("12\u2019600.25", ".", "12600.25"),
    ("\u22125", ".", "-5"),
    ("+.5", ".", ".5"),
    ("1.2e3", ".", "1200"),
    ("\uff11\uff12", ".", "12"),
]


@pytest.mark.parametrize(("text", "mark", "value"), NUMBERS)
def test_numbers_as_people_type_them(text, mark, value):
    assert parse_number(text, mark) == Decimal(value)


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("12,65", "."),
        ("12.65", ","),
        ("1,23,456", "."),
        ("1.2.3", "."),
        ("1 23", "."),
        ("", "."),
        ("-", "."),
        ("nan", "."),
        ("inf", "."),
        ("1e99", "."),
        ("0x10", "."),
        ("1.234,567.8", "."),
        ("1 234'567", "."),
        ("0,125", "."),
    ],
)
def test_what_is_no_number_is_refused_with_its_text(text, mark):
    with pytest.raises(NumberError) as caught:
        parse_number(text, mark)
    assert text.strip() in caught.value.sentence


def test_one_clear_cell_settles_the_file():
    assert settle_decimal_mark(["1,234", "12,65", "7"]) == ","
    assert settle_decimal_mark(["1,234", "1.5"]) == "."


def test_no_marks_need_no_question():
    assert settle_decimal_mark(["7", "8 200 lb", ""]) == "."


def test_a_comma_before_three_digits_asks_once_with_its_place():
    settler = DecimalSettler()
    settler.look("1,234", "Units", 4, "mass")
    settler.look("2,500", "Units", 5, "mass")
    question = settler.settle()
    assert isinstance(question, Question)
    assert (question.reason, len(question.examples)) == ("undecided", 1)
    assert (question.examples[0].sheet, question.examples[0].row, question.examples[0].value) == (
        "Units",
        4,
        "1,234",
    )


def test_disagreeing_cells_ask_even_when_most_say_one_thing():
    question = settle_decimal_mark(["12.6", "12.7", "12,8"])
    assert isinstance(question, Question)
    assert question.reason == "disagree"
    assert {example.value for example in question.examples} == {"12.6", "12,8"}


def test_what_is_stated_wins():
    assert settle_decimal_mark(["12.6"], stated=",") == ","


@given(
    st.decimals(min_value=-(10**9), max_value=10**9, places=4, allow_nan=False),
    st.sampled_from([".", ","]),
    st.sampled_from(["", " ", "'", "\u00a0", "other"]),
)
def test_a_written_number_is_read_back(value, mark, grouping):
    group = {".": ",", ",": "."}[mark] if grouping == "other" else grouping
    text = f"{value:,.4f}".replace(",", "G").replace(".", mark).replace("G", group)
    assert parse_number(text, mark) == value
    assert decimal_evidence(text) in {mark, None}


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    decimal_evidence(text)
    try:
        parse_number(text)
    except NumberError as error:
        assert error.sentence  # noqa: PT017
