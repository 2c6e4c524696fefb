"""The facts of dangerous goods have words of their own, and a value is never kinder than it is."""

from dataclasses import fields

import pytest

from fleet.domain.dangerous_goods.records import KINDS
from fleet.web.goods_words import FACT_WORDS, told_words


def test_every_fact_of_every_kind_has_words() -> None:
    facts = {field.name for record in KINDS.values() for field in fields(record)}
    assert facts - set(FACT_WORDS) == set()


@pytest.mark.parametrize(
    ("fact", "value", "words"),
    [
        ("soc_pct", 99.299, "100"),
        ("soc_pct", 29.4, "30"),
        ("soc_pct", 30.0, "30"),
        ("soc_pct", 30.2, "31"),
        ("indicated_pct", 24.5, "25"),
        ("wh", 99.5, "99.5"),
        ("braked", True, "yes"),
    ],
)
def test_a_charge_is_told_by_its_upper_end(fact, value, words) -> None:
    assert told_words(fact, value) == words
