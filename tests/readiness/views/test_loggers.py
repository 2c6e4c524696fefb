"""The pages of loggers: what is believed, files by hand with a look first, keys, and rows taken back."""

import datetime as dt
import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.models import ApiToken, AuditEntry
from fleet.services.tokens import token_use
from readiness.domain.sample_files import SampleFile
from readiness.models import Alert, BankLogger, LoggerKey, Sample, SampleDay, SamplePost
from readiness.services.samples import samples_take
from readiness.services.sweep import sweep_units
from readiness.web.matters import matter_line
from tests.cast import Cast
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def bank(cast: Cast) -> Any:
    return BankFactory(serial="N/1", unit=UnitFactory(tag="N-1", home=cast.north))


@pytest.fixture
def client(cast: Cast, signed_in: Any) -> Client:
    client: Client = signed_in(cast.nora)
    return client


def text(answer: Any) -> str:
    return str(answer.content.decode())


def send(bank: Any, first_h: int, last_h: int, temp: Any = None, **more: Any) -> Any:
    rows = [
        {
            "bank": bank.serial,
            "at": (NOW - dt.timedelta(hours=n)).isoformat(),
            "temp_c": temp if temp is not None else 9.0 + n % 5 / 10,
        }
        for n in range(first_h, last_h)
    ]
    taken = samples_take(
        file=SampleFile([*rows, *more.get("wrong", [])]),
        how="api",
        actor=None,
        rights=None,
        name="gateway",
        now=NOW,
    )
    BankLogger.objects.filter(bank=bank).update(expected_min=60)
    return taken


def test_no_logger_says_what_to_do(client: Client) -> None:
    page = text(client.get("/loggers/"))
    assert "No logger has been heard yet" in page
    assert "Everything that came was taken." in page


def test_the_list_names_state_times_and_counts_and_puts_the_unbelieved_first(
    client: Client, cast: Cast, bank: Any
) -> None:
    send(bank, 0, 60)
    quiet = BankFactory(serial="Z/9", unit=UnitFactory(home=cast.north))
    send(quiet, 30, 90)
    page = text(client.get("/loggers/"))
    assert page.index("Z/9") < page.index("N/1")
    assert "Logger silent since" in page
    assert "Logger live; its temperatures are used" in page
    only = text(client.get("/loggers/?state=failing"))
    assert "Z/9" in only
    assert "N/1" not in only
    BankLogger.objects.filter(bank=quiet).update(off_at=NOW)
    assert "Every logger is believed" in text(client.get("/loggers/?state=failing"))


def test_the_list_takes_the_same_queries_for_one_and_for_many(
    client: Client, cast: Cast, bank: Any, queries_of: Any
) -> None:
    send(bank, 0, 30)
    one = queries_of(client, "/loggers/")
    for n in range(5):
        send(BankFactory(serial=f"M/{n}", unit=UnitFactory(home=cast.north)), 0, 30)
    assert queries_of(client, "/loggers/") == one


def test_the_page_of_a_bank_says_whence_its_temperature_comes(client: Client, bank: Any) -> None:
    assert (
        "Temperature"
        not in re.sub(r"Battery temperature", "", text(client.get("/banks/N/1/"))).split("Charging")[0]
    )
    send(bank, 30, 90)
    page = text(client.get("/banks/N/1/"))
    assert "Logger silent since" in page
    assert "climate used" in page
    assert "2 K of the enclosure" in page
    send(bank, 0, 30)
    page = text(client.get("/banks/N/1/"))
    assert "Logger live" in page
    assert "Last daily mean" in page


def test_the_page_of_a_logger_shows_its_days_and_why_one_does_not_count(client: Client, bank: Any) -> None:
    send(bank, 0, 5 * 24, temp=9.0)
    page = text(client.get(f"/loggers/{bank.pk}/"))
    assert "Logger stuck since" in page
    assert "no: stuck" in page
    assert "Climate of this month and 2 K of the enclosure" in page
    assert client.get("/loggers/999999/").status_code == 404


def test_what_is_expected_of_a_logger_is_edited_and_a_clash_is_shown(client: Client, bank: Any) -> None:
    send(bank, 0, 30)
    logger = BankLogger.objects.get()
    url = f"/loggers/{bank.pk}/edit/"
    assert client.get(url).status_code == 200
    good = {"seen": logger.version, "label": "shunt 3", "expected_min": "15"}
    answer = client.post(url, good)
    assert answer.status_code == 302
    logger.refresh_from_db()
    assert (logger.label, logger.expected_min, logger.off_at) == ("shunt 3", 15, None)
    late = client.post(url, {**good, "label": "mine"})
    assert late.status_code == 409
    assert "shunt 3" in text(late)
    for wrong in ("0", "10081", "often", ""):
        assert client.post(url, {"seen": logger.version, "expected_min": wrong}).status_code == 422
    client.post(url, {"seen": logger.version, "label": "shunt 3", "expected_min": "15", "off": "on"})
    logger.refresh_from_db()
    assert logger.off_at is not None
    assert "Logger taken off on" in text(client.get(f"/loggers/{bank.pk}/"))


def upload(content: str, name: str = "yard.csv") -> Any:
    return SimpleUploadedFile(name, content.encode(), content_type="text/csv")


def test_a_file_by_hand_is_looked_at_before_it_is_taken(client: Client, bank: Any) -> None:
    at = (NOW - dt.timedelta(hours=3)).isoformat()
    csv = f"bank,at,temp_c,colour\nN/1,{at},11,red\nN/1,{NOW.isoformat()},400,red\nX,{at},11,red\n"
    look = client.post("/loggers/send/", {"file": upload(csv), "zone": ""})
    page = text(look)
    assert look.status_code == 200
    assert "Nothing is written yet." in page
    assert "400 °C cannot be" in page
    assert "Row 4, bank: no bank bears the serial" in page
    assert "colour" in page
    assert not Sample.objects.exists()
    kept = re.search(r'name="kept" value="([^"]+)"', page)
    assert kept
    done = client.post("/loggers/send/", {"kept": kept[1]}, follow=True)
    assert "1 new rows are on file, 0 were known, 2 were left out." in text(done)
    assert Sample.objects.count() == 1
    assert SamplePost.objects.get().how == "page"
    client.post("/loggers/send/", {"kept": kept[1]})
    assert Sample.objects.count() == 1


def test_a_file_without_bank_and_offset_takes_both_from_the_form(client: Client, bank: Any) -> None:
    day = TODAY - dt.timedelta(days=1)
    csv = f"time;temperature\n{day} 08:00;11,5\n"
    assert "There is nothing new in it" in text(client.post("/loggers/send/", {"file": upload(csv)}))
    page = text(client.post("/loggers/send/", {"file": upload(csv), "bank": "n/1", "zone": "Europe/Oslo"}))
    kept = re.search(r'name="kept" value="([^"]+)"', page)
    assert kept
    client.post("/loggers/send/", {"kept": kept[1]})
    assert Sample.objects.get().temp_c == 11.5


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "required"),
        ({"file": "at the moment"}, "required"),
        ({"bank": "X"}, "No bank bears this serial"),
    ],
)
def test_a_form_that_cannot_be_read_says_so(
    client: Client, bank: Any, given: dict[str, Any], words: str
) -> None:
    answer = client.post("/loggers/send/", given)
    assert answer.status_code == 422
    assert words in text(answer)


def test_what_is_no_samples_file_says_so(client: Client) -> None:
    answer = client.post("/loggers/send/", {"file": upload("bank,volts\nN/1,25\n")})
    assert answer.status_code == 422
    assert "no column of times" in text(answer)


def test_a_look_of_somebody_else_or_a_made_up_one_is_not_taken(
    client: Client, cast: Cast, bank: Any, signed_in: Any
) -> None:
    csv = f"bank,at,temp_c\nN/1,{NOW.isoformat()},11\n"
    page = text(client.post("/loggers/send/", {"file": upload(csv)}))
    kept = re.search(r'name="kept" value="([^"]+)"', page)
    assert kept
    for sender, value in ((signed_in(cast.silas), kept[1]), (client, kept[1] + "x"), (client, "made up")):
        answer = sender.post("/loggers/send/", {"kept": value}, follow=True)
        assert "Choose the file again" in text(answer)
    assert not Sample.objects.exists()


def test_an_arrival_shows_what_was_left_out_and_is_taken_back_with_a_reason(
    client: Client, cast: Cast, bank: Any, signed_in: Any
) -> None:
    wrong = [{"bank": "N/1", "at": NOW.isoformat(), "volts_v": 240}]
    post = send(bank, 1, 30, wrong=wrong).post
    page = text(client.get(f"/loggers/arrivals/{post.pk}/"))
    assert "240 V cannot be" in page
    assert "240 V cannot be" in text(client.get("/loggers/"))
    back = f"/loggers/arrivals/{post.pk}/take-back/"
    assert signed_in(cast.silas).post(back, {"reason": "x"}).status_code == 403
    assert "Take back the 29 rows" in text(client.get(back))
    assert client.post(back, {"reason": ""}).status_code == 422
    done = client.post(back, {"reason": "hung on another bank"}, follow=True)
    assert "hung on another bank" in text(done)
    assert Sample.objects.filter(struck=True).count() == 29
    assert not SampleDay.objects.exists()
    assert "taken back already" in text(client.get(back, follow=True))
    assert AuditEntry.objects.filter(action="samples.take_back", actor=cast.nora).exists()


def test_a_key_is_shown_once_works_for_samples_alone_and_is_revoked(
    client: Client, cast: Cast, bank: Any
) -> None:
    made = client.post("/loggers/keys/", {"name": "gateway", "bank": "n/1"})
    key = re.search(r"mw_[\w-]{20,}", text(made))
    assert key
    assert made.headers["Cache-Control"] == "no-store"
    assert "mw_" not in text(client.get("/loggers/keys/"))
    row = token_use(key=key[0])
    assert row is not None
    assert (row.scope, row.user) == ("samples:write", cast.nora)
    assert LoggerKey.objects.get().bank == bank
    assert key[0] not in str(ApiToken.objects.values().get())
    url = f"/loggers/keys/{row.pk}/revoke/"
    assert "Revoke the key ‘gateway’?" in text(client.get(url))
    client.post(url)
    assert token_use(key=key[0]) is None
    assert "revoked" in text(client.get("/loggers/keys/"))


def test_a_key_for_a_bank_of_another_depot_is_not_made(client: Client, cast: Cast) -> None:
    BankFactory(serial="S/1", unit=UnitFactory(home=cast.south))
    answer = client.post("/loggers/keys/", {"name": "gateway", "bank": "S/1"})
    assert answer.status_code == 422
    assert "a depot that you do not keep" in text(answer)
    assert client.post("/loggers/keys/", {"name": "", "bank": ""}).status_code == 422
    assert not LoggerKey.objects.exists()


def test_keys_of_others_are_not_seen_save_by_an_administrator(
    client: Client, cast: Cast, signed_in: Any
) -> None:
    client.post("/loggers/keys/", {"name": "gateway of nora"})
    assert "gateway of nora" not in text(signed_in(cast.silas).get("/loggers/keys/"))
    assert "gateway of nora" in text(signed_in(cast.ada).get("/loggers/keys/"))


def test_the_matter_of_a_silent_logger_leads_to_its_page(
    client: Client, cast: Cast, bank: Any, rf: Any
) -> None:
    send(bank, 30, 90)
    sweep_units(unit_ids=[bank.stays.get().unit_id], as_of=TODAY, now=NOW)
    request = rf.get("/")
    request.user = cast.nora
    line = matter_line(Alert.objects.get(rule="logger"), today=TODAY, request=request)
    assert line.action_url == f"/loggers/{bank.pk}/"
    assert "Logger silent since" in line.reason
    assert client.get("/alerts/?rule=logger").status_code == 200


def test_the_list_and_the_days_go_out_as_files(client: Client, bank: Any) -> None:
    send(bank, 0, 5 * 24, temp=9.0)
    listed = text(client.get("/loggers/?format=csv"))
    assert "N/1" in listed
    assert "stuck" in listed
    days = text(client.get(f"/loggers/{bank.pk}/?format=csv")).splitlines()
    assert len(days) == 1 + SampleDay.objects.count()
    assert "no: stuck" in days[1]
    assert client.get("/loggers/?format=xlsx").content.startswith(b"PK")
