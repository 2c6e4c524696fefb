"""The API and the command give the answers of the sheet."""

from __future__ import annotations

import json
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from fleet.models import Unit, User
from fleet.services.tokens import token_create
from tests.at_noon import noon  # noqa: F401  (the moment at which everything here happens)
from tests.factories.fleet import TODAY, BankFactory, PackedFormFactory, UnitFactory, WetStateFactory

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
