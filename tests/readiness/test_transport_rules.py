"""A released edition changes sheet, search, API and command alike; a loaded one and a withdrawn one change nothing."""

from __future__ import annotations

import datetime as dt
import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from fleet.domain.fit.answers import held_conveyances
from fleet.models import BankTransport, RuleEdition, TransportTerms, Unit
from fleet.services.editions import edition_count, edition_load, edition_release, edition_withdraw
from fleet.services.tokens import token_create
from inventory.models import GoodsCheck, GoodsListCheck
from tests.at_noon import noon  # noqa: F401  (the moment at which everything here happens)
from tests.cast import Cast
from tests.editions import AIR_2027, US_2027, air_edition, table
from tests.factories.fleet import (
    TODAY,
    BankFactory,
    CertificateFactory,
    PackedFormFactory,
    UnitFactory,
    WetStateFactory,
    ago,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
# A day that the loaded edition holds and the shipped ones do not, and that is not past.
LATER = max(TODAY, dt.date(2027, 3, 1)).isoformat()


@pytest.fixture
def unit(cast: Cast) -> Unit:
    unit: Unit = UnitFactory(tag="U-1", home=cast.north)
    PackedFormFactory(design=unit.design, code="skid", mass_kg=1800.0)
    WetStateFactory(unit=unit)
    bank = BankFactory(unit=unit, chemistry="vrla_gel", serial="GEL/1")
    facts = {"config": "installed", "host": "equipment", "vib_pressure_ok": True, "no_free_liquid_55c": True}
    BankTransport.objects.create(bank=bank, marked_nonspillable=True, **facts)
    CertificateFactory(unit=unit, kind="non_spillable", expires_on=None)
    long = {"condition_days": 9999, "terminals_days": 9999, "list_days": 9999}
    TransportTerms.objects.create(valid_from=dt.date(2020, 1, 1), **long)
    for kind, answer in (("condition", "ok"), ("terminals", "yes")):
        GoodsCheck.objects.create(unit=unit, bank=bank, kind=kind, answer=answer, happened_at=ago(0))
    GoodsListCheck.objects.create(unit=unit, keys=["bank:GEL/1"], happened_at=ago(0))
    return unit


def told(*arguments: str) -> str:
    out = StringIO()
    call_command(*arguments, stdout=out)
    return out.getvalue()


def answers(cast: Cast, day: str) -> list[str]:
    """What the sheet, the search by air, the API and the command say of a ship date, without what varies."""
    client = Client()
    client.force_login(cast.dina)
    if not hasattr(cast.dina, "key"):
        cast.dina.key = token_create(user=cast.dina, name="x", scopes=("read",), actor=cast.dina)[1]  # type: ignore[attr-defined]
    head = {"authorization": f"Bearer {cast.dina.key}"}  # type: ignore[attr-defined]
    query = f"ship_on={day}&days=10&alt_m=100&isa_dev_c=10&sling_mm=4000"
    sheet = client.get(f"/units/U-1/transport/?{query}").content.decode()
    plane = "/transport/?" + query + "&conveyance=" + held_conveyances().planes.keys[0] + "&format=csv"
    api = client.get(f"/api/units/U-1/transport?ship_date={day}", headers=head)
    assert api.status_code == 200
    return [
        sheet.partition("What the law says")[2].partition("<section")[0],
        client.get(plane).content.decode(),
        json.dumps(api.json()),
        told("transport", "U-1", "--ship-date", day, "--json"),
    ]


def air_law(text: str) -> dict[str, Any]:
    (law,) = [law for law in json.loads(text)["law"] if law["mode"] == "AIR"]
    return law  # type: ignore[no-any-return]


def test_only_a_released_edition_changes_the_answers_and_all_of_them_alike(cast: Cast, unit: Unit) -> None:
    before, earlier = answers(cast, LATER), answers(cast, "2026-12-31")
    assert "no edition of the rules is held for that date" in before[0]
    assert "The rules for that ship date are not held." in before[0]

    edition = edition_count(edition=air_edition(cast.ada, valid_to="2029-12-31"))
    assert answers(cast, LATER) == before

    edition_release(edition=edition, seen=edition.changes["digest"], actor=cast.dina)
    after = answers(cast, LATER)
    assert "air test edition" in after[0]
    assert "By air: cannot decide. Missing for GEL/1" in before[1]
    assert "By air" not in after[1]
    for text, old in zip(after[2:], before[2:], strict=True):
        assert air_law(text)["edition"] == "air test edition"
        assert (air_law(old)["outcome"], air_law(text)["outcome"]) == ("cannot_decide", "pass")
    assert json.loads(after[2]) == json.loads(after[3])
    assert answers(cast, "2026-12-31") == earlier

    edition_withdraw(edition=edition, reason="a misprint", actor=cast.dina)
    assert answers(cast, LATER) == before


def test_a_released_edition_that_cannot_be_used_is_said_to_be_so(cast: Cast, unit: Unit) -> None:
    edition = edition_count(
        edition=edition_load(name="US rules 2027", editions_csv=table(US_2027), actor=cast.ada)
    )
    edition_release(edition=edition, seen=edition.changes["digest"], actor=cast.dina)
    assert "US test text" in answers(cast, LATER)[0]
    RuleEdition.objects.update(editions_csv="spoilt")
    said = answers(cast, LATER)
    for text in (said[0], said[2], said[3]):
        assert "the released edition US rules 2027 cannot be used" in text
        assert "US test text" not in text


def files(tmp_path: Path, text: str) -> str:
    path = tmp_path / "editions.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_command_loads_shows_releases_and_withdraws(cast: Cast, unit: Unit, tmp_path: Path) -> None:
    assert "the editions held end" in told("transport_rules", "list")
    path = files(tmp_path, table(AIR_2027))
    said = told("transport_rules", "load", path, "--name", "Air 2027", "--user", "ada")
    pk = said.split()[0]
    assert "waits for a second person" in said
    with pytest.raises(CommandError, match="a second person does"):
        told("transport_rules", "release", pk, "--user", "ada")
    shown = told("transport_rules", "release", pk, "--user", "dina")
    assert "changes answers of 1 of 1 units" in shown
    assert "Nothing is released yet" in shown
    assert RuleEdition.objects.get().state == "loaded"
    code = shown.split("--seen ")[1].strip()
    with pytest.raises(CommandError, match="Look again"):
        told("transport_rules", "release", pk, "--user", "dina", "--seen", "nonsense")
    assert "is released" in told("transport_rules", "release", pk, "--user", "dina", "--seen", code)
    assert "released" in told("transport_rules", "list")
    assert "withdrawn" in told("transport_rules", "withdraw", pk, "--user", "dina", "--reason", "a misprint")


def test_the_command_refuses_with_sentences(cast: Cast, tmp_path: Path) -> None:
    path = files(tmp_path, table(AIR_2027 | {"valid_from": "2027-02-01"}))
    with pytest.raises(CommandError, match=r"Nothing was loaded\.\n.*Begin on 2027-01-01") as error:
        told("transport_rules", "load", path, "--name", "Air", "--user", "ada")
    assert error.value.args[0].count("\n") == 1
    with pytest.raises(CommandError, match="no active user 'nobody'"):
        told("transport_rules", "load", path, "--name", "Air", "--user", "nobody")
    with pytest.raises(CommandError, match="No edition has the number 77"):
        told("transport_rules", "withdraw", "77", "--user", "ada", "--reason", "x")
    with pytest.raises(CommandError, match="cannot be read as text"):
        told("transport_rules", "load", str(tmp_path / "none.csv"), "--name", "Air", "--user", "ada")
