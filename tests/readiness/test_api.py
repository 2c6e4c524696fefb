"""The JSON API: keys and scopes, the same answers as the pages, readings written once."""

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.test import Client

from fleet.models import AuditEntry
from fleet.services.tokens import token_create, token_revoke, token_use
from readiness.models import BankState, Reading
from tests.cast import Cast
from tests.factories.fleet import NOW, TODAY, BankFactory, SupplyStateFactory, UnitFactory
from tests.factories.readiness import AlertFactory, VerdictFactory

pytestmark = pytest.mark.django_db


def key_of(user: Any, *scopes: str) -> str:
    return token_create(user=user, name="a gauge", scopes=scopes or ("read",), actor=user)[1]


def ask(client: Client, method: str, path: str, key: str = "", body: Any = None) -> Any:
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    return client.generic(
        method, f"/api/{path}", data=_json(body), content_type="application/json", headers=headers
    )


def _json(body: Any) -> str:
    import json

    return "" if body is None else json.dumps(body)


READING = {"happened_at": "2026-11-20T08:00:00+00:00", "volts_v": 25.4, "temp_c": 12.0, "rest_h": 30.0}


def test_without_a_key_nothing_is_told(client: Client, cast: Cast) -> None:
    assert ask(client, "GET", "units").status_code == 401
    assert ask(client, "GET", "units", "mw_made-up").status_code == 401


def test_a_revoked_or_ended_key_is_no_key(client: Client, cast: Cast) -> None:
    row, key = token_create(user=cast.vera, name="old", scopes=("read",), actor=cast.ada)
    assert ask(client, "GET", "units", key).status_code == 200
    token_revoke(token=row, actor=cast.ada)
    assert ask(client, "GET", "units", key).status_code == 401
    ended, key = token_create(
        user=cast.vera, name="ended", scopes=("read",), actor=cast.ada, expires_on=dt.date(2026, 1, 31)
    )
    noon = dt.time(12, tzinfo=dt.UTC)
    assert token_use(key=key, now=dt.datetime.combine(dt.date(2026, 1, 31), noon)) == ended
    assert token_use(key=key, now=dt.datetime.combine(dt.date(2026, 2, 1), noon)) is None


def test_the_key_itself_is_kept_nowhere(cast: Cast) -> None:
    row, key = token_create(user=cast.vera, name="a gauge", scopes=("read",), actor=cast.ada)
    assert key not in str(row.__dict__)
    assert key not in str(list(AuditEntry.objects.values()))


def test_a_key_of_someone_without_a_role_is_refused(client: Client, cast: Cast) -> None:
    assert ask(client, "GET", "units", key_of(cast.stig)).status_code == 403


def test_units_without_a_verdict_read_cannot_decide(client: Client, cast: Cast) -> None:
    UnitFactory(tag="N-1", home=cast.north)
    UnitFactory(tag="S-1", home=cast.south)
    answer = ask(client, "GET", "units?depot=north", key_of(cast.vera)).json()
    assert answer["count"] == 1
    assert answer["units"][0]["tag"] == "N-1"
    assert answer["units"][0]["outcome"] == "cannot_decide"


def test_a_verdict_that_dates_have_turned_is_not_repeated(client: Client, cast: Cast) -> None:
    unit = UnitFactory(tag="N-1", home=cast.north)
    VerdictFactory(unit=unit, from_day=dt.date(2020, 1, 1), outcome="ready")
    assert ask(client, "GET", "units/n-1", key_of(cast.vera)).json()["outcome"] == "cannot_decide"


def test_an_unknown_unit_is_a_sentence(client: Client, cast: Cast) -> None:
    answer = ask(client, "GET", "units/NONE", key_of(cast.vera))
    assert answer.status_code == 404
    assert "NONE" in answer.json()["message"]


def test_a_unit_shows_its_banks(client: Client, cast: Cast) -> None:
    unit = UnitFactory(tag="N-1", home=cast.north)
    bank = BankFactory(unit=unit)
    answer = ask(client, "GET", "units/N-1", key_of(cast.vera)).json()
    assert [row["serial"] for row in answer["banks"]] == [bank.serial]
    assert answer["banks"][0]["status"] == "cannot_decide"


def test_alerts_of_a_depot(client: Client, cast: Cast) -> None:
    AlertFactory(unit=UnitFactory(tag="N-1", home=cast.north))
    AlertFactory(unit=UnitFactory(tag="S-1", home=cast.south))
    answer = ask(client, "GET", "alerts?depot=NORTH", key_of(cast.vera)).json()
    assert [row["unit"] for row in answer["alerts"]] == ["N-1"]


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=501", "offset=-1", "limit=99999999999999999999", "limit=x"]
)
def test_numbers_out_of_bounds_are_refused(client: Client, cast: Cast, query: str) -> None:
    assert ask(client, "GET", f"units?{query}", key_of(cast.vera)).status_code == 422


def test_a_reading_is_written_once(client: Client, cast: Cast) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north))
    key = key_of(cast.nora, "readings:write")
    first = ask(client, "POST", f"banks/{bank.serial}/readings", key, READING)
    again = ask(client, "POST", f"banks/{bank.serial}/readings", key, READING)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["id"] == again.json()["id"]
    assert Reading.objects.count() == 1
    other = ask(client, "POST", f"banks/{bank.serial}/readings", key, {**READING, "volts_v": 24.0})
    assert other.status_code == 409


def test_a_voltage_read_on_float_is_kept_and_the_answer_says_what_to_do(client: Client, cast: Cast) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north))
    SupplyStateFactory(bank=bank, kind="float", check_interval_days=30)
    answer = ask(
        client, "POST", f"banks/{bank.serial}/readings", key_of(cast.nora, "readings:write"), READING
    )
    assert answer.status_code == 201
    assert "will not be used" in answer.json()["doubts"][0]
    assert "Isolate the bank" in answer.json()["doubts"][0]


@pytest.mark.parametrize(
    ("change", "status", "word"),
    [
        ({"happened_at": "2026-11-20T08:00:00"}, 400, "offset"),
        ({"volts_v": 240.0}, 400, "V"),
        ({"volts_v": None}, 400, "Type the voltage"),
    ],
    ids=["no offset", "240 V on a 24 V bank", "no value"],
)
def test_a_reading_that_cannot_be_is_refused_with_a_sentence(
    client: Client, cast: Cast, change: dict[str, Any], status: int, word: str
) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north))
    key = key_of(cast.nora, "readings:write")
    answer = ask(client, "POST", f"banks/{bank.serial}/readings", key, {**READING, **change})
    assert answer.status_code == status
    assert word in answer.json()["message"]
    assert not Reading.objects.exists()


@pytest.mark.parametrize("who", ["silas", "vera", "dina"])
def test_only_who_keeps_the_depot_may_write(client: Client, cast: Cast, who: str) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north))
    key = key_of(getattr(cast, who), "readings:write")
    assert ask(client, "POST", f"banks/{bank.serial}/readings", key, READING).status_code == 403


def test_a_key_to_read_cannot_write(client: Client, cast: Cast) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north))
    answer = ask(client, "POST", f"banks/{bank.serial}/readings", key_of(cast.nora), READING)
    assert answer.status_code == 403
    assert "readings:write" in answer.json()["message"]


def test_lists_cost_the_same_at_any_length(client: Client, cast: Cast) -> None:
    key = key_of(cast.vera)
    for number in range(3):
        AlertFactory(unit=UnitFactory(tag=f"N-{number}", home=cast.north))
    ask(client, "GET", "units", key)
    counts = []
    for more in (0, 15):
        for number in range(more):
            AlertFactory(unit=UnitFactory(tag=f"M-{number}", home=cast.north))
        counts.append([_queries(client, path, key) for path in ("units", "alerts")])
    assert counts[0] == counts[1]


def _queries(client: Client, path: str, key: str) -> int:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as caught:
        assert ask(client, "GET", path, key).status_code == 200
    return len(caught)


def test_the_document_describes_every_refusal(client: Client) -> None:
    document = client.get("/api/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    for path, methods in document["paths"].items():
        for operation in methods.values():
            assert {"401", "403", "404", "422"} <= set(operation["responses"]), path


@pytest.mark.parametrize("days_ago", [0, 1])
def test_the_charge_is_told_as_long_as_the_verdict_is(client: Client, cast: Cast, days_ago: int) -> None:
    day = TODAY - dt.timedelta(days=days_ago)
    unit = UnitFactory(tag="AA-1", home=cast.north)
    BankState.objects.create(
        bank=BankFactory(unit=unit), as_of=day, status="decided", soc=0.7, low_soc=0.62, due_day=TODAY
    )
    VerdictFactory(unit=unit, from_day=day)
    _row, key = token_create(user=cast.vera, name="a gauge", scopes=("read",), actor=cast.ada)
    with time_machine.travel(NOW, tick=False):
        told = ask(client, "GET", "units/AA-1", key).json()
    bank = told["banks"][0]
    assert told["charge_as_of"] == bank["as_of"] == day.isoformat()
    if days_ago:
        assert (told["charge_low_soc"], told["charge_due_on"]) == (None, None)
        assert (bank["status"], bank["reasons"], bank["low_soc"]) == ("cannot_decide", ["not_current"], None)
        assert "older than the last sweep" in told["why"]
    else:
        assert (told["charge_low_soc"], bank["low_soc"], bank["status"]) == (0.62, 0.62, "decided")
