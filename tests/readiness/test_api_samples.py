"""Samples over the API and by the command: keys, rights, answers, the document."""

import datetime as dt
import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client

from fleet.services.tokens import token_create, token_revoke
from readiness.models import LoggerKey, Sample, SamplePost
from tests.cast import Cast
from tests.factories.fleet import NOW, BankFactory, UnitFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def noon() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


def key_of(user: Any, *scopes: str) -> str:
    return token_create(user=user, name="a gateway", scopes=scopes or ("samples:write",), actor=user)[1]


def send(client: Client, body: Any, key: str, kind: str = "application/json", query: str = "") -> Any:
    content = body if isinstance(body, str | bytes) else json.dumps(body)
    return client.post(
        f"/api/samples{query}", data=content, content_type=kind, headers={"Authorization": f"Bearer {key}"}
    )


def at(hours_ago: float) -> str:
    return (NOW - dt.timedelta(hours=hours_ago)).isoformat()


@pytest.fixture
def bank(cast: Cast) -> Any:
    return BankFactory(serial="N-1", unit=UnitFactory(home=cast.north))


def test_a_key_without_the_scope_or_revoked_or_of_somebody_without_a_depot(
    client: Client, cast: Cast, bank: Any
) -> None:
    rows = [{"bank": "N-1", "at": at(1), "temp_c": 12}]
    assert send(client, rows, "").status_code == 401
    assert send(client, rows, key_of(cast.nora, "read", "readings:write")).status_code == 403
    assert send(client, rows, key_of(cast.vera)).status_code == 403
    row, key = token_create(user=cast.nora, name="old", scopes=("samples:write",), actor=cast.nora)
    assert send(client, rows, key).status_code == 200
    token_revoke(token=row, actor=cast.nora)
    assert send(client, rows, key).status_code == 401
    assert Sample.objects.count() == 1


def test_json_is_taken_and_the_same_again_is_known(client: Client, cast: Cast, bank: Any) -> None:
    key = key_of(cast.nora)
    rows = [{"bank": "n-1", "at": at(n), "temp_c": 12, "volts_v": 25.6} for n in range(4)]
    first = send(client, rows, key)
    assert first.status_code == 200
    assert {name: first.json()[name] for name in ("rows", "kept", "known", "conflicts", "refused")} == {
        "rows": 4,
        "kept": 4,
        "known": 0,
        "conflicts": 0,
        "refused": 0,
    }
    assert first.json()["banks"] == ["N-1"]
    again = send(client, {"bank": "N-1", "samples": [*rows, {"at": at(0), "temp_c": 13}]}, key).json()
    assert (again["kept"], again["known"], again["conflicts"]) == (0, 4, 1)
    assert again["faults"][0]["key"] == "sample.conflict"
    post = SamplePost.objects.get(pk=again["post"])
    assert (post.how, post.received_by, post.key.name) == ("api", cast.nora, "a gateway")


def test_nonsense_does_not_hold_up_the_rest(client: Client, cast: Cast, bank: Any) -> None:
    body = f'[{{"bank": "N-1", "at": "{at(1)}", "temp_c": NaN}}, {{"bank": "N-1", "at": "{at(1)}", "temp_c": 12}}, 5]'
    answer = send(client, body, key_of(cast.nora))
    assert answer.status_code == 200
    assert (answer.json()["kept"], answer.json()["refused"]) == (1, 2)
    assert [fault["row"] for fault in answer.json()["faults"]] == [1, 3]


def test_csv_is_taken(client: Client, cast: Cast, bank: Any) -> None:
    text = f"serial;timestamp;voltage;temperature\nN-1;{at(2)};25,6;11,5\nN-1;{at(1)};240;11,5\n"
    answer = send(client, text, key_of(cast.nora), "text/csv").json()
    assert (answer["kept"], answer["refused"]) == (1, 1)
    assert answer["faults"][0]["row"] == 3
    assert answer["faults"][0]["message"].startswith("Row 3, volts_v: 240 V cannot be")
    local = f"at,temp_c\n{NOW:%Y-%m-%d} 05:00,12\n"
    assert send(client, local, key_of(cast.nora), "text/csv").json()["refused"] == 1
    row, key = token_create(user=cast.nora, name="of one bank", scopes=("samples:write",), actor=cast.nora)
    LoggerKey.objects.create(token=row, bank=bank)
    assert send(client, local, key, "text/csv", "?zone=Europe/Oslo").json()["kept"] == 1
    assert send(client, local, key, "text/csv", "?zone=Mars/Base").status_code == 400


def test_a_key_of_one_bank_may_not_write_about_another(client: Client, cast: Cast, bank: Any) -> None:
    BankFactory(serial="N-2", unit=UnitFactory(home=cast.north))
    BankFactory(serial="S-1", unit=UnitFactory(home=cast.south))
    row, key = token_create(user=cast.nora, name="of one bank", scopes=("samples:write",), actor=cast.nora)
    LoggerKey.objects.create(token=row, bank=bank)
    rows = [{"bank": serial, "at": at(1), "temp_c": 12} for serial in ("N-1", "N-2", "S-1")]
    answer = send(client, rows, key).json()
    assert (answer["kept"], answer["refused"]) == (1, 2)
    plain = send(client, rows, key_of(cast.nora)).json()
    assert (plain["kept"], plain["known"], plain["refused"]) == (1, 1, 1)


@pytest.mark.parametrize("body", ["", "{", '{"rows": []}', "bank,temp_c\nN-1,12\n", "[]"])
def test_what_cannot_be_read_is_refused_with_a_sentence(client: Client, cast: Cast, body: str) -> None:
    answer = send(client, body, key_of(cast.nora))
    assert answer.status_code == 400
    assert answer.json()["key"].startswith("samples.")
    assert answer.json()["message"].endswith(".")
    assert not SamplePost.objects.exists()


def test_too_much_at_once_is_refused_before_it_is_read(client: Client, cast: Cast) -> None:
    answer = send(client, "x" * 10_000_001, key_of(cast.nora), "text/csv")
    assert answer.status_code == 413
    assert "Send them in parts" in answer.json()["message"]


def test_three_megabytes_are_taken(client: Client, cast: Cast, bank: Any) -> None:
    rows = [
        {
            "bank": "N-1",
            "at": at(n / 60),
            "temp_c": 12.5,
            "volts_v": 25.61,
            "current_a": -0.02,
            "note": "x" * 200,
        }
        for n in range(9000)
    ]
    assert send(client, rows, key_of(cast.nora)).json()["kept"] == 9000


def test_the_document_tells_of_it(client: Client) -> None:
    path = client.get("/api/openapi.json").json()["paths"]["/api/samples"]["post"]
    assert set(path["requestBody"]["content"]) == {"application/json", "text/csv"}
    assert "200" in path["responses"]
    assert path["security"]


def run(*args: str, **options: Any) -> str:
    out = StringIO()
    call_command("read_samples", *args, stdout=out, **options)
    return out.getvalue()


def test_the_command_takes_files_and_says_what_became_of_them(bank: Any, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.json"
    good.write_text(f"bank,at,temp_c,extra\nN-1,{at(2)},12,1\nN-1,{at(1)},400,1\n")
    bad.write_text("{")
    looked = run(str(good), "--look")
    assert "2 rows, 1 new, 0 known already, 0 with other values on file, 1 refused." in looked
    assert not Sample.objects.exists()
    told = run(str(good))
    assert "Columns not read: extra." in told
    assert "Row 3, temp_c: 400 °C cannot be" in told
    assert json.loads(run(str(good), "--json"))[0]["known"] == 1
    for args in (
        [str(bad)],
        [str(tmp_path / "none.csv")],
        [str(good), "--bank", "X"],
        [str(good), "--user", "x"],
    ):
        with pytest.raises(CommandError, match=r"\.$"):
            run(*args)
    assert SamplePost.objects.filter(how="command", name="good.csv").count() == 2
