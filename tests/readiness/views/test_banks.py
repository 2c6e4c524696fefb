"""The page of a battery bank: where it lies, what is written down about it, its blocks and their moves."""

import datetime as dt
import uuid

import pytest

from fleet.models import BlockStay, Modification
from fleet.services.banks import bank_move, block_move
from readiness.models import BankState, Charge, Reading
from tests.factories.fleet import NOW, TODAY, BankFactory, BlockFactory, UnitFactory, ago
from tests.factories.readiness import ChargeFactory, OpenChargeFactory, ReadingFactory, VerdictFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def shelved(cast):
    return BankFactory(place=cast.north, serial="SH/1")


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def text(answer) -> str:
    return answer.content.decode()


def post(client, url: str, **given):
    return client.post(url, {"token": uuid.uuid4(), **given})


def test_a_bank_on_a_shelf_has_a_page_with_its_records_and_says_that_its_charge_is_not_known(
    client, cast, shelved
) -> None:
    BankState.objects.create(bank=shelved, as_of=TODAY, status="known", soc=0.9, low_soc=0.85, high_soc=0.95)
    ReadingFactory(bank=shelved, note="before it came out")
    ChargeFactory(bank=shelved)
    page = text(client.get("/banks/sh/1/"))
    assert "On the shelf, North depot" in page
    assert "the charge state of a bank on a shelf is not worked out" in page
    assert "85–95 %" not in page
    assert "before it came out" in page
    assert "Strike out" in page
    assert "Wrong bank" in page


def test_a_bank_in_a_unit_shows_its_band_and_the_day_it_was_worked_out_for(client, cast) -> None:
    unit = UnitFactory(tag="MW-1", home=cast.north)
    verdict = VerdictFactory(unit=unit)
    bank = BankFactory(unit=unit, serial="IN-1")
    BankState.objects.create(
        bank=bank, as_of=TODAY, status="known", soc=0.7, low_soc=0.62, high_soc=0.78, floor_soc=0.5
    )
    page = text(client.get("/banks/IN-1/"))
    assert "62–78 %" in page
    assert "worked out for" in page
    assert 'href="/units/MW-1/"' in page
    unit_page = text(client.get("/units/MW-1/"))
    assert 'href="/banks/IN-1/"' in unit_page
    verdict.current = False
    verdict.save()
    page = text(client.get("/banks/IN-1/"))
    assert "62–78 %" not in page
    assert "Out of date" in page
    assert "worked out for" in page


def test_the_shelf_the_units_the_stores_and_the_search_lead_to_it(client, cast, shelved) -> None:
    in_unit = BankFactory(unit=UnitFactory(home=cast.north), serial="IN-1")
    shelf = text(client.get("/banks/"))
    assert 'href="/banks/SH/1/"' in shelf
    assert in_unit.serial not in shelf
    assert in_unit.serial in text(client.get("/banks/?where=all"))
    for page in ("/units/", "/stores/"):
        assert 'href="/banks/"' in text(client.get(page)), page
    assert 'href="/banks/SH/1/"' in text(client.get("/fleet/find/?q=SH/1"))
    block = BlockFactory(bank=shelved, position="2", serial="ZZ-77")
    assert 'href="/banks/SH/1/"' in text(client.get(f"/fleet/find/?q={block.serial}"))


def test_the_place_of_the_shelf_says_who_may_write(cast, signed_in, shelved) -> None:
    reading = ReadingFactory(bank=shelved)
    strike = f"/records/reading/{reading.pk}/strike/"
    for who in (cast.silas, cast.vera, cast.dina):
        client = signed_in(who)
        assert "Strike out" not in text(client.get("/banks/SH/1/"))
        assert client.get("/banks/SH/1/reading/").status_code == 403
        assert client.get(strike).status_code == 403
    assert signed_in(cast.stig).get("/banks/SH/1/").status_code == 403


def test_a_record_of_a_bank_that_was_taken_out_is_struck_on_its_page(client, cast) -> None:
    unit = UnitFactory(tag="MW-1", home=cast.north)
    bank = BankFactory(unit=unit, serial="OUT-1")
    reading = ReadingFactory(bank=bank)
    bank_move(bank=bank, place=cast.north, at=ago(1), actor=cast.nora, now=NOW)
    strike = f"/records/reading/{reading.pk}/strike/"
    assert "OUT-1" in text(client.get(strike))
    assert client.post(strike, {"reason": "other meter"})["Location"] == "/banks/OUT-1/"
    assert "Struck out: other meter" in text(client.get("/banks/OUT-1/"))


def test_after_a_correction_one_returns_to_the_page_one_came_from(client, cast) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north), serial="IN-1")
    reading = ReadingFactory(bank=bank)
    page = text(client.get("/banks/IN-1/"))
    assert f"/records/reading/{reading.pk}/strike/?next=%2Fbanks%2FIN-1%2F" in page
    form = text(client.get(f"/records/reading/{reading.pk}/strike/?next=/banks/IN-1/"))
    assert 'name="next" value="/banks/IN-1/"' in form
    sent = {"reason": "x", "next": "/banks/IN-1/"}
    assert client.post(f"/records/reading/{reading.pk}/strike/", sent)["Location"] == "/banks/IN-1/"


@pytest.mark.parametrize("named", ["sh/1", " SH/1 "])
def test_a_record_is_moved_to_a_bank_on_a_shelf_by_its_serial(client, cast, shelved, named) -> None:
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory(home=cast.north)))
    answer = client.post(f"/records/reading/{reading.pk}/move/", {"bank": named, "reason": "label"})
    assert answer["Location"] == "/banks/SH/1/"
    assert Reading.objects.counting().get().bank == shelved


def test_of_a_unit_with_two_banks_one_is_chosen(client, cast) -> None:
    right = UnitFactory(tag="MW-2", home=cast.north)
    BankFactory(unit=right, serial="MAIN-1")
    second = BankFactory(unit=right, position="phone", serial="PHONE-1")
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory(home=cast.north)))
    url = f"/records/reading/{reading.pk}/move/"
    asked = client.post(url, {"unit": "MW-2", "reason": "label"})
    assert asked.status_code == 422
    page = text(asked)
    assert "MW-2 held several banks then. Choose one." in page
    assert 'type="radio" name="bank" value="PHONE-1"' in page
    assert 'value="label"' in page  # the reason is kept
    answer = client.post(url, {"unit": "MW-2", "bank": "PHONE-1", "reason": "label"})
    assert answer["Location"] == "/units/MW-2/"
    assert Reading.objects.counting().get().bank == second


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"unit": "MW-3"}, "MW-3 held no bank at that time. Type the serial number of the bank instead."),
        ({"bank": "NONE-1"}, "No battery bank bears this serial number."),
        ({}, "Type the tag of a unit, or the serial number of a bank."),
    ],
)
def test_a_record_needs_a_bank_to_go_to(client, cast, given, sentence) -> None:
    UnitFactory(tag="MW-3", home=cast.north)
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory(home=cast.north)))
    answer = client.post(f"/records/reading/{reading.pk}/move/", {"reason": "label", **given})
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert Reading.objects.counting().count() == 1


def test_a_record_goes_to_no_shelf_of_another_depot(client, cast) -> None:
    BankFactory(place=cast.south, serial="THEIRS")
    reading = ReadingFactory(bank=BankFactory(unit=UnitFactory(home=cast.north)))
    url = f"/records/reading/{reading.pk}/move/"
    assert client.post(url, {"bank": "THEIRS", "reason": "label"}).status_code == 403


def test_a_bank_on_a_shelf_is_read_and_charged(client, shelved) -> None:
    given = {"bank": shelved.pk, "kind": "voltage", "value": "25.4", "temp_c": "15", "rest_h": "30"}
    assert post(client, "/banks/SH/1/reading/", **given)["Location"] == "/banks/SH/1/"
    assert Reading.objects.get().volts_v == pytest.approx(25.4)
    assert post(client, "/banks/SH/1/reading/", **{**given, "value": "254"}).status_code == 422
    begun = post(client, "/banks/SH/1/charge/start/", bank=shelved.pk, purpose="maintenance", bay="2")
    assert begun["Location"] == "/banks/SH/1/"
    assert client.get("/banks/SH/1/charge/start/").status_code == 302
    charge = Charge.objects.get()
    assert charge.place.code == "NORTH"
    Charge.objects.update(happened_at=ago(hours=10))
    end = {"charge": charge.pk, "end_sign": "current_steady", "ah_in": "40 Ah"}
    assert post(client, "/banks/SH/1/charge/end/", **end).status_code == 302
    assert client.get("/banks/SH/1/charge/end/").status_code == 302


# Blocks


def test_a_block_is_exchanged_and_both_go_on_with_their_history(client, cast) -> None:
    unit = UnitFactory(tag="MW-1", home=cast.north)
    bank = BankFactory(unit=unit, serial="B-1")
    old = BlockFactory(bank=bank, position="3", serial="OLD-3")
    new = BlockFactory(place=cast.north, serial="NEW-3")
    form = client.get("/banks/B-1/blocks/in/?position=3")
    assert form.context["form"].initial["position"] == "3"
    assert "In it now: OLD-3." in text(form)
    given = {"block": "new-3", "position": "3", "old_to": cast.north.pk, "token": uuid.uuid4()}
    for _tap in range(2):
        assert client.post("/banks/B-1/blocks/in/", given)["Location"] == "/banks/B-1/"
    now = {stay.block.serial: stay for stay in BlockStay.objects.current()}
    assert (now["NEW-3"].bank, now["NEW-3"].position) == (bank, "3")
    assert now["OLD-3"].place == cast.north
    assert BlockStay.objects.filter(block__in=[old, new]).count() == 4
    change = Modification.objects.get(unit=unit)
    assert "OLD-3 out, NEW-3 in" in change.description
    page = text(client.get("/banks/B-1/"))
    assert "Were in it once" in page
    assert page.index("NEW-3") < page.index("OLD-3")


def test_a_block_comes_out_of_another_bank_and_both_units_are_judged_again(client, cast) -> None:
    giver, taker = (UnitFactory(tag=tag, home=cast.north) for tag in ("MW-1", "MW-2"))
    block = BlockFactory(bank=BankFactory(unit=giver, serial="G"), position="1", serial="X-1")
    BankFactory(unit=taker, serial="T")
    sent = {"block": block.serial, "position": "1", "old_to": cast.north.pk}
    assert post(client, "/banks/T/blocks/in/", **sent).status_code == 302
    assert BlockStay.objects.current().get(block=block).bank.serial == "T"
    assert set(Modification.objects.values_list("unit__tag", flat=True)) == {"MW-1", "MW-2"}


def test_a_block_that_was_moved_on_meanwhile_stays_where_it_is(client, cast) -> None:
    here, there = (BankFactory(unit=UnitFactory(home=cast.north), serial=serial) for serial in ("B-1", "B-2"))
    block = BlockFactory(bank=here, position="1", serial="X-1")
    BlockFactory(bank=here, position="2")
    block_move(block=block, bank=there, position="1", at=ago(1), actor=cast.nora, now=NOW)
    answer = post(client, "/banks/B-1/blocks/out/", block=block.pk, place=cast.north.pk)
    assert answer.status_code == 422
    assert "X-1 is not in B-1 any more" in text(answer)
    assert BlockStay.objects.current().get(block=block).bank == there


def test_like_for_like_touches_no_evidence(client, cast) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north), serial="B-1")
    BlockFactory(bank=bank, position="1")
    BlockFactory(place=cast.north, serial="N-1")
    sent = {"block": "N-1", "position": "1", "old_to": cast.north.pk, "like_for_like": "on"}
    assert post(client, "/banks/B-1/blocks/in/", **sent).status_code == 302
    assert Modification.objects.count() == 0


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"block": "GHOST"}, "No battery block bears this serial number."),
        ({"block": "LITHIUM"}, "they must not be mixed"),
        ({"position": ""}, "This field is required."),
        ({"happened_at": "2099-01-01T10:00"}, "has not come yet"),
    ],
)
def test_a_block_that_cannot_go_in_leaves_everything_where_it_was(client, cast, changes, sentence) -> None:
    bank = BankFactory(unit=UnitFactory(home=cast.north), serial="B-1")
    old = BlockFactory(bank=bank, position="1")
    BlockFactory(place=cast.north, serial="N-1")
    BlockFactory(place=cast.north, serial="LITHIUM", chemistry="lfp")
    sent = {"block": "N-1", "position": "1", "old_to": cast.north.pk, **changes}
    answer = post(client, "/banks/B-1/blocks/in/", **sent)
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert BlockStay.objects.current().get(bank=bank).block == old


def test_a_block_of_another_depot_is_not_taken(client, cast) -> None:
    BankFactory(place=cast.north, serial="B-1")
    BlockFactory(place=cast.south, serial="THEIRS")
    sent = {"block": "THEIRS", "position": "1", "old_to": cast.north.pk}
    assert post(client, "/banks/B-1/blocks/in/", **sent).status_code == 403
    assert BlockStay.objects.current().get().place == cast.south


def test_a_block_comes_out_at_a_moment_that_can_be(client, cast, shelved) -> None:
    block = BlockFactory(bank=shelved, position="1", made_on=TODAY - dt.timedelta(days=30))
    for moment, words in (("2099-01-01T08:00", "has not come yet"), ("2001-01-01T08:00", "exists since")):
        sent = {"block": block.pk, "place": cast.north.pk, "happened_at": moment, "note": "weak"}
        answer = post(client, "/banks/SH/1/blocks/out/", **sent)
        assert answer.status_code == 422
        assert words in text(answer)
        assert 'value="weak"' in text(answer)
    assert BlockStay.objects.get().bank == shelved


def test_a_block_is_taken_out_once(client, cast, shelved) -> None:
    block = BlockFactory(bank=shelved, position="1", serial="OUT-1")
    sent = {"block": block.pk, "place": cast.north.pk, "token": uuid.uuid4()}
    for _tap in range(2):
        assert client.post("/banks/SH/1/blocks/out/", sent).status_code == 302
    assert BlockStay.objects.current().get(block=block).place == cast.north
    assert BlockStay.objects.filter(block=block).count() == 2
    assert client.get("/banks/SH/1/blocks/out/")["Location"] == "/banks/SH/1/"


def test_pages_cost_the_same_at_two_sizes(client, cast, queries_of, shelved) -> None:
    def live(first: int, count: int) -> None:
        for n in range(first, first + count):
            BankFactory(place=cast.north)
            ReadingFactory(bank=shelved, happened_at=ago(n + 1), recorded_by=cast.nora)
            ChargeFactory(bank=shelved, happened_at=ago(100 + 2 * n), recorded_by=cast.ada)
            BlockFactory(bank=shelved, position=f"{n}")

    live(0, 2)
    OpenChargeFactory(bank=shelved)
    sizes = [(queries_of(client, "/banks/"), queries_of(client, "/banks/SH/1/?history=all"))]
    live(2, 8)
    sizes.append((queries_of(client, "/banks/"), queries_of(client, "/banks/SH/1/?history=all")))
    assert sizes[0] == sizes[1]
