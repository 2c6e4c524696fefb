"""Sentences of checks: every check has one for every outcome, and a date named is a day on which it is still so."""

import re
from importlib.resources import files

import pytest

from readiness.domain.check_rows import CHECK_KINDS, CheckKind
from readiness.sentences import alert_sentence, alert_title, check_name, check_sentence

OUTCOMES = ("pass", "fail", "cannot_decide")
NEVER_FAIL = {"terms_known", "place_known", "wet_known"}  # on file, or not: there is no third


def check(key: str, outcome: str, **given: object) -> dict[str, object]:
    kind = next(kind for kind in CHECK_KINDS if kind.key == key)
    subject = {"kind": kind.subject, "id": 1, "label": "Lamp 2"}
    return {"key": key, "outcome": outcome, "subject": subject, "label": "Lamp 2", "data": {}, **given}


@pytest.mark.parametrize("key", [kind.key for kind in CHECK_KINDS])
def test_every_check_has_a_name_and_a_whole_sentence(key: str) -> None:
    assert check_name(check(key, "pass"))
    for outcome in OUTCOMES:
        if outcome == "fail" and key in NEVER_FAIL:
            continue
        sentence = check_sentence(check(key, outcome))
        assert sentence.endswith("."), (key, outcome, sentence)
        assert "%(" not in sentence
        assert "None" not in sentence


def test_what_passes_names_its_last_good_day() -> None:
    """A check that turns on 1 March 2028 holds through the day before, the leap day."""
    sentence = check_sentence(check("certificate", "pass", turns_on="2028-03-01"))
    assert sentence.endswith("Holds through 29 Feb 2028.")


@pytest.mark.parametrize("key", ["certificate", "kit", "part_fitted"])
def test_never_recorded_is_not_said_to_be_missing_or_lapsed(key: str) -> None:
    sentence = check_sentence(check(key, "cannot_decide"))
    assert "never" in sentence or "none was ever" in sentence
    assert sentence != check_sentence(check(key, "fail"))


def test_a_unit_nobody_surveyed_is_one_line() -> None:
    items = [
        check("certificate", "cannot_decide"),
        check("kit", "cannot_decide"),
        check("wet_known", "cannot_decide"),
    ]
    assert alert_title("survey") == "Never surveyed"
    assert alert_sentence("survey", {"items": items}, 0.25) == "Never surveyed: 3 facts, about 15 min."


SOURCES = files("readiness.domain.tables").joinpath("SOURCES.md").read_text(encoding="utf-8")
DOCUMENT = re.compile(
    r"TM \d+-[\d-]+\d|IEEE \d+a?-\d{4}|IEC \d+|A562|080534|off-grid electricity handbook|BCI-type table"
)


@pytest.mark.parametrize("kind", CHECK_KINDS, ids=lambda kind: kind.key)
def test_the_source_of_a_check_is_told_in_words(kind: CheckKind) -> None:
    """A reader knows neither our files nor the numbers of our list; what is named is on that list."""
    assert kind.source
    for inside in ("tables/", ".md", ".csv", "(S"):
        assert inside not in kind.source
    listed = SOURCES.lower()
    for document in DOCUMENT.findall(kind.source):
        assert document.lower() in listed, document


@pytest.mark.parametrize(
    "key", ["charge_floor", "charge_interval", "capacity_test", "acid_frost", "charge_explained"]
)
def test_a_check_on_published_values_names_its_documents(key: str) -> None:
    kind = next(kind for kind in CHECK_KINDS if kind.key == key)
    assert DOCUMENT.search(kind.source)
