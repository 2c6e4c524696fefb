"""The API and the command give the answers of the sheet."""

from __future__ import annotations

import json
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from fleet.models import PackedForm, Unit, User
from fleet.services.tokens import token_create
from tests.at_noon import noon  # noqa: F401  (the moment at which everything here happens)
from tests.factories.fleet import (
    TODAY,
    BankFactory,
    CertificateFactory,
    PackedFormFactory,
    UnitFactory,
    WetStateFactory,
)
from tests.readiness.transport_sheets import GEOMETRY

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def unit() -> Unit:
    unit: Unit = UnitFactory(tag="U-1")
    PackedFormFactory(design=unit.design, code="skid", mass_kg=1800.0)
    WetStateFactory(unit=unit)
    BankFactory(unit=unit, chemistry="lfp", serial="LFP/1")
    return unit


def told(*arguments: str) -> str:
    out = StringIO()
    call_command("transport", *arguments, stdout=out)
    return out.getvalue()


def test_the_command_says_the_law_and_what_takes_each_form(unit: Unit) -> None:
    said = told("u-1", "--ship-date", TODAY.isoformat())
    assert "ROAD_US: cannot decide" in said
    assert "Packed as skid, 1800 kg" in said
    assert "LFP/1" in said


def test_the_command_refuses_what_is_not_there(unit: Unit) -> None:
    with pytest.raises(CommandError, match="No unit in service bears the tag 'X-9'"):
        told("X-9", "--ship-date", TODAY.isoformat())
    with pytest.raises(CommandError, match="has no packed form 'raft'"):
        told("U-1", "--ship-date", TODAY.isoformat(), "--form", "raft")


def api_key(user: User) -> str:
    return token_create(user=user, name="a board", scopes=("read",), actor=user)[1]


def asked(client: Client, key: str, path: str) -> Any:
    return client.get(f"/api/units/{path}", headers={"authorization": f"Bearer {key}"})


def test_the_api_gives_the_same_answer_as_the_command(unit: Unit, client: Client, cast: Any) -> None:
    key = api_key(cast.dina)
    answer = asked(client, key, f"u-1/transport?ship_date={TODAY.isoformat()}")
    assert answer.status_code == 200
    assert json.loads(told("U-1", "--ship-date", TODAY.isoformat(), "--json")) == answer.json()
    (form,) = answer.json()["forms"]
    assert {row["answer"] for row in form["conveyances"]} <= {"no", "cannot_decide"}


def test_the_api_always_asks_for_the_ship_date(unit: Unit, client: Client, cast: Any) -> None:
    key = api_key(cast.dina)
    assert asked(client, key, "u-1/transport").status_code == 422
    assert asked(client, key, f"x-9/transport?ship_date={TODAY.isoformat()}").status_code == 404
    assert client.get(f"/api/units/u-1/transport?ship_date={TODAY.isoformat()}").status_code == 401


FURTHER: list[tuple[str, tuple[str, ...]]] = [
    ("fork_kg=3000&fork_centre_mm=500", ("--fork-kg=3000", "--fork-centre-mm=500")),
    (
        "straps=2&mu=0.3&lash_deg=90&stf_dan=400&may_tip=true",
        ("--straps=2", "--mu=0.3", "--lash-deg=90", "--stf-dan=400", "--may-tip"),
    ),
    ("licence=B", ("--licence=B",)),
    ("beams_mm=2600&boards_m2=3.5", ("--beams-mm=2600", "--boards-m2=3.5")),
    ("fork_axle_kg=9000", ("--fork-axle-kg=9000",)),
    ("floor_of=cn235&floor=1500", ("--floor-of=cn235", "--floor=1500")),
    ("runway_m=1200&surface=unpaved&alt_m=300", ("--runway-m=1200", "--surface=unpaved", "--alt-m=300")),
    ("leg_wll_kg=900&sling_mm=4000", ("--leg-wll-kg=900", "--sling-mm=4000")),
]


def in_order(unit: Unit) -> None:
    """A form whose measures are known, so that each further question makes a difference."""
    PackedForm.objects.filter(design=unit.design).update(
        kind="trailer",
        trailer_gvwr_kg=2500.0,
        braked=True,
        tongue_load_kg=100.0,
        axle_count=1,
        axle_load_kg=1700.0,
        load_centre_mm=600.0,
        **GEOMETRY,
    )
    CertificateFactory(unit=unit)
    CertificateFactory(unit=unit, kind="proof_load")


@pytest.mark.parametrize(("query", "options"), FURTHER)
def test_the_further_questions_of_the_sheet_are_asked_by_api_and_command(
    unit: Unit, client: Client, cast: Any, query: str, options: tuple[str, ...]
) -> None:
    """Each question changes an answer, and the two doors give the same one."""
    in_order(unit)
    key, day = api_key(cast.dina), TODAY.isoformat()
    plain = asked(client, key, f"u-1/transport?ship_date={day}").json()
    found = asked(client, key, f"u-1/transport?ship_date={day}&{query}")
    assert found.status_code == 200, found.content
    assert found.json() != plain
    assert json.loads(told("U-1", "--ship-date", day, *options, "--json")) == found.json()


def test_the_answers_of_the_api_are_those_of_the_sheet(unit: Unit, client: Client, cast: Any) -> None:
    in_order(unit)
    query = "alt_m=0&isa_dev_c=15&sling_mm=4000&fork_kg=2100&fork_centre_mm=500&licence=B"
    query += "&straps=2&mu=0.3&lash_deg=90&stf_dan=400"
    found = asked(client, api_key(cast.dina), f"u-1/transport?ship_date={TODAY.isoformat()}&{query}").json()
    client.force_login(cast.dina)
    sheet = client.get(f"/units/U-1/transport/?ship_on={TODAY.isoformat()}&{query}").context["sheet"]
    (form,) = found["forms"]
    of_api = {row["conveyance"]: row for row in [*form["conveyances"], form["fork_truck"]]}
    rows = [row for group in sheet.groups for row in group.rows]
    assert len(rows) > 60
    for row in rows:
        line = of_api[row.key]
        assert (line["answer"], tuple(line["why"]), line["source"]) == (row.carried.word, row.why, row.source)
    assert of_api["fork_truck"]["answer"] == "no"  # 1,750 kg at 600 mm: less than 1,800 kg
    assert found["not_asked"] == sheet.not_asked


@pytest.mark.parametrize(
    ("query", "options", "sentence"),
    [
        ("fork_kg=3000", ("--fork-kg=3000",), "A rated load holds at its load centre"),
        ("licence=pilot", ("--licence=pilot",), "Licence: Select a valid choice"),
        ("straps=2", ("--straps=2",), "Type all four numbers of the lashing"),
    ],
)
def test_half_a_question_is_refused_in_words(
    unit: Unit, client: Client, cast: Any, query: str, options: tuple[str, ...], sentence: str
) -> None:
    day = TODAY.isoformat()
    answer = asked(client, api_key(cast.dina), f"u-1/transport?ship_date={day}&{query}")
    assert answer.status_code == 422
    assert sentence in answer.json()["message"]
    with pytest.raises(CommandError, match=sentence):
        told("U-1", "--ship-date", day, *options)


SEARCHES: list[tuple[str, tuple[str, ...]]] = [
    (
        "hook_kg=2800&alt_m=1900&isa_dev_c=10&sling_mm=4000",
        ("--hook-kg=2800", "--alt-m=1900", "--isa-dev-c=10"),
    ),
    ("conveyance=fork_truck&fork_kg=2200&fork_centre_mm=500", ("--conveyance=fork_truck", "--fork-kg=2200")),
    ("conveyance=semi_flat_us48", ("--conveyance=semi_flat_us48",)),
]
MORE = {"hook_kg": ("--sling-mm=4000",), "conveyance=fork_truck": ("--fork-centre-mm=500",)}


@pytest.mark.parametrize(("query", "options"), SEARCHES)
def test_which_units_can_go_is_asked_by_api_and_command_as_on_the_page(
    unit: Unit, client: Client, cast: Any, query: str, options: tuple[str, ...]
) -> None:
    in_order(unit)
    other = UnitFactory(tag="U-2")
    PackedFormFactory(design=other.design, code="box", mass_kg=2100.0, load_centre_mm=600.0)
    more = next((words for start, words in MORE.items() if query.startswith(start)), ())
    key, day = api_key(cast.dina), TODAY.isoformat()
    headers = {"authorization": f"Bearer {key}"}
    found = client.get(f"/api/transport/units?ship_date={day}&{query}", headers=headers)
    assert found.status_code == 200, found.content
    body = found.json()
    assert json.loads(told("--ship-date", day, *options, *more, "--json")) == body
    assert "packed forms can go" in told("--ship-date", day, *options, *more)
    client.force_login(cast.dina)
    rows = client.get(f"/transport/?ship_on={day}&alt_m=&isa_dev_c=&sling_mm=&{query}").context["rows"]
    assert [(row.tag, row.line.carried.word, list(row.line.why)) for row in rows] == [
        (row["tag"], row["answer"], row["why"]) for row in body["forms"]
    ]
    assert body["count"] == 2
    rest = client.get(f"/api/transport/units?ship_date={day}&{query}&limit=1&offset=1", headers=headers)
    assert rest.json()["forms"] == body["forms"][1:]


def test_a_search_says_what_is_to_take_the_units(client: Client, cast: Any, unit: Unit) -> None:
    day = TODAY.isoformat()
    headers = {"authorization": f"Bearer {api_key(cast.dina)}"}
    answer = client.get(f"/api/transport/units?ship_date={day}", headers=headers)
    assert answer.status_code == 422
    assert "Choose what takes the unit" in answer.json()["message"]
    for arguments in ((), ("U-1", "--hook-kg", "2800")):
        with pytest.raises(CommandError, match="Name a unit, or"):
            told(*arguments, "--ship-date", day)
