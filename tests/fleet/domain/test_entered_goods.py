"""What people enter as standing facts of goods: kept as typed, or refused with the fact and the mend named."""

import pytest

from fleet.domain.dangerous_goods.entered import DATED, WORDS_OF, entered_facts, entered_un
from fleet.domain.dangerous_goods.entries import held_entries
from fleet.domain.dangerous_goods.records import KINDS, item_from
from fleet.lib.errors import DomainError

HELD = frozenset({"1950", "2880"})


@pytest.mark.parametrize(
    ("kind", "given", "kept"),
    [
        ("battery", {"chemistry": "li_ion", "wh": 18.5, "host": "equipment"}, None),
        ("battery", {"chemistry": "", "un383": "unknown", "wh": None}, {}),
        ("goods", {"un": "UN 2880", "pg": "III", "qty": 5}, {"un": "2880", "pg": "III", "qty": 5}),
        ("goods", {"un": "None"}, {"un": "none"}),
        ("lamp", {"hg_g_each": 0.0, "radioactive": False}, None),
        ("carbon", {"activation": "steam", "n4_result": "pass"}, None),
        ("nadcc", {"form": "dihydrate", "inner_kg": 1.5, "sds_env_hazard": True}, None),
        ("engine", {"fuel": "diesel", "upright_only": True}, None),
    ],
)
def test_what_is_known_is_kept_and_what_is_not_known_is_left_out(kind, given, kept) -> None:
    found = entered_facts(kind, given, HELD)
    assert found == (given if kept is None else kept)
    assert item_from(kind, found) is not None


@pytest.mark.parametrize(
    ("kind", "given", "key", "named"),
    [
        ("radio", {}, "goods.kind_unknown", "radio"),
        ("lamp", {"colour": "blue"}, "goods.attribute_unknown", "colour"),
        ("battery", {"condition": "ok"}, "goods.dated", "condition"),
        ("battery", {"terminals_protected": True}, "goods.dated", "terminals_protected"),
        ("battery", {"soc_pct": 30.0}, "goods.dated", "soc_pct"),
        ("engine", {"fuel_state": "drained"}, "goods.dated", "fuel_state"),
        ("battery", {"chemistry": "plutonium"}, "goods.word_unknown", "plutonium"),
        ("nadcc", {"form": "cell"}, "goods.word_unknown", "cell"),
        ("engine", {"fuel": "wood"}, "goods.word_unknown", "wood"),
        ("goods", {"pg": "3"}, "goods.word_unknown", "pg"),
        ("battery", {"wh": "18"}, "goods.not_a_number", "wh"),
        ("battery", {"wh": True}, "goods.not_a_number", "wh"),
        ("battery", {"wh": float("nan")}, "goods.not_a_number", "wh"),
        ("battery", {"wh": float("inf")}, "goods.not_a_number", "wh"),
        ("battery", {"wh": -0.1}, "goods.negative", "wh"),
        ("goods", {"active_chlorine_pct": 100.1}, "goods.over_100", "active_chlorine_pct"),
        ("battery", {"host": 3}, "goods.not_a_word", "host"),
        ("lamp", {"radioactive": "no"}, "goods.not_yes_no", "radioactive"),
        ("goods", {"un": "UN 3480"}, "goods.un_of_battery", "3480"),
        ("goods", {"un": "9999"}, "goods.un_unknown", "9999"),
        ("goods", {"un": "chlorine"}, "goods.un_unknown", "chlorine"),
    ],
)
def test_what_cannot_be_is_refused_by_name(kind, given, key, named) -> None:
    with pytest.raises(DomainError) as caught:
        entered_facts(kind, given, HELD)
    assert caught.value.key == key
    assert named in caught.value.sentence
    assert "{" not in caught.value.sentence


def test_edges_of_a_share_are_taken() -> None:
    for share in (0, 100):
        assert entered_facts("goods", {"active_chlorine_pct": share}, HELD) == {"active_chlorine_pct": share}


def test_a_number_is_asked_of_the_table_that_is_held() -> None:
    held = held_entries()
    assert entered_un("un2880", held) == "2880"
    with pytest.raises(DomainError):
        entered_un("2880", HELD - {"2880"})


def test_every_dated_fact_and_every_word_belongs_to_its_kind() -> None:
    for kind in KINDS:
        known = set(KINDS[kind].__dataclass_fields__)
        assert DATED.get(kind, frozenset()) <= known
        assert set(WORDS_OF.get(kind, {})) <= known
