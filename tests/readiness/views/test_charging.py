"""The charge card of a bank, what it rests on, what the records teach, what stands out, and the replayed past."""

from __future__ import annotations

import csv
import io
import json
import uuid
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from fleet.models import AuditEntry, ClimateNormal
from fleet.services.jobs import job_run
from inventory.models import GoodsCheck
from readiness.domain.bank_flags import Flag
from readiness.models import BankCharger, BankState, ChargingRoom
from tests.factories.fleet import TODAY, BankFactory, SupplyStateFactory, UnitFactory, ago
from tests.factories.readiness import BankTestFactory, ChargeFactory, ReadingFactory

pytestmark = pytest.mark.django_db
CARD = "/banks/IN-1/charge-card/"


@pytest.fixture
def bank(cast):
    """A gel bank in a unit of the north depot: charged, read every few weeks, the last time an hour ago."""
    for month in range(1, 13):
        ClimateNormal.objects.get_or_create(place=cast.north, month=month, defaults={"mean_c": 12.0})
    unit = UnitFactory(tag="MW-1", home=cast.north)
    bank = BankFactory(unit=unit, serial="IN-1", design_life_years=10.0)
    SupplyStateFactory(bank=bank, happened_at=ago(125))
    ChargeFactory(bank=bank, happened_at=ago(121), ended_at=ago(120))
    for n, volts in enumerate((25.75, 25.73, 25.70)):
        ReadingFactory(bank=bank, volts_v=volts, temp_c=10.0, happened_at=ago(60 - 25 * n))
    ReadingFactory(bank=bank, volts_v=25.68, temp_c=10.0, happened_at=ago(hours=1))
    return bank


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def text(answer) -> str:
    return answer.content.decode()


def test_the_card_says_settings_hours_energy_and_air_and_names_what_is_missing(client, bank) -> None:
    page = text(client.get(CARD))
    # 12 cells of 2.37 V at 13 degC, the warm end: 28.44 V less 48 mV for each of 12 K below 25 (reference page 4.1).
    assert "29.02 V" in page
    assert "never: it would ruin this chemistry" in page
    assert "Cannot decide whether it may be charged now: a look at its condition missing." in page
    assert "the absorption voltage its charger is set to missing" in page
    assert 'href="/banks/IN-1/charger/?fact=charger_v#id_charger_v"' in page
    assert "fact=inlet_cm2" in page
    assert "Energy from the wall" in page
    assert "licensed electrician" in page
    assert "The manual of the maker for this model comes before every figure here." in page


def test_what_was_missing_is_written_down_and_the_card_passes(client, cast, bank) -> None:
    answer = client.post(
        "/banks/IN-1/charger/",
        {"token": uuid.uuid4(), "seen": "", "charger_a": "30 A", "charger_v": "28.4 V", "source": "plate"},
    )
    assert answer.status_code == 302
    row = BankCharger.objects.get(bank=bank)
    assert (row.charger_v, row.absorb_v_cell, row.source) == (28.4, None, "plate")
    room = {
        "token": uuid.uuid4(),
        "seen": "",
        "inlet_cm2": "300",
        "outlet_cm2": "300",
        "free_volume_m3": "60 m3",
        "fan_m3_h": "0",
        "fan_interlocked": "",
        "temp_high_c": "30",
        "circuit_v": "230 V",
        "circuit_phases": "1",
        "power_factor": "0.95",
        "breaker_a": "16 A",
        "source": "electrician, 3 March",
    }
    assert client.post(f"/charging/{cast.north.code}/room/", room).status_code == 302
    assert ChargingRoom.objects.get(place=cast.north).breaker_a == 16
    GoodsCheck.objects.create(
        unit=bank.stays.get().unit, bank=bank, kind="condition", answer="ok", happened_at=ago(1)
    )
    page = text(client.get(CARD))
    assert "Nothing on file forbids charging it now." in page
    assert "cannot decide" not in page.lower()
    assert AuditEntry.objects.filter(action__in=["charger.add", "charging_room.add"]).count() == 2


@pytest.mark.parametrize(
    ("box", "typed", "said"),
    [
        ("charger_v", "0", "This cannot be less than"),
        ("charger_v", "many", ""),
        ("comp_mv_cell_k", "4", "0"),
        ("absorb_v_cell", "28.4", "4.5"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_and_nothing_is_saved(client, bank, box, typed, said) -> None:
    answer = client.post("/banks/IN-1/charger/", {"token": uuid.uuid4(), "seen": "", box: typed})
    assert answer.status_code == 422
    assert said in text(answer)
    assert not BankCharger.objects.exists()


def test_who_saves_over_another_sees_both(client, bank) -> None:
    post = {"token": uuid.uuid4(), "seen": "", "charger_v": "28.4"}
    assert client.post("/banks/IN-1/charger/", post).status_code == 302
    answer = client.post("/banks/IN-1/charger/", {**post, "token": uuid.uuid4(), "charger_v": "28.8"})
    assert answer.status_code == 409
    assert BankCharger.objects.get().charger_v == 28.4


def test_a_damaged_bank_must_not_be_charged(client, bank) -> None:
    GoodsCheck.objects.create(
        unit=bank.stays.get().unit, bank=bank, kind="condition", answer="damaged", happened_at=ago(1)
    )
    assert "Must not be charged now: it is damaged" in text(client.get(CARD))


def test_the_card_of_a_bank_on_a_shelf_asks_for_its_temperature(client, cast) -> None:
    BankFactory(place=cast.north, serial="SH-1", chemistry="lfp", cells_in_series=8)
    page = text(client.get("/banks/SH-1/charge-card/"))
    assert "the temperature of the battery" in page
    assert "Never charge lithium below 0 °C" in page
    assert "This chemistry gives off no gas" in page


def test_the_card_as_pdf(client, bank) -> None:
    answer = client.get("/banks/IN-1/charge-card.pdf")
    assert answer["Content-Type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")
    assert "charge-card-IN-1.pdf" in answer["Content-Disposition"]
    assert answer.content == client.get("/banks/IN-1/charge-card.pdf").content


def test_bank_and_unit_say_what_its_records_teach_and_what_stands_out(client, bank) -> None:
    ReadingFactory(bank=bank, volts_v=25.0, rest_h=0.5, happened_at=ago(45))
    BankTestFactory(bank=bank, kind="capacity", capacity_ah=140.0, temp_c=20.0, happened_at=ago(40))
    for url in ("/banks/IN-1/", "/units/MW-1/"):
        page = text(client.get(url))
        assert "Loses by its own records" in page
        assert "80 % band" in page
        assert "Published for its chemistry and age" in page
        assert "1 not rested long enough" in page
        assert "Its last capacity test showed 70 % of rated at 20 °C." in page
        assert "IEEE 1188" in page
        assert "Charge card to print" in page
    bank_page = text(client.get("/banks/IN-1/"))
    assert "its ohmic value (never tested)" in bank_page
    assert "chart__band" in bank_page


def test_a_reading_far_too_low_is_told_in_words(client, bank) -> None:
    ReadingFactory(bank=bank, volts_v=24.3, happened_at=ago(hours=0.5))
    page = text(client.get("/banks/IN-1/"))
    assert "It is kept and planned on, not averaged away, until a second reading disproves it." in " ".join(
        page.split()
    )


def test_banks_are_filtered_and_sorted_by_what_stands_out_and_go_into_a_file(client, cast) -> None:
    for n, flags in enumerate((0, int(Flag.TEST_DUE), int(Flag.RATE_HIGH | Flag.TEST_DUE))):
        bank = BankFactory(unit=UnitFactory(home=cast.north), serial=f"B-{n}")
        BankState.objects.create(
            bank=bank,
            as_of=TODAY,
            status="decided",
            flags=flags,
            learned_count=5,
            own_pct_month=2.0 + n,
            peer_ratio=1.0 + n,
        )
    page = text(client.get("/banks/?flag=any"))
    assert "B-2" in page
    assert "B-1" not in page
    assert "loses far more than its peers" in page
    assert "B-1" in text(client.get("/banks/?flag=test_due"))
    ordered = text(client.get("/banks/?where=all&sort=-loses"))
    assert ordered.index("B-2") < ordered.index("B-1") < ordered.index("B-0")
    assert "B-0" not in text(client.get("/banks/?where=all&q=B-2"))
    assert "No bank matches" in text(client.get("/banks/?flag=life_over"))
    answer = client.get("/banks/?where=all&format=csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [row["Bank"] for row in rows] == ["B-0", "B-1", "B-2"]
    assert rows[2]["What stands out"] == "loses far more than its peers; capacity test due"


def test_the_list_takes_as_many_queries_with_many_banks(client, cast, queries_of) -> None:
    def add(first: int, count: int) -> None:
        for n in range(first, first + count):
            bank = BankFactory(unit=UnitFactory(home=cast.north), serial=f"B-{n}")
            BankState.objects.create(bank=bank, as_of=TODAY, status="decided", flags=1, peer_ratio=2.0)

    add(0, 2)
    few = queries_of(client, "/banks/?flag=any")
    add(2, 10)
    assert queries_of(client, "/banks/?flag=any") == few


def test_the_past_is_replayed_by_command(bank) -> None:
    out = StringIO()
    call_command("back_test", "--json", "--as-of", TODAY.isoformat(), stdout=out)
    told = json.loads(out.getvalue())
    assert told["banks"] == 1
    assert told["as_of"] == TODAY.isoformat()
    out = StringIO()
    call_command("back_test", stdout=out)
    assert "Too few readings yet" in out.getvalue()
    with pytest.raises(CommandError, match="no depot with the code 'NOWHERE'"):
        call_command("back_test", "--depot", "NOWHERE")


def test_the_past_is_replayed_by_the_workers_and_shown_as_chart_and_table(client, cast, bank) -> None:
    from fleet.models import Job

    for serial in range(3):
        other = BankFactory(unit=UnitFactory(home=cast.north), serial=f"R-{serial}", design_life_years=10.0)
        SupplyStateFactory(bank=other, happened_at=ago(295))
        ChargeFactory(bank=other, happened_at=ago(291), ended_at=ago(290))
        for n in range(9):
            ReadingFactory(bank=other, volts_v=25.78 - 0.02 * n, temp_c=12.0, happened_at=ago(280 - 31 * n))
    assert "Not replayed yet" in text(client.get("/back-test/"))
    assert client.post("/back-test/").status_code == 302
    job = Job.objects.get(kind="back_test")
    page = text(client.get("/back-test/"))
    assert "Replaying the past" in page
    job_run(job_id=job.pk, keep_lease=False)
    page = text(client.get("/back-test/"))
    assert "Readings inside the 80 % band" in page
    assert "30 days ahead" in page
    assert "With learning the band is" in page
    job.refresh_from_db()
    rows = job.result["groups"]["all"]
    assert [row["horizon_days"] for row in rows] == [30.0, 60.0, 90.0]
    assert all(row["width"] < row["plain_width"] for row in rows)


def test_only_who_keeps_a_depot_asks_for_it(cast, signed_in) -> None:
    viewer = signed_in(cast.vera)
    assert viewer.get("/back-test/").status_code == 200
    assert viewer.post("/back-test/").status_code == 403
